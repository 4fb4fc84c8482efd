"""All documents of a batch read into one frame of items, with their marks, lines and faults of form."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import astuple, dataclass
from typing import Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.frames import LINES, empty
from crosscellar.contract.tabs import CHOICES, WITHOUT_READINGS
from crosscellar.intake.across import Across, read_across, vessels_across
from crosscellar.intake.alike import find_layouts
from crosscellar.intake.findings import Faults
from crosscellar.intake.grid import MARKS, Document, Grid, Unreadable, cell_name, column_letters
from crosscellar.intake.headings import Heading, HeadingReader
from crosscellar.intake.recognise import KEYS, Recognised, Table, recognise
from crosscellar.intake.tidy import ITEMS, block_name, describe, tidy, tidy_alike, together, unread_columns

_NUMBER: Final = r"^\s*[<>]?\s*[+-]?[0-9][0-9.,]*\s*$"
_NOUNS: Final = {
    "trial_id": "trial",
    "arm_id": "arm",
    "vessel_id": "vessel",
    "sample_id": "sample label",
    "sample_date": "date",
    "session_id": "session",
    "session_date": "session date",
    "assessor_id": "assessor",
    "serving": "serving order",
    "picked": "the glass picked",
    "scale_low": "lower end of the scale",
    "scale_high": "upper end of the scale",
}
#: What is to stand in a column that sheets often lack.
_TO_ADD: Final = {
    "serving": "serving (the order served to each assessor, as ABA; A is the control)",
    "picked": "picked (the place of the glass that each assessor picked, 1, 2 or 3, whether right or wrong)",
    "scale_low": "scale_low (the lowest score that could be given)",
    "scale_high": "scale_high (the highest)",
}
#: So many rows and columns of a sheet without a table are looked at for headings; so many words make some.
_MARGIN: Final = 30
_AS_HEADINGS: Final = 2
_MOST_HEADINGS: Final = 8
#: What may stand in several columns: analytes of a wide sheet, and words that change no number.
_REPEATABLE: Final = frozenset({"analyte_value", "note", "method", "lab"})


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


@dataclass(frozen=True, slots=True)
class _Form:
    """A fault that holds for every item of a table: kept until items are numbered."""

    table_no: int
    code: str
    row: int | None
    column: int | None
    value: str
    message: str
    suggestion: str


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
    parts: list[pl.DataFrame] = []
    tables: list[dict[str, object]] = []
    forms: list[_Form] = []
    files: list[tuple[int, str, str | None, str, bool, str]] = []
    lines: list[tuple[int, str, str, int, str, str]] = []
    marks: list[pl.DataFrame] = []
    gathered = Gathered(pl.DataFrame(schema=ITEMS), pl.DataFrame(), _no_marks(), empty(LINES), {}, {}, {})
    documents = list(documents)
    layouts = find_layouts(
        (grid for one in documents if isinstance(one, Document) for grid in one.grids), reader
    )
    waiting: dict[int, list[tuple[int, Table]]] = {}
    place = -1
    for file_no, document in enumerate(documents, 1):
        if document.sha256 is not None and document.content is not None:
            gathered.content[document.sha256] = document.content
        if isinstance(document, Unreadable):
            _refuse(file_no, document, faults)
            files.append((file_no, document.name, document.sha256, "none", True, _sentence(document.reason)))
            continue
        gathered.separators[file_no] = document.separator
        gathered.date_systems[file_no] = document.date_system
        for remark in document.remarks:
            faults.note(
                file_no=file_no,
                sheet="",
                row=remark.row,
                column=remark.column,
                code=remark.code,
                severity="remark",
                message=remark.message,
            )
        kinds: list[str] = []
        for grid in document.grids:
            if not grid.marks.is_empty():
                marks.append(
                    grid.marks.select(
                        pl.lit(file_no, dtype=pl.Int32).alias("file_no"),
                        pl.lit(grid.sheet).alias("sheet"),
                        *MARKS,
                    )
                )
            place += 1
            layout = layouts.get(place)
            found = recognise(grid, reader) if layout is None else layout.found_in(grid)
            for table in found.tables:
                table_no = len(tables)
                tables.append(describe(table, file_no=file_no, table_no=table_no))
                if layout is not None:
                    waiting.setdefault(layout.number, []).append((table_no, table))
                else:
                    parts.append(tidy(table, reader, file_no=file_no, table_no=table_no, faults=faults))
                    if parts[-1].is_empty() and table.missing and not table.rows.is_empty():
                        _tell_nothing_read(table, file_no, faults)
                kinds.append(table.kind)
                lines.extend((file_no, document.name, grid.sheet, *line) for line in table.lines)
                forms.extend(_forms(table, table_no))
                _tell_unread(table, file_no, faults)
                _tell_above(table, file_no, faults)
            if not found.tables:
                at = None if grid.hidden else vessels_across(grid, reader, known_ids)
                log = None if at is None else read_across(grid, at, reader, homes)
                if log is not None:
                    _tell_across(log, grid, file_no, faults)
                    number = pl.lit(len(tables), dtype=pl.Int32).alias("table_no")
                    parts.append(log.items.with_columns(number, pl.lit("ferment_daily").alias("stage_sent")))
                    place_of = {"heading_row": log.heading_row, "sample_date_at": log.date_at}
                    nameless = _nameless(file_no, len(tables), grid.sheet)
                    tables.append({**nameless, "kind": "ferment_log", **place_of})
                    kinds.append("ferment_log")
                    lines.extend(
                        (
                            file_no,
                            document.name,
                            grid.sheet,
                            row,
                            "total" if row in log.totals else "title",
                            text,
                        )
                        for row, _, text in found.lines
                        if row < log.heading_row or row in log.totals
                    )
                    continue
                # what our own sheets offer to choose from may be vessels that are numbers
                offered = grid.hidden and grid.sheet == CHOICES
                unread = _unrecognised(found, len(tables), contract, known_ids)
                if not (offered or unread.is_empty()):
                    forms.append(_not_recognised(found, len(tables), reader, across=at))
                    tables.append(_nameless(file_no, len(tables), grid.sheet))
                    parts.append(unread)
                    kinds.append("none")
                    continue
                if (
                    len(document.grids) > 1
                    and not grid.text.is_empty()
                    and grid.sheet not in WITHOUT_READINGS
                ):
                    _tell_unread_tab(grid, file_no, faults)
            lines.extend(
                (file_no, document.name, grid.sheet, row, what, text) for row, what, text in found.lines
            )
        none_found = not kinds
        if none_found:
            _no_table(file_no, document, faults)
        kind = "none" if none_found else kinds[0] if len(set(kinds)) == 1 else "several"
        files.append((file_no, document.name, document.sha256, kind, none_found, ""))
    parts.extend(tidy_alike(numbered, reader) for numbered in waiting.values())
    gathered.items = together(tables, parts)
    gathered.files = pl.DataFrame(
        files,
        schema={
            "file_no": pl.Int32,
            "file": pl.String,
            "sha256": pl.String,
            "kind": pl.String,
            "refused_whole": pl.Boolean,
            "message": pl.String,
        },
        orient="row",
    )
    if marks:
        gathered.marks = pl.concat(marks)
    gathered.lines = _lines(lines)
    _apply_forms(gathered.items, forms, faults)
    return gathered


def _no_marks() -> pl.DataFrame:
    return pl.DataFrame(schema={"file_no": pl.Int32, "sheet": pl.String, **MARKS})


def _sentence(reason: str) -> str:
    return reason if reason.endswith((".", "!", "?")) else f"{reason}."


def _refuse(file_no: int, document: Unreadable, faults: Faults) -> None:
    faults.note(
        file_no=file_no,
        sheet="",
        row=None,
        column=None,
        code=document.code,
        severity="refuse",
        message=_sentence(document.reason),
        suggestion=document.next_step,
    )


def _no_table(file_no: int, document: Document, faults: Faults) -> None:
    is_empty = all(grid.text.is_empty() for grid in document.grids)
    faults.note(
        file_no=file_no,
        sheet="",
        row=None,
        column=None,
        code="empty_file" if is_empty else "no_table",
        message="The file is empty."
        if is_empty
        else "No heading row was found, and nothing that looks like readings.",
        suggestion="Check the attachment, and send it again."
        if is_empty
        else "Use the blank sheet, or put headings such as trial, arm, vessel above the columns.",
    )


def _forms(table: Table, table_no: int) -> list[_Form]:
    """Faults that hold for every row of a table: a missing column, a hidden tab, a misspelt heading."""
    forms = []
    if table.missing:
        nouns = [_NOUNS.get(name, name) for name in table.missing]
        to_add = [_TO_ADD.get(name, name) for name in table.missing]
        several = len(nouns) > 1
        words = f"{', '.join(nouns[:-1])} and {nouns[-1]}" if several else nouns[0]
        forms.append(
            _Form(
                table_no,
                "missing_column",
                table.heading_row,
                None,
                ", ".join(table.missing),
                f"The sheet has no column for {words}, so its readings cannot be assigned.",
                f"Add {', '.join(to_add)}, and send the sheet again.",
            )
        )
    if table.grid.hidden:
        forms.append(
            _Form(
                table_no,
                "hidden_sheet",
                table.heading_row,
                None,
                table.grid.sheet,
                f"The tab {table.grid.sheet} is hidden: meant to be sent?",
                "Confirm, or delete the tab.",
            )
        )
    spelt = {heading.field for heading in table.headings if heading.how != "misspelt"}
    forms.extend(
        _Form(
            table_no,
            "heading_misspelt",
            table.heading_row,
            heading.column,
            heading.text,
            f"Heading {heading.text.strip()[:60]}: is {heading.field} meant?",
            "Confirm, or send the sheet with the right heading.",
        )
        for heading in table.headings
        if heading.how == "misspelt" and heading.field not in (spelt | {"analyte_value"})
    )
    forms.extend(
        _Form(
            table_no,
            "heading_twice",
            table.heading_row,
            second.column,
            second.text,
            f"Columns {column_letters(first.column)} and {column_letters(second.column)} both give "
            f"{_NOUNS.get(first.field, first.field)}, and differ: is the first meant?",
            "Confirm, or send the sheet with one of them.",
        )
        for first, second in _twice(table)
    )
    return forms


def _twice(table: Table) -> Iterable[tuple[Heading, Heading]]:
    """Headings of which only the first is read, with one of the same meaning whose cells say otherwise."""
    read: dict[str, Heading] = {}
    beside = {heading.column for heading in table.beside}
    for heading in table.headings:
        if not heading.known or heading.field in _REPEATABLE or heading.column in beside:
            continue
        first = read.setdefault(heading.field, heading)
        columns = (str(first.column), str(heading.column))
        if first is not heading and set(columns) <= set(table.rows.columns):
            one, other = (table.rows[name].fill_null("").str.strip_chars() for name in columns)
            if ((one != other) & (other != "")).any():
                yield first, heading


def _not_recognised(found: Recognised, table_no: int, reader: HeadingReader, *, across: int | None) -> _Form:
    """Why nothing of a sheet could be assigned: by its headings, where it has some, else by its shape."""
    text = found.grid.text
    columns = [name for name in text.columns if name != "row"]
    first = text.row(0, named=True)
    row = int(first["row"])
    column = next((int(name) for name in columns if first[name]), 1)
    message = (
        "The headings of this sheet were not recognised: trial, arm, vessel, stage and date must be columns."
    )
    suggestion = "Put one reading or one sample in each row, as in the blank sheet, and send it again."
    if across is not None:
        message = "Vessels stand in columns here, and it is in doubt which trial or what was measured."
        suggestion = (
            "Write above the days the trial's code, and what was measured, as Trial LS26-OND and Brix; or "
            "put trial, arm, vessel and date in columns of their own."
        )
        return _Form(
            table_no, "sheet_not_recognised", int(text["row"][across]), column, "", message, suggestion
        )
    down = [reader.read(1, cell or "").field for cell in text[columns[0]].head(_MARGIN).to_list()]
    if len(set(down) & KEYS) < _AS_HEADINGS:
        at, headings = _likely_headings(text, columns, reader)
        fields = {heading.field for heading in headings}
        unread = [heading for heading in headings if not heading.field]
        if fields & {"assessor_id", "attribute", "session_id", "session_date"}:
            row, column = at, headings[0].column
            message = (
                "This looks like a tasting, but no columns give the attribute and its score, or the pick."
            )
            suggestion = (
                "Put each score in a row of its own, with attribute, score, scale_low and scale_high, or "
                "in a row for each assessor and arm with a column an attribute; each triangle with serving "
                "and picked."
            )
        elif len(unread) >= _AS_HEADINGS:
            row, column = at, unread[0].column
            shown = ", ".join(heading.text.strip()[:40] for heading in unread[:_MOST_HEADINGS])
            more = ", and others" if len(unread) > _MOST_HEADINGS else ""
            message = f"The headings {shown}{more} are not known, so the readings cannot be assigned."
            suggestion = (
                "Use the headings of the blank sheet, or write in the network's aliases what each means, as "
                "trial_id, vessel_id or sample_date, and take the sheet in again."
            )
    return _Form(table_no, "sheet_not_recognised", row, column, "", message, suggestion)


def _likely_headings(
    text: pl.DataFrame, columns: list[str], reader: HeadingReader
) -> tuple[int, list[Heading]]:
    """Of the first rows the one with most words: its number and its words as headings."""
    best: tuple[int, list[Heading]] = (int(text["row"][0]), [])
    for row, *cells in text.head(_MARGIN).select("row", *columns[:_MARGIN]).iter_rows():
        words = [
            reader.read(int(name), cell)
            for name, cell in zip(columns, cells, strict=False)
            if cell and cell.strip() and not re.search(r"\d", cell)
        ]
        if len(words) > len(best[1]):
            best = (row, words)
    return best


def _apply_forms(items: pl.DataFrame, forms: list[_Form], faults: Faults) -> None:
    """Each fault of a table told of each of its items: fault by fault, in the order of the sheets."""
    of_tables = pl.DataFrame(
        [astuple(form) for form in forms],
        schema={
            "table_no": pl.Int32,
            "code": pl.String,
            "row": pl.Int32,
            "column": pl.Int32,
            "value": pl.String,
            "message": pl.String,
            "suggestion": pl.String,
        },
        orient="row",
    )
    told = items.select("item_no", "file_no", "sheet", "table_no")
    faults.add(
        of_tables.join(told, on="table_no", how="inner", maintain_order="left_right"),
        pl.col("code"),
        pl.col("message"),
        pl.col("suggestion"),
        value=pl.col("value"),
    )


def _tell_across(log: Across, grid: Grid, file_no: int, faults: Faults) -> None:
    faults.note(
        file_no=file_no,
        sheet=grid.sheet,
        row=log.heading_row,
        column=log.date_at,
        code="vessels_across",
        value=log.trial,
        message=f"Read as a log of {log.trial} with {', '.join(log.vessels[:8])} in columns.",
        suggestion="Check that the trial is right; arms are those of the register.",
    )


def _tell_above(table: Table, file_no: int, faults: Faults) -> None:
    if not table.above:
        return
    said = [f"{_NOUNS.get(one.field, one.field)} {one.text[:40]}" for one in table.above]
    words = f"{', '.join(said[:-1])} and {said[-1]}" if len(said) > 1 else said[0]
    faults.note(
        file_no=file_no,
        sheet=table.grid.sheet,
        row=table.above[0].row,
        column=table.above[0].column,
        code="said_above",
        value=table.above[0].text,
        message=f"From above the table, {words} {'were' if len(said) > 1 else 'was'} taken for all its rows.",
        suggestion="Check that all rows are of it.",
    )


def _tell_unread(table: Table, file_no: int, faults: Faults) -> None:
    unread = unread_columns(table)
    if unread is not None:
        column, text, words = unread
        faults.note(
            file_no=file_no,
            sheet=table.grid.sheet,
            row=table.heading_row,
            column=column,
            code="unknown_column",
            value=text,
            message=words,
            suggestion="If it holds readings, name the analyte and its unit in the heading.",
        )
    if table.beside:
        block = block_name(table.beside, table)
        faults.note(
            file_no=file_no,
            sheet=table.grid.sheet,
            row=table.heading_row,
            column=table.beside[0].column,
            code="unknown_block",
            value=table.beside[0].text,
            message=f"The block {block} beside the table was not read.",
            suggestion="Say what it is, or send it as a sheet of its own.",
        )


def _tell_nothing_read(table: Table, file_no: int, faults: Faults) -> None:
    (form, *_) = _forms(table, 0)
    faults.note(
        file_no=file_no,
        sheet=table.grid.sheet,
        row=table.heading_row,
        column=None,
        code=form.code,
        severity="remark",
        value=form.value,
        message=form.message,
        suggestion=form.suggestion,
    )


def _tell_unread_tab(grid: Grid, file_no: int, faults: Faults) -> None:
    faults.note(
        file_no=file_no,
        sheet=grid.sheet,
        row=None,
        column=None,
        code="sheet_not_read",
        value=grid.sheet,
        message=f"The tab {grid.sheet} holds no readings; it was not read.",
    )


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
