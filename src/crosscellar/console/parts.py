"""What a result is shown by: pieces of text, and tables."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import singledispatch
from typing import Any


def table(headings: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[int] = ()) -> Any:
    """A table of text cells; the columns named in `right` are set to the right."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for number, heading in enumerate(headings):
        made.add_column(heading, justify="right" if number in right else "left", overflow="fold")
    for row in rows:
        made.add_row(*(Text(cell) for cell in row))
    return made


def words(value: object) -> str:
    """A cell's text: nothing for what is not there."""
    if value is None:
        return ""
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:g}"
    return str(value)


@singledispatch
def parts_of(result: object) -> list[Any]:
    """The pieces of text and tables that show a result."""
    return [str(result)]
