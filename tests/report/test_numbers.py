"""One rule for rounding: two digits of the standard error."""

from __future__ import annotations

import math

import pytest

from crosscellar.report.numbers import Reading, chance, decimals_for, number, p_value


@pytest.mark.parametrize(
    ("std_error", "decimals"),
    [(0.034, 3), (0.0996, 2), (1.4, 1), (9.96, 0), (27.0, 0), (0.1, 2), (1e-9, 6), (math.nan, 2), (0.0, 2)],
)
def test_two_digits_of_the_standard_error_decide(std_error: float, decimals: int) -> None:
    assert decimals_for(std_error) == decimals


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (-0.004, 2, "0.00"),
        (-0.04, 2, "−0.04"),
        (0.04, 2, "+0.04"),
        (math.nan, 2, "–"),
        (math.inf, 1, "unlimited"),
    ],
)
def test_minus_is_a_minus_and_zero_has_none(value: float, decimals: int, text: str) -> None:
    assert number(value, decimals, signed=True) == text


def test_log_ratios_are_read_as_change_in_per_cent() -> None:
    reading = Reading.of("log_ratio", "log ratio", math.log(1.2), 0.05)
    # 100 (1.2 - 1) = 20; its standard error is 100 x 1.2 x 0.05 = 6, so one decimal.
    assert reading.words(math.log(1.2)) == "+20.0 %"
    assert reading.interval(math.log(0.9), math.log(1.5)) == "−10.0 to +50.0"
    assert reading.place(20.0) == pytest.approx(math.log(1.2))


def test_differences_keep_their_unit() -> None:
    assert Reading.of("difference", "g/L", 0.31, 0.042).words(0.3149) == "+0.315 g/L"


def test_no_chance_is_read_as_certain() -> None:
    assert chance(0.9999) == "more than 99 in 100"
    assert chance(0.0001) == "less than 1 in 100"
    assert p_value(1e-9) == "< 0.001"
