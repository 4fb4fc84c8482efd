"""The grammar of numbers against Python's own float, for all inputs."""

from __future__ import annotations

import math
import re

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from crosscellar.intake.numbers import decide_decimal, read_numbers

FINITE = st.floats(allow_nan=False, allow_infinity=False)
READ = st.lists(FINITE, min_size=1, max_size=200)

COLUMNS = ["value", "qualifier", "blank", "how", "problem", "unit_in_cell", "likely", "suggestion"]


@settings(deadline=None, max_examples=30)
@given(READ)
def test_every_finite_float_written_by_python_reads_back_bit_for_bit(numbers: list[float]) -> None:
    read = read_numbers(pl.Series([repr(number) for number in numbers]), decimal=".")
    assert [math.copysign(1, got) * abs(got) for got in read["value"]] == numbers
    assert read["problem"].unique().to_list() == [""]


@settings(deadline=None, max_examples=30)
@given(READ)
def test_a_decimal_comma_column_reads_the_same_numbers(numbers: list[float]) -> None:
    texts = pl.Series([repr(number).replace(".", ",") for number in numbers])
    assert read_numbers(texts, decimal=",")["value"].to_list() == numbers


@settings(deadline=None, max_examples=12)
@given(st.lists(st.integers(-(10**15), 10**15), min_size=1, max_size=100))
def test_thousands_marks_change_no_whole_number_above_a_million(numbers: list[int]) -> None:
    large = [number for number in numbers if abs(number) >= 10**6]
    for mark in (",", ".", "'", "\u202f"):
        texts = pl.Series([f"{number:,}".replace(",", mark) for number in large], dtype=pl.String)
        assert read_numbers(texts, decimal=".")["value"].to_list() == [float(number) for number in large]


@settings(deadline=None, max_examples=30)
@given(st.lists(st.text(max_size=150), max_size=50))
def test_any_text_gives_one_row_that_is_a_value_a_blank_or_a_problem(texts: list[str]) -> None:
    read = read_numbers(pl.Series(texts, dtype=pl.String), decimal=".")
    assert read.columns == COLUMNS
    assert read.height == len(texts)
    states = (
        read["value"].is_not_null().cast(pl.Int8)
        + read["blank"].cast(pl.Int8)
        + (read["problem"] != "").cast(pl.Int8)
    )
    assert (states == 1).all()
    assert read["value"].is_finite().all(ignore_nulls=True)


@settings(deadline=None, max_examples=30)
@given(st.lists(st.text(alphabet="0123456789.,-+eE <>~()/*'\u202f ", max_size=24), max_size=60))
def test_whatever_is_read_as_plain_is_what_python_reads(texts: list[str]) -> None:
    read = read_numbers(pl.Series(texts, dtype=pl.String), decimal=".")
    for text, row in zip(texts, read.iter_rows(named=True), strict=True):
        if row["how"] == "plain" and not row["qualifier"]:
            assert re.fullmatch(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)", text), text
            assert row["value"] == float(text)


@settings(deadline=None, max_examples=30)
@given(st.lists(st.text(alphabet="0123456789.,", max_size=10), max_size=30))
def test_points_and_commas_exchanged_exchange_the_decision(texts: list[str]) -> None:
    swapped = [text.translate(str.maketrans(".,", ",.")) for text in texts]
    exchanged = {".": ",", ",": ".", "undecided": "undecided"}
    here = decide_decimal(pl.Series(texts, dtype=pl.String)).mark
    there = decide_decimal(pl.Series(swapped, dtype=pl.String)).mark
    assert exchanged[here] == there
