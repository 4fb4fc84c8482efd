"""What a result is shown by: pieces of text, and tables."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import singledispatch
from importlib import import_module
from typing import Any

from crosscellar.errors import steady


@dataclass(frozen=True, slots=True)
class Table:
    """Headings and rows of text; the columns whose numbers are in `right` are set to the right."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int]

    def __rich__(self) -> Any:
        """The same for a terminal."""
        from rich import box
        from rich.table import Table as Drawn
        from rich.text import Text

        made = Drawn(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
        for number, heading in enumerate(self.headings):
            made.add_column(heading, justify="right" if number in self.right else "left", overflow="fold")
        for row in self.rows:
            made.add_row(*(Text(steady(cell)) for cell in row))
        return made


def table(headings: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[int] = ()) -> Table:
    """A table of text cells; the columns named in `right` are set to the right."""
    return Table(tuple(headings), tuple(tuple(row) for row in rows), frozenset(right))


def words(value: object) -> str:
    """A cell's text: nothing for what is not there."""
    if value is None:
        return ""
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:g}"
    return str(value)


@singledispatch
def shown_as(result: object) -> list[Any]:
    """The pieces of text and tables that show a result of this kind, each kind registered by its module."""
    return [str(result)]


def parts_of(result: object) -> list[Any]:
    """The pieces of text and tables that show a result.

    How the results of `results.NAME` are shown is told by `console.NAME`, which is loaded for them.
    """
    room, _, name = type(result).__module__.rpartition(".")
    if room == "crosscellar.results":
        import_module(f"crosscellar.console.{name}")
    return shown_as(result)
