"""CR2 and Satterthwaite df against an example, values in 40-digit arithmetic.

Method: Tipton (2015) Psychol Methods 20:375-393; Pustejovsky & Tipton (2018) J Bus Econ Stat 36:672-683.
Data: Konstantopoulos (2011). Two of the working models were also cross-checked to 9 digits, outside this
project, against an independent general-purpose sandwich implementation in R (see expected.json).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from crosscellar.pooling.nested import fit_nested
from crosscellar.pooling.robust import Robust, cr2, cr2_weighted

FOLDER = Path(__file__).parent / "oracles" / "school_calendar_cr2"
DATA = pl.read_csv(FOLDER / "data.csv")
EXPECTED = json.loads((FOLDER / "expected.json").read_text(encoding="utf-8"))["values"]
YEAR = DATA["year"].to_numpy()
BY_YEAR = np.column_stack([np.ones(YEAR.size), YEAR - YEAR.mean()])


def held(prefix: str, result: Robust, column: int = 0) -> None:
    low, high = result.interval(0.95)
    found = {
        "se_cr2": result.std_errors[column],
        "df_satterthwaite": result.df[column],
        "t": result.t[column],
        "p": result.p_values[column],
        "ci_low": low[column],
        "ci_high": high[column],
    }
    for name, value in found.items():
        wanted = EXPECTED[f"{prefix}_{name}"]
        assert value == pytest.approx(wanted["value"], abs=wanted["tol_abs"]), name


def test_equal_weights() -> None:
    result = cr2_weighted(DATA["effect"], site=DATA["site"], variance=DATA["variance"], weights="equal")
    held("equal_weights_mean", result)
    assert result.n_sites == 11


def test_inverse_variance_weights() -> None:
    held(
        "inverse_variance_mean",
        cr2_weighted(DATA["effect"], site=DATA["site"], variance=DATA["variance"]),
    )


@pytest.mark.parametrize(("column", "name"), [(0, "intercept"), (1, "year_centred")])
def test_a_regression_with_inverse_variance_weights(column: int, name: str) -> None:
    result = cr2_weighted(DATA["effect"], site=DATA["site"], variance=DATA["variance"], design=BY_YEAR)
    held(f"inverse_variance_year_{name}", result, column)


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_the_nested_model(method: str) -> None:
    fit = fit_nested(
        DATA["effect"], DATA["variance"], site=DATA["site"], method="ml" if method == "ml" else "reml"
    )
    held(f"{method}_three_level_mean", cr2(fit))
