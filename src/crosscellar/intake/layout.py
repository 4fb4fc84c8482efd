"""Cells laid out as frames: only rows and columns that show something, small tables many at a time."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest
from typing import Final

import numpy as np
import polars as pl

_SHOWS: Final = r"\S"
_FIRST: Final = 1000


def lay_out_records(tables: Sequence[Sequence[Sequence[str]]]) -> list[pl.DataFrame]:
    """For each table of records a frame of `row` and its String columns, as `Grid.text` describes it.

    Tables of one width share a frame of which each gets its slice: a frame of its own would cost each some
    hundred times as long.
    """
    by_width: dict[int, list[int]] = {}
    for number, records in enumerate(tables):
        by_width.setdefault(max(map(len, records), default=0), []).append(number)
    frames = [pl.DataFrame(schema={"row": pl.Int32})] * len(tables)
    for width, numbers in by_width.items():
        if width:
            parts = _lay_out_alike([tables[number] for number in numbers], width)
            for number, part in zip(numbers, parts, strict=True):
                frames[number] = part
    return frames


def _lay_out_alike(tables: Sequence[Sequence[Sequence[str]]], width: int) -> list[pl.DataFrame]:
    columns: list[list[str | None]] = [[] for _ in range(width)]
    rows: list[int] = []
    for records in tables:
        for column, texts in zip(columns, zip_longest(*records), strict=True):
            column.extend(texts)
        rows.extend(range(1, len(records) + 1))
    frame = pl.DataFrame(
        [
            pl.Series("row", rows, dtype=pl.Int32),
            *(
                pl.Series(str(number), column, dtype=pl.String)
                for number, column in enumerate(columns, start=1)
            ),
        ]
    )
    cells = pl.all().exclude("row")
    frame = frame.with_columns(pl.when(cells != "").then(cells))
    shows = frame.select(cells.str.contains(_SHOWS).fill_null(False)).to_numpy()
    kept = shows.any(axis=1)
    starts = np.cumsum([0, *map(len, tables)])[:-1]
    heights = np.add.reduceat(kept, starts, dtype=np.int64).tolist()
    whole = frame.filter(pl.Series(kept))
    parts: list[pl.DataFrame] = []
    at = 0
    for height, seen in zip(heights, np.logical_or.reduceat(shows, starts).tolist(), strict=True):
        part = whole.slice(at, height)
        if not all(seen):
            part = part[["row", *(str(number) for number, any_ in enumerate(seen, start=1) if any_)]]
        parts.append(part)
        at += height
    return parts


def visible_rows(frame: pl.DataFrame) -> pl.DataFrame:
    """The rows that show something; an empty cell is null."""
    if frame.width < 2:
        return frame.clear()
    hollow = [column.name for column in frame.drop("row") if (column == "").any()]
    frame = frame.with_columns(pl.when(pl.col(name) != "").then(name) for name in hollow)
    shows = pl.repeat(False, frame.height, eager=True)
    for column in frame.drop("row"):
        shows |= column.str.contains(_SHOWS).fill_null(False)
        if shows.all():
            return frame
    return frame.filter(shows)


def visible_columns(frame: pl.DataFrame) -> pl.DataFrame:
    """`row` and the columns that show something, by their numbers."""
    if frame.width < 2:
        return frame
    # Nearly always the first rows tell.
    kept = [
        int(column.name)
        for column in frame.drop("row")
        if column.head(_FIRST).str.contains(_SHOWS).any() or column.str.contains(_SHOWS).any()
    ]
    return frame.select("row", *[str(number) for number in sorted(kept)])
