"""A workbook for people to fill in: locked identifiers, open cells, drop-downs, hints, pages that print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from crosscellar.contract.tabs import CHOICES
from crosscellar.workbooks import new_book, save

#: Dark blue on white, and light grey: both survive grey print.
_INK: Final = "#1F3A4D"
_OPEN: Final = "#FFFBE6"
_SHUT: Final = "#EDEFF1"
_HINT_TITLE, _HINT_TEXT = 32, 255
#: Characters across a page.
_PAGE: Final = 72
#: Ballots on a page.
_BALLOTS: Final = 10
#: Sheet names of a spreadsheet are at most this long.
_TAB_NAME: Final = 31


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a tab.

    `entry`: "" (filled in and locked), text, number, date or time (left open). `choices` names a list of the
    workbook. `hint` is shown when the cell is chosen. `width` is in characters.
    """

    heading: str
    entry: str = ""
    choices: str = ""
    hint: str = ""
    width: float = 12
    earliest: date | None = None
    latest: date | None = None


class Book:
    """Writes one workbook; use it as a context manager. The same calls give the same bytes."""

    def __init__(self, path: Path, *, title: str, made: datetime) -> None:
        self.path = path
        self._book = new_book()
        self._book.set_properties({"title": title, "created": made})
        self._lists: dict[str, list[str]] = {}
        border = {"border": 1, "border_color": "#B8C0C6", "valign": "vcenter"}
        head = {**border, "bold": True, "font_color": "#FFFFFF", "bg_color": _INK, "text_wrap": True}
        self._formats: dict[str, Any] = {
            name: self._book.add_format(settings)
            for name, settings in {
                "title": {"bold": True, "font_size": 16, "font_color": _INK},
                "part": {"bold": True, "font_size": 12, "font_color": _INK, "valign": "top"},
                "words": {"text_wrap": True, "valign": "top"},
                "heading": head,
                "shut": {**border, "bg_color": _SHUT, "num_format": "@"},
                "aside": {**border, "bg_color": _SHUT, "locked": False},
                "text": {**border, "bg_color": _OPEN, "locked": False},
                "number": {**border, "bg_color": _OPEN, "locked": False, "num_format": "General"},
                "date": {**border, "bg_color": _OPEN, "locked": False, "num_format": "yyyy-mm-dd"},
                "time": {**border, "bg_color": _OPEN, "locked": False, "num_format": "hh:mm"},
                "label": {**border, "bold": True, "font_size": 13, "align": "center"},
                "below": {**border, "align": "center", "text_wrap": True, "font_size": 9},
                "glass": {**border, "bold": True, "font_size": 14, "align": "center"},
            }.items()
        }

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self._write_lists()
            save(self._book, self.path)

    def offer(self, name: str, choices: Sequence[str]) -> None:
        """Makes a list that columns can offer by its name."""
        self._lists[name] = list(dict.fromkeys(choices))

    def words(self, tab: str, title: str, parts: Sequence[tuple[str, Sequence[str]]]) -> None:
        """A tab of plain words: a title, then parts with a heading and paragraphs."""
        sheet = self._book.add_worksheet(tab[:_TAB_NAME])
        sheet.hide_gridlines(2)
        sheet.set_column(0, 0, _PAGE, self._formats["words"])
        sheet.write_string(0, 0, title, self._formats["title"])
        row = 2
        for heading, paragraphs in parts:
            sheet.write_string(row, 0, heading, self._formats["part"])
            row += 1
            for paragraph in paragraphs:
                sheet.write_string(row, 0, paragraph, self._formats["words"])
                sheet.set_row(row, 15 * max(1, -(-len(paragraph) // _PAGE)))
                row += 1
            row += 1
        sheet.protect()
        _print(sheet, landscape=False)

    def table(
        self,
        tab: str,
        columns: Sequence[Column],
        rows: Sequence[Sequence[str | float | None]],
        *,
        spare: int = 0,
    ) -> None:
        """A tab with one heading row, the rows filled in as far as they are known, and spare open rows.

        Filled-in cells are locked; a None in an open column is left to be filled in, a "" in one is not asked
        for: shaded, yet open for who measured it all the same. Spare rows are open throughout.
        """
        sheet = self._book.add_worksheet(tab[:_TAB_NAME])
        lines = max(
            (-(-len(column.heading) // max(1, int(column.width) - 3)) for column in columns), default=1
        )
        sheet.set_row(0, 15 * max(2, lines + 1))
        last = len(rows) + spare
        for at, column in enumerate(columns):
            sheet.set_column(at, at, column.width)
            sheet.write_string(0, at, column.heading, self._formats["heading"])
            self._offered(sheet, at, column, 1, last)
        for number, row in enumerate(rows, 1):
            for at, (column, value) in enumerate(zip(columns, row, strict=True)):
                style = self._formats[column.entry or "shut"]
                if value is None:
                    sheet.write_blank(number, at, None, style)
                elif column.entry and value == "":
                    sheet.write_blank(number, at, None, self._formats["aside"])
                elif isinstance(value, str):
                    sheet.write_string(number, at, value, style)
                else:
                    sheet.write_number(number, at, value, style)
        for number in range(len(rows) + 1, last + 1):
            for at, column in enumerate(columns):
                sheet.write_blank(number, at, None, self._formats[column.entry or "text"])
        sheet.freeze_panes(1, sum(not column.entry for column in columns))
        # Cells are chosen, columns widened and rows sorted or filtered as anyone would; identifiers stay.
        sheet.protect("", {"format_columns": True, "format_rows": True, "sort": True, "autofilter": True})
        sheet.repeat_rows(0)
        _print(sheet, landscape=True)

    def cards(self, tab: str, cards: Sequence[tuple[str, str]], *, across: int = 3) -> None:
        """A tab of cards to print and cut: a bold line and a small one below, `across` in a row."""
        sheet = self._book.add_worksheet(tab[:_TAB_NAME])
        sheet.hide_gridlines(2)
        sheet.set_column(0, across - 1, 30)
        for number, (bold, small) in enumerate(cards):
            row, at = 3 * (number // across), number % across
            sheet.set_row(row, 24)
            sheet.set_row(row + 1, 30)
            sheet.write_string(row, at, bold, self._formats["label"])
            sheet.write_string(row + 1, at, small, self._formats["below"])
        sheet.protect()
        _print(sheet, landscape=False)

    def ballots(self, tab: str, lines: Sequence[tuple[str, Sequence[str], str]]) -> None:
        """A tab of ballots to print and cut: who, the codes in the order of the glasses, what to do."""
        sheet = self._book.add_worksheet(tab[:_TAB_NAME])
        sheet.hide_gridlines(2)
        widest = max((len(codes) for _, codes, _ in lines), default=1)
        sheet.set_column(0, 0, 14)
        sheet.set_column(1, widest, 14)
        for number, (who, codes, task) in enumerate(lines):
            row = 4 * number
            sheet.write_string(row, 0, who, self._formats["part"])
            sheet.set_row(row + 1, 30)
            for at, code in enumerate(codes, 1):
                sheet.write_string(row + 1, at, code, self._formats["glass"])
            sheet.write_string(row + 2, 0, task)
        # A ballot that runs over the foot of a page cannot be cut out.
        sheet.set_h_pagebreaks(range(4 * _BALLOTS, 4 * len(lines), 4 * _BALLOTS))
        sheet.protect()
        _print(sheet, landscape=False)

    def _offered(self, sheet: Any, at: int, column: Column, first: int, last: int) -> None:
        """The drop-down, the bounds of a date and the hint of a column."""
        if last < first or not (column.entry or column.choices):
            return
        settings: dict[str, Any] = {"validate": "any"}
        if column.choices:
            # A list in a formula text breaks above 255 characters: it stands in a tab, under a name.
            settings = {"validate": "list", "source": f"={_name(column.choices)}", "error_type": "warning"}
        elif column.entry == "date" and column.earliest and column.latest:
            settings = {
                "validate": "date",
                "criteria": "between",
                "minimum": column.earliest,
                "maximum": column.latest,
                "error_type": "warning",
                "error_title": "An unusual date",
                "error_message": "Please check the day, the month and the year.",
            }
        if column.hint:
            settings["input_title"] = _short(column.heading, _HINT_TITLE)
            settings["input_message"] = _short(column.hint, _HINT_TEXT)
        if settings["validate"] != "any" or column.hint:
            sheet.data_validation(first, at, last, at, settings)

    def _write_lists(self) -> None:
        if not self._lists:
            return
        sheet = self._book.add_worksheet(CHOICES)
        for at, (name, choices) in enumerate(self._lists.items()):
            for row, choice in enumerate(choices):
                sheet.write_string(row, at, choice)
            letter = chr(ord("A") + at)
            self._book.define_name(_name(name), f"=choices!${letter}$1:${letter}${max(1, len(choices))}")
        sheet.very_hidden()


def _name(choices: str) -> str:
    return f"choices_{choices}"


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _print(sheet: Any, *, landscape: bool) -> None:
    if landscape:
        sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.set_footer("&L&F › &A&RPage &P of &N")
