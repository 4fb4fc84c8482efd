"""Effects of readings, against arithmetic by hand, statsmodels and scipy."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from scipy import stats

from crosscellar.contract import Contract
from crosscellar.contract.frames import EFFECTS
from crosscellar.effects import effects_of_readings, variance_priors, variance_words
from crosscellar.errors import NotComputable, UnknownName

Build = Callable[..., Any]

#: Three replicated trials, two vessels an arm, so that a prior can be fitted.
REPLICATED = {
    "R1": {"control": [[5.0], [5.4]], "treatment": [[5.8], [6.1]]},
    "R2": {"control": [[6.0], [6.9]], "treatment": [[6.6], [7.1]]},
    "R3": {"control": [[4.8], [5.0]], "treatment": [[5.2], [5.9]]},
}
SINGLE = {"T1": {"control": [[5.0, 5.2]], "treatment": [[6.0, 6.1]]}}


def row(frame: pl.DataFrame, trial: str) -> dict[str, Any]:
    return frame.filter(pl.col("trial") == trial).row(0, named=True)


def test_the_columns_are_those_that_rooms_agreed_on(network_of: Build, contract: Contract) -> None:
    effects = effects_of_readings(*network_of(REPLICATED), contract)
    assert effects.columns[: len(EFFECTS)] == list(EFFECTS)
    assert all(effects.schema[name] == kind for name, kind in EFFECTS.items())


def test_repeat_readings_of_one_sample_never_count_as_replication(
    network_of: Build, contract: Contract
) -> None:
    once = {"T1": {"control": [[5.1]], "treatment": [[6.05]]}}
    alone = effects_of_readings(*network_of(SINGLE), contract, measure="difference")
    assert row(alone, "T1")["n_treatment"] == 1
    assert row(alone, "T1")["variance"] is None
    same = effects_of_readings(*network_of(REPLICATED | once), contract)
    repeated = effects_of_readings(*network_of(REPLICATED | SINGLE), contract)
    for name in ("estimate", "variance", "df"):
        assert row(same, "T1")[name] == pytest.approx(row(repeated, "T1")[name], rel=1e-12)


def test_one_tank_against_one_tank_borrows_and_says_from_how_many(
    network_of: Build, contract: Contract
) -> None:
    effect = row(effects_of_readings(*network_of(REPLICATED | SINGLE), contract), "T1")
    assert effect["variance_source"] == "borrowed"
    assert effect["prior_trials"] == 3
    assert effect["df"] == effect["prior_df"]
    assert effect["variance"] == pytest.approx(2.0 * effect["prior_variance"], rel=1e-12)
    assert variance_words(effect) == "one vessel an arm: variance borrowed from 3 replicated trials"
    assert "one vessel an arm: variance borrowed from 3 replicated trials" in effect["remark"]


def test_without_three_replicated_trials_a_single_tank_is_shown_and_not_pooled(
    network_of: Build, contract: Contract
) -> None:
    trials = {name: REPLICATED[name] for name in ("R1", "R2")} | SINGLE
    effects = effects_of_readings(*network_of(trials), contract)
    assert row(effects, "T1")["estimate"] == pytest.approx(math.log(6.05 / 5.1), rel=1e-12)
    assert row(effects, "T1")["variance_source"] == "none"
    assert not row(effects, "T1")["usable"]
    assert row(effects, "R1")["variance_source"] == "own"
    assert row(effects, "R1")["usable"]


def test_an_own_variance_is_that_of_the_two_sample_t_test_of_scipy(
    network_of: Build, contract: Contract
) -> None:
    trial = {"T": {"control": [[5.0], [5.4], [5.1]], "treatment": [[5.8], [6.1]]}}
    effect = row(effects_of_readings(*network_of(trial), contract, measure="difference"), "T")
    test = stats.ttest_ind([5.8, 6.1], [5.0, 5.4, 5.1])
    interval = test.confidence_interval(0.95)
    assert effect["df"] == test.df
    assert effect["estimate"] / effect["std_error"] == pytest.approx(test.statistic, rel=1e-12)
    assert (effect["low"], effect["high"]) == pytest.approx((interval.low, interval.high), rel=1e-12)


def test_blocks_make_it_the_paired_t_test_of_scipy(network_of: Build, contract: Contract) -> None:
    trial = {"T": {"control": [[5.0], [6.4], [4.1]], "treatment": [[5.8], [7.1], [5.3]]}}
    effect = row(effects_of_readings(*network_of(trial, blocks=True), contract, measure="difference"), "T")
    test = stats.ttest_rel([5.8, 7.1, 5.3], [5.0, 6.4, 4.1])
    assert effect["n_blocks"] == 3
    assert effect["df"] == test.df
    assert effect["estimate"] / effect["std_error"] == pytest.approx(test.statistic, rel=1e-12)


def test_one_block_of_several_vessels_an_arm_pairs_nothing(network_of: Build, contract: Contract) -> None:
    trial = {"T": {"control": [[5.0], [5.4], [5.1]], "treatment": [[5.8], [6.1], [5.5]]}}
    readings, design, responses = network_of(trial)
    outside = pl.col("vessel_id").str.ends_with("-2")
    blocked = design.with_columns(pl.when(~outside).then(pl.lit("lot 1")).alias("block"))
    plain, same = (
        effects_of_readings(readings, laid_out, responses, contract, measure="difference")
        for laid_out in (design, blocked)
    )
    assert row(same, "T") | {"n_blocks": None} == row(plain, "T") | {"n_blocks": None}
    variances = [np.var(arm, ddof=1) for arm in ([5.0, 5.4, 5.1], [5.8, 6.1, 5.5])]
    assert row(same, "T")["variance"] == pytest.approx(np.mean(variances) * 2 / 3)


def test_a_slope_over_levels_is_that_of_ordinary_least_squares_of_statsmodels(
    network_of: Build, contract: Contract
) -> None:
    levels = {"none": 0.0, "low": 5.0, "high": 20.0}
    trial = {"T": {"none": [[5.0], [5.4]], "low": [[5.8], [6.1], [5.5]], "high": [[7.0]]}}
    readings, design, responses = network_of(trial, levels=levels, analyte="ph", unit="pH")
    effect = row(effects_of_readings(readings, design, responses, contract, measure="slope"), "T")
    x = np.array([0.0, 0.0, 5.0, 5.0, 5.0, 20.0])
    y = np.array([5.0, 5.4, 5.8, 6.1, 5.5, 7.0])
    line = sm.OLS(y, sm.add_constant(x)).fit()
    arms = sm.OLS(y, np.column_stack([x == level for level in levels.values()]).astype(float)).fit()
    assert effect["estimate"] == pytest.approx(line.params[1], rel=1e-12)
    # The variance is that between vessels of one arm, so that a bent response does not pass for scatter.
    expected = arms.mse_resid / ((x - x.mean()) ** 2).sum()
    assert effect["variance"] == pytest.approx(expected, rel=1e-12)
    assert effect["unit"] == "pH per g/hL"


def test_arms_that_share_a_control_carry_its_variance(network_of: Build, contract: Contract) -> None:
    trial = {"T": {"control": [[5.0], [5.4]], "a": [[5.8], [6.1]], "b": [[6.8], [7.1]]}}
    effects = effects_of_readings(*network_of(trial), contract, measure="difference")
    assert effects["shared"].to_list() == ["T/control", "T/control"]
    # Pooled over three arms by hand: squares 0.08, 0.045 and 0.045 on one degree of freedom each.
    s2 = (0.08 + 0.045 + 0.045) / 3
    assert effects["shared_variance"].to_list() == pytest.approx([s2 / 2] * 2, rel=1e-9)
    assert effects["variance"].to_list() == pytest.approx([s2] * 2, rel=1e-9)


def test_control_and_treatment_from_different_laboratories_are_left_out_unless_asked_for(
    network_of: Build, contract: Contract
) -> None:
    readings, design, responses = network_of(REPLICATED)
    apart = readings.with_columns(
        pl.when((pl.col("trial_id") == "R1") & (pl.col("arm_id") == "treatment"))
        .then(pl.lit("lab B"))
        .otherwise("lab")
        .alias("lab")
    )
    effects = effects_of_readings(apart, design, responses, contract)
    assert not row(effects, "R1")["usable"]
    assert "control measured by lab A, treatment by lab B" in row(effects, "R1")["remark"]
    assert row(effects, "R2")["usable"]
    asked = effects_of_readings(apart, design, responses, contract, same_laboratory=False)
    assert row(asked, "R1")["usable"]


def test_a_second_laboratory_that_measured_one_arm_only_is_left_out(
    network_of: Build, contract: Contract
) -> None:
    readings, design, responses = network_of(REPLICATED)
    more = readings.filter((pl.col("trial_id") == "R1") & (pl.col("arm_id") == "treatment")).with_columns(
        pl.lit("lab B").alias("lab"), pl.col("value") + 1.0
    )
    plain = row(effects_of_readings(readings, design, responses, contract), "R1")
    both = row(effects_of_readings(pl.concat([readings, more]), design, responses, contract), "R1")
    assert both["estimate"] == plain["estimate"]
    assert both["usable"]
    assert "second laboratory" in both["remark"]


def test_a_zero_has_no_log_ratio_and_difference_is_offered(network_of: Build, contract: Contract) -> None:
    trial = {"T": {"control": [[0.0], [0.4]], "treatment": [[0.8], [1.1]]}}
    network = network_of(trial, analyte="malic_acid", unit="g/L")
    effect = row(effects_of_readings(*network, contract), "T")
    assert effect["estimate"] is None
    assert not effect["usable"]
    assert "ask for difference" in effect["remark"]
    other = row(effects_of_readings(*network, contract, measure="difference"), "T")
    assert other["estimate"] == pytest.approx(0.75)


@pytest.mark.parametrize("analyte", ["ph", "brix"])
def test_a_log_ratio_of_a_scale_without_a_zero_is_refused_with_the_reason(
    network_of: Build, contract: Contract, analyte: str
) -> None:
    network = network_of(REPLICATED, analyte=analyte)
    with pytest.raises(NotComputable, match="its ratio means nothing"):
        effects_of_readings(*network, contract, response=analyte, measure="log_ratio")
    effects = effects_of_readings(*network, contract, measure="log_ratio")
    assert effects["usable"].sum() == 0


def test_a_measure_that_does_not_exist_is_refused(network_of: Build, contract: Contract) -> None:
    with pytest.raises(UnknownName, match="no measure 'ratio'"):
        effects_of_readings(*network_of(REPLICATED), contract, measure="ratio")


def test_a_lost_trial_and_a_vessel_without_a_reading_are_named(network_of: Build, contract: Contract) -> None:
    readings, design, responses = network_of(REPLICATED)
    lost = design.with_columns(
        pl.when(pl.col("trial_id") == "R1").then(pl.lit("lost")).otherwise("status").alias("status"),
        pl.when(pl.col("trial_id") == "R1").then(pl.lit("tank leaked")).alias("status_reason"),
    )
    fewer = readings.filter(~((pl.col("trial_id") == "R2") & (pl.col("vessel_id") == "control-1")))
    effects = effects_of_readings(fewer, lost, responses, contract)
    assert "trial lost: tank leaked" in row(effects, "R1")["remark"]
    assert not row(effects, "R1")["usable"]
    assert "control vessels not measured: control-1" in row(effects, "R2")["remark"]
    assert row(effects, "R2")["n_control"] == 1


def test_below_detection_in_both_arms_has_no_effect(network_of: Build, contract: Contract) -> None:
    readings, design, responses = network_of(REPLICATED | SINGLE)
    below = readings.with_columns(
        pl.when(pl.col("trial_id") == "T1").then(pl.lit("<")).otherwise("qualifier").alias("qualifier")
    )
    effect = row(effects_of_readings(below, design, responses, contract), "T1")
    assert effect["estimate"] is None
    assert "beyond the limit in both arms: no effect to compute" in effect["remark"]


def test_a_hint_of_the_register_sets_the_measure_of_one_response(
    network_of: Build, contract: Contract
) -> None:
    readings, design, responses = network_of(REPLICATED)
    hinted = responses.with_columns(
        pl.when(pl.col("trial_id") == "R2").then(pl.lit("difference")).alias("measure")
    )
    effects = effects_of_readings(readings, design, hinted, contract)
    assert row(effects, "R2")["measure"] == "difference"
    assert row(effects, "R2")["unit"] == "g/L as tartaric"
    assert row(effects, "R1")["measure"] == "log_ratio"


def test_hue_angles_either_side_of_zero_lie_close(network_of: Build, contract: Contract) -> None:
    trial = {"T": {"control": [[359.0], [357.0]], "treatment": [[2.0], [4.0]]}}
    effect = row(effects_of_readings(*network_of(trial, analyte="cielab_h", unit="deg"), contract), "T")
    assert effect["estimate"] == pytest.approx(5.0, rel=1e-9)


def test_the_prior_is_shown_with_the_variances_it_was_fitted_to(
    network_of: Build, contract: Contract
) -> None:
    readings, design, responses = network_of(REPLICATED | SINGLE)
    priors, observed = variance_priors(readings, design, contract, responses=responses)
    prior = priors.filter(pl.col("stage_group") == "ageing").row(0, named=True)
    assert prior["prior_trials"] == 3
    assert prior["pooled_df"] == 6.0
    assert prior["prior_df"] <= prior["pooled_df"]
    assert sorted(observed["trial_id"].to_list()) == ["R1", "R2", "R3"]
    assert observed["df"].to_list() == [2.0, 2.0, 2.0]
