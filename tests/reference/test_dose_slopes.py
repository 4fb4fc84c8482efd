"""Dose slopes against two examples, values in 40-digit arithmetic.

Means: Crippa & Orsini (2016) BMC Med Res Methodol 16:91, site 1 from memory of an example there, sites 2 and
3 invented. Odds ratios: Greenland & Longnecker (1992) Am J Epidemiol 135:1301-1309 on Rohan & McMichael
(1988), table and printed slopes (0.0454, 0.0334) from memory.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from crosscellar.pooling.covariance import from_reference_counts, from_shared_controls
from crosscellar.pooling.dose import dose_response, trial_slopes

ORACLES = Path(__file__).parent / "oracles"


def example(name: str) -> tuple[pl.DataFrame, dict[str, dict[str, float]]]:
    expected = json.loads((ORACLES / name / "expected.json").read_text(encoding="utf-8"))["values"]
    return pl.read_csv(ORACLES / name / "data.csv"), expected


def close(value: float, expected: dict[str, dict[str, float]], name: str) -> None:
    assert value == pytest.approx(expected[name]["value"], abs=expected[name]["tol_abs"]), name


def test_slopes_of_means_and_their_pooled_slope() -> None:
    data, expected = example("dose_slope_means")
    control = data.filter(pl.col("dose") == 0).select("site", n_c="n", mean_c="mean", sd_c="sd")
    arms = data.filter(pl.col("dose") > 0).join(control, on="site", maintain_order="left")
    of_control = (arms["sd_c"] ** 2 / arms["n_c"]).to_numpy()
    estimate = (arms["mean"] - arms["mean_c"]).to_numpy()
    variance = (arms["sd"] ** 2 / arms["n"]).to_numpy() + of_control
    result = dose_response(
        estimate,
        variance,
        arms["dose"],
        trial=arms["site"],
        site=arms["site"],
        covariance=from_shared_controls(arms["site"], of_control),
    )
    for row in result.slopes.iter_rows(named=True):
        close(row["estimate"], expected, f"site{row['site']}_slope")
        close(row["std_error"], expected, f"site{row['site']}_slope_se")
        close(row["lack_of_fit"], expected, f"site{row['site']}_lack_of_fit_q")
        assert row["lack_of_fit_df"] == expected[f"site{row['site']}_lack_of_fit_df"]["value"]
    assert result.fit.sigma2["site"] == 0.0 == expected["pooled_reml_tau2"]["value"]
    close(result.slope, expected, "pooled_reml_mean")
    close(float(result.fit.std_errors[0]), expected, "pooled_reml_se")
    close(result.fit.sigma2_se["site"], expected, "pooled_tau2_reml_se")


def test_a_slope_of_differences_is_the_regression_on_all_arm_means() -> None:
    # numpy's weighted least squares on the arm means, the control's too, with an intercept.
    data, _ = example("dose_slope_means")
    site = data.filter(pl.col("site") == 3)
    error = (site["sd"] / site["n"].sqrt()).to_numpy()
    line, spread = np.polyfit(
        site["dose"].to_numpy(), site["mean"].to_numpy(), 1, w=1 / error, cov="unscaled"
    )
    control, arms = site.row(0, named=True), site.slice(1)
    of_control = np.full(arms.height, control["sd"] ** 2 / control["n"])
    slope = trial_slopes(
        arms["mean"].to_numpy() - control["mean"],
        (arms["sd"] ** 2 / arms["n"]).to_numpy() + of_control,
        arms["dose"],
        trial=["third"] * arms.height,
        covariance=from_shared_controls(["control"] * arms.height, of_control),
    )
    assert slope["estimate"][0] == pytest.approx(line[0], rel=1e-10)
    assert slope["variance"][0] == pytest.approx(spread[0, 0], rel=1e-10)


def test_the_slope_of_odds_ratios_that_share_a_reference_group() -> None:
    data, expected = example("dose_slope_case_control")
    others = data.slice(1)
    log_ratio = np.log(others["adjusted_or"].to_numpy())
    width = np.log(others["or_high95"].cast(float).to_numpy()) - np.log(
        others["or_low95"].cast(float).to_numpy()
    )
    # 1.959964 is the 97.5 % point of the standard normal (any printed table).
    variance = (width / 2 / 1.959963984540054) ** 2
    shared, cases, controls = from_reference_counts(data["cases"], data["controls"], log_ratio, variance)
    for level in range(4):
        close(cases[level], expected, f"fitted_cases_{level}")
        close(controls[level], expected, f"fitted_controls_{level}")
    for value, name in zip(shared.value, ("cov_1_2", "cov_1_3", "cov_2_3"), strict=True):
        close(value, expected, name)
    dose = others["dose"]
    slope = trial_slopes(log_ratio, variance, dose, trial=["study"] * 3, covariance=shared).row(0, named=True)
    close(slope["estimate"], expected, "slope_gls")
    close(slope["std_error"], expected, "slope_gls_se")
    close(slope["lack_of_fit"], expected, "gls_q")
    assert round(slope["estimate"], 4) == 0.0454
    apart = trial_slopes(log_ratio, variance, dose, trial=["study"] * 3).row(0, named=True)
    close(apart["estimate"], expected, "slope_wls_ignoring_covariance")
    close(apart["std_error"], expected, "slope_wls_ignoring_covariance_se")
