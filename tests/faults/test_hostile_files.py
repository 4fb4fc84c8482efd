"""Files made to mislead a reader end in what they plainly say or in a finding, never in another number."""

from __future__ import annotations

import io
import warnings
import zipfile
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path

import openpyxl
import polars as pl
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from crosscellar.contract import load_contract
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.lookup import NothingStored
from crosscellar.register import read_register

HEADING = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note"
SHEET = "xl/worksheets/sheet1.xml"

#: What comes of a file: the values that enter, and a code that must be told ("" where nothing need be).
Case = tuple[Callable[[str], bytes], list[float], str]
BOTH, SECOND, NONE = [3.31, 3.42], [3.42], []


def lines(day: str, first: str = "3.31") -> str:
    row = "LS24-ORR,control,{},end_AF,{},pH,{},,1,lab_north,\n"
    return f"{HEADING}\n{row.format('ORR-01', day, first)}{row.format('ORR-03', day, '3.42')}"


def valued(first: str) -> Callable[[str], bytes]:
    return lambda day: lines(day, first).encode()


def encoded(encoding: str) -> Callable[[str], bytes]:
    return lambda day: lines(day).encode(encoding)


def book(day: str, change: Callable[[openpyxl.Workbook], object] = lambda _: None) -> bytes:
    made = openpyxl.Workbook()
    tab = made.active
    assert tab is not None
    for line in lines(day).splitlines():
        tab.append([text or None for text in line.split(",")])
    for row in (2, 3):
        tab.cell(row, 7).value = float(str(tab.cell(row, 7).value))
    change(made)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def changed(old: bytes, new: bytes) -> Callable[[str], bytes]:
    """A workbook with a piece of its sheet replaced, check sums right."""

    def made(day: str) -> bytes:
        out = io.BytesIO()
        with (
            zipfile.ZipFile(io.BytesIO(book(day))) as source,
            zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
        ):
            assert old in source.read(SHEET)
            for name in source.namelist():
                part = source.read(name)
                target.writestr(name, part.replace(old, new, 1) if name == SHEET else part)
        return out.getvalue()

    return made


def two_of_one_name(day: str) -> bytes:
    out = io.BytesIO(book(day))
    with zipfile.ZipFile(out, "a") as archive, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        archive.writestr(SHEET, "<worksheet/>")
    return out.getvalue()


def second_tab_hidden(made: openpyxl.Workbook) -> None:
    tab = made.create_sheet("Secret")
    for line in lines("2024-12-01", "3.99").splitlines():
        tab.append([text or None for text in line.split(",")])
    tab.sheet_state = "veryHidden"


def counted_from_1904(made: openpyxl.Workbook, day: str) -> None:
    made.epoch = CALENDAR_MAC_1904
    for row in (2, 3):
        made.worksheets[0].cell(row, 5).value = datetime.fromisoformat(day)


CELL = b'<c r="G2" t="n"><v>3.31</v></c>'
CASES: dict[str, Case] = {
    "zero byte in a number.csv": (valued("3.\x0031"), SECOND, "not_a_number"),
    "half a surrogate.csv": (lambda day: valued("3.31@")(day).replace(b"@", b"\xed\xa0\x80"), SECOND, ""),
    "utf-16 without mark.csv": (encoded("utf-16-le"), BOTH, ""),
    "utf-16 the other way.csv": (encoded("utf-16-be"), BOTH, ""),
    "utf-16 cut in a letter.csv": (lambda day: encoded("utf-16")(day)[:-1], BOTH, "text_damaged"),
    "utf-32 without mark.csv": (encoded("utf-32-le"), NONE, "not_a_sheet"),
    "utf-7.csv": (valued("+ADM-.31"), SECOND, "not_a_number"),
    "of another alphabet of bytes.csv": (encoded("cp500"), NONE, "no_table"),
    "mark in the middle.csv": (lambda day: (lines(day)[:60] + "\ufeff" + lines(day)[60:]).encode(), BOTH, ""),
    "three line ends.csv": (
        lambda day: lines(day).replace("\n", "\r\n", 1).replace(",\nLS24", ",\rLS24", 1).encode(),
        BOTH,
        "",
    ),
    "quotation mark never closed.csv": (valued('"3.31'), NONE, "open_quote"),
    "digits of another script.csv": (valued("٣.٣١"), SECOND, "not_a_number"),
    "a raised digit.csv": (valued("3³"), SECOND, "not_a_number"),
    "turned around.csv": (valued("\u202e13.3\u202c"), SECOND, ""),
    "a power beyond.csv": (valued("1e400"), SECOND, "not_finite"),
    "a line of this language.csv": (valued("3_31"), SECOND, "not_a_number"),
    "entities.xlsx": (
        changed(b"<worksheet", b'<!DOCTYPE a [<!ENTITY b "3.99">]><worksheet'),
        NONE,
        "dtd_in_workbook",
    ),
    "two of one name.xlsx": (two_of_one_name, NONE, "damaged"),
    "of another workbook.xlsx": (
        changed(CELL, b'<c r="G2"><f>[1]Sheet1!A1</f><v>3.31</v></c>'),
        BOTH,
        "formula_value",
    ),
    "never calculated.xlsx": (
        changed(CELL, b'<c r="G2"><f>3+0.31</f></c>'),
        SECOND,
        "formula_without_result",
    ),
    "an error.xlsx": (changed(CELL, b'<c r="G2" t="e"><f>1/0</f><v>#DIV/0!</v></c>'), SECOND, "error_cell"),
    "two values in a cell.xlsx": (changed(b"<v>3.31</v>", b"<v>3.31</v><v>3.99</v>"), NONE, "damaged"),
    "the cell of another row.xlsx": (changed(b'<row r="2"', b'<row r="900000"'), NONE, "damaged"),
    "a choice of two.xlsx": (
        changed(
            CELL,
            b'<m:AlternateContent xmlns:m="http://schemas.openxmlformats.org/markup-compatibility/2006">'
            b'<m:Choice Requires="z"><c r="G2"><v>3.1</v></c></m:Choice>'
            b'<m:Fallback><c r="G2"><v>3.9</v></c></m:Fallback></m:AlternateContent>',
        ),
        NONE,
        "damaged",
    ),
    "one cell of them all.xlsx": (
        changed(
            b"</sheetData>",
            b'</sheetData><mergeCells><mergeCell ref="H1:XFD1048576"/></mergeCells>',
        ),
        BOTH,
        "",
    ),
    "a tab behind.xlsx": (lambda day: book(day, second_tab_hidden), BOTH, "hidden_sheet"),
    "from 1904.xlsx": (
        lambda day: book(day, lambda made: counted_from_1904(made, day)),
        BOTH,
        "date_system_1904",
    ),
}


def test_a_file_made_to_mislead_gives_what_it_plainly_says_or_a_finding() -> None:
    contract = load_contract()
    register = read_register(Path(__file__).parent / "messy" / "register", contract)
    # each on a day of its own, so that no file meets another
    days = {name: date(2024, 9, 15) + timedelta(days=number) for number, name in enumerate(CASES)}
    batch = check_documents(
        read_documents([(name, CASES[name][0](day.isoformat())) for name, day in days.items()]),
        register,
        contract,
        stored=NothingStored(),
        received=date(2026, 1, 5),
    )
    entered = batch.readings.select("file", "value", "sample_date").rows()
    told = batch.findings.group_by("file").agg("code").rows_by_key("file", unique=True)
    came = {name: sorted(value for file, value, _ in entered if file == name) for name in CASES}
    assert came == {name: values for name, (_, values, _) in CASES.items()}
    assert all(day == days[name] for name, _, day in entered)
    codes = {name: told.get(name, [[]])[0] for name in CASES}
    assert {name for name, (_, _, code) in CASES.items() if code and code not in codes[name]} == set()
    # whatever did not enter is told of
    assert {name for name, values in came.items() if len(values) < 2 and not codes[name]} == set()
    counted = batch.files.select(pl.sum_horizontal("accepted", "refused", "held", "already", "blank"))
    assert counted.to_series().to_list() == batch.files["readings_in"].to_list()
