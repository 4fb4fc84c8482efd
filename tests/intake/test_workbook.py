"""Workbooks: the cells that openpyxl finds, at the same addresses, and what a person sees beside them."""

from __future__ import annotations

import datetime as dt
import io
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import polars as pl
import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.comments import Comment
from openpyxl.styles import Font

from crosscellar.gate import Limits
from crosscellar.intake.cells import day_of, number_text
from crosscellar.intake.documents import read_document
from crosscellar.intake.grid import CELL_CHARACTERS, Document, Grid, Unreadable

MESSY = sorted((Path(__file__).parents[1] / "faults" / "messy" / "files").glob("*.xlsx"))


def _saved(fill: Callable[[openpyxl.Workbook], None]) -> bytes:
    book = openpyxl.Workbook()
    fill(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _written(fill: Callable[[xlsxwriter.Workbook], None], **options: object) -> bytes:
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, options)
    fill(book)
    book.close()
    return out.getvalue()


def _document(content: bytes) -> Document:
    record = read_document("sheet.xlsx", content)
    assert isinstance(record, Document), record
    return record


def _grid(content: bytes) -> Grid:
    return _document(content).grids[0]


def _cells(grid: Grid) -> dict[tuple[int, int], tuple[str, str]]:
    assert grid.kinds is not None
    cells = {}
    for texts, kinds in zip(grid.text.iter_rows(named=True), grid.kinds.iter_rows(named=True), strict=True):
        for column, text in texts.items():
            if column != "row" and text is not None:
                cells[(texts["row"], int(column))] = (text, kinds[column])
    return cells


def _by_openpyxl(value: object) -> tuple[str, str]:
    if isinstance(value, bool):
        return str(value).upper(), "b"
    if isinstance(value, int | float):
        return number_text(float(value)), "n"
    if isinstance(value, dt.datetime):
        return (value.date().isoformat() if value.time() == dt.time() else value.isoformat()[:16]), "d"
    text = str(value)
    return text, "e" if text.startswith("#") else "s"


@pytest.mark.parametrize("path", MESSY, ids=lambda path: path.stem)
def test_every_cell_is_the_one_that_openpyxl_reads(path: Path) -> None:
    record = read_document(path.name, path.read_bytes())
    if isinstance(record, Unreadable) or record.form != "xlsx":
        return
    book = openpyxl.load_workbook(path, data_only=True)
    assert [grid.sheet for grid in record.grids] == book.sheetnames
    for grid in record.grids:
        expected = {
            (cell.row, cell.column): _by_openpyxl(cell.value)
            for row in book[grid.sheet].iter_rows()
            for cell in row
            if cell.value is not None
        }
        assert _cells(grid) == expected


VALUES = st.one_of(
    st.none(),
    st.floats(allow_nan=False, allow_infinity=False, width=64).filter(lambda number: abs(number) < 1e300),
    st.integers(-(10**14), 10**14),
    st.booleans(),
    st.text(st.characters(min_codepoint=32, max_codepoint=0x2FF), min_size=1, max_size=20).filter(
        lambda text: text.strip() and text[0] not in "=#'"
    ),
)


@settings(deadline=None, max_examples=40)
@given(st.dictionaries(st.tuples(st.integers(1, 60), st.integers(1, 30)), VALUES, min_size=1, max_size=40))
def test_whatever_openpyxl_writes_and_reads_back_is_read_alike(values: dict[tuple[int, int], object]) -> None:
    def fill(book: openpyxl.Workbook) -> None:
        sheet = book.active
        assert sheet is not None
        for (row, column), value in values.items():
            sheet.cell(row, column).value = value  # type: ignore[union-attr]

    content = _saved(fill)
    record = read_document("sheet.xlsx", content)
    sheet = openpyxl.load_workbook(io.BytesIO(content), data_only=True).active
    assert sheet is not None
    expected = {
        (cell.row, cell.column): _by_openpyxl(cell.value)
        for row in sheet.iter_rows()
        for cell in row
        if cell.value is not None
    }
    if not expected:
        assert isinstance(record, Unreadable) and record.code == "empty"
        return
    assert isinstance(record, Document)
    assert _cells(record.grids[0]) == expected


def test_a_stray_space_in_the_farthest_corner_costs_nothing_and_is_no_content() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet("lab")
        sheet.write("A1", "value")
        sheet.write("A2", 3.31)
        sheet.write_string("XFD1048576", " ")

    content = _written(fill)
    tracemalloc.start()
    grid = _grid(content)
    assert tracemalloc.get_traced_memory()[1] < 30_000_000
    tracemalloc.stop()
    assert _cells(grid) == {(1, 1): ("value", "s"), (2, 1): ("3.31", "n")}


def test_a_cell_in_the_farthest_corner_is_found_there() -> None:
    grid = _grid(_written(lambda book: book.add_worksheet().write("XFD1048576", 7)))
    assert grid.text.columns == ["row", "16384"]
    assert grid.text.rows() == [(1_048_576, "7")]


def test_hidden_rows_columns_and_tabs_are_read_and_marked() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        shown, hidden, deep = (book.add_worksheet(name) for name in ("lab", "old", "older"))
        for sheet in (shown, hidden, deep):
            sheet.write_row("A1", ["a", "b", "c"])
            sheet.write_row("A2", [1, 2, 3])
        shown.set_row(1, None, None, {"hidden": True})
        shown.set_row(7, None, None, {"hidden": True})
        shown.set_column(1, 1, None, None, {"hidden": True})
        hidden.hide()
        deep.very_hidden()

    document = _document(_written(fill))
    assert [(grid.sheet, grid.hidden) for grid in document.grids] == [
        ("lab", False),
        ("old", True),
        ("older", True),
    ]
    assert document.grids[0].marks.rows() == [(2, None, "hidden_row", ""), (None, 2, "hidden_column", "")]


def test_formulas_are_told_with_their_result_or_without_one() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet()
        sheet.write_formula("A1", "=1+2", None, 3)
        sheet.write_formula("A2", "=1-1")  # written as 0 by a program that never calculates
        sheet.write_formula("A3", '="a"&"b"', None, "ab")
        sheet.write_number("A4", 0)

    grid = _grid(_written(fill))
    assert _cells(grid) == {
        (1, 1): ("3", "n"),
        (2, 1): ("=1-1", "f"),
        (3, 1): ("ab", "s"),
        (4, 1): ("0", "n"),
    }
    assert grid.marks.select("row", "mark", "detail").rows() == [
        (1, "formula", "1+2"),
        (2, "formula_without_result", "1-1"),
        (3, "formula", '"a"&"b"'),
    ]


def test_a_formula_that_was_never_calculated_is_not_blank() -> None:
    def fill(book: openpyxl.Workbook) -> None:
        book.active["B2"] = "=A1/2"  # type: ignore[index]

    grid = _grid(_saved(fill))
    assert _cells(grid) == {(2, 2): ("=A1/2", "f")}


def test_struck_out_cells_and_comments_are_marked_at_their_cell() -> None:
    def fill(book: openpyxl.Workbook) -> None:
        sheet = book.active
        assert sheet is not None
        sheet["A1"], sheet["A2"], sheet["A3"] = 3.3, 3.4, 3.5  # type: ignore[index]
        sheet["A2"].font = Font(strike=True)  # type: ignore[index]
        sheet["A3"].comment = Comment("electrode was drifting", "cellar")  # type: ignore[index]

    marks = _grid(_saved(fill)).marks
    assert marks.rows() == [(2, 1, "struck_out", ""), (3, 1, "comment", "electrode was drifting")]


def test_a_text_of_which_a_part_is_struck_out_is_marked() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        struck, plain = book.add_format({"font_strikeout": True}), book.add_format({"bold": True})
        sheet = book.add_worksheet()
        sheet.write_rich_string("A1", struck, "3.4", plain, "3.6")
        sheet.write_string("A2", "3.4")

    grid = _grid(_written(fill))
    assert grid.text["1"].to_list() == ["3.43.6", "3.4"]
    assert grid.marks.rows() == [(1, 1, "struck_out", "")]


def test_merged_cells_are_marked_with_their_range_and_keep_their_text_once() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet()
        sheet.merge_range("B2:C4", "LS24")
        sheet.write_column("D2", [1, 2, 3])

    grid = _grid(_written(fill))
    assert grid.marks.rows() == [(2, 2, "merged", "B2:C4")]
    assert grid.text["2"].to_list() == ["LS24", None, None]


def test_errors_truth_and_numbers_typed_as_text_keep_their_kind() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet()
        sheet.write_formula("A1", "=1/0", None, "#DIV/0!")
        sheet.write_boolean("A2", True)
        sheet.write_string("A3", "3,31")
        sheet.write_string("A4", "007")
        sheet.write_number("A5", 0.1 + 0.2)
        sheet.write_number("A6", 1e-320)
        sheet.write_number("A7", 1 / 3)

    cells = _cells(_grid(_written(fill)))
    assert list(cells.values()) == [
        ("#DIV/0!", "e"),
        ("TRUE", "b"),
        ("3,31", "s"),
        ("007", "s"),
        # xlsxwriter writes 16 significant digits, as spreadsheets do
        ("0.3", "n"),
        (repr(float(f"{1e-320:.16g}")), "n"),
        (repr(float(f"{1 / 3:.16g}")), "n"),
    ]


def test_dates_times_and_durations_are_told_apart() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet()
        forms = [
            book.add_format({"num_format": form})
            for form in ("dd/mm/yyyy", "d-mmm", "hh:mm", "[h]:mm", '0.00 "days"')
        ]
        sheet.write_datetime("A1", dt.datetime(2024, 10, 15), forms[0])  # noqa: DTZ001
        sheet.write_datetime("A2", dt.datetime(2024, 10, 15, 13, 5), forms[1])  # noqa: DTZ001
        sheet.write_number("A3", 0.545138888888889, forms[2])
        sheet.write_number("A4", 30.5, forms[3])
        sheet.write_number("A5", 45580, forms[4])
        sheet.write_number("A6", 45580)
        sheet.write_number("A7", -3, forms[0])

    assert list(_cells(_grid(_written(fill))).values()) == [
        ("2024-10-15", "d"),
        ("2024-10-15T13:05", "d"),
        ("13:05", "t"),
        ("30.5", "n"),
        ("45580", "n"),
        ("45580", "n"),
        ("-3", "n"),
    ]


def test_a_number_shown_as_per_cent_is_read_as_it_is_seen() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet()
        form, words = book.add_format({"num_format": "0.0%"}), book.add_format({"num_format": '0.0 "% vol"'})
        sheet.write_number("A1", 0.125, form)
        sheet.write_number("A2", 0.137, form)
        sheet.write_number("A3", 1, form)
        sheet.write_number("A4", 0, form)
        sheet.write_number("A5", 12.5, words)

    assert list(_cells(_grid(_written(fill))).values()) == [
        ("12.5%", "s"),
        ("13.7%", "s"),
        ("100%", "s"),
        ("0%", "s"),
        ("12.5", "n"),
    ]


def test_a_colour_or_a_font_that_no_standard_knows_stops_no_sheet() -> None:
    content = _written(lambda book: book.add_worksheet().write("A1", 3.5))
    odd = _replaced(content, "xl/styles.xml", b'<family val="2"/>', b'<family val="99"/><glow val="x"/>')
    # the same file makes openpyxl give up
    with pytest.raises((ValueError, TypeError)):
        openpyxl.load_workbook(io.BytesIO(odd))
    assert _cells(_grid(odd)) == {(1, 1): ("3.5", "n")}


def test_the_struck_out_font_of_a_conditional_format_marks_no_cell() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet()
        sheet.write("A1", 3.5)
        struck = book.add_format({"font_strikeout": True})
        sheet.conditional_format("A1", {"type": "cell", "criteria": ">", "value": 9, "format": struck})

    assert _grid(_written(fill)).marks.is_empty()


def test_the_1904_date_system_is_followed_and_told() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        form = book.add_format({"num_format": "yyyy-mm-dd"})
        book.add_worksheet().write_datetime("A1", dt.datetime(2024, 10, 15), form)  # noqa: DTZ001

    document = _document(_written(fill, date_1904=True))
    assert document.date_system == "1904"
    assert [remark.code for remark in document.remarks] == ["date_system_1904"]
    assert document.grids[0].text["1"].to_list() == ["2024-10-15"]


@pytest.mark.parametrize(
    ("serial", "system", "day"),
    [
        # ECMA-376 part 1, 18.17.4.1 (worked dates, from memory): 1 is 1900-01-01, 61 is 1900-03-01
        (1, "1900", "1900-01-01"),
        (59, "1900", "1900-02-28"),
        (61, "1900", "1900-03-01"),
        (45580, "1900", "2024-10-15"),
        (0, "1904", "1904-01-01"),
        (2_958_465, "1900", "9999-12-31"),
    ],
)
def test_serial_numbers_are_the_days_that_the_standard_gives(serial: int, system: str, day: str) -> None:
    assert day_of(serial, system).date().isoformat() == day


def test_a_cell_beyond_the_spreadsheets_own_limit_is_cut_and_marked() -> None:
    text = "x" * (CELL_CHARACTERS + 5)

    def fill(book: xlsxwriter.Workbook) -> None:
        book.add_worksheet().write_column("A1", ["note", "y"])

    content = _replaced(_written(fill), "xl/sharedStrings.xml", b"<t>y</t>", b"<t>" + text.encode() + b"</t>")
    grid = _grid(content)
    assert grid.marks.rows() == [(2, 1, "cell_too_long", str(len(text)))]
    assert grid.text["1"].str.len_chars().to_list() == [4, CELL_CHARACTERS]


def _replaced(content: bytes, member: str, old: bytes, new: bytes) -> bytes:
    out = io.BytesIO()
    replaced = False
    with (
        zipfile.ZipFile(io.BytesIO(content)) as source,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for info in source.infolist():
            part = source.read(info)
            if info.filename == member:
                assert old in part
                part, replaced = part.replace(old, new), True
            target.writestr(info.filename, part)
    assert replaced
    return out.getvalue()


SHEET = "xl/worksheets/sheet1.xml"


@pytest.mark.parametrize(
    ("member", "old", "new"),
    [
        (SHEET, b"</sheetData>", b""),
        (SHEET, b'r="A2"', b'r="A1"'),
        (SHEET, b'r="A2"', b'r="ZZZZ9"'),
        (SHEET, b"<v>3.5</v>", b"<v>3.5.5</v>"),
        (SHEET, b"<v>3.5</v>", b"<v>nan</v>"),
        (SHEET, b't="s"><v>0</v>', b't="s"><v>99</v>'),
        # read by a careless reader as the last text, as the tenth, as 35 and as three and a half
        (SHEET, b't="s"><v>0</v>', b't="s"><v>-1</v>'),
        (SHEET, b't="s"><v>0</v>', b't="s"><v>0_0</v>'),
        (SHEET, b"<v>3.5</v>", b"<v>3_5</v>"),
        (SHEET, b"<v>3.5</v>", "<v>٣.٥</v>".encode()),
        (SHEET, b"<v>3.5</v>", b"<v>3.5</v><v>3.9</v>"),
        (SHEET, b"<v>3.5</v>", b"<v>3.<q xmlns='of:another'>9</q>5</v>"),
        (SHEET, b'<c r="A2">', b'<c r="A2" s="-1">'),
        (SHEET, b'<row r="2"', b'<row r="99999999999"'),
        (SHEET, b'<row r="2"', b'<row r="1"'),
        (SHEET, b'<c r="A2">', b'<c r="A3">'),
        (SHEET, b"</sheetData>", b'<row r="2000000"><c><v>1</v></c></row></sheetData>'),
        # what would be read ten thousand times, or take as much memory, if it were believed
        ("xl/workbook.xml", b"</sheets>", b'<sheet name="x" sheetId="9" r:id="rId1"/></sheets>'),
        (
            SHEET,
            b"<sheetData>",
            b"<cols>" + b'<col min="9" max="9" hidden="1"/>' * 16_385 + b"</cols><sheetData>",
        ),
        (SHEET, b"</sheetData>", b'<row r="1048577" hidden="1"/></sheetData>'),
        ("xl/sharedStrings.xml", b"<t>value</t>", b"<t>va<q xmlns='of:another'>x</q>lue</t>"),
        (SHEET, b"<sheetData>", b"<a>" * 60 + b"</a>" * 60 + b"<sheetData>"),
        ("xl/workbook.xml", b"<sheets>", b"<sheats>"),
        ("xl/_rels/workbook.xml.rels", b"worksheets/sheet1.xml", b"worksheets/gone.xml"),
        ("[Content_Types].xml", b"sheet.main+xml", b"sheet.mein+xml"),
        ("xl/styles.xml", b"<cellXfs", b"<cellXfz"),
        ("xl/styles.xml", b'numFmtId="0"', b'numFmtId="x"'),
    ],
)
def test_a_workbook_with_a_damaged_part_is_refused_whole(member: str, old: bytes, new: bytes) -> None:
    content = _written(lambda book: book.add_worksheet().write_column("A1", ["value", 3.5]))
    assert isinstance(read_document("sheet.xlsx", content), Document)
    record = read_document("sheet.xlsx", _replaced(content, member, old, new))
    assert isinstance(record, Unreadable)
    assert record.code == "damaged"


def test_a_text_in_a_cell_that_says_it_holds_a_number_is_not_lost() -> None:
    content = _written(lambda book: book.add_worksheet().write_column("A1", ["value", 3.5]))
    content = _replaced(content, SHEET, b"<v>3.5</v>", b"<is><t>3.9</t></is>")
    record = read_document("sheet.xlsx", content)
    assert isinstance(record, Document)
    assert record.grids[0].text.rows() == [(1, "value"), (2, "3.9")]


def test_a_workbook_in_the_strict_form_is_told_as_that() -> None:
    """The namespaces of ECMA-376 part 1, in place of those of part 4 that spreadsheet programs write."""
    content = _written(lambda book: book.add_worksheet().write_column("A1", ["value", 3.5]))
    made = b"http://schemas.openxmlformats.org/"
    for part, old, new in (
        (
            "xl/workbook.xml",
            made + b"spreadsheetml/2006/main",
            b"http://purl.oclc.org/ooxml/spreadsheetml/main",
        ),
        (
            "xl/workbook.xml",
            made + b"officeDocument/2006/relationships",
            b"http://purl.oclc.org/ooxml/officeDocument/relationships",
        ),
    ):
        content = _replaced(content, part, old, new)
    record = read_document("sheet.xlsx", content)
    assert isinstance(record, Unreadable)
    assert record.code == "strict_workbook"
    assert "strict form" in record.reason


def test_a_part_full_of_unknown_elements_takes_no_memory() -> None:
    content = _saved(lambda book: book.active.append([1]))  # type: ignore[union-attr]
    hostile = _replaced(content, SHEET, b"<sheetData>", b"<q/>" * 200_000 + b"<sheetData>")
    tracemalloc.start()
    assert isinstance(read_document("sheet.xlsx", hostile), Document)
    assert tracemalloc.get_traced_memory()[1] < 8_000_000
    tracemalloc.stop()


@pytest.mark.parametrize(
    ("limits", "code"),
    [
        (Limits(rows=5), "too_many_rows"),
        (Limits(columns=2), "too_many_columns"),
        (Limits(cells=20), "too_many_cells"),
        (Limits(merged=1), "too_many_cells"),
        (Limits(part_bytes=500), "unpacks_too_large"),
        (Limits(unpacked_bytes=4_000), "unpacks_too_large"),
        (Limits(members=3), "too_many_members"),
    ],
)
def test_a_workbook_beyond_a_limit_is_refused_with_its_own_reason(limits: Limits, code: str) -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet()
        for row in range(10):
            sheet.write_row(row, 0, [row, row, row])
        sheet.merge_range("F1:G1", "a")
        sheet.merge_range("F2:G2", "b")

    record = read_document("sheet.xlsx", _written(fill), limits=limits)
    assert isinstance(record, Unreadable)
    assert record.code == code


def test_an_empty_workbook_is_told_as_empty() -> None:
    record = read_document("sheet.xlsx", _saved(lambda book: None))
    assert isinstance(record, Unreadable)
    assert record.code == "empty"


def test_a_macro_is_told_and_never_needed() -> None:
    content = _saved(lambda book: book.active.append([1]))  # type: ignore[union-attr]
    out = io.BytesIO(content)
    with zipfile.ZipFile(out, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"\x00")
    assert [remark.code for remark in _document(out.getvalue()).remarks] == ["macros"]


def test_openpyxl_reads_xml_through_defusedxml() -> None:
    assert openpyxl.DEFUSEDXML


def test_twelve_thousand_rows_are_read_in_the_right_shape() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet("lab")
        for row in range(12_000):
            sheet.write_row(row, 0, ["LS24-ORR", "control", "ORR-01", row / 7])

    grid = _grid(_written(fill))
    assert grid.text.shape == (12_000, 5)
    assert grid.text.schema == {"row": pl.Int32, **dict.fromkeys("1234", pl.String)}
    assert grid.kinds is not None
    assert grid.kinds.columns == grid.text.columns
