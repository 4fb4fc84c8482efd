"""A sheet with only the readings that failed: text as sent, and why; mended and returned it enters whole."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from crosscellar.contract.frames import Batch
from crosscellar.sheets.replies import of_this_row
from crosscellar.workbooks import new_book, save

if TYPE_CHECKING:
    from crosscellar.intake.grid import Grid
    from crosscellar.intake.headings import HeadingReader
    from crosscellar.intake.recognise import Table

_FAILED: Final = ("refused", "held")
_READINGS: Final = ("value", "analyte_value", "picked", "score")
_DATES: Final = ("sample_date", "session_date")
_INK: Final = "#1F3A4D"
_MEND: Final = "#FCE8B2"
_CELL_TEXT: Final = 32_000
_TAB_NAME: Final = 24


@dataclass(frozen=True, slots=True)
class _Part:
    """One table's failed rows: texts by column of its heading, of its units and of each row."""

    heading: Mapping[int, str]
    units: Mapping[int, str]
    rows: Mapping[int, Mapping[int, str]]


def write_corrections(
    path: Path, file_no: int, grids: Sequence[Grid], batch: Batch, reader: HeadingReader
) -> bool:
    """Whether a correction sheet was written at `path`: one tab for each table with failed readings.

    A tab keeps headings, units and identifiers, and the rows with failed readings. Cells of readings that did
    enter are left blank. Dates that were understood are written year first, since a few rows no longer show
    which part is the day.
    """
    from crosscellar.intake.recognise import recognise

    of_file = pl.col("file_no") == file_no
    aside = batch.set_aside.filter(of_file & pl.col("outcome").is_in(_FAILED) & pl.col("row").is_not_null())
    if aside.is_empty():
        return False
    findings = batch.findings.filter(of_file)
    failed = aside.join(_reasons(findings, aside), on="item_no", how="left", maintain_order="left")
    days = _known_days(batch, file_no)
    sheets: list[tuple[str, _Part, pl.DataFrame]] = []
    for grid in grids:
        here = failed.filter(pl.col("sheet") == grid.sheet)
        if here.is_empty():
            continue
        for table in recognise(grid, reader).tables:
            of_table = here.filter(pl.col("row").is_in(table.rows["row"].implode()))
            if of_table.is_empty():
                continue
            part = _part_of(table, of_table, days.filter(pl.col("sheet") == grid.sheet))
            sheets.append((grid.sheet, part, of_table))
            here = here.join(of_table.select("item_no"), on="item_no", how="anti")
        if not here.is_empty():
            sheets.append((grid.sheet, _whole_rows(grid, here), here))
    _write(path, sheets)
    return True


def _reasons(findings: pl.DataFrame, failed: pl.DataFrame) -> pl.DataFrame:
    """item_no, reason, advice (lists): all that was said about each failed reading."""
    spoken = findings.filter(pl.col("severity") != "remark").explode("items").drop_nulls("items")
    return (
        spoken.rename({"items": "item_no"})
        .join(failed.select("item_no", pl.col("row").alias("own_row")), on="item_no", how="inner")
        .with_columns(of_this_row("own_row").alias("message"))
        .group_by("item_no", maintain_order=True)
        .agg(
            pl.col("message").unique(maintain_order=True).alias("reason"),
            pl.col("suggestion").unique(maintain_order=True).alias("advice"),
        )
    )


def _known_days(batch: Batch, file_no: int) -> pl.DataFrame:
    """sheet, row, day: the date of each row that was understood."""
    dated = [
        frame.filter(pl.col("file_no") == file_no).select("sheet", "row", pl.col(day).alias("day"))
        for frame, day in (
            (batch.readings, "sample_date"),
            (batch.picks, "session_date"),
            (batch.scores, "session_date"),
        )
    ]
    waiting = batch.set_aside.filter((pl.col("file_no") == file_no) & pl.col("proposed").is_not_null())
    proposed = pl.coalesce(
        pl.col("proposed").str.json_path_match(f"$.{day}") for day in ("sample_date", "session_date")
    )
    dated.append(waiting.select("sheet", "row", proposed.str.to_date("%Y-%m-%d", strict=False).alias("day")))
    return pl.concat(dated).drop_nulls().unique(["sheet", "row"], keep="first", maintain_order=True)


def _part_of(table: Table, failed: pl.DataFrame, days: pl.DataFrame) -> _Part:
    """The failed rows of a table, without the readings that entered."""
    own = set(failed.select("row", "column").iter_rows())
    readings = {heading.column for heading in table.headings if heading.field in _READINGS}
    dates = [heading.column for heading in table.headings if heading.field in _DATES]
    wanted = table.rows.filter(pl.col("row").is_in(failed["row"].implode()))
    merged = _merged(table.grid)
    meant = _meant(table, dates, days)
    rows: dict[int, dict[int, str]] = {}
    columns = [int(name) for name in wanted.columns if name != "row"]
    for row, *texts in wanted.iter_rows():
        cells: dict[int, str] = {}
        for column, text in zip(columns, texts, strict=True):
            shown = merged.get((row, column)) if text is None else meant.get((column, text), text)
            if shown is not None and (column not in readings or (row, column) in own):
                cells[column] = shown
        rows[row] = cells
    return _Part({heading.column: heading.text for heading in table.headings}, table.units, rows)


def _meant(table: Table, dates: Sequence[int], days: pl.DataFrame) -> dict[tuple[int, str], str]:
    """For (column, text) of a date that was understood: the date, year first."""
    found: dict[tuple[int, str], str] = {}
    for column in dates:
        if str(column) not in table.rows.columns:
            continue
        pairs = table.rows.select("row", pl.col(str(column)).alias("text")).join(days, on="row", how="inner")
        alone = pairs.drop_nulls("text").group_by("text").agg(pl.col("day").unique())
        for text, day in alone.filter(pl.col("day").list.len() == 1).explode("day").iter_rows():
            found[column, text] = day.isoformat()
    return found


def _whole_rows(grid: Grid, failed: pl.DataFrame) -> _Part:
    """Failed rows as they stand below the first row of their tab, where no table was recognised."""
    columns = [int(name) for name in grid.text.columns if name != "row"]

    def texts(row: tuple[Any, ...]) -> dict[int, str]:
        return {column: text for column, text in zip(columns, row[1:], strict=True) if text is not None}

    rows = grid.text.filter(pl.col("row").is_in(failed["row"].implode()))
    return _Part(texts(grid.text.row(0)), {}, {row[0]: texts(row) for row in rows.iter_rows()})


def _merged(grid: Grid) -> dict[tuple[int, int], str]:
    """The text of each cell that lies under a merged one."""
    from crosscellar.intake.grid import read_range

    under: dict[tuple[int, int], str] = {}
    for detail in grid.marks.filter(pl.col("mark") == "merged")["detail"].to_list():
        span = read_range(detail)
        if span is None or str(span[1]) not in grid.text.columns:
            continue
        top = grid.text.filter(pl.col("row") == span[0])[str(span[1])].to_list()
        if top and top[0] is not None:
            under.update({(row, span[1]): top[0] for row in range(span[0] + 1, span[2] + 1)})
    return under


def _write(path: Path, sheets: Sequence[tuple[str, _Part, pl.DataFrame]]) -> None:
    book = new_book()
    head = {"bold": True, "font_color": "#FFFFFF", "bg_color": _INK, "text_wrap": True, "num_format": "@"}
    formats = {
        "heading": book.add_format(head),
        "mend": book.add_format({"bg_color": _MEND, "border": 2, "bold": True, "num_format": "@"}),
        "text": book.add_format({"num_format": "@"}),
        "words": book.add_format({"italic": True, "text_wrap": True, "valign": "top"}),
    }
    for name, (_, part, failed) in zip(_names([sheet for sheet, _, _ in sheets]), sheets, strict=True):
        _write_part(book.add_worksheet(name), part, failed, formats)
    save(book, path)


def _names(sheets: Sequence[str]) -> Iterator[str]:
    for number, sheet in enumerate(sheets, 1):
        plain = "".join(mark if mark.isalnum() or mark in " -_" else " " for mark in sheet).strip()
        yield f"{plain[:_TAB_NAME] or 'Mend'} {number}"


def _write_part(sheet: Any, part: _Part, failed: pl.DataFrame, formats: Mapping[str, Any]) -> None:
    from crosscellar.intake.headings import REASON_HEADINGS

    used = {*part.heading, *part.units, *(column for cells in part.rows.values() for column in cells)}
    aside = max(used) + 1
    heads = [part.heading, *([part.units] if part.units else [])]
    for number, texts in enumerate(heads):
        for column, text in texts.items():
            sheet.write_string(number, column - 1, text[:_CELL_TEXT], formats["heading"])
    for at, heading in enumerate(REASON_HEADINGS):
        sheet.write_string(0, aside - 1 + at, heading, formats["heading"])
    own = set(failed.select("row", "column").iter_rows())
    said = failed.group_by("row").agg(
        pl.col("cell").drop_nulls().unique(maintain_order=True).str.join(", "),
        # What was said of several readings of a row is told once.
        *(
            pl.col(name).explode().drop_nulls().unique(maintain_order=True).str.join(" ")
            for name in ("reason", "advice")
        ),
    )
    words = {row: texts for row, *texts in said.iter_rows()}
    for number, (row, cells) in enumerate(sorted(part.rows.items()), len(heads)):
        for column, text in cells.items():
            style = formats["mend" if (row, column) in own else "text"]
            sheet.write_string(number, column - 1, text[:_CELL_TEXT], style)
        for at, text in enumerate(words[row]):
            sheet.write_string(number, aside - 1 + at, text[:_CELL_TEXT], formats["words"])
    sheet.set_column(0, aside - 2, 15)
    sheet.set_column(aside - 1, aside - 1, 14)
    sheet.set_column(aside, aside + 1, 60)
    sheet.freeze_panes(len(heads), 0)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
