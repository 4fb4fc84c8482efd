"""Arms that share a control against two examples, values in 40-digit arithmetic.

Log ratios: formula Lajeunesse (2011) Ecology 92:2049-2055, data invented. Standardized differences: Gleser &
Olkin (2009) in the Handbook of Research Synthesis and Meta-Analysis, chapter 19 (treatments 2.374 and 1.570,
Q 3.945, from memory).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from crosscellar.pooling.covariance import Covariance, from_matrix, from_shared_controls
from crosscellar.pooling.nested import fit_common

ORACLES = Path(__file__).parent / "oracles"


def example(name: str) -> tuple[pl.DataFrame, dict[str, dict[str, float]]]:
    expected = json.loads((ORACLES / name / "expected.json").read_text(encoding="utf-8"))["values"]
    return pl.read_csv(ORACLES / name / "data.csv"), expected


def close(value: float, expected: dict[str, dict[str, float]], name: str) -> None:
    assert value == pytest.approx(expected[name]["value"], abs=expected[name]["tol_abs"]), name


def log_ratios() -> tuple[pl.DataFrame, Covariance, dict[str, dict[str, float]]]:
    data, expected = example("shared_control_log_ratio")
    data = data.with_columns(relative=pl.col("sd") ** 2 / (pl.col("n") * pl.col("mean") ** 2))
    control = data.filter(pl.col("arm") == "control").select("site", mean_c="mean", shared="relative")
    arms = data.filter(pl.col("arm") != "control").join(control, on="site", maintain_order="left")
    arms = arms.with_columns(
        estimate=(pl.col("mean") / pl.col("mean_c")).log(), variance=pl.col("relative") + pl.col("shared")
    )
    return arms, from_shared_controls(arms["site"], arms["shared"]), expected


def test_log_ratios_of_a_site_share_the_relative_variance_of_their_control() -> None:
    arms, shared, expected = log_ratios()
    pairs = dict(zip(zip(shared.first, shared.second, strict=True), shared.value, strict=True))
    named = {name for name in expected if name.startswith("cov_")}
    assert len(pairs) == len(named) == 5
    for name in named:
        first, second = (int(part) - 1 for part in name.split("_")[1:])
        close(pairs[first, second], expected, name)
    for i, row in enumerate(arms.iter_rows(named=True), start=1):
        close(row["estimate"], expected, f"effect_{i}")
        close(row["variance"], expected, f"var_{i}")


def test_the_common_log_ratio_and_the_arms_own_ones() -> None:
    arms, shared, expected = log_ratios()
    common = fit_common(arms["estimate"], arms["variance"], covariance=shared)
    close(common.coefficients[0], expected, "gls_common")
    close(common.std_errors[0], expected, "gls_common_se")
    close(common.q, expected, "gls_q")
    named = ("low", "mid", "high")
    design = np.array([[float(arm == name) for name in named] for arm in arms["arm"]])
    by_arm = fit_common(arms["estimate"], arms["variance"], covariance=shared, design=design)
    for j, name in enumerate(named):
        close(by_arm.coefficients[j], expected, f"gls_{name}")
        close(by_arm.std_errors[j], expected, f"gls_{name}_se")
    close(by_arm.q, expected, "gls_arms_q")
    wrong = fit_common(arms["estimate"], arms["variance"])
    close(wrong.coefficients[0], expected, "wrong_independent_mean")
    close(wrong.std_errors[0], expected, "wrong_independent_se")


def test_standardized_differences_that_share_a_control() -> None:
    data, expected = example("shared_control_smd")
    d = ((data["treated_mean"] - data["control_mean"]) / data["pooled_sd"]).to_numpy()
    for i, value in enumerate(d, start=1):
        close(value, expected, f"d_{i}")
    variance = np.array([expected[f"var_{i}"]["value"] for i in range(1, 7)])
    matrix = np.diag(variance)
    for i, j in ((1, 2), (5, 6)):
        matrix[i - 1, j - 1] = matrix[j - 1, i - 1] = expected[f"cov_{i}_{j}"]["value"]
    design = np.array([[float(t == 1), float(t == 2)] for t in data["treatment"]])
    joint = fit_common(d, variance, covariance=from_matrix(matrix), design=design)
    close(joint.coefficients[0], expected, "treatment_1")
    close(joint.std_errors[0], expected, "treatment_1_se")
    close(joint.coefficients[1], expected, "treatment_2")
    close(joint.std_errors[1], expected, "treatment_2_se")
    close(joint.covariance[0, 1], expected, "cov_treatments")
    close(joint.q, expected, "q")
    assert joint.df == expected["q_df"]["value"]
    contrast = np.array([1.0, -1.0])
    close(float(contrast @ joint.coefficients), expected, "difference")
    close(float(np.sqrt(contrast @ joint.covariance @ contrast)), expected, "difference_se")
