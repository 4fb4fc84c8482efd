"""What reading a file gives: cells at the addresses a spreadsheet shows, and what else was seen."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

import polars as pl

#: A cell's text longer than this is cut and marked `cell_too_long` (the limit that spreadsheets have).
CELL_CHARACTERS: Final = 32_767

#: `row` or `column` is null where the mark speaks for a whole column or row.
MARKS: Final = {"row": pl.Int32, "column": pl.Int32, "mark": pl.String, "detail": pl.String}

_REFERENCE: Final = re.compile(r"\$?([A-Z]{1,3})\$?([1-9][0-9]{0,6})")


@dataclass(frozen=True, slots=True)
class Remark:
    """Something about a file that its sender should hear, though it was read."""

    code: str
    row: int | None
    column: int | None
    message: str


@dataclass(frozen=True, slots=True)
class Grid:
    """One tab of a workbook, or a whole CSV file.

    Attributes
    ----------
    sheet
        The tab's name; empty for CSV.
    hidden
        Whether the tab is hidden or very hidden.
    text
        `row` (Int32, as the spreadsheet numbers it; only rows with content), then one String column for
        each spreadsheet column with content, named by its number from 1 (`"3"` is C). Null is an empty cell.
        CSV text is exactly as sent; a workbook's number is its shortest text that reads back the same, a
        date is ISO (`2024-10-15`, with `T13:05` only if it has a time), a time of day `13:05`, a number shown
        as per cent is the text that is seen (`12.5%`, kind `s`).
    kinds
        None for CSV. Else the shape of `text`: `s` text, `n` number, `d` date, `t` time of day, `b` true or
        false, `e` error, `f` a formula without a stored result (its text is then the formula).
    marks
        `row`, `column`, `mark`, `detail`, sparse: hidden_row (column null), hidden_column (row null),
        struck_out, comment (detail: its text), formula (detail: the formula), formula_without_result,
        merged (at the top-left cell; detail: the range, `A2:A5`), cell_too_long (detail: its length).
    """

    sheet: str
    hidden: bool
    text: pl.DataFrame
    kinds: pl.DataFrame | None
    marks: pl.DataFrame


@dataclass(frozen=True, slots=True)
class Document:
    """One file that could be read.

    `name` is for showing only (marks that turn or hide text are removed); `form` is what the bytes are,
    whatever the name says. `date_system` is the workbook's: day 0 is in 1900 or in 1904.
    """

    name: str
    sha256: str
    content: bytes
    form: Literal["csv", "xlsx"]
    encoding: str
    separator: str
    grids: tuple[Grid, ...]
    remarks: tuple[Remark, ...]
    date_system: Literal["1900", "1904"] = "1900"


@dataclass(frozen=True, slots=True)
class Unreadable:
    """One file that could not be read, with the reason and what its sender can do.

    `sha256` and `content` are None where the bytes were never taken: a link, a device, a lock file.
    """

    name: str
    sha256: str | None
    content: bytes | None
    reason: str
    next_step: str
    code: str


def column_letters(number: int) -> str:
    """The letters a spreadsheet shows above column `number` (1 is A, 27 is AA)."""
    letters = ""
    while number > 0:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def cell_name(row: int, column: int) -> str:
    """The name a spreadsheet gives a cell: row 14, column 3 is `C14`."""
    return f"{column_letters(column)}{row}"


def read_reference(reference: str) -> tuple[int, int] | None:
    """Row and column of a cell name such as `C14`, or None where it is not one."""
    match = _REFERENCE.fullmatch(reference)
    if match is None:
        return None
    column = 0
    for letter in match[1]:
        column = column * 26 + ord(letter) - 64
    return int(match[2]), column


def read_range(reference: str) -> tuple[int, int, int, int] | None:
    """First row, first column, last row, last column of a range such as `A2:C5` or a cell name, else None."""
    first, _, last = reference.partition(":")
    start, end = read_reference(first), read_reference(last or first)
    if start is None or end is None:
        return None
    rows, columns = sorted((start[0], end[0])), sorted((start[1], end[1]))
    return rows[0], columns[0], rows[1], columns[1]


def marks_frame(marks: Iterable[tuple[int | None, int | None, str, str]]) -> pl.DataFrame:
    """The frame of marks: row, column, mark, detail."""
    return pl.DataFrame(list(marks), schema=MARKS, orient="row")


def lay_out(columns: Mapping[int, tuple[list[int], list[str]]]) -> pl.DataFrame:
    """A frame of `row` and one String column each, from the rows and texts of each spreadsheet column.

    Rows and columns where no cell has a visible character are left out.
    """
    seen = {
        number: [row for row, text in zip(*cells, strict=True) if text.strip()]
        for number, cells in columns.items()
    }
    kept = {number: columns[number] for number, rows in seen.items() if rows}
    rows = sorted(set().union(*seen.values()))
    place = {row: index for index, row in enumerate(rows)}
    frame = {"row": pl.Series("row", rows, dtype=pl.Int32)}
    for number in sorted(kept):
        full: list[str | None] = [None] * len(rows)
        for row, text in zip(*kept[number], strict=True):
            index = place.get(row)
            if index is not None:
                full[index] = text
        frame[str(number)] = pl.Series(str(number), full, dtype=pl.String)
    return pl.DataFrame(frame)
