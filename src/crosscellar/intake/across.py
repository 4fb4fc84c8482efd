"""Logs with a vessel a column and a day a row, read where the sheet names the trial and what was measured."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import polars as pl

from crosscellar.intake.grid import Grid
from crosscellar.intake.headings import Heading, HeadingReader
from crosscellar.intake.recognise import LOG_ANALYTES, NAMED, SUMMARY_WORD

#: So many rows are looked at for headings.
_MARGIN: Final = 30
_VISIBLE: Final = r"\S"

Cell = tuple[int, str]


@dataclass(frozen=True, slots=True)
class Across:
    """A log with vessels across: where its headings stand, whose it is, and its items as sent.

    `items` has `row`, `column`, what a row and a column say (`..._sent`, `..._kind`, `..._at`) and the value;
    `totals` are the rows of totals and means, which are no readings.
    """

    heading_row: int
    date_at: int
    trial: str
    vessels: tuple[str, ...]
    items: pl.DataFrame
    totals: frozenset[int]


def vessels_across(grid: Grid, reader: HeadingReader, known: Iterable[str]) -> int | None:
    """The row, from 0, of a heading of days beside two or more known vessels, in it or in the row above."""
    names = frozenset(known)
    above: list[Cell] = []
    for index in range(min(_MARGIN, grid.text.height)):
        cells = _cells(grid, index)
        if cells and reader.read(*cells[0]).field == "sample_date":
            vessels = {text for _, text in [*above, *cells[1:]] if text in names}
            if len(vessels) > 1:
                return index
        above = cells
    return None


def read_across(
    grid: Grid, index: int, reader: HeadingReader, homes: Mapping[str, Mapping[str, str]]
) -> Across | None:
    """The log whose headings stand in this row; None where trial, vessels or readings are in any doubt.

    `homes` has the arm of each vessel of each trial. The trial's code stands above or names the tab; so does
    the reading (`Brix`), or it heads each column below the vessels.
    """
    before = [cell for at in range(index) for cell in _cells(grid, at)]
    told = [text for _, text in before] or [""]
    trial = _only(
        word for text in (*told, grid.sheet) for word in re.split(r"[\s:;,]+", text) if word in homes
    )
    if trial is None:
        return None
    (date_at, _), *rest = _cells(grid, index)
    fields = {column: reader.read(column, text) for column, text in rest}
    beside = {
        heading.field: column for column, heading in fields.items() if heading.field in ("time", "note")
    }
    rest = [(column, text) for column, text in rest if column not in beside.values()]
    columns = _columns(grid, index, rest, fields, [*before, (0, grid.sheet)], reader, homes[trial])
    if not columns:
        return None
    named = pl.DataFrame(
        [
            (at, trial, homes[trial][vessel], vessel, heading.analyte_text, heading.unit_text,
             "" if heading.unit_text else reader.unit_meant(heading, "ferment_log"), at, at)
            for at, vessel, heading in columns
        ],
        schema={
            "column": pl.Int32,
            **dict.fromkeys(
                ("trial_id_sent", "arm_id_sent", "vessel_id_sent", "analyte_sent", "unit_sent", "unit_meant"),
                pl.String,
            ),
            "analyte_at": pl.Int32,
            "unit_at": pl.Int32,
        },
        orient="row",
    )  # fmt: skip
    of_row = {"sample_date_sent": date_at} | {f"{name}_sent": column for name, column in beside.items()}
    items = _long(grid.text, index, [at for at, *_ in columns], of_row, "text_sent")
    summed = items.filter(pl.col("sample_date_sent").str.contains(SUMMARY_WORD.pattern))["row"].unique()
    readings = pl.col("text_sent").str.contains(_VISIBLE) & ~pl.col("row").is_in(summed.implode())
    items = items.filter(readings).join(named, on="column")
    if grid.kinds is not None:
        of_kind = {"sample_date_kind": date_at} | ({"time_kind": beside["time"]} if "time" in beside else {})
        kinds = _long(grid.kinds, index, [at for at, *_ in columns], of_kind, "value_kind")
        items = items.join(kinds, on=["row", "column"], how="left")
    vessels = tuple(dict.fromkeys(vessel for _, vessel, _ in columns))
    heading_row = int(grid.text["row"][index])
    totals = frozenset(summed.to_list())
    return Across(heading_row, date_at, trial, vessels, items.sort("row", "column"), totals)


def _cells(grid: Grid, index: int) -> list[Cell]:
    cells = grid.text.row(index, named=True)
    return [
        (int(name), text.strip()) for name, text in cells.items() if name != "row" and text and text.strip()
    ]


def _only(found: Iterable[str]) -> str | None:
    different = set(found)
    return different.pop() if len(different) == 1 else None


def _columns(
    grid: Grid,
    index: int,
    rest: list[Cell],
    fields: Mapping[int, Heading],
    before: list[Cell],
    reader: HeadingReader,
    vessels: Mapping[str, str],
) -> list[tuple[int, str, Heading]]:
    """Each column with its vessel and its reading; none where one of them is in doubt."""
    if all(text in vessels for _, text in rest):
        readings = [heading for _, text in before if _logged(heading := reader.read(0, text))]
        if _only(heading.candidates[0] for heading in readings) is None:
            return []
        heading = max(readings, key=lambda one: len(one.unit_text))
        columns = [(at, text, heading) for at, text in rest]
    elif index and all(_logged(fields[at]) for at, _ in rest):
        over = _cells(grid, index - 1)
        spoken = [(at, [text for column, text in over if column <= at][-1:]) for at, _ in rest]
        if any(not names or names[0] not in vessels for _, names in spoken):
            return []
        columns = [(at, name, fields[at]) for at, (name,) in spoken]
    else:
        return []
    keys = {(vessel, heading.candidates[0]) for _, vessel, heading in columns}
    return columns if len(keys) == len(columns) else []


def _logged(heading: Heading) -> bool:
    return heading.how in NAMED and len(heading.candidates) == 1 and heading.candidates[0] in LOG_ANALYTES


def _long(
    cells: pl.DataFrame, index: int, columns: list[int], of_row: Mapping[str, int], value: str
) -> pl.DataFrame:
    """A row for each cell of these columns below the headings, with other cells of its row."""
    there = {name: str(at) for name, at in of_row.items() if str(at) in cells.columns}
    on = [str(at) for at in columns if str(at) in cells.columns]
    rows = cells.slice(index + 1).select("row", *(pl.col(at).alias(name) for name, at in there.items()), *on)
    long = rows.unpivot(on, index=["row", *there], variable_name="column", value_name=value)
    return long.with_columns(pl.col("column").cast(pl.Int32))
