"""Repeat readings: means of vessels by the quick way, the slow way and by hand."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from crosscellar.contract.frames import DESIGN, READINGS
from crosscellar.effects.vessels import vessel_values


def design_of(*vessels: tuple[str, str, str]) -> pl.DataFrame:
    rows = [
        {"trial_id": trial, "arm_id": arm, "vessel_id": vessel, "role": "control"}
        for trial, arm, vessel in vessels
    ]
    return pl.DataFrame(rows, schema=dict(DESIGN))


def readings_of(*rows: dict[str, object]) -> pl.DataFrame:
    common = {
        "trial_id": "t",
        "arm_id": "a",
        "vessel_id": "1",
        "stage": "juice",
        "analyte": "ph",
        "qualifier": "",
        "unit": "",
        "lab": "lab A",
    }
    return pl.DataFrame([common | row for row in rows], schema=dict(READINGS))


def test_dates_weigh_alike_however_many_repeats_each_has() -> None:
    first, second = date(2025, 9, 1), date(2025, 9, 2)
    readings = readings_of(
        {"value": 3.0, "sample_date": first},
        {"value": 3.2, "sample_date": first},
        {"value": 4.0, "sample_date": second},
    )
    values = vessel_values(readings, design_of(("t", "a", "1")))
    assert values["low"].to_list() == pytest.approx([(3.1 + 4.0) / 2])


def test_repeats_that_stand_far_apart_in_the_sheet_are_averaged() -> None:
    readings = readings_of(
        {"value": 3.0, "vessel_id": "1"},
        {"value": 5.0, "vessel_id": "2"},
        {"value": 3.2, "vessel_id": "1"},
        {"value": 5.4, "vessel_id": "2"},
        {"value": 3.4, "vessel_id": "1"},
    )
    values = vessel_values(readings, design_of(("t", "a", "1"), ("t", "a", "2")))
    assert values["vessel_id"].to_list() == ["1", "2"]
    assert values["low"].to_list() == pytest.approx([3.2, 5.2])


def test_vessels_that_no_trial_planned_and_values_that_are_no_number_are_left_out() -> None:
    readings = readings_of(
        {"value": 3.0}, {"value": 9.0, "vessel_id": "unknown"}, {"value": float("nan")}, {"value": None}
    )
    assert vessel_values(readings, design_of(("t", "a", "1")))["low"].to_list() == [3.0]


def test_nothing_measured_gives_no_vessel_and_no_fault() -> None:
    assert vessel_values(readings_of(), design_of(("t", "a", "1"))).is_empty()
    assert vessel_values(readings_of({"value": 3.0}), design_of()).is_empty()


def test_a_limit_in_one_vessel_leaves_the_values_of_other_trials_alone() -> None:
    design = design_of(("t", "a", "1"), ("t", "a", "2"), ("u", "a", "1"))
    plain = readings_of({"value": 3.0, "trial_id": "u"}, {"value": 3.5, "trial_id": "u"})
    limits = readings_of({"value": 2.0, "qualifier": "<"}, {"value": 4.0, "vessel_id": "2"})
    values = vessel_values(pl.concat([limits, plain]), design)
    assert values.select("low", "high").rows() == [(0.0, 2.0), (4.0, 4.0), (3.25, 3.25)]


@pytest.mark.parametrize("seed", range(5))
def test_the_order_of_readings_changes_no_digit_and_a_plain_group_by_agrees(seed: int) -> None:
    chance = np.random.default_rng(seed)
    many = 400
    readings = readings_of(
        *(
            {
                "trial_id": str(chance.choice(["t", "u"])),
                "arm_id": str(chance.choice(["a", "b"])),
                "vessel_id": str(chance.integers(1, 4)),
                "analyte": str(chance.choice(["ph", "glycerol"])),
                "stage": str(chance.choice(["juice", "ageing_6m"])),
                "value": float(chance.normal(5, 1)),
            }
            for _ in range(many)
        )
    )
    design = design_of(*((t, a, v) for t in ("t", "u") for a in ("a", "b") for v in ("1", "2", "3")))
    values = vessel_values(readings, design)
    shuffled = vessel_values(readings.sample(fraction=1.0, shuffle=True, seed=seed), design)
    assert_frame_equal(values, shuffled, check_exact=True)
    keys = ["trial_id", "analyte", "stage", "arm_id", "vessel_id"]
    plain = readings.group_by(keys).agg(pl.col("value").mean().alias("low")).sort(keys)
    assert_frame_equal(values.select(*(pl.col(key).cast(pl.String) for key in keys), "low"), plain)
