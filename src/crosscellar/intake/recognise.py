"""Tables found in the grids of a document: which kind of sheet, from which row, with which headings."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import polars as pl

from crosscellar.intake.grid import Grid
from crosscellar.intake.headings import Heading, HeadingReader, plain

#: Columns a row of each kind cannot do without (contract of returned sheets, the columns without brackets).
REQUIRED: Final = {
    "lab_long": ("trial_id", "arm_id", "vessel_id", "stage", "sample_date", "analyte", "value"),
    "lab_wide": ("trial_id", "arm_id", "vessel_id", "stage", "sample_date"),
    "lab_by_label": ("sample_id",),
    "ferment_log": ("trial_id", "arm_id", "vessel_id", "sample_date"),
    "triangle": ("trial_id", "session_id", "session_date", "assessor_id", "serving", "picked"),
    "scores": (
        "trial_id",
        "session_id",
        "session_date",
        "assessor_id",
        "arm_id",
        "attribute",
        "score",
        "scale_low",
        "scale_high",
    ),
}
_IDENTIFIERS: Final = {"trial_id", "arm_id", "vessel_id", "sample_id", "stage", "sample_date"}
_LOG_ANALYTES: Final = {"brix", "density_20", "specific_gravity", "oechsle", "baume", "temperature"}
_NAMED: Final = ("exact", "alias", "case")
_SUMMARY_WORD: Final = re.compile(
    r"^\W*(grand\s+total|sub\s*total|total|sum|mean|average|avg|median|sd|s\.d\.|st\.?\s*dev\.?|std\.?(\s*dev\.?)?"
    r"|standard deviation|cv|min|max|minimum|maximum|count|summe|mittelwert|moyenne|media|promedio)\b\W*$",
    re.IGNORECASE,
)
_HEADING_SEARCH_ROWS: Final = 400


@dataclass(frozen=True, slots=True)
class Table:
    """One table of one grid.

    `rows` has `row` and the String columns of the grid that belong to it, data rows only; `lines` are
    (row, what, text) of rows that are no readings; `beside` are unread headings of a block without a kind.
    """

    grid: Grid
    kind: str
    heading_row: int
    headings: tuple[Heading, ...]
    units: dict[int, str]
    rows: pl.DataFrame
    lines: tuple[tuple[int, str, str], ...]
    beside: tuple[Heading, ...] = ()
    missing: tuple[str, ...] = ()

    def column_of(self, field: str) -> int | None:
        """The first column with this field, or None."""
        return next((h.column for h in self.headings if h.field == field), None)


@dataclass(frozen=True, slots=True)
class Recognised:
    """What a grid holds: tables, and the rows that belong to none."""

    grid: Grid
    tables: tuple[Table, ...]
    lines: tuple[tuple[int, str, str], ...]


def recognise(grid: Grid, reader: HeadingReader) -> Recognised:
    """The tables of a grid, each with its heading row; rows above the first are title lines."""
    columns = [name for name in grid.text.columns if name != "row"]
    records = list(zip(grid.text["row"].to_list(), grid.text.select(columns).rows(), strict=True))
    starts = _heading_rows(records, columns, reader)
    if not starts:
        return Recognised(grid, (), tuple((row, "unread", _joined(cells)) for row, cells in records))
    lines = tuple((row, "title", _joined(cells)) for row, cells in records[: starts[0][0]])
    tables: list[Table] = []
    for place, (index, headings) in enumerate(starts):
        stop = starts[place + 1][0] if place + 1 < len(starts) else len(records)
        tables.extend(_tables(grid, records, index, stop, headings, reader))
    return Recognised(grid, tuple(tables), lines)


def _joined(cells: Iterable[str | None]) -> str:
    return " | ".join(text for text in cells if text)[:500]


Record = tuple[int, tuple[str | None, ...]]


def _heading_rows(
    records: list[Record], columns: list[str], reader: HeadingReader
) -> list[tuple[int, tuple[Heading, ...]]]:
    """Rows that open a table. A repeat of the headings above opens none: it is a line of that table."""
    found: list[tuple[int, tuple[Heading, ...]]] = []
    fingerprint: frozenset[tuple[int, str]] = frozenset()
    for index, (_, cells) in enumerate(records):
        if index >= _HEADING_SEARCH_ROWS and found:
            break
        filled = [
            (int(name), text) for name, text in zip(columns, cells, strict=True) if text and text.strip()
        ]
        if len(filled) < 2:
            continue
        if fingerprint and len(filled) >= 2 and frozenset((c, plain(t)) for c, t in filled) == fingerprint:
            continue
        # Data rows repeat short identifiers and numbers; only rows made mostly of words can be headings.
        wordy = sum(not _numeric(text) for _, text in filled)
        if wordy < 0.6 * len(filled):
            continue
        headings = tuple(reader.read(column, text) for column, text in filled[:3000])
        fields = {h.field for h in headings if h.known and not h.analyte_text}
        analytes = sum(h.field == "analyte_value" and h.how in _NAMED for h in headings)
        if len(fields) >= 3 or (len(fields) >= 2 and analytes >= 1):
            kind = _kind(headings)
            if kind and (not found or _opens_another(found[-1][1], headings)):
                found.append((index, headings))
                fingerprint = frozenset((h.column, plain(h.text)) for h in headings)
    return found


def _numeric(text: str) -> bool:
    return bool(re.fullmatch(r"\s*[<>~+\-]?\s*\d[\d.,:/\-\s']*\s*", text))


def _opens_another(before: tuple[Heading, ...], now: tuple[Heading, ...]) -> bool:
    """Whether headings differ from those in force by more than a few typing slips."""
    known = [h for h in now if h.field]
    return len(known) >= 0.6 * len(now) and len({h.field for h in known if not h.analyte_text}) >= 2


def _kind(headings: Iterable[Heading]) -> str:
    """The kind of sheet these headings make, or "" for none."""
    all_headings = list(headings)
    fields = {h.field for h in all_headings if h.field and h.field != "analyte_value"}
    analytes = [h for h in all_headings if h.field == "analyte_value"]
    if {"serving", "picked"} <= fields or ("assessor_id" in fields and {"serving", "picked"} & fields):
        return "triangle"
    if "score" in fields and ("attribute" in fields or "assessor_id" in fields):
        return "scores"
    if {"analyte", "value"} <= fields or ("analyte" in fields and "unit" in fields and fields & _IDENTIFIERS):
        return "lab_by_label" if "sample_id" in fields and "vessel_id" not in fields else "lab_long"
    if analytes and fields & _IDENTIFIERS:
        if "sample_id" in fields and "vessel_id" not in fields:
            return "lab_by_label"
        named = {h.candidates[0] for h in analytes if h.candidates}
        if "stage" not in fields and named and named <= _LOG_ANALYTES and "sample_date" in fields:
            return "ferment_log"
        return "lab_wide"
    return ""


def _blocks(headings: tuple[Heading, ...]) -> list[list[Heading]]:
    """Tables that stand side by side: a gap, then a field that the block before has already."""
    blocks: list[list[Heading]] = [[]]
    for heading in headings:
        current = blocks[-1]
        gap = bool(current) and heading.column > current[-1].column + 1
        if gap and heading.field in _IDENTIFIERS and any(h.field == heading.field for h in current):
            blocks.append([])
        blocks[-1].append(heading)
    return blocks


def _tables(
    grid: Grid,
    records: list[Record],
    index: int,
    stop: int,
    headings: tuple[Heading, ...],
    reader: HeadingReader,
) -> list[Table]:
    blocks = _blocks(headings)
    kinds = [_kind(block) for block in blocks]
    tables: list[Table] = []
    unread: list[Heading] = []
    for block, kind in zip(blocks, kinds, strict=True):
        if not kind:
            unread.extend(block)
            continue
        last = next((b[0].column - 1 for b in blocks if b[0].column > block[-1].column), None)
        tables.append(_table(grid, records, index, stop, tuple(block), kind, last, reader))
    if tables and unread:
        first = tables[0]
        tables[0] = Table(
            first.grid,
            first.kind,
            first.heading_row,
            first.headings,
            first.units,
            first.rows,
            first.lines,
            tuple(unread),
            first.missing,
        )
    return tables


def _table(
    grid: Grid,
    records: list[Record],
    index: int,
    stop: int,
    headings: tuple[Heading, ...],
    kind: str,
    last_column: int | None,
    reader: HeadingReader,
) -> Table:
    columns = [name for name in grid.text.columns if name != "row"]
    first_column = headings[0].column
    keep = [
        place
        for place, name in enumerate(columns)
        if int(name) >= first_column and (last_column is None or int(name) <= last_column)
    ]
    names = [columns[place] for place in keep]
    by_column = {h.column: h for h in headings}
    value_columns = {h.column for h in headings if h.field in ("value", "analyte_value", "picked", "score")}
    key_columns = [h.column for h in headings if h.field in _IDENTIFIERS | {"session_id", "assessor_id"}]
    repeat = {h.column: plain(h.text) for h in headings}
    units: dict[int, str] = {}
    lines: list[tuple[int, str, str]] = []
    data: list[int] = []
    fields = {h.field for h in headings}
    for at in range(index + 1, stop):
        row, cells = records[at]
        filled = {int(columns[place]): cells[place] for place in keep if (cells[place] or "").strip()}
        if not filled:
            continue
        if _repeats(filled, repeat):
            lines.append((row, "heading", _joined(filled.values())))
        elif not data and not units and _is_units_row(filled, by_column, value_columns, reader):
            units = {column: text for column, text in filled.items() if text is not None}
            lines.append((row, "units", _joined(filled.values())))
        elif _is_summary(filled, key_columns, fields):
            lines.append((row, "total", _joined(filled.values())))
        elif _is_footnote(filled, value_columns, key_columns):
            lines.append((row, "footnote", _joined(filled.values())))
        else:
            data.append(at)
    rows = grid.text[data].select("row", *names)
    missing = tuple(name for name in REQUIRED[kind] if name not in fields)
    return Table(grid, kind, records[index][0], headings, units, rows, tuple(lines), (), missing)


def _repeats(filled: dict[int, str | None], repeat: dict[int, str]) -> bool:
    shared = sum(plain(text or "") == repeat.get(column, "\0") for column, text in filled.items())
    return shared >= 2 and shared >= 0.8 * len(filled)


def _is_units_row(
    filled: dict[int, str | None],
    by_column: dict[int, Heading],
    value_columns: set[int],
    reader: HeadingReader,
) -> bool:
    """A row right below the headings that names units over the analytes and identifies nothing."""
    over_values = [text or "" for column, text in filled.items() if column in value_columns]
    if not over_values or any(
        by_column[c].field in ("trial_id", "vessel_id", "sample_id") for c in filled if c in by_column
    ):
        return False
    named = sum(reader.is_unit(text) for text in over_values)
    return named >= 1 and not any(_numeric(text) for text in over_values)


def _is_summary(filled: dict[int, str | None], key_columns: list[int], fields: set[str]) -> bool:
    """A total or mean: such a word stands where an identifier belongs, and no vessel is named."""
    first = filled[min(filled)] or ""
    words = [filled[c] or "" for c in key_columns if c in filled]
    summary = [word for word in (first, *words) if _SUMMARY_WORD.match(word)]
    others = [word for word in words if not _SUMMARY_WORD.match(word)]
    return bool(summary) and len(others) <= 1


def _is_footnote(filled: dict[int, str | None], value_columns: set[int], key_columns: list[int]) -> bool:
    """Text alone: one or two cells, no value, and not the identifiers of a row left unmeasured."""
    if value_columns & set(filled):
        return False
    return len(filled) == 1 or (len(filled) <= 2 and not set(filled) & set(key_columns))
