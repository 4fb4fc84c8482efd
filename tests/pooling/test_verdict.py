"""The verdict follows its rules and says why in a sentence."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from crosscellar.errors import UnknownName
from crosscellar.pooling import pool
from crosscellar.pooling.verdict import Scale, chance_words, judge

#: low, high, prediction low and high, the 90 % interval, d, wanted, and the verdict by the table.
RULES = [
    (0.1, 0.5, 0.05, 0.6, 0.15, 0.45, None, "increase", "holds at new sites"),
    (0.1, 0.5, -0.2, 0.8, 0.15, 0.45, None, "increase", "holds on average"),
    (0.1, 0.5, math.nan, math.nan, 0.15, 0.45, None, "increase", "holds on average"),
    (-0.5, -0.1, -0.8, 0.2, -0.45, -0.15, None, "decrease", "holds on average"),
    (-0.5, -0.1, -0.6, -0.05, -0.45, -0.15, None, "decrease", "holds at new sites"),
    (-0.5, -0.1, -0.6, -0.05, -0.45, -0.15, None, "either", "holds at new sites"),
    (0.1, 0.5, 0.05, 0.6, 0.15, 0.45, None, "either", "holds at new sites"),
    (-0.5, -0.1, -0.6, -0.05, -0.45, -0.15, None, "increase", "works against"),
    (0.1, 0.5, -0.2, 0.8, 0.15, 0.45, 0.5, "decrease", "works against"),
    (-0.1, 0.2, -0.3, 0.4, -0.07, 0.17, 0.2, "increase", "no difference that matters"),
    (-0.1, 0.2, -0.3, 0.4, -0.07, 0.17, 0.17, "increase", "undecided"),
    (-0.1, 0.2, -0.3, 0.4, -0.07, 0.17, None, "increase", "undecided"),
    (-0.1, 0.2, -0.3, 0.4, -0.07, 0.17, 0.2, "no_change", "no difference that matters"),
    (0.01, 0.2, -0.3, 0.4, 0.02, 0.17, 0.2, "no_change", "no difference that matters"),
    (0.1, 0.5, -0.2, 0.8, 0.15, 0.45, 0.2, "no_change", "works against"),
    (-0.5, -0.1, -0.6, -0.05, -0.45, -0.15, 0.2, "no_change", "works against"),
    (-0.1, 0.5, -0.2, 0.8, -0.05, 0.45, 0.2, "no_change", "undecided"),
    (-0.02, 0.5, 0.01, 0.4, 0.01, 0.45, None, "increase", "undecided"),
]


def verdict(
    low: float,
    high: float,
    new_low: float,
    new_high: float,
    same_low: float,
    same_high: float,
    d: float | None,
    wanted: str,
    n_sites: int = 5,
    n_effects: int = 5,
) -> str:
    return str(
        judge(
            n_sites=np.array([n_sites]),
            n_effects=np.array([n_effects]),
            low=np.array([low]),
            high=np.array([high]),
            prediction_low=np.array([new_low]),
            prediction_high=np.array([new_high]),
            equivalence_low=np.array([same_low]),
            equivalence_high=np.array([same_high]),
            smallest_difference=np.array([math.nan if d is None else d]),
            wanted=np.array([wanted]),
        )[0]
    )


@pytest.mark.parametrize(("given", "expected"), [(rule[:-1], rule[-1]) for rule in RULES])
def test_each_rule_of_the_table_gives_its_verdict(given: tuple[Any, ...], expected: str) -> None:
    assert verdict(*given) == expected


def test_one_site_is_never_more_than_one_site() -> None:
    assert verdict(*RULES[0][:-1], n_sites=1) == "one site only"
    assert verdict(*RULES[0][:-1], n_sites=0, n_effects=0) == "no effect computable"


def test_three_seasons_at_one_site_are_shown_not_pooled() -> None:
    pooled = pool(
        {"estimate": [0.4, 0.5, 0.6], "variance": [0.01] * 3, "site": ["a"] * 3, "season": [2021, 2022, 2023]}
    )
    assert pooled.verdict == "one site only"
    assert math.isnan(pooled.estimate)
    assert math.isnan(pooled.low)
    assert (pooled.n_effects, pooled.n_sites, pooled.n_seasons) == (3, 1, 3)
    assert "3 effects at one site" in pooled.reason


def test_one_effect_keeps_its_own_interval_with_its_own_degrees_of_freedom() -> None:
    """t(4) at 0.975 is 2.776 in any printed table of Student's t."""
    pooled = pool({"estimate": [0.3], "variance": [0.04], "df": [4.0], "site": ["a"]})
    assert pooled.verdict == "one site only"
    assert pooled.high == pytest.approx(0.3 + 2.776 * 0.2, abs=2e-4)


def test_two_sites_have_no_prediction_interval_and_say_so() -> None:
    pooled = pool({"estimate": [1.0, 1.01], "variance": [1e-4, 1e-4]}, wanted="increase")
    assert pooled.verdict == "holds on average"
    assert math.isnan(pooled.prediction_low)
    assert math.isnan(pooled.chance_above_zero)
    assert "nothing can be said about a new one" in pooled.reason


def test_the_reason_names_numbers_with_units_and_log_ratios_as_per_cent() -> None:
    raw = pool({"estimate": [0.4, 0.5, 0.45, 0.5], "variance": [0.001] * 4, "unit": ["g/L"] * 4})
    assert "g/L" in raw.reason
    logs = pool(
        {
            "estimate": [math.log(1.1)] * 4,
            "variance": [1e-6, 2e-6, 1e-6, 2e-6],
            "measure": ["log_ratio"] * 4,
        },
        smallest_difference=math.log(1.2),
        wanted="increase",
    )
    assert "+10.000 %" in logs.reason
    assert "smaller than what matters" in logs.reason


def test_an_effect_against_what_was_wanted_is_told_to_be_small_where_it_is() -> None:
    pooled = pool(
        {"estimate": [-0.01, -0.012, -0.011], "variance": [1e-7] * 3, "unit": ["g/L"] * 3},
        smallest_difference=0.5,
        wanted="increase",
    )
    assert pooled.verdict == "works against"
    assert "smaller than what matters" in pooled.reason


def test_an_answer_that_one_site_alone_decides_is_told_so() -> None:
    pooled = pool(
        {"estimate": [0.2, 0.3, 1.0, 0.0], "variance": [1e-9, 1e-9, 1e9, 1e9], "site": list("aabc")}
    )
    assert math.isnan(pooled.low)
    assert pooled.verdict == "undecided"
    assert "one site alone decides it" in pooled.reason
    assert "unlimited" not in pooled.reason


def test_picks_that_guessing_would_not_give_are_never_put_down_to_guessing() -> None:
    sessions = {
        "estimate": [1.0, 1.0],
        "variance": [0.01, 0.01],
        "correct": [12, 12],
        "tasters": [12, 12],
        "site": ["a", "b"],
        "measure": ["discriminators"] * 2,
    }
    pooled = pool(sessions, smallest_difference=0.3)
    # (1/3)^24 = 3.5e-12, though two sites leave every share between 0 and 100 % open.
    assert pooled.p_value == pytest.approx(3.0**-24)
    assert pooled.verdict == "undecided"
    assert "which guessing can give" not in pooled.reason
    assert "p 3.5e-12" in pooled.reason
    assert "2 above guessing, 0 below" in str(pooled)


def test_the_effect_of_a_single_trial_is_not_called_a_mean() -> None:
    assert "mean effect" not in str(pool({"estimate": [0.3], "variance": [0.04], "site": ["a"]}))


def test_a_wanted_direction_that_is_no_direction_is_refused() -> None:
    with pytest.raises(UnknownName, match="no_change"):
        pool({"estimate": [1.0], "variance": [1.0]}, wanted="better")


def test_an_undecided_answer_without_a_smallest_difference_says_what_is_missing() -> None:
    pooled = pool({"estimate": [0.5, -0.5, 0.1], "variance": [0.04] * 3})
    assert pooled.verdict == "undecided"
    assert "no smallest difference that matters was declared" in pooled.reason
    assert "more sites would decide it" in pooled.reason


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.25, "+0.250 g/L"),
        (-12.0, "-12.0 g/L"),
        (0.0, "0 g/L"),
        (1234.5, "+1234 g/L"),
        (math.inf, "unlimited"),
    ],
)
def test_numbers_are_read_with_sign_and_unit(value: float, words: str) -> None:
    assert Scale("difference", "g/L").words(value) == words


def test_a_chance_is_never_read_as_certain() -> None:
    assert chance_words(0.9999) == "more than 99 in 100"
    assert chance_words(0.0001) == "less than 1 in 100"
    assert chance_words(0.94) == "94 in 100"
    assert chance_words(math.nan) == "not given"


def test_no_difference_that_matters_is_said_of_the_mean_where_a_new_site_may_see_one() -> None:
    effects = {"estimate": [0.08, -0.05, 0.02, -0.06, 0.03, 0.01], "variance": [0.0004] * 6}
    pooled = pool(effects, smallest_difference=0.07, wanted="no_change")
    assert pooled.verdict == "no difference that matters"
    assert max(-pooled.prediction_low, pooled.prediction_high) > 0.07
    assert "That is said of the mean: at a new site it may lie in" in pooled.reason
    wider = pool(effects, smallest_difference=0.5, wanted="no_change")
    assert wider.verdict == "no difference that matters"
    assert "new site" not in wider.reason


def test_an_end_that_rounds_to_0_says_on_which_side_it_lies() -> None:
    scale = Scale("difference", "NTU", 2)
    assert scale.span(-2.93, -0.003) == "-2.93 to just below 0 NTU"
    assert scale.span(0.003, 0.4) == "just above 0 to +0.40 NTU"
    assert scale.span(0.0, 0.4) == "0.00 to +0.40 NTU"
    assert scale.span(-math.inf, 0.4) == "unlimited to +0.40 NTU"
    assert Scale("discriminators", "", 0).span(0.0004, 0.71) == "just above 0 to 71 % of tasters"


def test_the_ends_of_a_scale_of_points_are_not_repeated_in_sentences() -> None:
    scale = Scale("difference", "points (0 to 10)", 1)
    assert scale.words(0.5) == "+0.5 points"
    assert scale.span(0.1, 0.9) == "+0.1 to +0.9 points"
    assert scale.shown_unit == "points (0 to 10)"


def test_fewer_right_picks_than_guessing_gives_are_read_as_nobody_who_can_tell() -> None:
    assert Scale("discriminators", "", 0).words(-0.5) == "0 % of tasters"


@pytest.mark.parametrize("sites", [2, 3, 4])
def test_so_few_sites_are_told_to_ask_more_of_them_before_more_vessels(sites: int) -> None:
    pooled = pool({"estimate": [0.1, -0.1, 0.05, 0.0][:sites], "variance": [1.0] * sites})
    assert pooled.verdict == "undecided"
    assert ("sooner than more vessels" in pooled.reason) == (sites < 4)
    assert ("more vessels an arm or more sites" in pooled.reason) == (sites == 4)


def test_a_mean_over_several_arms_of_a_trial_says_what_it_stands_for() -> None:
    effects = {
        "estimate": [0.1, 0.2, 0.15, 0.1],
        "variance": [0.02, 0.02, 0.01, 0.01],
        "site": ["a", "a", "b", "c"],
        "trial": ["a1", "a1", "b1", "c1"],
        "arm": ["d7", "d14", "d7", "d7"],
        "shared": ["a1/d0", "a1/d0", None, None],
        "shared_variance": [0.01, 0.01, None, None],
    }
    assert any("several treatment arms" in remark for remark in pool(effects).remarks)
    alone = {name: values[1:] for name, values in effects.items()}
    assert not any("several treatment arms" in remark for remark in pool(alone).remarks)


def test_a_spread_that_nested_effects_do_not_show_is_not_ruled_out() -> None:
    alike = {"estimate": [0.1, 0.12, 0.11, 0.1, 0.12, 0.1], "variance": [0.04] * 6, "site": list("aabbcc")}
    assert any("cannot rule out" in remark for remark in pool(alike).remarks)
    apart = {**alike, "estimate": [0.1, 0.12, 2.0, 2.1, 4.0, 4.1]}
    assert not any("cannot rule out" in remark for remark in pool(apart).remarks)


def test_a_slope_of_log_ratios_is_read_as_a_change_in_per_cent_per_step() -> None:
    # exp(0.00675) = 1.006773; two digits of the error 0.00023, in per cent, give three decimals.
    scale = Scale.of("slope", "log ratio per day", 0.00675, 0.00023)
    assert scale.words(0.00675) == "+0.677 % per day"
    assert scale.span(0.00575, 0.00775) == "+0.577 to +0.778 % per day"
    assert Scale("slope", "g/L per day", 1).words(2.0) == "+2.0 g/L per day"
