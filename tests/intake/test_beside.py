"""What is looked up once for many rows is what a join, a filter or `unique` of polars says of each."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from crosscellar.intake import beside
from crosscellar.intake.beside import Different, OnceEach, few, in_order, perhaps_twice, put_beside

#: Few texts, so that rows repeat, stand in runs, and whole columns are alike.
TEXT = st.sampled_from(["a", "b", None])
SHAPE = {"x": pl.String, "y": pl.String, "n": pl.Int32}
FRAMES = st.lists(st.tuples(TEXT, TEXT, st.integers(0, 2) | st.none()), max_size=12).map(
    lambda rows: pl.DataFrame(rows, schema=SHAPE, orient="row")
)
KEYS = st.sampled_from([["x"], ["x", "y"], ["y", "n"], ["x", "y", "n"]])


@given(FRAMES, FRAMES, KEYS)
def test_what_is_put_beside_is_what_a_join_finds(
    items: pl.DataFrame, known: pl.DataFrame, on: list[str]
) -> None:
    answers = known.select(on).unique(maintain_order=True).with_row_index("answer")
    want = items.join(answers, on=on, how="left", nulls_equal=True, maintain_order="left")
    assert_frame_equal(put_beside(items, answers, on), want)


@pytest.mark.parametrize("column", [["a", "a", "a"], ["a", "b", "a"]])
def test_two_answers_to_one_question_are_refused(column: list[str]) -> None:
    items = pl.DataFrame({"x": column, "y": ["k"] * 3})
    answers = pl.DataFrame({"x": ["a", "a"], "y": ["k", "k"], "answer": [1, 2]})
    with pytest.raises(pl.exceptions.ShapeError, match="two answers have the same x, y"):
        put_beside(items, answers, ["x", "y"])


@pytest.mark.parametrize("hashes", [None, lambda rows: pl.repeat(1, len(rows), eager=True).alias("hash")])
@given(FRAMES, KEYS)
def test_what_is_said_of_each_different_row_stands_beside_its_items(
    hashes: Callable[[pl.DataFrame], pl.Series] | None, items: pl.DataFrame, on: list[str]
) -> None:
    """Even where every row has the same hash."""
    with pytest.MonkeyPatch.context() as patch:
        if hashes is not None:
            patch.setattr(beside, "_hashes", hashes)
        different = Different(items, on)
        assert_frame_equal(different.rows, items.select(on).unique(maintain_order=True))
        answers = different.numbered.select("number", pl.struct(on).alias("answer")).reverse()
        want = items.with_columns(pl.struct(on).alias("answer"))
        assert_frame_equal(different.beside(items, answers), want)


def test_a_different_row_has_at_most_one_answer() -> None:
    items = pl.DataFrame({"x": ["a", "b", "a"]})
    different = Different(items, ["x"])
    found = different.beside(items, pl.DataFrame({"number": [1], "answer": ["of b"]}))
    assert found["answer"].to_list() == [None, "of b", None]
    with pytest.raises(pl.exceptions.ShapeError, match="two answers have the same number"):
        different.beside(items, pl.DataFrame({"number": [0, 0], "answer": [1, 2]}))


@given(FRAMES, KEYS)
def test_rows_that_may_stand_twice_hold_all_that_do(items: pl.DataFrame, on: list[str]) -> None:
    twice = items.with_row_index("at").filter(pl.struct(on).is_duplicated())
    found = perhaps_twice(items.with_row_index("at"), on)
    assert_frame_equal(found.join(twice, on="at", how="semi", maintain_order="left"), twice)


@given(FRAMES)
def test_few_rows_are_those_that_a_filter_keeps(items: pl.DataFrame) -> None:
    where = (pl.col("x") == "a") & (pl.col("n") > 0)
    assert_frame_equal(few(items, where), items.filter(where))


@given(FRAMES)
def test_rows_are_put_in_order_as_sort_puts_them(items: pl.DataFrame) -> None:
    numbers = items.select(pl.col("n").fill_null(0), at=pl.int_range(pl.len()))
    assert_frame_equal(in_order(numbers, ["n", "at"]), numbers.sort("n", "at"))


@given(FRAMES)
def test_a_test_of_texts_says_of_each_what_it_says_of_one(items: pl.DataFrame) -> None:
    tests = OnceEach(items)
    for sign in ("a", "b"):
        want = items["x"].fill_null("").str.contains(sign)
        assert tests.of("x", lambda texts, sign=sign: texts.fill_null("").str.contains(sign)).equals(want)
