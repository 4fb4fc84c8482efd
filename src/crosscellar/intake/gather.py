"""All documents of a batch read into one frame of items, with their marks, lines and faults of form."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.frames import LINES, empty
from crosscellar.contract.tabs import CHOICES, WITHOUT_READINGS
from crosscellar.intake.across import Across, read_across, vessels_across
from crosscellar.intake.alike import Layout, find_layouts
from crosscellar.intake.findings import Faults
from crosscellar.intake.forms import (
    Form,
    apply_forms,
    forms_of,
    not_recognised,
    refuse_unread,
    sentence,
    tell_above,
    tell_across,
    tell_no_table,
    tell_nothing_read,
    tell_unread,
    tell_unread_tab,
)
from crosscellar.intake.grid import MARKS, Document, Grid, Unreadable, cell_name
from crosscellar.intake.headings import HeadingReader
from crosscellar.intake.recognise import Recognised, Table, recognise
from crosscellar.intake.tidy import ITEMS, describe, tidy, tidy_alike, together

_NUMBER: Final = r"^\s*[<>]?\s*[+-]?[0-9][0-9.,]*\s*$"


@dataclass(slots=True)
class Gathered:
    """What the documents of a batch hold before anything is judged.

    `items` has the columns of `ITEMS` and `TABLES` and `item_no`; `files` one row a document;
    `marks` the marks of all grids.
    """

    items: pl.DataFrame
    files: pl.DataFrame
    marks: pl.DataFrame
    lines: pl.DataFrame
    content: dict[str, bytes]
    separators: dict[int, str]
    date_systems: dict[int, str]


def gather(
    documents: Iterable[Document | Unreadable],
    contract: Contract,
    reader: HeadingReader,
    known_ids: frozenset[str],
    homes: Mapping[str, Mapping[str, str]],
    faults: Faults,
) -> Gathered:
    """Items of all documents, numbered from 0 in the order of files, tabs and cells.

    `homes` has the arm of each vessel of each trial.
    """
    documents = list(documents)
    layouts = find_layouts(
        (grid for one in documents if isinstance(one, Document) for grid in one.grids), reader
    )
    batch = _Batch(contract, reader, known_ids, homes, faults, layouts)
    for file_no, document in enumerate(documents, 1):
        batch.take(file_no, document)
    return batch.gathered()


class _Batch:
    """What the documents taken so far hold; layouts are found by the number of a grid in the batch."""

    def __init__(
        self,
        contract: Contract,
        reader: HeadingReader,
        known_ids: frozenset[str],
        homes: Mapping[str, Mapping[str, str]],
        faults: Faults,
        layouts: Mapping[int, Layout],
    ) -> None:
        self._contract, self._reader, self._known_ids, self._homes = contract, reader, known_ids, homes
        self._faults, self._layouts = faults, layouts
        self._grids = 0
        self._parts: list[pl.DataFrame] = []
        self._tables: list[dict[str, object]] = []
        self._forms: list[Form] = []
        self._files: list[tuple[int, str, str | None, str, bool, str]] = []
        self._lines: list[tuple[int, str, str, int, str, str]] = []
        self._marks: list[pl.DataFrame] = []
        self._waiting: dict[int, list[tuple[int, Table]]] = {}
        self._content: dict[str, bytes] = {}
        self._separators: dict[int, str] = {}
        self._date_systems: dict[int, str] = {}

    def take(self, file_no: int, document: Document | Unreadable) -> None:
        """Nothing; the document is one of the batch."""
        name, sha256 = document.name, document.sha256
        if sha256 is not None and document.content is not None:
            self._content[sha256] = document.content
        if isinstance(document, Unreadable):
            refuse_unread(file_no, document, self._faults)
            self._files.append((file_no, name, sha256, "none", True, sentence(document.reason)))
            return
        self._separators[file_no] = document.separator
        self._date_systems[file_no] = document.date_system
        for remark in document.remarks:
            self._faults.note(
                file_no=file_no,
                sheet="",
                row=remark.row,
                column=remark.column,
                code=remark.code,
                severity="remark",
                message=remark.message,
            )
        kinds = [kind for grid in document.grids for kind in self._take_grid(file_no, document, grid)]
        if not kinds:
            tell_no_table(file_no, document, self._faults)
        kind = "none" if not kinds else kinds[0] if len(set(kinds)) == 1 else "several"
        self._files.append((file_no, name, sha256, kind, not kinds, ""))

    def _take_grid(self, file_no: int, document: Document, grid: Grid) -> list[str]:
        """The kinds of its tables."""
        if not grid.marks.is_empty():
            of_grid = pl.lit(file_no, dtype=pl.Int32).alias("file_no"), pl.lit(grid.sheet).alias("sheet")
            self._marks.append(grid.marks.select(*of_grid, *MARKS))
        layout = self._layouts.get(self._grids)
        self._grids += 1
        found = recognise(grid, self._reader) if layout is None else layout.found_in(grid)
        lines = [line for table in found.tables for line in table.lines]
        kinds = [self._take_table(file_no, table, layout) for table in found.tables]
        if kinds:
            lines.extend(found.lines)
        elif (log := self._log_across(grid)) is not None:
            self._take_log(file_no, grid, log)
            kinds.append("ferment_log")
            lines.extend(
                (row, "total" if row in log.totals else "title", text)
                for row, _, text in found.lines
                if row < log.heading_row or row in log.totals
            )
        elif self._take_unrecognised(file_no, found):
            kinds.append("none")
        else:
            lines.extend(found.lines)
            if len(document.grids) > 1 and not grid.text.is_empty() and grid.sheet not in WITHOUT_READINGS:
                tell_unread_tab(grid, file_no, self._faults)
        self._lines.extend((file_no, document.name, grid.sheet, *line) for line in lines)
        return kinds

    def _take_table(self, file_no: int, table: Table, layout: Layout | None) -> str:
        """Its kind."""
        table_no = len(self._tables)
        self._tables.append(describe(table, file_no=file_no, table_no=table_no))
        if layout is not None:
            self._waiting.setdefault(layout.number, []).append((table_no, table))
        else:
            items = tidy(table, self._reader, file_no=file_no, table_no=table_no, faults=self._faults)
            self._parts.append(items)
            if items.is_empty() and table.missing and not table.rows.is_empty():
                tell_nothing_read(table, file_no, self._faults)
        self._forms.extend(forms_of(table, table_no))
        tell_unread(table, file_no, self._faults)
        tell_above(table, file_no, self._faults)
        return table.kind

    def _log_across(self, grid: Grid) -> Across | None:
        at = _vessels_at(grid, self._reader, self._known_ids)
        return None if at is None else read_across(grid, at, self._reader, self._homes)

    def _take_log(self, file_no: int, grid: Grid, log: Across) -> None:
        tell_across(log, grid, file_no, self._faults)
        number = pl.lit(len(self._tables), dtype=pl.Int32).alias("table_no")
        self._parts.append(log.items.with_columns(number, pl.lit("ferment_daily").alias("stage_sent")))
        about = {"kind": "ferment_log", "heading_row": log.heading_row, "sample_date_at": log.date_at}
        self._tables.append({**_nameless(file_no, len(self._tables), grid.sheet), **about})

    def _take_unrecognised(self, file_no: int, found: Recognised) -> bool:
        """Whether a sheet without a table holds readings, none of which can be assigned."""
        grid, table_no = found.grid, len(self._tables)
        # what our own sheets offer to choose from may be vessels that are numbers
        if grid.hidden and grid.sheet == CHOICES:
            return False
        items = _unrecognised(found, table_no, self._contract, self._known_ids)
        if items.is_empty():
            return False
        across = _vessels_at(grid, self._reader, self._known_ids)
        self._forms.append(not_recognised(found, table_no, self._reader, across=across))
        self._tables.append(_nameless(file_no, table_no, grid.sheet))
        self._parts.append(items)
        return True

    def gathered(self) -> Gathered:
        """All of them together."""
        self._parts.extend(tidy_alike(numbered, self._reader) for numbered in self._waiting.values())
        items = together(self._tables, self._parts)
        apply_forms(items, self._forms, self._faults)
        files = {
            "file_no": pl.Int32,
            "file": pl.String,
            "sha256": pl.String,
            "kind": pl.String,
            "refused_whole": pl.Boolean,
            "message": pl.String,
        }
        return Gathered(
            items,
            pl.DataFrame(self._files, schema=files, orient="row"),
            pl.concat([_no_marks(), *self._marks]),
            _lines(self._lines),
            self._content,
            self._separators,
            self._date_systems,
        )


def _vessels_at(grid: Grid, reader: HeadingReader, known_ids: frozenset[str]) -> int | None:
    return None if grid.hidden else vessels_across(grid, reader, known_ids)


def _no_marks() -> pl.DataFrame:
    return pl.DataFrame(schema={"file_no": pl.Int32, "sheet": pl.String, **MARKS})


def _unrecognised(
    found: Recognised, table_no: int, contract: Contract, known_ids: frozenset[str]
) -> pl.DataFrame:
    """The numbers of a sheet without a recognised heading row, if analytes or vessels are named in it."""
    grid = found.grid
    columns = [name for name in grid.text.columns if name != "row"]
    if not columns:
        return pl.DataFrame(schema=ITEMS)
    margins = [*grid.text[columns[0]].head(200).to_list()]
    for row in grid.text.select(columns[:200]).head(20).rows():
        margins.extend(row)
    texts = {text.strip() for text in margins if text and 2 <= len(text.strip()) <= 60}
    names = sum(1 for text in texts if text in known_ids)
    names += sum(
        1
        for text in texts
        if not re.match(_NUMBER, text)
        and contract.name_analyte(text).how in ("exact", "alias", "case", "ambiguous")
    )
    if names < 2:
        return pl.DataFrame(schema=ITEMS)
    cells = grid.text.unpivot(columns, index="row", variable_name="column", value_name="text_sent").filter(
        pl.col("text_sent").str.contains(_NUMBER)
    )
    return cells.select(
        pl.lit(table_no, dtype=pl.Int32).alias("table_no"),
        "row",
        pl.col("column").cast(pl.Int32),
        "text_sent",
    ).sort("row", "column")


def _nameless(file_no: int, table_no: int, sheet: str) -> dict[str, object]:
    return {
        "table_no": table_no,
        "file_no": file_no,
        "sheet": sheet,
        "kind": "none",
        "target": "readings",
        "heading_row": None,
    }


def _lines(lines: list[tuple[int, str, str, int, str, str]]) -> pl.DataFrame:
    rows = [
        (file_no, name, sheet, row, None, cell_name(row, 1), what, text)
        for file_no, name, sheet, row, what, text in lines
    ]
    return pl.DataFrame(rows, schema=dict(LINES), orient="row") if rows else empty(LINES)
