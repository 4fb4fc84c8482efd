"""Columns put beside those of a wide frame, which itself is not copied."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import polars as pl


def once_each(texts: pl.Series, test: Callable[[pl.Series], pl.Series]) -> pl.Series:
    """What a test says of each text, null among them: every different text is looked at once."""
    different = texts.unique()
    passing = different.filter(test(different).fill_null(False))
    if passing.is_empty():
        return pl.repeat(False, len(texts), eager=True)
    return texts.is_in(passing.implode(), nulls_equal=True)


def perhaps_twice(items: pl.DataFrame, key: Sequence[str]) -> pl.DataFrame:
    """The items in their order without those whose key surely stands alone: rows of one hash are few."""
    return items.filter(items.select(key).hash_rows().is_duplicated())


def put_beside(items: pl.DataFrame, answers: pl.DataFrame, on: str | Sequence[str]) -> pl.DataFrame:
    """Items in their order, with the other columns of the one row of `answers` that has the same `on`.

    Nulls of `on` are equal to one another; an item without an answer gets nulls. Only the columns of `on` are
    looked at: a join of the whole frame would write every column anew.

    Raises
    ------
    polars.exceptions.ShapeError
        If two rows of `answers` have the same `on`.
    """
    keys = [on] if isinstance(on, str) else list(on)
    found = items.select(keys).join(answers, on=keys, how="left", nulls_equal=True, maintain_order="left")
    # Columns cut into chunks at different rows are not safe with every expression: all are kept in one.
    whole = items.rechunk() if max(items.n_chunks("all")) > 1 else items
    return whole.hstack(found.drop(keys).rechunk())
