"""Tables as people type them, written out as CSV or XLSX with the same bytes every time."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from datetime import date, datetime

import xlsxwriter

#: Written into every workbook in place of the clock.
MADE = datetime(2026, 1, 17, 9, 0, 0)


class Number(str):
    """A number as typed, with its decimals: a number cell in a workbook, text in a CSV."""


class Formula(str):
    """What an error cell shows, such as `#DIV/0!`."""


Value = date | str | None


def number(value: float, decimals: int) -> Number:
    return Number(f"{value:.{decimals}f}")


def letters(column: int) -> str:
    """The letters of a column counted from 1."""
    out = ""
    while column:
        column, rest = divmod(column - 1, 26)
        out = chr(65 + rest) + out
    return out


@dataclass
class Table:
    """Lines above, a heading, perhaps a units line, rows, lines below."""

    headings: list[str]
    rows: list[list[Value]] = field(default_factory=list)
    above: list[list[str]] = field(default_factory=list)
    units: list[str] | None = None
    below: list[list[Value]] = field(default_factory=list)
    name: str = ""
    hidden_rows: list[int] = field(default_factory=list)
    merged: bool = False  # the first three columns merged down where they repeat

    @property
    def first_row(self) -> int:
        """The spreadsheet's number of the first row of data."""
        return len(self.above) + (3 if self.units else 2)

    def where(self, **wanted: str) -> list[int]:
        """Indices of the rows whose cells, by heading (`_` for space), are these."""
        columns = {self.column(name): value for name, value in wanted.items()}
        return [
            index
            for index, row in enumerate(self.rows)
            if all(str(row[column]) == value for column, value in columns.items())
        ]

    def column(self, name: str) -> int:
        wanted = name.replace("_", " ").lower()
        for index, heading in enumerate(self.headings):
            plain = heading.replace("_", " ").lower()
            if plain == wanted or plain.split(" (")[0] == wanted:
                return index
        raise KeyError(f"{name} is not among {self.headings}")

    def cell(self, index: int, heading: str) -> str:
        return f"{letters(self.column(heading) + 1)}{self.first_row + index}"

    def put(self, index: int, heading: str, value: Value) -> str:
        """Overwrite one cell and give its address."""
        self.rows[index][self.column(heading)] = value
        return self.cell(index, heading)

    def lines(self) -> list[list[Value]]:
        words = [*self.above, self.headings, *([self.units] if self.units else [])]
        top: list[list[Value]] = [[*line] for line in words]
        return [*top, *self.rows, *self.below]


def csv_bytes(
    table: Table,
    *,
    separator: str = ",",
    comma: bool = False,
    dates: str = "%Y-%m-%d",
    encoding: str = "utf-8",
    newline: str = "\n",
) -> bytes:
    """The table as CSV; `comma` writes decimal commas in number cells."""

    def text(value: Value) -> str:
        if value is None:
            return ""
        if isinstance(value, date):
            return value.strftime(dates)
        return value.replace(".", ",") if comma and isinstance(value, Number) else str(value)

    buffer = io.StringIO()
    writer = csv.writer(buffer, delimiter=separator, lineterminator=newline)
    writer.writerows([text(value) for value in line] for line in table.lines())
    return buffer.getvalue().encode(encoding)


def xlsx_bytes(tables: list[Table], *, notes: list[str] | None = None) -> bytes:
    """The tables as tabs of one workbook, after a tab of notes if there are any."""
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(
        buffer, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    )
    book.set_properties({"created": MADE, "title": "", "author": ""})
    bold = book.add_format({"bold": True})
    day = book.add_format({"num_format": "dd/mm/yyyy", "align": "left"})
    middle = book.add_format({"valign": "vcenter"})
    shapes = {n: book.add_format({"num_format": "0" if not n else "0." + "0" * n}) for n in range(5)}
    if notes:
        sheet = book.add_worksheet("Read me")
        for row, words in enumerate(notes):
            sheet.write_string(row, 0, words)
    for table in tables:
        sheet = book.add_worksheet(table.name)
        heading = len(table.above)
        for row, line in enumerate(table.lines()):
            for column, value in enumerate(line):
                if value is None or value == "":
                    continue
                if isinstance(value, Formula):
                    sheet.write_formula(row, column, "=1/0", None, str(value))
                elif isinstance(value, Number):
                    decimals = len(value.partition(".")[2])
                    sheet.write_number(row, column, float(value), shapes[decimals])
                elif isinstance(value, date):
                    sheet.write_datetime(row, column, datetime(value.year, value.month, value.day), day)
                else:
                    sheet.write_string(row, column, value, bold if row == heading else None)
        if table.merged:
            _merge_down(sheet, table, middle)
        for index in table.hidden_rows:
            sheet.set_row(table.first_row + index - 1, None, None, {"hidden": True})
        sheet.set_column(0, len(table.headings) - 1, 13)
    book.close()
    return buffer.getvalue()


def _merge_down(sheet: xlsxwriter.worksheet.Worksheet, table: Table, shape: object) -> None:
    for column in range(2):
        start = 0
        for index in range(1, len(table.rows) + 1):
            same = (
                index < len(table.rows) and table.rows[index][: column + 1] == table.rows[start][: column + 1]
            )
            if same:
                continue
            if index - start > 1:
                top = table.first_row - 1 + start
                bottom = table.first_row - 1 + index - 1
                for row in range(top + 1, bottom + 1):
                    sheet.write_blank(row, column, None)
                sheet.merge_range(top, column, bottom, column, str(table.rows[start][column]), shape)
            start = index
