"""Ferment curves: a curve a vessel, arms told apart without colour, at most six trials on a page."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from matplotlib.lines import Line2D

from crosscellar.report.drawing import draw
from crosscellar.report.ferments import MOST_TRIALS, ferment_logs, ferments_figure, ferments_sketch

ARMS = (("cool", "treatment", "V1"), ("ambient", "control", "V2"), ("ambient", "control", "V3"))

MARKERS = ("s", "o", "^", "D")


def ys(line: Line2D) -> tuple[float, ...]:
    return tuple(np.asarray(line.get_ydata(), dtype=float).tolist())


def readings_of(trials: int) -> pl.DataFrame:
    """Daily Brix from 22 down to -2 in twelve days, each trial of the three vessels above."""
    return pl.DataFrame(
        [
            {
                "trial_id": f"t{trial:02d}",
                "arm_id": arm,
                "vessel_id": vessel,
                "lab": "",
                "analyte": "brix",
                "stage": "ferment_daily",
                "value": 22.0 - 2.0 * day,
                "sample_date": date(2025, 9, 20) + timedelta(days=day),
                "time": None,
            }
            for trial in range(trials)
            for arm, _, vessel in ARMS
            for day in range(13)
        ],
        schema_overrides={"time": pl.String},
    )


def design_of(trials: int) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "trial_id": f"t{trial:02d}",
                "site_id": f"site {trial:02d}",
                "season": 2025,
                "arm_id": arm,
                "role": role,
                "vessel_id": vessel,
            }
            for trial in range(trials)
            for arm, role, vessel in ARMS
        ]
    )


def test_every_vessel_is_a_curve_and_the_control_comes_first() -> None:
    (log,) = ferment_logs(readings_of(2), design_of(1))
    assert [(arm.arm, len(arm.vessels)) for arm in log.arms] == [("ambient", 2), ("cool", 1)]
    days, brix = log.arms[0].vessels[0]
    assert days == tuple(float(day) for day in range(13))
    assert brix == tuple(22.0 - 2.0 * day for day in range(13))
    curves = [line for line in ferments_figure([log], dry=-1.0).axes[0].lines if line.get_marker() in MARKERS]
    assert [ys(line) for line in curves] == [brix] * 3


def test_arms_differ_in_dash_and_shape_and_are_named_once() -> None:
    (log,) = ferment_logs(readings_of(1), design_of(1))
    axes = ferments_figure([log], dry=-1.0).axes[0]
    curves = [line for line in axes.lines if line.get_marker() in MARKERS]
    assert len({(line.get_linestyle(), line.get_marker()) for line in curves}) == 2
    legend = axes.get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["ambient", "cool"]


def test_the_alternative_says_where_each_arm_began_and_ended() -> None:
    drawing = ferments_sketch(ferment_logs(readings_of(1), design_of(1)), "f")
    assert "site 00 2025: ambient from 22.0 to −2.0 °Bx in 12 days (mean of 2 vessels)" in drawing.alternative
    assert "cool from 22.0 to −2.0 °Bx in 12 days" in drawing.alternative


def test_a_page_shows_six_trials_at_most_and_says_of_how_many() -> None:
    logs = ferment_logs(readings_of(9), design_of(9))
    assert "The first 6 of 9 trials" in ferments_sketch(logs, "f").caption
    assert "first" not in ferments_sketch(logs[:MOST_TRIALS], "f").caption


@pytest.mark.parametrize("trials", [1, 6])
def test_one_trial_and_six_are_each_a_panel_and_always_the_same_bytes(trials: int) -> None:
    logs = ferment_logs(readings_of(trials), design_of(trials))
    assert len(ferments_figure(logs, dry=-1.0).axes) == trials
    assert draw(lambda: ferments_figure(logs, dry=-1.0)) == draw(lambda: ferments_figure(logs, dry=-1.0))


def test_trials_without_a_log_have_no_curves() -> None:
    assert ferment_logs(readings_of(1).filter(pl.col("analyte") == "ph"), design_of(1)) == ()
