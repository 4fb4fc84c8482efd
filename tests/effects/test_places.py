"""Rows are put in order and found by number as comparing their names would."""

from __future__ import annotations

from unittest.mock import patch

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from crosscellar.effects import places
from crosscellar.effects.places import in_order, matches

_ROWS = st.lists(
    st.tuples(
        st.none() | st.sampled_from(["b", "a", "É", "aa", ""]),
        st.none() | st.integers(-3, 3),
        st.none() | st.booleans(),
        st.none() | st.sampled_from(["late", "early"]),
    ),
    max_size=25,
)


@given(_ROWS, st.integers(1, 4))
@settings(deadline=None, max_examples=60)
def test_rows_stand_in_the_order_that_polars_gives_them(rows: list[tuple[object, ...]], run: int) -> None:
    # External: polars' own stable sort. Each row comes `run` times in a row.
    rows = [row for row in rows for _ in range(run)]
    schema = {"text": pl.String, "whole": pl.Int32, "truth": pl.Boolean, "stage": pl.Enum(["late", "early"])}
    frame = pl.DataFrame(rows, schema=schema, orient="row").with_row_index("came")
    names = ["stage", "text", "truth", "whole"]
    wanted = frame.sort(names, nulls_last=True, maintain_order=True)
    assert in_order(frame, names).equals(wanted)
    with patch.object(places, "_FEW", 0):
        assert in_order(frame, names).equals(wanted)


def test_numbers_too_far_apart_for_one_number_are_still_put_in_order() -> None:
    far = [2**61, -(2**61), 0]
    frame = pl.DataFrame({"a": far, "b": far[::-1], "c": ["x", "y", "x"]})
    with patch.object(places, "_FEW", 0):
        assert in_order(frame, ["a", "b", "c"])["a"].to_list() == sorted(far)


@given(
    st.lists(st.integers(0, 6), max_size=12),
    st.lists(st.integers(0, 6), max_size=12),
    st.sampled_from([1, 10**6]),
)
@settings(deadline=None, max_examples=90)
def test_every_pair_of_equal_numbers_is_found_once(wanted: list[int], among: list[int], apart: int) -> None:
    wanted, among = [apart * number for number in wanted], sorted(apart * number for number in among)
    left, right = matches(np.array(wanted, dtype=np.int64), np.array(among, dtype=np.int64))
    pairs = [(i, j) for i, a in enumerate(wanted) for j, b in enumerate(among) if a == b]
    assert list(zip(left.tolist(), right.tolist(), strict=True)) == pairs
