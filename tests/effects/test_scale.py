"""How effects are read out: in their unit, rounded by their standard error."""

from __future__ import annotations

import math

import pytest

from crosscellar.effects import Scale, decimals_for


@pytest.mark.parametrize(
    ("std_error", "decimals"),
    # The rule: the first two significant digits of the standard error are shown (GUM, JCGM 100:2008, 7.2.6,
    # "it usually suffices to quote [the standard uncertainty] to at most two significant digits").
    [(0.034, 3), (0.34, 2), (1.4, 1), (27.0, 0), (270.0, 0), (0.0996, 2), (0.00021, 5), (1e-12, 6)],
)
def test_two_digits_of_the_standard_error_decide_the_decimals(std_error: float, decimals: int) -> None:
    assert decimals_for(std_error) == decimals


@pytest.mark.parametrize("std_error", [math.nan, math.inf, 0.0, -1.0])
def test_a_missing_standard_error_leaves_two_decimals(std_error: float) -> None:
    assert decimals_for(std_error) == 2


def test_estimate_and_interval_show_the_same_decimals() -> None:
    scale = Scale.of("difference", "g/L", 0.1234, 0.034)
    assert scale.words(0.1234) == "+0.123 g/L"
    assert scale.range(-0.2, 1.0) == "-0.200 to +1.000 g/L"


def test_a_log_ratio_is_read_as_a_change_in_per_cent() -> None:
    # 100 (1.25 - 1) = 25; its standard error is 100 * 1.25 * 0.04 = 5.0 points (delta method).
    assert Scale.of("log_ratio", "", math.log(1.25), 0.04).words(math.log(1.25)) == "+25.0 %"


def test_a_number_that_rounds_to_nothing_has_no_sign() -> None:
    assert Scale.of("difference", "points", 0.0, 0.3).words(-1.8e-15) == "0.00 points"


def test_a_difference_of_shares_is_read_in_percentage_points() -> None:
    assert Scale.of("risk_difference", "", 0.12, 0.05).words(0.12) == "+12.0 percentage points"


def test_without_a_standard_error_three_digits_are_shown() -> None:
    assert Scale.of("difference", "NTU", -3.5512, math.nan).words(-3.5512) == "-3.55 NTU"


def test_a_ratio_that_no_number_can_hold_is_unlimited() -> None:
    scale = Scale.of("log_ratio", "", 0.1, 60.0)
    assert scale.range(-900.0, 900.0) == "too wide to say"
    assert scale.range(893.0, 900.0) == "unlimited to unlimited"
    assert Scale.of("log_ratio", "", 900.0, 1.0).words(900.0) == "unlimited"
    assert scale.spread_words(1e4) == "unlimited %"
    assert scale.words(100.0) == "+2.69e+45 %"
