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


def _hashes(rows: pl.DataFrame) -> pl.Series:
    """One number a row: equal rows have the same, and nearly all others another."""
    return rows.hash_rows().alias("hash")


def perhaps_twice(items: pl.DataFrame, key: Sequence[str]) -> pl.DataFrame:
    """The items in their order without those whose key surely stands alone: rows of one hash are few."""
    hashes = _hashes(items.select(key))
    ordered = hashes.sort()
    repeated = ordered.filter(ordered == ordered.shift())
    return few(items, hashes.is_in(repeated.unique().implode()))


class Different:
    """The different rows of some columns of a frame, and which of them each of its rows has.

    What is said of a row by these columns alone is said once of each different one.

    Attributes
    ----------
    rows
        The different rows, in the order in which they first appear; nulls are equal to one another.
    numbered
        The same with their `number`, from 0.
    """

    def __init__(self, items: pl.DataFrame, on: Sequence[str]) -> None:
        asked = items.select(on).rechunk()
        changes = asked.select(
            pl.col(key).ne_missing(pl.col(key).shift()) & (pl.int_range(pl.len()) > 0) for key in on
        )
        # Columns that are alike all through tell no two rows apart.
        varying = [key for key in on if changes[key].any()] or list(on[:1])
        first = pl.int_range(pl.len()) == 0
        begins = changes.select(pl.any_horizontal(first, *varying)).to_series()
        # Rows of one vessel or one file follow each other: of such runs only the first is looked at.
        in_runs = 2 * int(begins.sum()) < len(begins)
        if in_runs:
            asked = asked.filter(begins)
        firsts, at = _numbered(asked.select(varying))
        self.rows = asked[firsts]
        self.numbered = self.rows.with_row_index("number")
        self._at = at[begins.cum_sum() - 1] if in_runs else at

    def beside(self, items: pl.DataFrame, answers: pl.DataFrame) -> pl.DataFrame:
        """The frame with `answers` beside it: each names by `number` the row it is of, which is let go.

        A row without an answer has nulls.

        Raises
        ------
        polars.exceptions.ShapeError
            If two answers have the same number.
        """
        numbers = self.numbered.select("number")
        of_rows = numbers.join(answers, on="number", how="left", maintain_order="left")
        if of_rows.height != self.rows.height:
            raise pl.exceptions.ShapeError("two answers have the same number")
        return items.hstack(of_rows.drop("number")[self._at])


def _numbered(rows: pl.DataFrame) -> tuple[pl.Series, pl.Series]:
    """Where the different ones of these rows first appear, and for each row the number of its own of them."""
    hashes = pl.DataFrame([_hashes(rows)])
    firsts = hashes.with_row_index("first").unique("hash", keep="first", maintain_order=True)
    known = firsts.select("hash").with_row_index("number")
    numbers = hashes.join(known, on="hash", how="left", maintain_order="left")["number"]
    # Where two of one hash differ, it is seen here, and they are told apart by what they hold.
    found = rows[firsts["first"]][numbers].rename(lambda name: f"{name} found")
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(f"{name} found")) for name in rows.columns)
    if not rows.hstack(found).select(same.all()).item():
        on = rows.columns
        firsts = rows.with_row_index("first").unique(on, keep="first", maintain_order=True)
        known = firsts.select(on).with_row_index("number")
        numbers = rows.join(known, on=on, how="left", nulls_equal=True, maintain_order="left")["number"]
    return firsts["first"], numbers


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
    # Columns cut into chunks at different rows are slow, and not safe with every expression.
    whole = items.rechunk()
    # Numbers are joined by as quickly as they are told apart.
    several = len(keys) > 1 or whole.schema[keys[0]] == pl.String
    different = Different(whole, keys) if several else None
    asked = whole.select(keys) if different is None else different.numbered
    found = asked.join(answers, on=keys, how="left", nulls_equal=True, maintain_order="left").drop(keys)
    if found.height != asked.height and found.width:
        raise pl.exceptions.ShapeError(f"two answers have the same {', '.join(keys)}")
    return whole.hstack(found.rechunk()) if different is None else different.beside(whole, found)
