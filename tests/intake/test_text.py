"""Delimited text in every shape: the same cells at the same rows whatever its encoding and separator."""

from __future__ import annotations

import csv
import io

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosscellar.gate import Limits, Refused
from crosscellar.intake import text as reading
from crosscellar.intake.documents import read_document, read_documents
from crosscellar.intake.grid import CELL_CHARACTERS, Document, Unreadable
from crosscellar.intake.text import SEPARATORS, decode, find_separator

ROWS = [
    ["trial_id", "vessel_id", "value", "note"],
    ["LS24", "ORR-01", "3,31", "20 °C, étage"],
    ["LS24", "ORR-02", "7,11", 'two\nlines, "quoted"'],
    ["LS24", "ORR-03", "0,34", ""],
]


def _written(rows: list[list[str]], separator: str, line_end: str) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=separator, lineterminator=line_end).writerows(rows)
    return out.getvalue()


def _document(content: bytes, name: str = "sheet.csv") -> Document:
    record = read_document(name, content)
    assert isinstance(record, Document), record
    return record


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_encoding_separator_and_line_end_change_no_cell(encoding: str, separator: str, line_end: str) -> None:
    document = _document(_written(ROWS, separator, line_end).encode(encoding))
    grid = document.grids[0]
    assert document.separator == separator
    assert grid.text["row"].to_list() == [1, 2, 3, 4]
    read = [[cell or "" for cell in row[1:]] for row in grid.text.rows()]
    expected = ROWS
    assert read == expected
    assert [remark.code for remark in document.remarks] == (
        ["encoding_guessed"] if encoding == "cp1252" else []
    )


def test_a_guessed_encoding_names_the_line_that_made_it_a_guess() -> None:
    text, encoding, remarks = decode("a,b\n1,2\n3,é\n".encode("cp1252"))
    assert (text[-2], encoding, remarks[0].row) == ("é", "cp1252", 3)


def test_rows_are_numbered_as_a_spreadsheet_shows_them_through_blank_lines_and_line_breaks_in_cells() -> None:
    grid = _document(b'title\n\n"a","b\nc"\n,\n \t ,\n1,2\n').grids[0]
    assert grid.text["row"].to_list() == [1, 3, 6]


def test_columns_without_content_are_left_out_and_the_others_keep_their_numbers() -> None:
    grid = _document(b"a,, ,d\n1,,,4\n").grids[0]
    assert grid.text.columns == ["row", "1", "4"]


def test_cells_are_kept_exactly_as_sent_with_their_spaces() -> None:
    grid = _document("a,b\n LS24\u00a0,\u200b3.31 \n".encode()).grids[0]
    assert grid.text.rows()[1] == (2, " LS24\u00a0", "\u200b3.31 ")


def test_a_nul_inside_a_cell_stays_for_the_reader_of_ids_to_tell() -> None:
    assert _document(b"a,b\nORR-02\x00,1\n").grids[0].text["1"].to_list() == ["a", "ORR-02\x00"]


def test_the_separator_hint_is_followed_and_keeps_its_row() -> None:
    document = _document(b"sep=;\r\na;b\r\n1,5;2,5\r\n")
    assert document.separator == ";"
    assert document.grids[0].text["row"].to_list() == [1, 2, 3]
    assert [remark.code for remark in document.remarks] == ["separator_hint"]


@pytest.mark.parametrize(
    ("text", "separator"),
    [
        ("a;b\n3,31;7,11\n3,32;7,12\n", ";"),
        ("a\tb\tc\n1,5\t2,5\t3,5\n1,5\t2,5\t3,5\n", "\t"),
        ("Results, 2024\nfilled in; by hand\na,b,c\n1,2,3\n4,5,6\n", ","),
        ('a,b\n"x;y;z",1\n"x;y;z",2\n', ","),
        ("value\n3.31\n3.32\n", ","),
        ("", ","),
    ],
)
def test_the_separator_is_the_one_that_splits_the_lines_alike(text: str, separator: str) -> None:
    assert find_separator(text) == separator


def test_letters_that_were_decoded_twice_are_told_once_at_their_first_cell_and_kept() -> None:
    document = _document("a,b\n1,20 Â°C\n2,Ã©tage\n3,Âge\n".encode())
    assert [(remark.code, remark.row, remark.column) for remark in document.remarks] == [("mojibake", 2, 2)]
    assert "1 more" in document.remarks[0].message
    assert document.grids[0].text["2"][1] == "20 Â°C"


@pytest.mark.parametrize(
    ("content", "cell"),
    [
        (b'a,b,c,d,e\n1,"x,3,4,5\n2,y,3,4,5\n3,y,3,4,5\n', "B2"),
        (b'a,b,c,d,e\n1,"x,3,4,5\n2,y,3,4,5\n3,y,3,4,5\n4,"z",3,4,5\n', "B2"),
    ],
)
def test_a_quotation_mark_that_would_swallow_rows_refuses_the_file_and_names_its_cell(
    content: bytes, cell: str
) -> None:
    record = read_document("sheet.csv", content)
    assert isinstance(record, Unreadable)
    assert record.code == "open_quote"
    assert cell in record.reason


def test_a_mark_for_inches_in_the_middle_of_a_cell_is_only_text() -> None:
    assert _document(b'a,b\n1,barrel 22" high\n2,x\n').grids[0].text.height == 3


def test_a_cell_of_five_million_characters_is_cut_and_marked_and_harms_no_other() -> None:
    grid = _document(b"a,b\n1," + b"x" * 5_000_000 + b"\n2,good\n").grids[0]
    assert grid.marks.rows() == [(2, 2, "cell_too_long", "5000000")]
    assert grid.text["2"].str.len_chars().to_list() == [1, CELL_CHARACTERS, 4]


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"a,b\n1," + b"x" * 400 + b"\n2,good\n", "too_many_cells"),
        (b"," * 400, "too_many_cells"),
        (b'a,b\n1,"' + b"some words\n" * 40, "open_quote"),
    ],
)
def test_a_line_or_a_cell_that_never_ends_is_refused_while_it_is_read(
    content: bytes, code: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert isinstance(read_document("sheet.csv", b"a,b\n1,good\n"), Document)
    monkeypatch.setattr(reading, "_PIECE", 20)
    monkeypatch.setattr(reading, "_SAMPLE_CHARACTERS", 20)
    monkeypatch.setattr(reading, "_LINE_CHARACTERS", 300)
    record = read_document("sheet.csv", content)
    assert isinstance(record, Unreadable)
    assert record.code == code


@given(st.text(alphabet="ab\r\n\x0b\x85\u2028", max_size=60), st.integers(1, 9))
def test_lines_read_in_pieces_are_those_of_the_whole_text(text: str, piece: int) -> None:
    """As `open(..., newline="")` tells lines apart, which is what the csv module asks for."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(reading, "_PIECE", piece)
        assert list(reading._lines(text)) == list(io.StringIO(text, newline=""))


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "empty"),
        (b"\r\n \r\n\t\r\n", "empty"),
        (b"\xef\xbb\xbf", "empty"),
        (b"\xff\xfe", "empty"),
        (b",,,\n,,\n", "empty"),
        (bytes(range(1, 32)) * 20, "not_a_sheet"),
        (b"%PDF-1.7\n", "not_a_sheet"),
        (b"<html><table></table></html>", "not_a_sheet"),
        (b"\x89PNG\r\n\x1a\n", "not_a_sheet"),
    ],
)
def test_what_is_empty_or_no_sheet_is_refused_in_one_sentence(content: bytes, code: str) -> None:
    record = read_document("sheet.csv", content)
    assert isinstance(record, Unreadable)
    assert (record.code, record.content) == (code, content)


def test_more_rows_columns_or_bytes_than_the_limits_are_refused() -> None:
    for limits, code in (
        (Limits(text_rows=10), "too_many_rows"),
        (Limits(columns=3), "too_many_columns"),
        (Limits(text_bytes=50), "too_large"),
        (Limits(text_cells=20), "too_many_cells"),
    ):
        record = read_document("sheet.csv", b"a,b,c,d\n" * 15, limits=limits)
        assert isinstance(record, Unreadable)
        assert record.code == code


@pytest.mark.parametrize("quoting", [csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
@pytest.mark.parametrize(
    ("encoding", "line_end"),
    [("utf-8", "\n"), ("utf-8-sig", "\r\n"), ("utf-16", "\r\n"), ("cp1252", "\n")],
)
def test_the_quick_way_for_large_files_gives_the_cells_of_the_csv_module(
    quoting: int, encoding: str, line_end: str
) -> None:
    rows = [["trial_id", "vessel_id", "value", "unit", "note", ""]]
    rows += [
        ["LS24", f"ORR-{n:05}", f" {n / 7!r} ", "g/L" if n % 3 else "", f"étage {n}, au fond", " " * (n % 11)]
        for n in range(5_000)
    ]
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator=line_end, quoting=quoting).writerows(rows)  # type: ignore[arg-type]
    content = out.getvalue().encode(encoding)
    assert reading.split_text(content, Limits()).width == 6
    columns, cells = _by_hand(out.getvalue(), ",")
    found = _document(content).grids[0].text
    assert columns == ["row", "1", "2", "3", "4", "5"]
    assert found.columns == columns
    assert found.rows() == cells


def test_a_mark_for_inches_and_an_empty_last_line_end_a_large_file_as_any_other() -> None:
    rows = ["vessel_id,note", *(f'ORR-{n:05},12" ferrule' for n in range(15_001)), "", ""]
    found = _document("\n".join(rows).encode()).grids[0].text
    assert found.height == 15_002
    assert found["2"][-1] == '12" ferrule'


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_a_ragged_or_blank_line_in_a_large_file_shifts_no_cell(line_end: str) -> None:
    lines = [f"LS24,ORR-{n:05},{n / 7!r},g/L" for n in range(40_000)]
    lines[5] = "LS24"
    lines[7] = ""
    lines[9] = "LS24,a,b,c,d,e"
    text = _document(line_end.join(lines).encode()).grids[0].text
    assert text.filter(pl.col("row") == 40_000)["3"].item() == repr(39_999 / 7)
    assert text.filter(pl.col("row") == 10)["6"].item() == "e"
    assert text.filter(pl.col("row") == 8).is_empty()


@pytest.mark.parametrize(("long_at", "short_at"), [(5, 9), (9, 5)])
def test_a_row_too_long_and_one_too_short_in_a_large_file_shift_no_cell(long_at: int, short_at: int) -> None:
    rows = [["LS24", f"ORR-{n:05}", repr(n / 7), "g/L"] for n in range(40_000)]
    rows[long_at].append("more")
    rows[short_at].pop()
    text = _document("\n".join(map(",".join, rows)).encode()).grids[0].text
    assert text.drop("row").row(long_at) == (*rows[long_at],)
    assert text.drop("row").row(short_at) == (*rows[short_at], None, None)
    assert text.height == 40_000


CELL = st.text(
    alphabet=st.characters(codec="utf-8", exclude_characters="\x00", exclude_categories=["Cs"]), max_size=12
)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.lists(CELL, min_size=6, max_size=6), min_size=3, max_size=8),
    st.sampled_from([",", ";", "\t"]),
)
def test_whatever_a_csv_writer_writes_reads_back_cell_by_cell(rows: list[list[str]], separator: str) -> None:
    rows = [["h1", "h2", "h3", "h4", "h5", "h6"], *rows]
    # rows within a cell, and marks beyond the first that announce an encoding, are tried on their own
    record = read_document("sheet.csv", b"\xef\xbb\xbf" + _written(rows, separator, "\r\n").encode())
    if isinstance(record, Unreadable):
        assert record.code in ("open_quote", "not_a_sheet", "empty")
        return
    if record.separator != separator:
        return
    text = record.grids[0].text
    for number, row in zip(text["row"], text.iter_rows(named=True), strict=True):
        for column, cell in row.items():
            if column != "row":
                assert (cell or "") == rows[number - 1][int(column) - 1]


def _by_hand(text: str, separator: str) -> tuple[list[str], list[tuple[object, ...]]]:
    """Columns and rows as `Grid` describes them, from the csv module and Unicode's White_Space alone."""
    white = "\t\n\v\f\r \x85\xa0\u1680\u2028\u2029\u202f\u205f\u3000" + "".join(
        map(chr, range(0x2000, 0x200B))
    )
    records = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    shown = [[bool(cell.strip(white)) for cell in record] for record in records]
    columns = sorted({at for record in shown for at, any_ in enumerate(record) if any_})
    rows = [
        (number, *(record[at] or None if at < len(record) else None for at in columns))
        for number, (record, any_) in enumerate(zip(records, shown, strict=True), start=1)
        if any(any_)
    ]
    return ["row", *(str(at + 1) for at in columns)], rows


ODD_TEXT = st.text(
    alphabet=st.sampled_from(
        [*"abÃé1.", *',;\t|"', "\n", "\r", " ", "\xa0", "\u200b", "\x1c", "\x00", "\u3000"]
    ),
    max_size=60,
)


@settings(deadline=None, max_examples=150)
@given(st.lists(ODD_TEXT, min_size=1, max_size=6))
def test_small_files_read_together_have_the_cells_that_the_csv_module_gives_each(texts: list[str]) -> None:
    together = read_documents([(f"{at}.csv", text.encode()) for at, text in enumerate(texts)])
    for text, record in zip(texts, together, strict=True):
        if isinstance(record, Unreadable):
            alone = read_document(record.name, text.encode())
            assert isinstance(alone, Unreadable)
            assert (record.code, record.reason) == (alone.code, alone.reason)
            continue
        assert record.separator == find_separator(text)
        assert record.separator in SEPARATORS
        columns, rows = _by_hand(text, record.separator)
        assert record.grids[0].text.columns == columns
        assert record.grids[0].text.rows() == rows


#: Cells in which quotation marks, separators and line ends stand as they should and as they should not.
ODD_CELLS = st.sampled_from(
    ["a", "", "2", "é", '"x"', '""', '"a,b"', '"a;b"', '"a""b"', 'x"y', '" q"', ' "z"', '"n\nl"', '12"', '"']
)
TIDY_CELLS = st.sampled_from(["a", "", "2", "é", '"x"', '""', '"a,b"', '"a;b"', '" q"'])


@settings(deadline=None, max_examples=300)
@given(
    rows=st.one_of(
        st.lists(st.lists(TIDY_CELLS, min_size=3, max_size=3), min_size=4, max_size=9),
        st.lists(st.lists(ODD_CELLS, min_size=1, max_size=4), min_size=4, max_size=9),
    ),
    separator=st.sampled_from([",", ";", "\t"]),
    line_end=st.sampled_from(["\n", "\r\n"]),
    ended=st.booleans(),
)
def test_whatever_goes_the_quick_way_has_the_cells_of_the_csv_module(
    rows: list[list[str]], separator: str, line_end: str, ended: bool
) -> None:
    text = line_end.join(separator.join(row) for row in rows) + (line_end if ended else "")
    with pytest.MonkeyPatch.context() as patch:
        # As if it were long.
        patch.setattr(reading, "_SAMPLE_CHARACTERS", 3)
        try:
            split = reading.split_text(text.encode(), Limits())
            grid, _ = reading.grid_of(text.encode(), split, Limits())
        except Refused as refused:
            assert refused.code in ("open_quote", "empty")
            return
    columns, cells = _by_hand(text, split.separator)
    assert grid.text.columns == columns
    assert grid.text.rows() == cells


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=400))
def test_any_bytes_give_one_record_and_never_an_exception(content: bytes) -> None:
    record = read_document("sheet.csv", content)
    assert isinstance(record, Document | Unreadable)
