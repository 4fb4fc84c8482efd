"""Nested REML and ML against two three-level examples, values in 40-digit arithmetic.

Data and sources in oracles/*/expected.json: Konstantopoulos (2011) Res Synth Methods 2:61-76 on Cooper et al.
(2003); Bornmann, Mutz & Daniel (2007) J Informetrics 1:226-238 as analysed by Cheung (2014) Psychol Methods
19:211-229. The values were computed independently of this project and of any statistics package.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from crosscellar.pooling.nested import NestedFit, fit_nested

ORACLES = Path(__file__).parent / "oracles"


def example(name: str) -> tuple[pl.DataFrame, dict[str, dict[str, float]]]:
    folder = ORACLES / name
    expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))["values"]
    return pl.read_csv(folder / "data.csv"), expected


def school_calendars() -> tuple[Any, Any, Any, pl.DataFrame, dict[str, dict[str, float]]]:
    data, expected = example("school_calendar_three_level")
    return data["effect"], data["variance"], data["site"], data, expected


def grant_awards() -> tuple[Any, Any, Any, pl.DataFrame, dict[str, dict[str, float]]]:
    data, expected = example("grant_awards_three_level")
    won_w, won_m = data["women_awarded"].to_numpy(), data["men_awarded"].to_numpy()
    lost_w, lost_m = data["women_total"].to_numpy() - won_w, data["men_total"].to_numpy() - won_m
    estimate = np.log(won_w / lost_w) - np.log(won_m / lost_m)
    return estimate, 1 / won_w + 1 / lost_w + 1 / won_m + 1 / lost_m, data["site"], data, expected


def values_of(fit: NestedFit) -> dict[str, float]:
    return {
        "var_site": fit.sigma2["site"],
        "var_effect_within_site": fit.sigma2["trial"],
        "mean": float(fit.coefficients[0]),
        "mean_se": float(fit.std_errors[0]),
        "loglik": fit.log_likelihood,
        "var_site_se": fit.sigma2_se["site"],
        "var_effect_within_site_se": fit.sigma2_se["trial"],
    }


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("read", [school_calendars, grant_awards])
def test_variances_mean_and_likelihood_are_those_of_the_example(read: Any, method: Any) -> None:
    estimate, variance, site, _, expected = read()
    fit = fit_nested(estimate, variance, site=site, method=method)
    assert fit.converged
    checked = 0
    for name, value in values_of(fit).items():
        wanted = expected.get(f"{method}_{name}")
        if wanted is not None:
            assert value == pytest.approx(wanted["value"], abs=wanted["tol_abs"]), name
            checked += 1
    assert checked >= 5


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_a_moderator_within_the_nested_model_is_that_of_the_example(method: Any) -> None:
    estimate, variance, site, data, expected = school_calendars()
    year = data["year"].to_numpy()
    design = np.column_stack([np.ones(year.size), year - year.mean()])
    fit = fit_nested(estimate, variance, site=site, design=design, method=method)
    found = {
        "var_site": fit.sigma2["site"],
        "var_effect_within_site": fit.sigma2["trial"],
        "intercept": fit.coefficients[0],
        "intercept_se": fit.std_errors[0],
        "year_centred": fit.coefficients[1],
        "year_centred_se": fit.std_errors[1],
        "loglik": fit.log_likelihood,
    }
    for name, value in found.items():
        wanted = expected[f"year_{method}_{name}"]
        assert value == pytest.approx(wanted["value"], abs=wanted["tol_abs"]), name


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_with_every_effect_its_own_site_the_two_level_model_is_what_remains(method: Any) -> None:
    estimate, variance, _, _, expected = school_calendars()
    fit = fit_nested(estimate, variance, site=np.arange(len(estimate)), method=method)
    wanted, likelihood = expected[f"{method}_two_level_tau2"], expected[f"{method}_two_level_loglik"]
    assert set(fit.sigma2) == {"site"}
    assert fit.tau2 == pytest.approx(wanted["value"], abs=wanted["tol_abs"])
    assert fit.log_likelihood == pytest.approx(likelihood["value"], abs=likelihood["tol_abs"])
