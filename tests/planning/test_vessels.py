"""Vessels for a stated precision of a lot's mean."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from crosscellar.errors import NotComputable
from crosscellar.planning import (
    trial_power,
    vessel_half_width,
    vessels_for_difference,
    vessels_needed,
    vessels_unrounded,
)

# Lots of ten barrels and a CV of 27.5 % (common practice, no source); unrounded values recomputed
# independently: see expected.json.
ORACLE = json.loads(
    (Path(__file__).parents[1] / "reference" / "oracles" / "vessel_planning" / "expected.json").read_text(
        "utf-8"
    )
)


@pytest.mark.parametrize(("percent", "barrels"), [(30, 4), (20, 10), (10, 39)])
def test_lots_of_ten_barrels_need_4_10_and_39_for_30_20_and_10_per_cent(percent: int, barrels: int) -> None:
    known = ORACLE["values"][f"n_unrounded_t9_cv27p5_e{percent}"]["value"]
    unrounded = vessels_unrounded(cv=0.275, half_width=percent / 100, cv_df=9)
    assert unrounded == pytest.approx(known, rel=1e-9)
    assert round(unrounded) == barrels
    # A fifth of a barrel cannot be sampled: what is promised is rounded up.
    assert vessels_needed(0.275, percent / 100, cv_df=9) == math.ceil(known)


@pytest.mark.parametrize("percent", [30, 20, 10])
def test_a_cv_still_to_be_estimated_is_iterated_on_n_less_one(percent: int) -> None:
    known = ORACLE["values"][f"n_iterated_t_cv27_e{percent}"]["value"]
    assert vessels_needed(0.27, percent / 100) == known


@pytest.mark.parametrize("vessels", [4, 10, 39])
def test_the_half_width_of_a_known_cv_is_the_published_one(vessels: int) -> None:
    known = ORACLE["values"][f"rel_dev_t9_cv27p5_n{vessels}"]["value"] / 100
    assert vessel_half_width(vessels, cv=0.275, cv_df=9) == pytest.approx(known, rel=1e-9)


@pytest.mark.parametrize("cv", [0.02, 0.15, 0.6])
@pytest.mark.parametrize("half_width", [0.05, 0.1, 0.5])
def test_one_vessel_fewer_is_too_few(cv: float, half_width: float) -> None:
    def width(n: int) -> float:  # scipy's t, apart from ours
        return float("inf") if n < 2 else float(stats.t.ppf(0.975, n - 1)) * cv / math.sqrt(n)

    needed = vessels_needed(cv, half_width)
    assert width(needed) <= half_width < width(needed - 1)


def test_one_vessel_alone_has_no_precision() -> None:
    assert vessel_half_width(1, cv=0.15) == math.inf


@pytest.mark.parametrize(
    ("cv", "half_width", "level"), [(0, 0.1, 0.95), (0.1, 0, 0.95), (0.1, 0.1, 1), (float("nan"), 0.1, 0.9)]
)
def test_what_cannot_be_is_refused_with_the_next_step(cv: float, half_width: float, level: float) -> None:
    with pytest.raises(NotComputable, match="Give"):
        vessels_needed(cv, half_width, level)


@pytest.mark.parametrize("vessels", [2, 3, 8, 30])
@pytest.mark.parametrize("difference", [0.05, 0.2, -0.4])
def test_the_power_of_one_trial_is_that_of_statsmodels(vessels: int, difference: float) -> None:
    sd = 0.12
    known = TTestIndPower().power(effect_size=abs(difference) / sd, nobs1=vessels, alpha=0.05, ratio=1)
    assert trial_power(vessels, difference=difference, vessel_variance=sd**2) == pytest.approx(
        known, abs=1e-9
    )


def test_the_vessels_for_a_difference_are_those_of_statsmodels() -> None:
    known = TTestIndPower().solve_power(effect_size=0.2 / 0.12, alpha=0.05, power=0.8)
    assert vessels_for_difference(0.2, 0.12**2) == math.ceil(known)


def test_one_vessel_an_arm_shows_nothing_by_itself() -> None:
    assert trial_power(1, difference=10, vessel_variance=0.01) == 0
