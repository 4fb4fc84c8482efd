"""The half-normal prior by quadrature against two examples, values in 40-digit arithmetic.

Method: Röver (2020) J Stat Softw 93(6) and Röver et al. (2021) Res Synth Methods 12:448-474. The data are
invented; the values were computed independently of this project and of any statistics package.
"""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

from crosscellar.pooling.bayes import half_normal

ORACLES = Path(__file__).parent / "oracles"


@pytest.mark.parametrize(
    ("name", "tag", "scale"),
    [
        ("few_sites_k3", "hn0p5", 0.5),
        ("new_site_verdict", "hn0p25", 0.25),
        ("new_site_verdict", "hn0p5", 0.5),
    ],
)
def test_mean_new_site_and_tau_are_those_of_the_example(name: str, tag: str, scale: float) -> None:
    data = pl.read_csv(ORACLES / name / "data.csv")
    expected = json.loads((ORACLES / name / "expected.json").read_text(encoding="utf-8"))["values"]
    fit = half_normal(data["effect"], data["variance"], scale=scale)
    found = {
        "mu_mean": fit.estimate,
        "mu_sd": fit.std_dev,
        "mu_low": fit.low,
        "mu_median": fit.median,
        "mu_high": fit.high,
        "new_sd": fit.new_std_dev,
        "new_low": fit.new_low,
        "new_median": fit.new_median,
        "new_high": fit.new_high,
        "tau_mean": fit.tau_mean,
        "tau_median": fit.tau_median,
        "tau_upper95": fit.tau_high,
    }
    for value, words in ((0.0, "0"), (0.1, "0p1"), (0.2, "0p2")):
        if f"bayes_{tag}_prob_mean_above_{words}" in expected:
            found[f"prob_mean_above_{words}"] = fit.chance_above(value)
            found[f"prob_new_site_above_{words}"] = fit.chance_new_above(value)
    assert len(found) >= 16
    for quantity, value in found.items():
        wanted = expected[f"bayes_{tag}_{quantity}"]
        assert value == pytest.approx(wanted["value"], abs=wanted["tol_abs"]), quantity
