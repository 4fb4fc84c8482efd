"""The register's tables as text, from a folder of CSVs or one workbook with a tab for each."""

from __future__ import annotations

import csv
import io
import unicodedata
import warnings
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

from crosscellar.contract import Contract, name_key
from crosscellar.errors import RegisterRefused
from crosscellar.gate import Limits, Refused, form_of, open_gate

#: A register larger than this is not one: bytes of a file, and cells between the corners of a tab.
LARGEST_BYTES: Final = 20_000_000

#: The longest text that a spreadsheet's cell holds.
LONGEST_CELL: Final = 32_767
LARGEST_CELLS: Final = 5_000_000
_SEPARATORS: Final = ",;\t"
#: What the gate lets through, as for returned sheets.
LIMITS: Final = Limits(workbook_bytes=LARGEST_BYTES)
#: What to do about a workbook that the gate refuses, by its code; for other codes the gate's own words.
_MEND: Final = {
    "damaged": "Open it in a spreadsheet program and save it as .xlsx, or give a folder of CSV tables.",
    "locked": "Save it without a password.",
    **dict.fromkeys(("empty", "not_a_sheet"), "Name the register's workbook, or a folder of CSV tables."),
    **dict.fromkeys(
        ("binary_workbook", "old_workbook", "open_document"),
        "Save it as .xlsx, or give a folder of CSV tables.",
    ),
    **dict.fromkeys(
        ("dtd_in_workbook", "strange_member_name", "too_many_members", "unpacks_too_large"),
        "Copy the tables into a new workbook, or give a folder of CSV tables.",
    ),
}


@dataclass(frozen=True, slots=True)
class TextTable:
    """One table as it lies there: canonical column names, cells as text, and where each row stands."""

    name: str
    where: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    extra: tuple[str, ...] = field(default=())
    #: Whether its cells are parted by semicolons or tabs: a comma is then free to mark decimals.
    comma_free: bool = False

    def place(self, row: int) -> str:
        """Where the row with this 0-based number stands, as its author sees it."""
        return f"{self.where} row {self.numbers[row]}"


def read_tables(path: Path, contract: Contract) -> dict[str, TextTable]:
    """The tables found at `path`, by name.

    Raises
    ------
    RegisterRefused
        When nothing is there, or what is there is neither a folder of CSVs nor a workbook.
    """
    if path.is_dir():
        sources = [*_folder(path)]
    elif path.is_file():
        sources = [*_workbook(path)]
    else:
        raise RegisterRefused(
            "there is no register here",
            where=path,
            next_step="Name a folder with sites.csv, questions.csv, trials.csv …, or one workbook.",
        )
    by_key = {name_key(name): name for name in contract.register_tables}
    found: dict[str, TextTable] = {}
    for title, (where, grid, separator) in sources:
        name = by_key.get(name_key(title))
        if name in found:
            raise RegisterRefused(
                f"the table {name} is there twice, in {found[name].where} and in {where}",
                where=path,
                next_step="Take away the one that does not hold.",
            )
        if name is not None:
            found[name] = replace(_headed(name, where, grid, contract), comma_free=separator in (";", "\t"))
    if not found:
        raise RegisterRefused(
            "none of the register's tables is here",
            where=path,
            next_step="It needs sites, questions, trials, arms, vessels and responses.",
        )
    return found


#: A table's title, and where it stands, its cells, and the sign that parts them in text.
_Source = tuple[str, tuple[str, list[list[str]], str]]


def _folder(path: Path) -> Iterator[_Source]:
    for file in sorted(path.iterdir()):
        if file.suffix.lower() in {".csv", ".tsv", ".txt"} and file.is_file():
            _refuse_large(file)
            try:
                grid, separator = _cells_of_text(file.read_bytes())
            except csv.Error:
                grid, separator = None, ""
            # How long a field may be is a setting of the whole process: do not lean on it.
            if grid is None or any(len(cell) > LONGEST_CELL for row in grid for cell in row):
                raise RegisterRefused(
                    "this is not a table that can be read",
                    where=file,
                    next_step="Look for a quotation mark that is never closed, and save it as CSV again.",
                )
            yield file.stem, (file.name, grid, separator)


def _refuse_large(file: Path) -> None:
    size = file.stat().st_size / 1e6
    if size > LARGEST_BYTES / 1e6:
        raise RegisterRefused(
            f"this file has {size:.0f} MB: above {LARGEST_BYTES / 1e6:.0f} MB it is too large for a register",
            where=file,
            next_step="Leave in it what the register needs: a row for each site, trial, arm and vessel.",
        )


def _cells_of_text(content: bytes) -> tuple[list[list[str]], str]:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = content.decode("utf-16", errors="replace")
    else:
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = content.decode("cp1252", errors="replace")
    lines = text.split("\n", 20)[:20]
    parted = next((line for line in lines if max(map(line.count, _SEPARATORS)) > 1), None)
    if parted is not None:
        separator = max(_SEPARATORS, key=parted.count)
    else:
        # Two columns, perhaps below a title with a comma.
        separator = max(_SEPARATORS, key=lambda mark: sum(mark in line for line in lines))
    return list(csv.reader(io.StringIO(text, newline=""), delimiter=separator)), separator


def _workbook(path: Path) -> Iterator[_Source]:
    """The tabs with their cells, once the workbook has passed the gate that returned sheets pass."""
    from openpyxl import load_workbook

    _refuse_large(path)
    content = path.read_bytes()
    try:
        if form_of(content) != "xlsx":
            raise Refused("text", "This is text, not a workbook", "Name the folder in which the tables lie.")
        open_gate(content, LIMITS)
    except Refused as refused:
        raise _refused(path, refused.reason, _MEND.get(refused.code, refused.next_step)) from refused
    try:
        with warnings.catch_warnings():
            # openpyxl warns of what it leaves out (styles, validations, extensions); none of it is a cell
            warnings.simplefilter("ignore")
            # what the reader gathers on its way has no declared types
            book: Any = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
            with closing(book):
                left = LARGEST_CELLS
                for sheet in book.worksheets:
                    where = f"{path.name} › {sheet.title}"
                    rows = _rows(sheet, where, left)
                    left -= sum(map(len, rows))
                    yield sheet.title, (where, rows, "")
    except RegisterRefused:
        raise
    except Exception as fault:
        # a damaged part can make the parsers raise nearly anything
        raise _refused(
            path, "The workbook is damaged (a part of it cannot be read)", _MEND["damaged"]
        ) from fault


def _rows(sheet: Any, where: str, most: int) -> list[list[str]]:
    """The cells of a tab, row by row, `most` at most; what the tab says of its own size is not believed."""
    sheet.reset_dimensions()
    rows: list[list[str]] = []
    width = 1
    for row in sheet.iter_rows(values_only=True):
        rows.append([_text(cell) for cell in row])
        width = max(width, len(row))
        if len(rows) * width > most:
            raise RegisterRefused(
                "this tab is too large for a register",
                where=where,
                next_step="Delete what stands far below or far right of the table.",
            )
    return rows


def _refused(path: Path, reason: str, next_step: str) -> RegisterRefused:
    return RegisterRefused(reason, where=path, next_step=next_step)


def _text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        return cell.date().isoformat() if cell.time() == datetime.min.time() else cell.isoformat()
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)


def _clean(text: str) -> str:
    if text.isascii() and text.isprintable():
        return text.strip()
    text = unicodedata.normalize("NFC", text).replace("\u00a0", " ")
    return "".join(mark for mark in text if unicodedata.category(mark) not in {"Cf", "Cc"}).strip()


def _cleaned(row: list[str]) -> list[str]:
    together = "".join(row)
    if together.isascii() and together.isprintable():
        return [cell.strip() for cell in row]
    return [_clean(cell) for cell in row]


def _headed(name: str, where: str, grid: list[list[str]], contract: Contract) -> TextTable:
    table = contract.register_tables[name]
    meaning: Mapping[str, str] = {
        name_key(written): column.name
        for column in table.columns
        for written in (column.name, *column.aliases)
    }
    cleaned = [_cleaned(row) for row in grid]
    # A title may stand above the headings.
    headed = (
        number for number, row in enumerate(cleaned) if sum(name_key(c) in meaning for c in row if c) > 1
    )
    filled = (number for number, row in enumerate(cleaned) if any(row))
    start = next(headed, next(filled, None))
    if start is None:
        return TextTable(name, where, (), (), ())
    kept: dict[int, str] = {}
    extra: list[str] = []
    for position, heading in enumerate(cleaned[start]):
        column = meaning.get(name_key(heading)) if heading else None
        if column is not None and column not in kept.values():
            kept[position] = column
        elif heading:
            extra.append(heading)
    rows: list[tuple[str, ...]] = []
    numbers: list[int] = []
    for number, row in enumerate(cleaned[start + 1 :], start + 2):
        if any(row):
            rows.append(tuple(row[position] if position < len(row) else "" for position in kept))
            numbers.append(number)
    return TextTable(name, where, tuple(kept.values()), tuple(rows), tuple(numbers), tuple(extra))
