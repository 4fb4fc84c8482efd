"""Sheets recognised together are what each is alone, whatever their rows hold."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import openpyxl
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from crosscellar.contract import load_contract
from crosscellar.intake.alike import find_layouts
from crosscellar.intake.documents import read_documents
from crosscellar.intake.findings import Faults
from crosscellar.intake.grid import Document, Grid
from crosscellar.intake.headings import HeadingReader
from crosscellar.intake.recognise import recognise
from crosscellar.intake.tidy import tidy, tidy_alike

CONTRACT = load_contract()
READER = HeadingReader(CONTRACT, {})

LONG = ["trial_id", "arm_id", "vessel_id", "stage", "sample_date", "analyte", "value", "unit"]
WIDE = ["lab", "trial_id", "arm_id", "vessel_id", "stage", "sample_date", "pH", "TA (g/L)", "VA"]
LABELS = ["sample_id", "analyte", "value", "unit"]
LOG = ["trial_id", "arm_id", "vessel_id", "date", "time", "brix", "temperature"]
PICKS = ["trial_id", "session_id", "session_date", "assessor_id", "serving", "picked"]
ODD = [
    "",
    " ",
    "\x1c",
    "\u2003",
    "Total",
    "mean",
    " Max.",
    "trial",
    "Vessel ID",
    "pH",
    "g/L",
    "étage",
    "to\u0301tal",
]


def _grids(sheets: Sequence[Sequence[Sequence[str]]]) -> list[Grid]:
    given = []
    for number, rows in enumerate(sheets):
        out = io.StringIO(newline="")
        csv.writer(out).writerows(rows)
        given.append((f"{number}.csv", out.getvalue().encode()))
    return [grid for one in read_documents(given) if isinstance(one, Document) for grid in one.grids]


def _row(head: Sequence[str], number: int) -> list[str]:
    return [f"{name[:1]}{number}" if at < len(head) - 2 else str(number) for at, name in enumerate(head)]


def _hold_alike(grids: list[Grid]) -> int:
    """How many sheets were recognised together, after each was compared with itself recognised alone."""
    layouts = find_layouts(grids, READER)
    for place, layout in layouts.items():
        alone, together = recognise(grids[place], READER), layout.found_in(grids[place])
        assert alone.lines == together.lines == ()
        (one,), (other,) = alone.tables, together.tables
        for name in ("grid", "kind", "heading_row", "headings", "units", "lines", "beside", "missing"):
            assert getattr(one, name) is getattr(other, name) or getattr(one, name) == getattr(other, name)
        assert_frame_equal(one.rows, other.rows)
    for number in {layout.number for layout in layouts.values()}:
        tables = [
            (place, layout.found_in(grids[place]).tables[0])
            for place, layout in layouts.items()
            if layout.number == number
        ]
        faults = Faults(CONTRACT.rules)
        alone_each = [tidy(table, READER, file_no=1, table_no=at, faults=faults) for at, table in tables]
        assert_frame_equal(pl.concat(alone_each), tidy_alike(tables, READER))
    return len(layouts)


@pytest.mark.parametrize("head", [LONG, WIDE, LABELS, LOG, PICKS])
def test_sheets_with_equal_headings_and_only_readings_are_recognised_together(head: list[str]) -> None:
    sheets = [[head, *(_row(head, number) for number in range(count))] for count in (3, 1, 7)]
    assert _hold_alike(_grids([*sheets, [*sheets[0][:2], head, *sheets[0][2:]]])) == (
        0 if head is LABELS else 3
    )


def test_workbooks_with_equal_headings_are_recognised_together_with_the_kinds_of_their_cells() -> None:
    given = []
    for count in (2, 5):
        book = openpyxl.Workbook()
        book.worksheets[0].append(LONG)
        for number in range(count):
            book.worksheets[0].append([*_row(LONG, number)[:6], number / 4 if number % 2 else "n/a", "g/L"])
        out = io.BytesIO()
        book.save(out)
        given.append((f"{count}.xlsx", out.getvalue()))
    grids = [grid for one in read_documents(given) if isinstance(one, Document) for grid in one.grids]
    assert _hold_alike(grids) == 2


@pytest.mark.parametrize(
    "odd",
    [
        ["", "", "", "", "", "", "g/L", "g/L"],
        ["", "Total", "", "", "", "", "12", ""],
        ["Total", "", "V1", "", "", "pH", "3.1", ""],
        ["Mean", "", "", "", "", "pH", "3.1", "pH"],
        ["", "", "", "measured again on Monday"],
        ["T1"],
        ["\x1c", "\x1c", "", "", "", "", "", ""],
        LONG,
        ["Trial", "Arm", "V1", "end_AF", "2024-10-15", "pH", "3.1", ""],
    ],
)
def test_a_sheet_with_a_row_that_is_no_reading_is_recognised_alone(odd: list[str]) -> None:
    plainly = [LONG, _row(LONG, 1), _row(LONG, 2)]
    grids = _grids([plainly, [LONG, odd, _row(LONG, 1)], plainly, [LONG, _row(LONG, 1), odd]])
    assert _hold_alike(grids) >= 2
    assert set(find_layouts(grids, READER)) == {0, 2}


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_whatever_stands_in_a_row_a_sheet_is_the_same_together_as_alone(data: st.DataObject) -> None:
    head = data.draw(st.sampled_from([LONG, WIDE, LOG, PICKS]))
    sheets = []
    for _ in range(data.draw(st.integers(2, 4))):
        rows = [_row(head, number) for number in range(data.draw(st.integers(0, 3)))]
        for _ in range(data.draw(st.integers(0, 3))):
            kept = data.draw(st.integers(0, len(head)))
            filling = st.one_of(st.just(""), st.sampled_from([*ODD, *head]))
            rest = data.draw(st.lists(filling, min_size=len(head) - kept, max_size=len(head) - kept))
            odd = [*_row(head, 9)[:kept], *rest]
            rows.insert(data.draw(st.integers(0, len(rows))), odd if data.draw(st.booleans()) else odd[::-1])
        sheets.append([head, *rows])
    _hold_alike(_grids(sheets))
