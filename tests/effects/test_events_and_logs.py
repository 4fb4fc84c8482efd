"""Ferment logs, events and panels."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import binomtest, fisher_exact
from statsmodels.stats.proportion import confint_proportions_2indep

from crosscellar.contract import Contract
from crosscellar.contract.frames import DESIGN, PICKS, READINGS, SCORES
from crosscellar.effects import (
    effects_from_summary,
    effects_of_events,
    effects_of_ferments,
    effects_of_picks,
    effects_of_scores,
    effects_of_store,
    ferment_curves,
    ferment_summaries,
    trials_without_effect,
    triangle_result,
    variance_words,
    vessel_events,
)
from crosscellar.effects.panels import panel_fit
from crosscellar.effects.summaries import exact_p
from crosscellar.errors import NotComputable, UnknownName

START = date(2023, 9, 4)


def log(
    vessel: str, arm: str, brix: list[float], *, analyte: str = "brix", trial: str = "T"
) -> list[dict[str, Any]]:
    return [
        {
            "trial_id": trial,
            "arm_id": arm,
            "vessel_id": vessel,
            "stage": "ferment_daily",
            "analyte": analyte,
            "sample_date": START + timedelta(days=2 * place),
            "time": "08:00",
            "value": value,
            "qualifier": "",
            "unit": "°Bx",
        }
        for place, value in enumerate(brix)
    ]


def design_of(vessels: dict[str, str], trial: str = "T") -> pl.DataFrame:
    rows = [
        {
            "trial_id": trial,
            "season": 2023,
            "site_id": "S",
            "question_id": "question",
            "arm_id": arm,
            "role": "control" if arm == "control" else "treatment",
            "vessel_id": vessel,
            "status": "complete",
        }
        for vessel, arm in vessels.items()
    ]
    return pl.DataFrame(rows, schema=dict(DESIGN))


def planned(*responses: tuple[str, str], trial: str = "T") -> pl.DataFrame:
    return pl.DataFrame(
        [
            {"trial_id": trial, "response": name, "stage": stage, "role": "monitored"}
            for name, stage in responses
        ]
    )


def test_the_day_a_ferment_went_dry_is_read_off_the_line_between_two_readings() -> None:
    readings = pl.DataFrame(log("v", "control", [24.0, 20.0, 10.0, 1.0, -1.5]), schema=dict(READINGS))
    vessel = ferment_summaries(ferment_curves(readings)).row(0, named=True)
    # From 1.0 on day 6 to -1.5 on day 8: -1.0 lies four fifths of the way.
    assert vessel["days_to_dry"] == pytest.approx(7.6)
    assert vessel["max_rate"] == pytest.approx(5.0)
    assert vessel["stuck"] is False


def test_a_log_in_specific_gravity_gives_the_days_of_one_in_brix() -> None:
    """Brix of 1.040 is 9.99 by NBS Circular 440; 1.000 is 0 by definition."""
    rows = log("v", "control", [1.040, 1.000], analyte="specific_gravity")
    curve = ferment_curves(pl.DataFrame(rows, schema=dict(READINGS)))
    assert curve["brix"].to_list() == pytest.approx([9.993, 0.0], abs=0.01)


def test_a_ferment_that_stands_still_is_stuck_and_one_that_still_falls_is_left_open() -> None:
    rows = log("still", "control", [24.0, 14.0, 6.0, 5.2, 5.0, 4.9]) + log(
        "falls", "control", [24.0, 14.0, 8.0]
    )
    vessels = ferment_summaries(ferment_curves(pl.DataFrame(rows, schema=dict(READINGS))))
    stuck = dict(vessels.select("vessel_id", "stuck").iter_rows())
    assert stuck == {"still": True, "falls": None}


def test_a_ferment_that_never_went_dry_counts_as_longer_and_not_as_missing(contract: Contract) -> None:
    rows = (
        log("c1", "control", [24, 12, 2, -1.4])
        + log("c2", "control", [24, 11, 1, -1.5])
        + log("t1", "treatment", [24, 14, 4, -1.2])
        + log("t2", "treatment", [24, 15, 6, 2.0])
    )
    readings = pl.DataFrame(rows, schema=dict(READINGS), strict=False)
    design = design_of({"c1": "control", "c2": "control", "t1": "treatment", "t2": "treatment"})
    effects = effects_of_ferments(readings, design, planned(("days_to_dry", "ferment_daily")), contract)
    effect = effects.row(0, named=True)
    assert effect["response"] == "days_to_dry"
    assert effect["measure"] == "difference"
    assert effect["unit"] == "d"
    assert "maximum likelihood" in effect["remark"]
    dry = ferment_summaries(ferment_curves(readings)).drop_nulls("days_to_dry")["days_to_dry"].to_list()
    only_the_dry = dry[2] - (dry[0] + dry[1]) / 2
    assert effect["estimate"] > only_the_dry


def test_malolactic_is_complete_below_the_stated_limit_and_open_where_the_limit_does_not_tell() -> None:
    rows = [
        {
            "trial_id": "T",
            "arm_id": "control",
            "vessel_id": vessel,
            "stage": "end_mlf",
            "analyte": "malic_acid",
            "value": value,
            "qualifier": qualifier,
        }
        for vessel, value, qualifier in [("a", 0.1, ""), ("b", 0.8, ""), ("c", 0.05, "<"), ("d", 0.5, "<")]
    ]
    events = vessel_events(pl.DataFrame(rows, schema=dict(READINGS)))
    assert dict(events.select("vessel_id", "happened").iter_rows()) == {"a": True, "b": False, "c": True}


def test_a_risk_difference_is_counted_in_vessels(contract: Contract) -> None:
    still, dry = [24.0, 14.0, 6.0, 5.2, 5.0, 4.9], [24.0, 12.0, 2.0, -1.4]
    rows = log("c1", "control", dry) + log("c2", "control", dry) + log("t1", "a", still) + log("t2", "a", dry)
    readings = pl.DataFrame(rows, schema=dict(READINGS))
    design = design_of({"c1": "control", "c2": "control", "t1": "a", "t2": "a"})
    effect = effects_of_events(readings, design, planned(("stuck", "ferment_daily")), contract).row(
        0, named=True
    )
    assert effect["estimate"] == pytest.approx(0.5)
    assert (effect["mean_treatment"], effect["mean_control"]) == (0.5, 0.0)
    assert "(x + 1)/(n + 2)" in effect["remark"]
    with pytest.raises(NotComputable, match="no sense for an event"):
        effects_of_events(
            readings, design, planned(("stuck", "ferment_daily")), contract, measure="log_ratio"
        )


def test_a_trials_difference_of_shares_is_told_within_100_percentage_points(contract: Contract) -> None:
    still, dry = [24.0, 14.0, 6.0, 5.2, 5.0, 4.9], [24.0, 12.0, 2.0, -1.4]
    rows = log("c1", "control", dry) + log("t1", "a", still)
    readings = pl.DataFrame(rows, schema=dict(READINGS))
    design = design_of({"c1": "control", "t1": "a"})
    effect = effects_of_events(readings, design, planned(("stuck", "ferment_daily")), contract).row(
        0, named=True
    )
    # One vessel an arm, each counted as 1 of 2 more: p = 2/3 and 1/3, variance 2 * (2/9) / 3.
    assert effect["estimate"] == 1.0
    assert effect["low"] == pytest.approx(1.0 - 1.959964 * (4 / 27) ** 0.5)
    assert effect["high"] == 1.0


def test_a_risk_difference_away_from_the_edges_has_the_wald_interval_of_statsmodels() -> None:
    counts = pl.DataFrame(
        {"events_treatment": [7], "n_treatment": [20], "events_control": [3], "n_control": [18]}
    )
    effect = effects_from_summary(counts, measure="risk_difference").row(0, named=True)
    low, high = confint_proportions_2indep(7, 20, 3, 18, method="wald", compare="diff")
    assert effect["variance"] ** 0.5 == pytest.approx((high - low) / (2 * 1.959963984540054), rel=1e-9)


def test_the_exact_chance_of_uneven_counts_is_that_of_scipy() -> None:
    tables = [(x, n, y, m) for n in (1, 3, 8) for m in (1, 2, 9) for x in range(n + 1) for y in range(m + 1)]
    expected = [fisher_exact([[x, n - x], [y, m - y]]).pvalue for x, n, y, m in tables]
    assert exact_p(*zip(*tables, strict=True)) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("measure", ["log_odds", "log_risk_ratio"])
def test_no_events_in_either_arm_carry_no_ratio(measure: str) -> None:
    counts = pl.DataFrame(
        {"events_treatment": [0], "n_treatment": [3], "events_control": [0], "n_control": [3]}
    )
    effect = effects_from_summary(counts, measure=measure).row(0, named=True)  # type: ignore[arg-type]
    assert effect["estimate"] is None
    assert effect["remark"] == "none or all in both arms: no effect to compute"


def test_a_triangle_session_is_an_effect_with_its_exact_numbers() -> None:
    rows = [
        {
            "trial_id": "T",
            "session_id": "s1",
            "assessor_id": f"P{taster:02}",
            "control_arm": "control",
            "treatment_arm": "a",
            "correct": taster < 9,
        }
        for taster in range(18)
    ]
    picks = pl.DataFrame(rows, schema=dict(PICKS))
    effect = effects_of_picks(
        picks, design_of({"c": "control", "t": "a"}), planned(("triangle", "sensory"))
    ).row(0, named=True)
    said = triangle_result(9, 18)
    assert effect["response"] == "triangle"
    assert effect["estimate"] == pytest.approx(0.25)
    assert effect["std_error"] == pytest.approx(said.discriminators_se)
    # Exact limits of 9 in 18 (Clopper and Pearson 1934) by scipy, as shares of tasters who can tell.
    exact = binomtest(9, 18).proportion_ci(0.95, method="exact")
    assert effect["low"] == max(0.0, 1.5 * exact.low - 0.5)
    assert effect["high"] == pytest.approx(1.5 * exact.high - 0.5)
    assert (effect["p_value"], effect["critical"], effect["d_prime"]) == (
        said.p_value,
        said.critical,
        said.d_prime,
    )
    assert "wines that were poured" in effect["remark"]


def test_picks_that_cannot_be_are_refused() -> None:
    with pytest.raises(NotComputable, match="5 correct picks out of 4"):
        triangle_result(5, 4)


def test_a_balanced_panel_gives_the_mean_difference_within_assessors_and_its_error() -> None:
    """A complete panel: the mixed model comes to the paired t of the assessors' differences."""
    rng = np.random.default_rng(3)
    assessors = np.repeat(np.arange(12), 2)
    arm = np.tile([0, 1], 12)
    score = 5 + rng.normal(0, 1.5, 12)[assessors] + 0.6 * arm + rng.normal(0, 0.5, 24)
    fit = panel_fit(score, arm, assessors, np.zeros(24))
    difference = score[arm == 1] - score[arm == 0]
    assert fit.converged
    assert fit.difference[0] == pytest.approx(difference.mean(), abs=1e-6)
    assert fit.covariance[0, 0] == pytest.approx(difference.var(ddof=1) / 12, rel=1e-3)


def test_a_panel_that_poured_one_vessel_an_arm_speaks_for_those_wines(contract: Contract) -> None:
    rng = np.random.default_rng(4)
    rows = [
        {
            "trial_id": "T",
            "session_id": "s1",
            "assessor_id": f"P{taster:02}",
            "arm_id": arm,
            "vessel_id": vessel,
            "attribute": "body",
            "score": 5.0 + 0.1 * taster + float(rng.normal(0, 0.4)),
            "scale_low": 0.0,
            "scale_high": 10.0,
        }
        for taster in range(10)
        for arm, vessel in (("control", "c"), ("a", "t"))
    ]
    scores = pl.DataFrame(rows, schema=dict(SCORES))
    design = design_of({"c": "control", "t": "a"})
    effect = effects_of_scores(scores, design, planned(("score:body", "sensory"))).row(0, named=True)
    assert effect["response"] == "score:body"
    assert effect["unit"].startswith("points")
    assert effect["remark"] == ""
    assert effect["assessors"] == 10
    assert effect["df"] == 9.0
    words = "one vessel an arm tasted, tasting error of 10 assessors only: speaks for the wines poured"
    assert variance_words(effect) == words


def test_a_planned_response_that_came_to_nothing_is_named(contract: Contract) -> None:
    design = design_of({"c": "control", "t": "a"})
    responses = planned(("titratable_acidity", "pre_bottling"))
    nothing = pl.DataFrame(schema=dict(READINGS))
    effects = effects_of_store(nothing, design, responses, contract)
    assert effects.is_empty()
    missing = trials_without_effect(effects, design, responses)
    assert missing["reason"].to_list() == ["not measured in both arms"]


def test_a_measure_that_makes_no_sense_for_a_triangle_or_an_event_is_refused(contract: Contract) -> None:
    dry = [24.0, 12.0, 2.0, -1.4]
    readings = pl.DataFrame(log("c", "control", dry) + log("t", "a", dry), schema=dict(READINGS))
    design = design_of({"c": "control", "t": "a"})
    responses = planned(("stuck", "ferment_daily"))
    with pytest.raises(NotComputable, match="log_ratio makes no sense for stuck"):
        effects_of_store(readings, design, responses, contract, response="stuck", measure="log_ratio")
    with pytest.raises(UnknownName, match="no measure 'odds'"):
        effects_of_store(readings, design, responses, contract, measure="odds")


def test_everything_a_trial_showed_stands_in_one_frame(contract: Contract) -> None:
    dry = [24.0, 12.0, 2.0, -1.4]
    rows = log("c", "control", dry) + log("t", "a", [*dry[:3], -1.1])
    readings = pl.DataFrame(rows, schema=dict(READINGS))
    design = design_of({"c": "control", "t": "a"})
    responses = planned(
        ("days_to_dry", "ferment_daily"), ("max_ferment_rate", "ferment_daily"), ("stuck", "ferment_daily")
    )
    effects = effects_of_store(readings, design, responses, contract)
    assert effects["response"].to_list() == ["days_to_dry", "max_ferment_rate", "stuck"]
    # 3.0 of 3.4 degrees, and 3.0 of 3.1 degrees, of two days.
    assert effects["estimate"][0] == pytest.approx(2 * 3.0 / 3.1 - 2 * 3.0 / 3.4)
    alone = effects_of_store(readings, design, responses, contract, response="stuck")
    assert alone["response"].to_list() == ["stuck"]


@pytest.mark.parametrize(("x_t", "x_c"), [(0, 2), (4, 2), (2, 0), (2, 5)])
def test_a_ratio_of_shares_has_a_half_added_where_an_arm_is_at_none_or_all(x_t: int, x_c: int) -> None:
    counts = pl.DataFrame(
        {"events_treatment": [x_t], "n_treatment": [4], "events_control": [x_c], "n_control": [5]}
    )
    effect = effects_from_summary(counts, measure="log_risk_ratio").row(0, named=True)
    # Katz et al. (1978) on the counts with a half added to all four: (x + 0.5) of (n + 1).
    a, c = x_t + 0.5, x_c + 0.5
    assert effect["estimate"] == pytest.approx(np.log((a / 5.0) / (c / 6.0)))
    assert effect["variance"] == pytest.approx(1 / a - 1 / 5.0 + 1 / c - 1 / 6.0)
    assert effect["remark"] == "a half added to each count: an arm at none or all"


@pytest.mark.parametrize("measure", ["log_odds", "log_risk_ratio"])
@pytest.mark.parametrize("done", [1, 3])
def test_what_arms_share_of_their_control_is_what_it_adds_to_each_of_them(
    measure: str, done: int, contract: Contract
) -> None:
    # Vessels with malolactic complete: `done` of 3 in the control, 2 of 3 and 0 of 3 in the treatments.
    complete = {"control": done, "a": 2, "b": 0}
    vessels = {f"{arm}{v}": arm for arm in complete for v in range(3)}
    rows = [
        {
            "trial_id": "T",
            "arm_id": arm,
            "vessel_id": name,
            "stage": "end_mlf",
            "analyte": "malic_acid",
            "value": 0.1 if int(name[-1]) < complete[arm] else 1.5,
            "qualifier": "",
        }
        for name, arm in vessels.items()
    ]
    effects = effects_of_events(
        pl.DataFrame(rows, schema=dict(READINGS)),
        design_of(vessels),
        planned(("malolactic_complete", "end_mlf")),
        contract,
        measure=measure,
    )
    for arm in ("a", "b"):
        effect = effects.filter(pl.col("arm") == arm).row(0, named=True)
        half = 0.5 if arm == "b" or done == 3 else 0.0
        x, n = done + half, 3 + 2 * half
        of_control = 1 / x + 1 / (n - x) if measure == "log_odds" else 1 / x - 1 / n
        assert effect["shared_variance"] == pytest.approx(of_control)
        assert effect["shared_variance"] < effect["variance"]


def test_summaries_come_from_any_table_and_what_cannot_be_is_told_row_by_row() -> None:
    means = {
        "n_treatment": [3, 0, 3],
        "mean_treatment": [10.0, 5.0, 1.0],
        "sd_treatment": [1.0, 0.5, 1.0],
        "n_control": [3, 2, 3],
        "mean_control": [8.0, 5.0, 1.0],
        "sd_control": [1.0, 0.4, -1.0],
    }
    for table in (
        means,
        pl.DataFrame(means),
        pl.DataFrame(means).to_pandas(),
        pl.DataFrame(means).to_arrow(),
    ):
        found = effects_from_summary(table, measure="difference")
        assert found["estimate"].to_list() == [2.0, None, None]
        assert found["variance"].null_count() == 2
        assert found["remark"].to_list() == [
            "",
            "a number of vessels that cannot be: whole, 1 or more",
            "a standard deviation below 0",
        ]
    counts = {"events_treatment": [6], "n_treatment": [5], "events_control": [1], "n_control": [5]}
    found = effects_from_summary(counts, measure="risk_difference")
    assert found["estimate"].to_list() == [None]
    assert found["remark"][0].startswith("events that cannot be")
    with pytest.raises(NotComputable, match="mean_control holds what is no number"):
        effects_from_summary({**means, "mean_control": ["8", "x", "1"]}, measure="difference")


@pytest.mark.parametrize("counts", [(3.5, 10), ("3", 10), (3, float("nan")), (3, 10.5)])
def test_a_triangle_of_counts_that_are_not_whole_is_refused(counts: tuple[Any, Any]) -> None:
    with pytest.raises(NotComputable, match="whole numbers"):
        triangle_result(*counts)
