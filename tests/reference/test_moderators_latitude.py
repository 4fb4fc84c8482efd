"""Meta-regression against the BCG trials on latitude, values in 40-digit arithmetic.

Data: Colditz et al. (1994) JAMA 271:698-702, latitudes Berkey et al. (1995) Stat Med 14:395-411. The
fixed and moment values agree with those of Borenstein, Hedges, Higgins & Rothstein (2009), chapter 20, as
remembered.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from crosscellar.pooling.moderators import METHODS, Moderated, regress

FOLDER = Path(__file__).parent / "oracles" / "bcg_log_risk_ratio"
DATA = pl.read_csv(FOLDER / "data.csv")
EXPECTED = json.loads((FOLDER / "expected.json").read_text(encoding="utf-8"))["values"]


def on_latitude(method: Any, interval: Any) -> Moderated:
    treated, control = DATA["treated_events"].to_numpy(), DATA["control_events"].to_numpy()
    n_treated = treated + DATA["treated_nonevents"].to_numpy()
    n_control = control + DATA["control_nonevents"].to_numpy()
    estimate = np.log(treated / n_treated) - np.log(control / n_control)
    variance = 1 / treated - 1 / n_treated + 1 / control - 1 / n_control
    latitude = {"latitude": DATA["abs_latitude"].to_numpy()}
    return regress(estimate, variance, latitude, method=method, interval=interval)


@pytest.mark.parametrize("interval", ["normal", "hartung_knapp"])
@pytest.mark.parametrize("method", METHODS)
def test_every_estimator_gives_the_regression_of_the_example(method: str, interval: str) -> None:
    result = on_latitude(method, interval)
    knapp = "kh_" if interval == "hartung_knapp" else ""
    found: dict[str, float] = {"kh_factor": result.factor}
    if method != "common":
        assert result.explained is not None
        found |= {
            "tau2_resid": result.tau2,
            "tau2_total": result.tau2_without,
            "r2_analog_pct": 100.0 * result.explained,
        }
    if interval == "normal":
        found["q_moderator"] = result.tests["f"][0]
    for term in ("intercept", "latitude"):
        row = result.row(term)
        found |= {
            term: row["estimate"],
            f"{term}_{knapp}se": row["std_error"],
            f"{term}_{knapp}ci_low": row["low"],
            f"{term}_{knapp}ci_high": row["high"],
            f"{term}_{knapp}p": row["p"],
        }
    checked = 0
    for name, value in found.items():
        wanted = EXPECTED.get(f"reg_{'fixed' if method == 'common' else method}_{name}")
        if wanted is not None:
            assert value == pytest.approx(wanted["value"], abs=wanted["tol_abs"]), name
            checked += 1
    assert checked >= (2 if method == "common" else 12)


def test_what_sampling_error_leaves_is_that_of_the_example() -> None:
    result = on_latitude("reml", "auto")
    assert result.interval_method == "hartung_knapp"
    assert result.q == pytest.approx(EXPECTED["reg_resid_q"]["value"], abs=EXPECTED["reg_resid_q"]["tol_abs"])
    assert result.q_df == 11
    assert result.q_p == pytest.approx(EXPECTED["reg_resid_q_p"]["value"], abs=1e-12)
