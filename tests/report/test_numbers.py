"""One rule for rounding, in every format."""

from __future__ import annotations

import math

import pytest

from crosscellar.pooling import pool
from crosscellar.report.forest import reading_of
from crosscellar.report.numbers import NONE, Reading, chance, number, p_value, true_minus


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (-1.25, 1, "\u22121.2"),
        (-0.04, 1, "0.0"),
        (0.0, 2, "0.00"),
        (3.14159, 2, "+3.14"),
        (math.nan, 2, NONE),
        (None, 2, NONE),
        (math.inf, 2, "unlimited"),
    ],
)
def test_a_number_has_a_true_minus_and_no_minus_before_zero(
    value: float | None, decimals: int, text: str
) -> None:
    assert number(value, decimals, signed=True) == text


def test_a_log_ratio_is_read_as_a_change_in_per_cent() -> None:
    reading = Reading.of("log_ratio", "", math.log(1.25), 0.04)
    # 100 * (1.25 - 1) = 25; the standard error is 1.25 * 0.04 * 100 = 5.0 points (delta method).
    assert reading.words(math.log(1.25)) == "+25.0 %"
    assert reading.interval(math.log(0.5), math.log(2.0), unit=True) == "\u221250.0 to +100.0 %"


@pytest.mark.parametrize("measure", ["log_ratio", "difference", "risk_difference"])
def test_a_tick_stands_where_its_number_says(measure: str) -> None:
    reading = Reading.of(measure, "g/L", 0.0, 0.1)
    for value in (-0.6, 0.0, 0.3):
        shown = reading.shown(value)
        assert shown is not None
        assert reading.place(shown) == pytest.approx(value)


def test_a_share_of_tasters_has_no_plus() -> None:
    assert Reading.of("discriminators", "", 0.2, 0.05).words(0.2) == "20.0 % of tasters"


def test_the_reason_shows_the_numbers_of_the_table() -> None:
    pooled = pool(
        {
            "estimate": [0.11, 0.13, 0.12, 0.16],
            "variance": [0.002, 0.003, 0.0025, 0.004],
            "site": list("abcd"),
        },
        smallest_difference=0.2,
        unit="g/L",
    )
    reading = reading_of(pooled)
    words = true_minus(pooled.reason)
    assert reading.words(pooled.estimate) in words
    assert reading.interval(pooled.low, pooled.high, unit=True) in words
    # No hyphen stands for a minus.
    assert " -" not in words
    assert "(-" not in words


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (1.0, "more than 99 in 100"),
        (0.0, "less than 1 in 100"),
        (0.744, "about 74 in 100"),
        (math.nan, NONE),
    ],
)
def test_a_chance_is_never_certain(share: float, text: str) -> None:
    assert chance(share) == text


def test_a_p_value_is_never_zero() -> None:
    assert p_value(0.0) == "< 0.001"
    assert p_value(0.0432) == "0.043"
    assert p_value(None) == NONE
