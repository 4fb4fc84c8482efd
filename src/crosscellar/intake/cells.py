"""The cells of one tab, streamed from its XML without building a tree: memory grows with filled cells."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Final, Literal

# The C parser itself, with document types refused: a tree-building reader keeps what it does not know.
from xml.parsers import expat

from crosscellar.gate import Limits, Refused
from crosscellar.intake.grid import CELL_CHARACTERS, read_range, read_reference

Shows = Literal["number", "date", "duration", "percent"]

_MAIN: Final = (
    "http://schemas.openxmlformats.org/spreadsheetml/2006/main ",
    "http://purl.oclc.org/ooxml/spreadsheetml/main ",
)
_DEEPEST: Final = 40
#: What the standard allows as a number (ECMA-376 part 1, 18.18.11: xsd:double, xsd:int); this language reads
#: more, such as 3_31, and takes -1 as the last of a list.
_NUMBER: Final = re.compile(r"\s*[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?\s*", re.ASCII)
_COUNT: Final = re.compile(r"\s*[0-9]{1,9}\s*", re.ASCII)
_LAST_ROW, _LAST_COLUMN = 1_048_576, 16_384


@dataclass(frozen=True, slots=True)
class Styles:
    """What each cell style of the workbook shows a number as, and whether it strikes the text out."""

    shows: Sequence[Shows] = ()
    struck: Sequence[bool] = ()
    date_system: Literal["1900", "1904"] = "1900"
    never_calculated: bool = False


@dataclass(slots=True)
class Cells:
    """What one tab holds, by spreadsheet column."""

    columns: dict[int, tuple[list[int], list[str]]] = field(default_factory=dict)
    kinds: dict[int, list[str]] = field(default_factory=dict)
    marks: list[tuple[int | None, int | None, str, str]] = field(default_factory=list)
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: list[tuple[int, int]] = field(default_factory=list)


class _LocalNames(dict[str, str]):
    """Names of the spreadsheet namespace without it; any other name is empty."""

    def __missing__(self, name: str) -> str:
        local = next((name.removeprefix(main) for main in _MAIN if name.startswith(main)), "")
        self[name] = local
        return local


def stream(
    pieces: Iterable[bytes],
    start: Callable[[str, dict[str, str]], None],
    end: Callable[[str], None],
    text: Callable[[str], None],
) -> None:
    """Walks XML, calling with local names of the spreadsheet namespace; a document type is refused."""
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    names = _LocalNames()
    depth = 0

    def on_start(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > _DEEPEST:
            raise Refused("damaged", "The workbook is damaged (its parts are nested too deep)", _AGAIN)
        start(names[name], attributes)

    def on_end(name: str) -> None:
        nonlocal depth
        depth -= 1
        end(names[name])

    def refuse(*_: object) -> None:
        raise Refused("dtd_in_workbook", "The workbook declares a document type", _AGAIN)

    parser.StartElementHandler = on_start
    parser.EndElementHandler = on_end
    parser.CharacterDataHandler = text
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    for piece in pieces:
        parser.Parse(piece, False)
    parser.Parse(b"", True)


_AGAIN: Final = "Copy the table into a new workbook and send that."


def read_strings(pieces: Iterable[bytes], limits: Limits) -> tuple[list[str], frozenset[int]]:
    """The workbook's shared texts, and the numbers of those of which a part is struck out."""
    strings: list[str] = []
    struck: set[int] = set()
    parts: list[str] = []
    state = {"text": False, "within": False, "phonetic": False, "strike": False}

    def start(name: str, attributes: dict[str, str]) -> None:
        if state["within"]:
            raise ValueError("an element within a text")
        state["within"] = name == "t"
        if name == "si":
            parts.clear()
        elif name == "t":
            state["text"] = not state["phonetic"]
        elif name == "rPh":
            state["phonetic"] = True
        elif name == "r":
            state["strike"] = False
        elif name == "strike":
            state["strike"] = attributes.get("val", "1") not in ("0", "false")

    def end(name: str) -> None:
        if name == "t":
            state["text"] = state["within"] = False
        elif name == "rPh":
            state["phonetic"] = False
        elif name == "r":
            state["strike"] = False
        elif name == "si":
            strings.append("".join(parts))
            if len(strings) > limits.strings:
                raise Refused(
                    "too_many_cells", f"The workbook holds more than {limits.strings:,} texts", "Split it."
                )

    def text(data: str) -> None:
        if state["text"]:
            parts.append(data)
            if state["strike"] and data.strip():
                struck.add(len(strings))

    stream(pieces, start, end, text)
    return strings, frozenset(struck)


def read_cells(
    pieces: Iterable[bytes],
    strings: Sequence[str],
    struck_strings: frozenset[int],
    styles: Styles,
    limits: Limits,
) -> Cells:
    """Every filled cell of one tab.

    Raises
    ------
    Refused
        More rows, columns or cells with content than `limits` allow.
    xml.parsers.expat.ExpatError, ValueError, IndexError
        The part is damaged.
    """
    reader = _Reader(strings, struck_strings, styles, limits)
    stream(pieces, reader.start, reader.end, reader.text)
    return reader.cells


class _Reader:
    def __init__(
        self, strings: Sequence[str], struck_strings: frozenset[int], styles: Styles, limits: Limits
    ) -> None:
        self.cells = Cells()
        self._strings, self._struck_strings, self._styles, self._limits = (
            strings,
            struck_strings,
            styles,
            limits,
        )
        self._row = self._column = self._count = self._merged = 0
        self._row_text = "0"
        self._row_is_told = False
        self._letters: dict[str, int] = {}
        self._may_be_struck = bool(struck_strings) or any(styles.struck)
        self._buffer: list[str] | None = None
        self._value: str | None = None
        self._inline: str | None = None
        self._formula: str | None = None
        self._attributes: dict[str, str] = {}
        self._phonetic = self._in_cell = False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if self._buffer is not None:
            raise ValueError("an element within a value")
        if name == "c":
            self._in_cell = True
            self._attributes = attributes
            self._value = self._inline = self._formula = None
        elif name in ("v", "f", "t"):
            if self._in_cell and not self._phonetic:
                self._buffer = []
        elif name == "row":
            self._row_is_told = "r" in attributes
            self._row = _count(attributes["r"]) if self._row_is_told else self._row + 1
            if not 1 <= self._row <= _LAST_ROW:
                raise ValueError("row beyond the sheet")
            self._row_text = str(self._row)
            self._column = 0
            if attributes.get("hidden") in ("1", "true") or _is_zero(attributes.get("ht")):
                self.cells.hidden_rows.add(self._row)
        elif name == "rPh":
            self._phonetic = True
        elif name == "col":
            if attributes.get("hidden") in ("1", "true") or _is_zero(attributes.get("width")):
                self.cells.hidden_columns.append((_count(attributes["min"]), _count(attributes["max"])))
                if len(self.cells.hidden_columns) > _LAST_COLUMN:
                    raise ValueError("more hidden columns than a sheet has")
        elif name == "mergeCell":
            self._merge(attributes.get("ref", ""))

    def text(self, data: str) -> None:
        if self._buffer is not None:
            self._buffer.append(data)

    def end(self, name: str) -> None:
        if name == "c":
            self._finish()
            self._in_cell = False
        elif name == "rPh":
            self._phonetic = False
        elif self._buffer is not None and name in ("v", "f", "t"):
            text = "".join(self._buffer)
            self._buffer = None
            if name == "v":
                if self._value is not None:
                    raise ValueError("a cell with two values")
                self._value = text
            elif name == "f":
                self._formula = text
            else:
                self._inline = (self._inline or "") + text

    def _merge(self, reference: str) -> None:
        area = read_range(reference)
        if area is not None and area[:2] != area[2:]:
            self.cells.marks.append((area[0], area[1], "merged", reference))
            self._merged += 1
        if self._merged > self._limits.merged:
            raise Refused(
                "too_many_cells",
                "The workbook has too many merged cells",
                "Copy the table into a new workbook.",
            )

    def _place(self) -> tuple[int, int]:
        reference = self._attributes.get("r")
        if reference is None:
            if self._row < 1 or self._column >= _LAST_COLUMN:
                raise ValueError("cell beyond the sheet")
            return self._row, self._column + 1
        # nearly every cell is of the row it stands in, in a column that was met before
        if reference.endswith(self._row_text):
            column = self._letters.get(reference[: -len(self._row_text)])
            if column is not None:
                return self._row, column
        place = read_reference(reference)
        if place is None or not (1 <= place[0] <= _LAST_ROW and 1 <= place[1] <= _LAST_COLUMN):
            raise ValueError("cell reference")
        if self._row_is_told and place[0] != self._row:
            raise ValueError("a cell of another row")
        self._letters[reference.rstrip("0123456789")] = place[1]
        return place

    def _finish(self) -> None:
        row, column = self._place()
        self._column = column
        text, kind = self._decode()
        if text is None:
            return
        self._count += 1
        if self._count > self._limits.cells:
            raise Refused(
                "too_many_cells", f"A tab has more than {self._limits.cells:,} filled cells", "Split it."
            )
        if len(text) > CELL_CHARACTERS:
            self.cells.marks.append((row, column, "cell_too_long", str(len(text))))
            text = text[:CELL_CHARACTERS]
        if self._formula is not None:
            mark = "formula_without_result" if kind == "f" else "formula"
            self.cells.marks.append((row, column, mark, self._formula[:1000] or "shared formula"))
        if self._may_be_struck and self._is_struck():
            self.cells.marks.append((row, column, "struck_out", ""))
        filled = self.cells.columns.get(column)
        if filled is None:
            filled = self.cells.columns[column] = ([], [])
            self.cells.kinds[column] = []
        elif row <= filled[0][-1]:
            raise ValueError("a cell is there twice, or out of order")
        filled[0].append(row)
        filled[1].append(text)
        self.cells.kinds[column].append(kind)

    def _style(self) -> int:
        return _count(self._attributes.get("s", "0"))

    def _is_struck(self) -> bool:
        style = self._style()
        if style < len(self._styles.struck) and self._styles.struck[style]:
            return True
        shared = self._attributes.get("t") == "s" and self._value is not None
        return shared and _count(self._value or "0") in self._struck_strings

    def _decode(self) -> tuple[str | None, str]:
        kind = self._attributes.get("t", "n")
        value = self._value
        if kind == "inlineStr":
            return (self._inline or None, "s")
        if self._formula is not None and self._is_without_result(kind):
            return f"={self._formula}", "f"
        if value is None or value == "":
            # a text written in the cell itself, by a program that forgot to say so
            return (self._inline or None, "s")
        if kind == "s":
            return (self._strings[_count(value)] or None, "s")
        if kind == "str":
            return value, "s"
        if kind == "b":
            return ("TRUE" if value.strip() in ("1", "true") else "FALSE"), "b"
        if kind == "e":
            return value, "e"
        if kind == "d":
            return _iso(datetime.fromisoformat(value.strip().removesuffix("Z"))), "d"
        if _NUMBER.fullmatch(value) is None:
            raise ValueError("number")
        return self._number(float(value))

    def _is_without_result(self, kind: str) -> bool:
        value = self._value
        if kind == "str":
            return value is None
        # a program that never calculates writes 0, and asks for a calculation at the next opening
        return not value or (self._styles.never_calculated and kind == "n" and _is_zero(value))

    def _number(self, number: float) -> tuple[str, str]:
        if not math.isfinite(number):
            raise ValueError("number")
        style = self._style()
        shows = self._styles.shows[style] if style < len(self._styles.shows) else "number"
        if shows == "percent":
            # 0.125 that everybody sees as 12.5%: what is seen is what was meant, and its sign is its unit
            return f"{Decimal(repr(number)).scaleb(2).normalize():f}%", "s"
        if shows != "number" and 0 <= number < 1:
            return _clock(number), "t"
        if shows == "date" and 1 <= number < 2_958_466:
            return _iso(day_of(number, self._styles.date_system)), "d"
        return number_text(number), "n"


def _count(text: str) -> int:
    if _COUNT.fullmatch(text) is None:
        raise ValueError("count")
    return int(text)


def number_text(number: float) -> str:
    """The shortest text that reads back as the same number; whole numbers without a point."""
    if number == int(number) and abs(number) < 1e15:
        return str(int(number))
    return repr(number)


def day_of(serial: float, date_system: str) -> datetime:
    """The day and time of a spreadsheet's serial number, to the second.

    The 1900 system counts a 29 February 1900 that never was (ECMA-376 part 1, 18.17.4.1), so that numbers
    below 60 are a day later.
    """
    if date_system == "1904":
        start = datetime(1904, 1, 1)  # noqa: DTZ001 - a spreadsheet's dates have no zone
    else:
        start = datetime(1899, 12, 30) if serial >= 60 else datetime(1899, 12, 31)  # noqa: DTZ001
    return start + timedelta(seconds=round(serial * 86_400))


def _iso(moment: datetime) -> str:
    if moment.hour == moment.minute == moment.second == 0:
        return moment.date().isoformat()
    return moment.isoformat(timespec="seconds" if moment.second else "minutes")


def _clock(fraction: float) -> str:
    seconds = min(round(fraction * 86_400), 86_399)
    hours, rest = divmod(seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    return f"{hours:02}:{minutes:02}" + (f":{seconds:02}" if seconds else "")


def _is_zero(text: str | None) -> bool:
    if text is None:
        return False
    try:
        return float(text) == 0
    except ValueError:
        return False
