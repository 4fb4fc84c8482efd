"""Columns put beside those of a wide frame, which itself is not copied."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import polars as pl


class OnceEach:
    """Tests of texts, column by column: every different one, null among them, is looked at once."""

    def __init__(self, cells: pl.DataFrame) -> None:
        self._cells = cells
        self._different: dict[str, pl.Series] = {}

    def of(self, name: str, test: Callable[[pl.Series], pl.Series]) -> pl.Series:
        """What a test says of each text of one column."""
        texts = self._cells[name]
        different = self._different.get(name)
        if different is None:
            different = self._different[name] = texts.unique()
        passing = different.filter(test(different).fill_null(False))
        if passing.is_empty():
            return pl.repeat(False, len(texts), eager=True)
        return texts.is_in(passing.implode(), nulls_equal=True)


def few(items: pl.DataFrame, where: pl.Expr | pl.Series) -> pl.DataFrame:
    """The items that are so, in their order, where few of many are expected to be.

    They are found by their numbers: a filter would go through every column.
    """
    return items[items.select(where).to_series().arg_true()]


def in_order(items: pl.DataFrame, by: Sequence[str]) -> pl.DataFrame:
    """The items sorted by these columns; not written anew where they stand so already, as most do."""
    *outer, inner = by
    sorted_ = pl.col(inner) >= pl.col(inner).shift()
    for name in reversed(outer):
        before = pl.col(name).shift()
        sorted_ = (pl.col(name) > before) | ((pl.col(name) == before) & sorted_)
    # Only the first row has nothing before it.
    whole = not any(items[name].has_nulls() for name in by)
    if whole and items.select(sorted_.fill_null(True).all()).item():
        return items
    return items.sort(by)


def perhaps_twice(items: pl.DataFrame, key: Sequence[str]) -> pl.DataFrame:
    """The items in their order without those whose key surely stands alone: rows of one hash are few."""
    hashes = items.select(key).hash_rows()
    ordered = hashes.sort()
    repeated = ordered.filter(ordered == ordered.shift())
    return few(items, hashes.is_in(repeated.unique().implode()))


def different(items: pl.DataFrame, on: Sequence[str]) -> pl.DataFrame:
    """The different rows of these columns, in the order in which they first appear."""
    asked, changes, varying = _changes(items, list(on))
    begins = asked.filter(changes) if _mostly_runs(changes) else asked
    return begins.unique(varying or None, keep="first", maintain_order=True)


def _changes(items: pl.DataFrame, keys: list[str]) -> tuple[pl.DataFrame, pl.Series, list[str]]:
    """The keys alone, in one piece; which rows are not as the one above; which keys differ at all."""
    asked = items.select(keys).rechunk()
    changes = asked.select(
        (pl.col(key).ne_missing(pl.col(key).shift()) & (pl.int_range(pl.len()) > 0)).alias(key)
        for key in keys
    )
    varying = [name for name in keys if changes[name].any()]
    first = pl.int_range(len(asked), eager=True) == 0
    return asked, changes.select(pl.any_horizontal(pl.all())).to_series() | first, varying


def _mostly_runs(begins: pl.Series) -> bool:
    """Whether rows of one vessel or one file follow each other: such runs are looked up once."""
    return 2 * int(begins.sum()) < len(begins)


def put_beside(items: pl.DataFrame, answers: pl.DataFrame, on: str | Sequence[str]) -> pl.DataFrame:
    """Items in their order, with the other columns of the one row of `answers` that has the same `on`.

    Nulls of `on` are equal to one another; an item without an answer gets nulls. Only the columns of `on` are
    looked at, and of them those in which the items differ: a join of the whole frame would write every column
    anew.

    Raises
    ------
    polars.exceptions.ShapeError
        If two rows of `answers` have the same `on`.
    """
    keys = [on] if isinstance(on, str) else list(on)
    # Columns cut into chunks at different rows are slow, and not safe with every expression.
    whole = items.rechunk()
    asked, begins, varying = _changes(whole, keys)
    in_runs = _mostly_runs(begins)
    looked_up = asked.filter(begins) if in_runs else asked
    alike = [name for name in keys if name not in varying]
    if alike and varying:
        same = asked.head(1).select(alike)
        answers = answers.join(same, on=alike, how="semi", nulls_equal=True, maintain_order="left")
        looked_up, answers = looked_up.select(varying), answers.drop(alike)
    by = varying or keys
    found = looked_up.join(answers, on=by, how="left", nulls_equal=True, maintain_order="left").drop(by)
    if found.height != looked_up.height and found.width:
        raise pl.exceptions.ShapeError(f"two answers have the same {', '.join(keys)}")
    return whole.hstack(found[begins.cum_sum() - 1] if in_runs else found.rechunk())
