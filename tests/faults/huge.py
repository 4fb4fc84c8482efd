"""Judges sheets that are far too large, one after the other; prints what became of each and what it took.

Run as: python huge.py REGISTER NAME... One JSON line for each: name, outcome, megabytes, seconds.
"""

from __future__ import annotations

import io
import json
import re
import resource
import sys
import time
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path

import openpyxl

from crosscellar.contract import load_contract
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.lookup import NothingStored
from crosscellar.register import read_register

HEADING = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note\n"
ROW = "LS24-ORR,control,ORR-01,end_AF,2024-10-15,pH,3.31,,1,lab_north,{}\n"


def workbook(cells: dict[tuple[int, int], str]) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for (row, column), text in cells.items():
        sheet.cell(row, column).value = text
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def with_part(content: bytes, change: Callable[[bytes], bytes]) -> bytes:
    """The workbook with its first sheet changed, check sums right."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            part = old.read(name)
            new.writestr(name, change(part) if name.endswith("sheet1.xml") else part)
    return out.getvalue()


def holding(rows: str) -> Callable[[bytes], bytes]:
    """The sheet with these rows in place of its own."""
    data = f"<sheetData>{rows}</sheetData>".encode()

    def change(part: bytes) -> bytes:
        changed, times = re.subn(rb"<sheetData\s*/>|<sheetData>.*</sheetData>", lambda _: data, part)
        assert times == 1
        return changed

    return change


def long_cell() -> bytes:
    cell = f'<row r="1"><c r="A1" t="inlineStr"><is><t>{"x" * 4_900_000}</t></is></c></row>'
    return with_part(workbook({}), holding(cell))


def many_rows() -> bytes:
    rows = "".join(f'<row r="{at}"><c r="A{at}"><v>1</v></c></row>' for at in range(1, 90_000))
    return with_part(workbook({}), holding(rows))


def nested() -> bytes:
    inner = workbook({(1, 1): "x"})
    for _ in range(5):
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("inner.xlsx", inner)
        inner = out.getvalue()
    return inner


#: Name -> bytes. Each is made when its turn comes, so that it does not count among the others' memory.
HUGE: dict[str, Callable[[], bytes]] = {
    "a sound row.csv": lambda: (HEADING + ROW.format("")).encode(),
    "wide.csv": lambda: ",".join(f"c{n}" for n in range(200_000)).encode() + b"\n1,2\n",
    "wide and long.csv": lambda: (b",".join([b"1"] * 2_400) + b"\n") * 1_000,
    "long.csv": lambda: (HEADING + ROW.format("") * 150_000).encode()[:10_000_000],
    "lines.csv": lambda: b"\n" * 5_000_000,
    "commas.csv": lambda: b"," * 5_000_000,
    "quotes.csv": lambda: b'"' * 4_999_999,
    "a cell of 5 MB.csv": lambda: (HEADING + ROW.format("x" * 5_000_000)).encode(),
    "a value of 5 MB.csv": lambda: (HEADING + ROW.replace("3.31", "9" * 5_000_000)).encode(),
    "far corner.xlsx": lambda: workbook({(1, 1): "a", (1_048_576, 16_384): "b"}),
    "a cell of 5 MB.xlsx": long_cell,
    "rows.xlsx": many_rows,
    "columns.xlsx": lambda: workbook({(1, column): "pH" for column in range(1, 10_000)}),
    "nested.xlsx": nested,
    "20 MB.csv": lambda: b"x" * 20_000_000,
    "30 MB of commas.csv": lambda: b"," * 30_000_000,
    "30 MB of short rows.csv": lambda: b"a,b\n" * 7_500_000,
    "30 MB of quoted cells.csv": lambda: b'"a","b"\n' * 3_750_000,
    "30 MB in a cell.csv": lambda: (HEADING + ROW.format("x" * 30_000_000)).encode(),
    "30 MB of a table that nobody knows.csv": lambda: (
        b"one,two\n" + b"a long text \x22 with a mark,b\n" * 1_000_000
    ),
}


def main(folder: Path, names: list[str]) -> None:
    contract = load_contract()
    register = read_register(folder, contract)

    def judge(name: str, content: bytes) -> str:
        batch = check_documents(
            read_documents([(name, content)]),
            register,
            contract,
            stored=NothingStored(),
            received=date(2026, 1, 5),
        )
        codes = ",".join(sorted(set(batch.findings["code"].to_list())))
        return f"{batch.files['status'][0]}:{codes}"

    judge("warm.csv", HUGE["a sound row.csv"]())
    for name in names or list(HUGE):
        content = HUGE[name]()
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        began = time.perf_counter()
        outcome = judge(name, content)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        told = {"name": name, "outcome": outcome, "seconds": time.perf_counter() - began}
        print(json.dumps({**told, "megabytes": (peak - before) / 1_000}), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
