"""What must hold for the effects of any readings: units, arms and the order of rows change nothing else."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crosscellar.contract import load_contract
from crosscellar.contract.frames import DESIGN, READINGS
from crosscellar.effects import effects_from_summary, effects_of_readings, moderate_variances
from crosscellar.effects.triangles import chance_correct, d_prime_of

CONTRACT = load_contract()
FEW = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])

#: Vessel values of a network of trials: for each trial a list of (control, treatment) lists.
vessel = st.floats(min_value=2.0, max_value=20.0).map(lambda value: round(value, 3))
arm = st.lists(vessel, min_size=1, max_size=3)
networks = st.lists(st.tuples(arm, arm), min_size=1, max_size=6)


def frames(network: list[tuple[list[float], list[float]]]) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    readings, design, responses = [], [], []
    for number, arms in enumerate(network):
        trial = f"T{number}"
        responses.append(
            {"trial_id": trial, "response": "glycerol", "stage": "pre_bottling", "role": "primary"}
        )
        for role, values in zip(("control", "treatment"), arms, strict=True):
            for place, value in enumerate(values):
                key = {"trial_id": trial, "arm_id": role, "vessel_id": f"{role}{place}"}
                design.append(
                    {**key, "role": role, "season": 2023, "site_id": trial, "question_id": "question"}
                )
                readings.append(
                    {
                        **key,
                        "stage": "pre_bottling",
                        "analyte": "glycerol",
                        "value": value,
                        "unit": "g/L",
                        "lab": "A",
                        "qualifier": "",
                    }
                )
    return (
        pl.DataFrame(readings, schema=dict(READINGS)),
        pl.DataFrame(design, schema=dict(DESIGN)),
        pl.DataFrame(responses),
    )


def same(left: pl.Series, right: pl.Series, times: float = 1.0) -> bool:
    both = zip(left.to_list(), right.to_list(), strict=True)
    return all(
        (a is None and b is None)
        or (a is not None and b is not None and math.isclose(a * times, b, rel_tol=1e-6, abs_tol=1e-9))
        for a, b in both
    )


@FEW
@given(networks, st.sampled_from([0.001, 10.0, 1000.0]))
def test_another_unit_scales_differences_and_leaves_log_ratios(
    network: list[tuple[list[float], list[float]]], factor: float
) -> None:
    readings, design, responses = frames(network)
    scaled = readings.with_columns(pl.col("value") * factor)
    for measure, times in (("difference", factor), ("log_ratio", 1.0)):
        one = effects_of_readings(readings, design, responses, CONTRACT, measure=measure)
        other = effects_of_readings(scaled, design, responses, CONTRACT, measure=measure)
        assert same(one["estimate"], other["estimate"], times)
        # Readings that are alike to the last digit have a variance of rounding only, in either unit.
        real = one["variance"].fill_null(1.0) > 1e-12
        assert same(one.filter(real)["std_error"], other.filter(real)["std_error"], times)


@FEW
@given(networks)
def test_swapping_the_arms_turns_the_sign_and_nothing_else(
    network: list[tuple[list[float], list[float]]],
) -> None:
    swapped = [(treatment, control) for control, treatment in network]
    one = effects_of_readings(*frames(network), CONTRACT)
    other = effects_of_readings(*frames(swapped), CONTRACT)
    assert same(one["estimate"], other["estimate"], -1.0)
    for name in ("variance", "df"):
        assert same(one[name], other[name])
    assert one["variance_source"].to_list() == other["variance_source"].to_list()


@FEW
@given(networks, st.integers(0, 1000))
def test_the_order_of_rows_changes_nothing(network: list[tuple[list[float], list[float]]], seed: int) -> None:
    readings, design, responses = frames(network)
    one = effects_of_readings(readings, design, responses, CONTRACT)
    other = effects_of_readings(
        readings.sample(fraction=1.0, shuffle=True, seed=seed),
        design.sample(fraction=1.0, shuffle=True, seed=seed + 1),
        responses.sample(fraction=1.0, shuffle=True, seed=seed + 2),
        CONTRACT,
    )
    assert one["trial"].to_list() == other["trial"].to_list()
    for name in ("estimate", "variance", "df"):
        assert same(one[name], other[name])


@FEW
@given(networks)
def test_reading_every_sample_twice_changes_nothing(
    network: list[tuple[list[float], list[float]]],
) -> None:
    readings, design, responses = frames(network)
    repeated = pl.concat([readings, readings])
    one = effects_of_readings(readings, design, responses, CONTRACT)
    other = effects_of_readings(repeated, design, responses, CONTRACT)
    for name in ("estimate", "variance", "df"):
        assert same(one[name], other[name])


@given(
    st.lists(
        st.tuples(st.floats(1e-6, 1e6), st.integers(0, 8)),
        min_size=3,
        max_size=30,
    ),
    st.floats(1e-3, 1e3),
)
def test_moderated_variances_scale_with_the_square_of_the_unit_and_lie_between_own_and_prior(
    trials: list[tuple[float, int]], factor: float
) -> None:
    variance = np.array([s2 for s2, _ in trials])
    df = np.array([float(d) for _, d in trials])
    one, other = moderate_variances(variance, df), moderate_variances(variance * factor, df)
    if np.isfinite(one.prior_df) and one.prior_df > 0:
        assert other.prior_df == pytest.approx(one.prior_df, rel=1e-6)
    if one.prior_df > 0:
        own = np.where(df > 0, variance, one.prior_variance)
        low, high = np.minimum(own, one.prior_variance), np.maximum(own, one.prior_variance)
        assert np.all(one.variance >= low * (1 - 1e-9))
        assert np.all(one.variance <= high * (1 + 1e-9))


@given(st.integers(0, 30), st.integers(0, 30))
def test_log_odds_turn_their_sign_when_events_and_non_events_change_places(x_t: int, x_c: int) -> None:
    counts = pl.DataFrame(
        {"events_treatment": [x_t], "n_treatment": [30], "events_control": [x_c], "n_control": [30]}
    )
    turned = counts.with_columns(
        (pl.col("n_treatment") - pl.col("events_treatment")).alias("events_treatment"),
        (pl.col("n_control") - pl.col("events_control")).alias("events_control"),
    )
    one = effects_from_summary(counts, measure="log_odds")
    other = effects_from_summary(turned, measure="log_odds")
    assert same(one["estimate"], other["estimate"], -1.0)
    assert same(one["variance"], other["variance"])


@given(st.floats(0.05, 6.0))
def test_d_prime_and_the_share_of_correct_picks_undo_each_other(d_prime: float) -> None:
    assert float(d_prime_of(chance_correct(d_prime))) == pytest.approx(d_prime, rel=1e-7)
