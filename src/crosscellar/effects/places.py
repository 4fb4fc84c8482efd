"""Rows put in order and found again by whole numbers, where comparing names would take the time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

Places = npt.NDArray[np.intp]
Integers = npt.NDArray[np.int64]

#: Numbers of several columns are put together into one as long as it holds them.
_MOST: Final = 2**62
#: Fewer rows are put in order by their names: that is one operation, and numbering each column is several.
_FEW: Final = 5_000


def starts_of(values: npt.NDArray[Any]) -> Places:
    """Where each stretch of equal values starts."""
    new = np.ones(values.size, dtype=np.bool_)
    np.not_equal(values[1:], values[:-1], out=new[1:])
    return np.flatnonzero(new)


def named(column: pl.Series) -> pl.Series:
    """Text as an Enum of its words in the order of the alphabet.

    Words that come in runs are looked up once a run.
    """
    rows = max(column.len() - 1, 0)
    changed = np.ones(column.len(), dtype=np.bool_)
    changed[1:] = column.slice(1, rows).ne_missing(column.slice(0, rows)).to_numpy()
    begins = np.flatnonzero(changed)
    if 2 * begins.size > rows:
        return column.cast(pl.Enum(column.drop_nulls().unique().sort()))
    words = column.gather(begins)
    words = words.cast(pl.Enum(words.drop_nulls().unique().sort()))
    return words.gather(np.repeat(np.arange(begins.size), np.diff(begins, append=column.len())))


def words_of(column: pl.Series) -> pl.Series:
    """The words of an Enum, each once, in its order."""
    kind = column.dtype
    if not isinstance(kind, pl.Enum):
        raise TypeError(f"{column.name} is {kind}, no Enum")
    return kind.categories


def numbered(column: pl.Series) -> tuple[Integers, int]:
    """Each value's number in the order of the values, null the highest, and how many numbers there can be.

    Text counts in the order of the alphabet, an Enum in its own.
    """
    missing = column.null_count()
    if column.dtype == pl.String:
        column = named(column)
    if isinstance(column.dtype, pl.Enum):
        size = column.dtype.categories.len()
        numbers = column.to_physical().cast(pl.Int64)
        return (numbers.fill_null(size) if missing else numbers).to_numpy(), size + 1
    if missing == column.len():
        return np.zeros(column.len(), dtype=np.int64), 1
    whole = column.cast(pl.Int64)
    known = (whole.drop_nulls() if missing else whole).to_numpy()
    least, most = int(known.min()), int(known.max())
    size = most - least + 1
    return ((whole - least).fill_null(size).to_numpy() if missing else known - least), size + 1


def in_order(frame: pl.DataFrame, names: Sequence[str]) -> pl.DataFrame:
    """The rows by these columns (text, whole numbers, truth values), nulls last, ties as they came."""
    if frame.height < _FEW:
        return frame.sort(names, nulls_last=True, maintain_order=True)
    key = np.zeros(frame.height, dtype=np.int64)
    size = 1
    for name in names:
        numbers, of = numbered(frame[name])
        if size * of > _MOST:
            return frame.sort(names, nulls_last=True, maintain_order=True)
        key, size = key * of + numbers, size * of
    if (key[1:] >= key[:-1]).all():
        return frame
    return frame[np.argsort(key, kind="stable")]


def matches(wanted: Integers, among: Integers) -> tuple[Places, Places]:
    """Every pair of places at which the two arrays are equal, in the order of `wanted`; `among` counts up.

    Numbers are not negative. Where they lie close together, each is looked up in a list of all of them.
    """
    most = int(among[-1]) if among.size else -1
    if most < 4 * (wanted.size + among.size):
        ends = np.cumsum(np.bincount(among, minlength=most + 2))
        number = np.minimum(wanted, most + 1)
        first = np.where(number > 0, ends[number - 1], 0)
        count = ends[number] - first
    else:
        first = np.searchsorted(among, wanted, side="left")
        count = np.searchsorted(among, wanted, side="right") - first
    if (count == 1).all():
        return np.arange(wanted.size), first
    left = np.repeat(np.arange(wanted.size), count)
    before = np.cumsum(count) - count
    return left, np.arange(left.size) + np.repeat(first - before, count)
