"""Text and tables laid out in the width of a terminal."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from itertools import zip_longest

from crosscellar.console.parts import Table
from crosscellar.errors import steady

_WORD = re.compile(r"\s*\S+\s*")


def laid_out(part: object, width: int, *, rule: str = "─") -> str:
    """A piece as lines no wider than `width`; of `rule` is the line under the headings of a table.

    A table too wide takes from its widest columns first. Text is broken between words, a longer word within.
    """
    if isinstance(part, Table):
        return "\n".join(_table(part, width, rule))
    return "\n".join(line for given in steady(str(part)).split("\n") for line in _wrapped(given, width))


def _table(table: Table, width: int, rule: str) -> Iterator[str]:
    rows = [[steady(cell).split("\n") for cell in row] for row in (table.headings, *table.rows)]
    wanted = [max(_cells(line) for cell in column for line in cell) for column in zip(*rows, strict=True)]
    # A space at either edge, two between columns.
    widths = _narrowed(wanted, width - 2 * len(wanted))
    whole = sum(widths) + 2 * len(widths)
    yield " " * whole
    for number, row in enumerate(rows):
        broken = [
            [part for line in cell for part in _wrapped(line, wide)]
            for cell, wide in zip(row, widths, strict=True)
        ]
        if number == 0:
            # Headings stand on the rule.
            tall = max((len(lines) for lines in broken), default=0)
            broken = [[""] * (tall - len(lines)) + lines for lines in broken]
        for lines in zip_longest(*broken, fillvalue=""):
            placed = (
                _placed(line, wide, right=place in table.right)
                for place, (line, wide) in enumerate(zip(lines, widths, strict=True))
            )
            yield f" {'  '.join(placed)} "
        if number == 0:
            yield f" {rule * (whole - 2)} "
    yield " " * whole


def _narrowed(wanted: list[int], room: int) -> list[int]:
    """The widths that fit into `room`: the widest columns give way until they are as the next."""
    # The space before the next column counts with a column; behind the last there is none.
    between = [1] * (len(wanted) - 1) + [0]
    widths = [min(wide + space, room + sum(between)) for wide, space in zip(wanted, between, strict=True)]
    surplus = sum(widths) - room - sum(between)
    while surplus > 0 and max(widths) > 2:
        widest = max(widths)
        at = [place for place, wide in enumerate(widths) if wide == widest]
        most = widest - max((wide for wide in widths if wide < widest), default=2)
        for left, place in zip(range(len(at), 0, -1), at, strict=True):
            taken = min(most, round(surplus / left))
            widths[place] -= taken
            surplus -= taken
    return [
        max(min(1, full), wide - space) for full, wide, space in zip(wanted, widths, between, strict=True)
    ]


def _placed(line: str, wide: int, *, right: bool) -> str:
    line = line.rstrip()
    room = " " * (wide - _cells(line))
    return room + line if right else line + room


def _wrapped(text: str, width: int) -> list[str]:
    """The lines that a line of text is broken into."""
    text = text.expandtabs(8)
    if _cells(text) <= width:
        return [text]
    lines, line = [], ""
    for word in _WORD.findall(text):
        if line and _cells(line) + _cells(word.rstrip()) > width:
            lines.append(line)
            line = ""
        line += word
        while _cells(line.rstrip()) > width:
            end = _fitting(line, width)
            lines.append(line[:end])
            line = line[end:]
    return [each[: _fitting(each, width)] for each in (*lines, line)]


def _fitting(text: str, width: int) -> int:
    """How many characters of a text fit into a width: one at least."""
    end = 1
    while end < len(text) and _cells(text[: end + 1]) <= width:
        end += 1
    return end


def _cells(text: str) -> int:
    """How many places of a terminal a line takes: none for an accent of its own, two for a wide letter."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )
