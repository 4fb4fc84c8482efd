"""Sheets of one layout recognised together: equal columns, equal headings on top, only readings below.

Most sheets of a laboratory, and all that a network sent out itself, differ in nothing but their readings.
What holds for their headings is found out once; a sheet with anything else in it is recognised alone.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import polars as pl

from crosscellar.intake.grid import Grid
from crosscellar.intake.headings import SMALL, HeadingReader, plain
from crosscellar.intake.recognise import FEW, KEYS, SUMMARY_WORD, Recognised, Table, recognise

#: One of these tells a row of readings from a row of units.
_NAMING: Final = ("trial_id", "vessel_id", "sample_id")
#: A character that Python and polars both take for a visible one.
_VISIBLE: Final = r"[^\s\x1C-\x1F]"
#: No word, and no total: most cells of most columns, which need no closer look.
_NUMBER: Final = r"^[0-9]+[.,]?[0-9]*$"
#: So many sheets make it worth while; so many words of headings, or filled identifiers, tell what a row is.
_TWO: Final = 2


@dataclass(frozen=True, slots=True)
class Layout:
    """What sheets of one layout share; `table` is that of any of them."""

    number: int
    table: Table

    def found_in(self, grid: Grid) -> Recognised:
        """What `recognise` finds in a grid that has this layout."""
        first = int(grid.text["row"][0])
        table = replace(self.table, grid=grid, heading_row=first, rows=grid.text.slice(1))
        return Recognised(grid, (table,), ())


def find_layouts(grids: Iterable[Grid], reader: HeadingReader) -> dict[int, Layout]:
    """The layout of each grid that shares one, by the grid's place; its table is what `recognise` finds."""
    given = list(grids)
    by_shape: dict[Hashable, list[int]] = {}
    for place, grid in enumerate(given):
        shape = _shape(grid)
        if shape is not None:
            by_shape.setdefault(shape, []).append(place)
    layouts: dict[int, Layout] = {}
    for number, places in enumerate(by_shape.values()):
        if len(places) < _TWO:
            continue
        table = _only_table(given[places[0]], reader)
        if table is None:
            continue
        fits = _hold_only_readings([given[place].text.slice(1) for place in places], table, reader)
        layout = Layout(number, table)
        layouts.update((place, layout) for place, fit in zip(places, fits, strict=True) if fit)
    return layouts


def _shape(grid: Grid) -> Hashable | None:
    """What is equal for two grids of one layout; None for a grid that is recognised alone."""
    text = grid.text
    if not 0 < text.height <= FEW or text.height * (text.width - 1) > SMALL:
        return None
    if not grid.marks.is_empty() and (grid.marks["mark"] == "merged").any():
        return None
    headings = text.row(0)[1:]
    if not all(heading and heading.strip() for heading in headings):
        return None
    kinds = None if grid.kinds is None else tuple(grid.kinds.columns)
    return tuple(text.columns), headings, kinds


def _only_table(grid: Grid, reader: HeadingReader) -> Table | None:
    """The table that these headings open, where it takes all of them and lacks none."""
    found = recognise(replace(grid, text=grid.text.head(1)), reader)
    if len(found.tables) != 1:
        return None
    (table,) = found.tables
    columns = [int(name) for name in grid.text.columns[1:]]
    if table.beside or table.missing or [heading.column for heading in table.headings] != columns:
        return None
    fields = {heading.field for heading in table.headings}
    return table if len(fields & KEYS) >= _TWO and not fields.isdisjoint(_NAMING) else None


def _hold_only_readings(bodies: Sequence[pl.DataFrame], table: Table, reader: HeadingReader) -> list[bool]:
    """Of each body, whether every row is beyond doubt one of readings.

    Such a row fills two identifiers, with that of a trial, a vessel or a sample; it has no word of a total up
    to its last identifier, and fewer than two words of headings.
    """
    owner = np.repeat(np.arange(len(bodies)), [body.height for body in bodies])
    cells = pl.concat(bodies)
    spelt = pl.zeros(cells.height, dtype=pl.UInt32, eager=True)
    repeated = spelt
    doubtful = pl.repeat(False, cells.height, eager=True)
    keys = [str(heading.column) for heading in table.headings if heading.field in KEYS]
    for heading in table.headings:
        texts = cells[str(heading.column)]
        different = texts.unique().drop_nulls()
        own = plain(heading.text)
        if reader.fields_are_words and not own.isdigit():
            different = different.filter(~different.str.contains(_NUMBER))
        bare = {text: plain(text) for text in different.to_list()}
        spelt = spelt + _among(texts, [text for text, word in bare.items() if reader.is_field(word)])
        repeated = repeated + _among(texts, [text for text, word in bare.items() if word == own])
        if heading.column <= int(keys[-1]):
            doubtful |= _among(texts, [text for text in bare if SUMMARY_WORD.match(text)])
    filled = pl.col(keys).str.contains(_VISIBLE).fill_null(False)
    named = pl.col(
        [str(heading.column) for heading in table.headings if heading.field in _NAMING]
    ).str.contains(_VISIBLE)
    unnamed = cells.select((pl.sum_horizontal(filled) < _TWO) | ~pl.any_horizontal(named.fill_null(False)))
    doubtful |= unnamed.to_series() | (spelt >= _TWO) | (repeated >= _TWO)
    doubts = np.bincount(owner, weights=doubtful.to_numpy(), minlength=len(bodies))
    return [count == 0 for count in doubts.tolist()]


def _among(texts: pl.Series, words: Sequence[str]) -> pl.Series:
    if not words:
        return pl.repeat(False, len(texts), eager=True)
    return texts.is_in(pl.Series(words, dtype=pl.String).implode()).fill_null(False)
