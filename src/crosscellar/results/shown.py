"""What the records share: plain values for JSON, and how they show themselves in a notebook."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import polars as pl


def plain(value: object) -> Any:
    """The JSON form of a value: dates as ISO text, paths as text, numbers that are none as null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, pl.DataFrame):
        return [plain(row) for row in value.iter_rows(named=True)]
    if isinstance(value, pl.Series):
        return [plain(item) for item in value.to_list()]
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value


#: The words of a notebook, lent by the room that shows results; empty until they are.
_pages: list[Callable[[object], str]] = []


def set_html(page: Callable[[object], str]) -> None:
    """Lend every record here the function that shows it in a notebook: `page(record)` gives HTML."""
    _pages[:] = [page]


class Shown:
    """What shows itself in a notebook, in the words of the terminal."""

    __slots__ = ()

    def _repr_html_(self) -> str | None:
        return _pages[0](self) if _pages else None
