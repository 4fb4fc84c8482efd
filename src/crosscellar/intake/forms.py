"""What is wrong with a document, a tab or a table as such, before any of its readings is judged."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import astuple, dataclass
from typing import Final

import polars as pl

from crosscellar.intake.across import Across
from crosscellar.intake.findings import Faults
from crosscellar.intake.grid import Document, Grid, Unreadable, column_letters
from crosscellar.intake.headings import Heading, HeadingReader
from crosscellar.intake.recognise import KEYS, Recognised, Table
from crosscellar.intake.tidy import block_name, unread_columns

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


@dataclass(frozen=True, slots=True)
class Form:
    """A fault that holds for every item of a table: kept until items are numbered."""

    table_no: int
    code: str
    row: int | None
    column: int | None
    value: str
    message: str
    suggestion: str


def sentence(reason: str) -> str:
    return reason if reason.endswith((".", "!", "?")) else f"{reason}."


def refuse_unread(file_no: int, document: Unreadable, faults: Faults) -> None:
    faults.note(
        file_no=file_no,
        sheet="",
        row=None,
        column=None,
        code=document.code,
        severity="refuse",
        message=sentence(document.reason),
        suggestion=document.next_step,
    )


def tell_no_table(file_no: int, document: Document, faults: Faults) -> None:
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


def forms_of(table: Table, table_no: int) -> list[Form]:
    """Faults that hold for every row of a table: a missing column, a hidden tab, a misspelt heading."""
    forms = []
    if table.missing:
        nouns = [_NOUNS.get(name, name) for name in table.missing]
        to_add = [_TO_ADD.get(name, name) for name in table.missing]
        several = len(nouns) > 1
        words = f"{', '.join(nouns[:-1])} and {nouns[-1]}" if several else nouns[0]
        forms.append(
            Form(
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
            Form(
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
        Form(
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
        Form(
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


def not_recognised(found: Recognised, table_no: int, reader: HeadingReader, *, across: int | None) -> Form:
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
        return Form(
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
    return Form(table_no, "sheet_not_recognised", row, column, "", message, suggestion)


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


def apply_forms(items: pl.DataFrame, forms: list[Form], faults: Faults) -> None:
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


def tell_across(log: Across, grid: Grid, file_no: int, faults: Faults) -> None:
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


def tell_above(table: Table, file_no: int, faults: Faults) -> None:
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


def tell_unread(table: Table, file_no: int, faults: Faults) -> None:
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


def tell_nothing_read(table: Table, file_no: int, faults: Faults) -> None:
    (form, *_) = forms_of(table, 0)
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


def tell_unread_tab(grid: Grid, file_no: int, faults: Faults) -> None:
    faults.note(
        file_no=file_no,
        sheet=grid.sheet,
        row=None,
        column=None,
        code="sheet_not_read",
        value=grid.sheet,
        message=f"The tab {grid.sheet} holds no readings; it was not read.",
    )
