"""Pooling against worked examples: data, sources and 40-digit values in oracles/*/expected.json.

The values were computed independently of this project and of any statistics package; each file names the
publication of its data and of its method. Tolerances are those that a double-precision implementation must
meet: closed forms 1e-9 relative, iterated variance components and what rests on them 1e-6.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from crosscellar.pooling import Pooled, pool, pool_each
from crosscellar.pooling.estimators import log_likelihood
from crosscellar.pooling.heterogeneity import i2_of_tau2, side_by_side
from crosscellar.pooling.intervals import hartung_knapp_factor, p_two_sided, prediction, share_above

ORACLES = Path(__file__).parent / "oracles"
Numbers = dict[str, list[float]]


def numbers(name: str) -> Numbers:
    with (ORACLES / name / "data.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    read: Numbers = {}
    for column in rows[0]:
        try:
            read[column] = [float(row[column]) for row in rows]
        except ValueError:
            continue
    return read


def as_given(data: Numbers) -> tuple[np.ndarray, np.ndarray]:
    return np.array(data["effect"]), np.array(data["variance"])


def log_risk_ratio(data: Numbers) -> tuple[np.ndarray, np.ndarray]:
    a, b, c, d = (
        np.array(data[name])
        for name in ("treated_events", "treated_nonevents", "control_events", "control_nonevents")
    )
    return np.log(a / (a + b) / (c / (c + d))), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def risk_difference(data: Numbers) -> tuple[np.ndarray, np.ndarray]:
    a, m, c, n = (
        np.array(data[name]) for name in ("treated_events", "treated_n", "control_events", "control_n")
    )
    p, q = a / m, c / n
    return p - q, p * (1 - p) / m + q * (1 - q) / n


def fisher_z(data: Numbers) -> tuple[np.ndarray, np.ndarray]:
    return np.arctanh(data["correlation"]), 1 / (np.array(data["n"]) - 3)


def six(data: Numbers) -> tuple[np.ndarray, ...]:
    return tuple(
        np.array(data[name])
        for name in (
            "treated_n",
            "treated_mean",
            "treated_sd",
            "control_n",
            "control_mean",
            "control_sd",
        )
    )


def pooled_sd(m: np.ndarray, s: np.ndarray, n: np.ndarray, r: np.ndarray) -> np.ndarray:
    return np.asarray(((m - 1) * s**2 + (n - 1) * r**2) / (m + n - 2))


def difference_unequal(data: Numbers) -> tuple[np.ndarray, np.ndarray]:
    m, x, s, n, y, r = six(data)
    return x - y, s**2 / m + r**2 / n


def difference_pooled(data: Numbers) -> tuple[np.ndarray, np.ndarray]:
    m, x, s, n, y, r = six(data)
    return x - y, pooled_sd(m, s, n, r) * (1 / m + 1 / n)


def hedges(exact: bool) -> Callable[[Numbers], tuple[np.ndarray, np.ndarray]]:
    """Hedges g with variance J^2 Vd (Borenstein et al. 2009, ch. 4), J exact or 1 - 3 / (4 m - 1)."""

    def measure(data: Numbers) -> tuple[np.ndarray, np.ndarray]:
        m, x, s, n, y, r = six(data)
        d = (x - y) / np.sqrt(pooled_sd(m, s, n, r))
        df = m + n - 2
        logs = np.array([math.lgamma(f / 2) - math.lgamma((f - 1) / 2) for f in df])
        j = np.exp(logs) / np.sqrt(df / 2) if exact else 1 - 3 / (4 * df - 1)
        return j * d, j**2 * ((m + n) / (m * n) + d**2 / (2 * (m + n)))

    return measure


def log_ratio(correction: str) -> Callable[[Numbers], tuple[np.ndarray, np.ndarray]]:
    """ln(mean t / mean c), plain (Hedges, Gurevitch & Curtis 1999) or corrected (Lajeunesse 2015)."""

    def measure(data: Numbers) -> tuple[np.ndarray, np.ndarray]:
        m, x, s, n, y, r = six(data)
        treated, control = s**2 / (m * x**2), r**2 / (n * y**2)
        effect, variance = np.log(x / y), treated + control
        if correction == "delta":
            return effect + (treated - control) / 2, variance + (treated**2 + control**2) / 2
        if correction == "sigma":
            return (
                np.log((x**2 + s**2 / m) / (y**2 + r**2 / n)) / 2,
                2 * variance - np.log(1 + variance + treated * control),
            )
        return effect, variance

    return measure


EXAMPLES = {
    ("bcg_log_risk_ratio", ""): log_risk_ratio,
    ("length_of_stay_mean_difference", "unequal_"): difference_unequal,
    ("length_of_stay_mean_difference", "pooled_"): difference_pooled,
    ("lidocaine_risk_difference", ""): risk_difference,
    ("conscientiousness_fisher_z", ""): fisher_z,
    ("six_trials_hedges_g", "exactJ_"): hedges(exact=True),
    ("six_trials_hedges_g", "approxJ_"): hedges(exact=False),
    ("co2_woody_log_response_ratio", "plain_"): log_ratio("plain"),
    ("co2_woody_log_response_ratio", "delta_"): log_ratio("delta"),
    ("co2_woody_log_response_ratio", "sigma_"): log_ratio("sigma"),
    ("few_sites_k3", ""): as_given,
    ("equal_variances_closed_form", ""): as_given,
    ("new_site_verdict", ""): as_given,
}
METHODS = ("moment", "paule_mandel", "reml", "ml")


def said(pooled: Pooled, effect: np.ndarray, variance: np.ndarray) -> dict[str, float]:
    """Every value that our own records hold under the names of the examples, for one estimator."""
    questions = side_by_side(effect[:, None], variance[:, None], np.array([float(effect.size)]))
    k = effect.size
    normal = pool({"estimate": effect, "variance": variance}, method=pooled.method, interval="normal")
    weight = 1 / (variance + pooled.tau2)
    q_at = float(weight @ (effect - pooled.estimate) ** 2)
    factor = float(hartung_knapp_factor(q_at, k))
    wide = max(normal.std_error, pooled.std_error)
    share = {}
    for name, std_error, df in (
        ("pred", normal.std_error, k - 2),
        ("pred_hksj", pooled.std_error, k - 2),
        ("pred_df_kminus1", normal.std_error, k - 1),
    ):
        low, high = prediction(
            pooled.estimate,
            std_error,
            pooled.tau2,
            df,
            0.95,
        )
        share |= {f"{name}_low": float(low), f"{name}_high": float(high)}
    for name, bound in (("0", 0.0), ("0p1", 0.1), ("0p2", 0.2)):
        for how, std_error, df in (
            ("pred_t_kminus2", normal.std_error, k - 2.0),
            ("pred_t_kminus1_hksj_mod", wide, k - 1.0),
            ("pred_normal", normal.std_error, np.inf),
        ):
            score = (bound - pooled.estimate) / math.sqrt(pooled.tau2 + std_error**2)
            share[f"above_{name}_{how}"] = float(share_above(score, df))
    typical = pooled.tau2 / pooled.i2_tau2 - pooled.tau2 if pooled.i2_tau2 else math.nan
    return {
        **share,
        "tau2": pooled.tau2,
        "mean": pooled.estimate,
        "se": normal.std_error,
        "ci_low": normal.low,
        "ci_high": normal.high,
        "z": normal.statistic,
        "p": normal.p_value,
        "i2_from_tau2_pct": 100 * pooled.i2_tau2,
        "h2_from_tau2": 1 / (1 - pooled.i2_tau2),
        "hksj_factor_q": factor,
        "hksj_se": pooled.std_error,
        "hksj_ci_low": pooled.low,
        "hksj_ci_high": pooled.high,
        "hksj_t": pooled.statistic,
        "hksj_p": pooled.p_value,
        "typical_variance": typical,
        "tau2_se": pooled.tau2_std_error,
        "loglik": float(
            log_likelihood(questions, np.array([pooled.tau2]), restricted=pooled.method == "reml")[0]
        ),
    }


def close(name: str, ours: float, expected: dict[str, dict[str, float]]) -> None:
    value = expected[name]
    if value is None or value["value"] is None:
        return
    assert ours == pytest.approx(value["value"], abs=value["tol_abs"], rel=1e-11), name


@pytest.mark.parametrize(("example", "prefix"), EXAMPLES)
def test_every_value_of_a_worked_example_is_met(example: str, prefix: str) -> None:
    effect, variance = EXAMPLES[example, prefix](numbers(example))
    expected = json.loads((ORACLES / example / "expected.json").read_text("utf-8"))["values"]
    frame = {"estimate": effect, "variance": variance}
    checked = set()

    def check(name: str, ours: float) -> None:
        if prefix + name in expected:
            close(prefix + name, ours, expected)
            checked.add(prefix + name)

    common = pool(frame, method="common")
    for name, ours in {
        "k": common.n_effects,
        "fixed_mean": common.estimate,
        "fixed_se": common.std_error,
        "fixed_ci_low": common.low,
        "fixed_ci_high": common.high,
        "fixed_z": common.statistic,
        "fixed_p": common.p_value,
        "q": common.q,
        "q_df": common.q_df,
        "q_p": common.q_p,
        "i2_from_q_pct": 100 * common.i2,
        "h2_from_q": common.h2,
    }.items():
        check(name, ours)
    for method in METHODS:
        pooled = pool(frame, method=method)
        assert pooled.interval_method == "hartung_knapp"
        assert pooled.converged
        ours = said(pooled, effect, variance)
        for name, value in ours.items():
            check(f"{method}_{name}", value)
        if not math.isnan(ours["typical_variance"]):
            check("typical_variance", ours["typical_variance"])
        check(f"tau2_{method}_se", ours["tau2_se"])
        check(f"loglik_{method}_at_max", ours["loglik"])
        check(f"{method}_pred_low", pooled.prediction_low)
        check(f"{method}_pred_high", pooled.prediction_high)
        check("tau2_qprofile_low", pooled.tau2_low)
        check("tau2_qprofile_high", pooled.tau2_high)
        typical = expected[prefix + "typical_variance"]["value"]
        for end, tau2 in (("low", pooled.tau2_low), ("high", pooled.tau2_high)):
            check(f"i2_qprofile_{end}_pct", 100 * float(i2_of_tau2(tau2, typical)))
    assert len(checked) > 80


@pytest.mark.parametrize(("example", "prefix"), EXAMPLES)
def test_pool_each_meets_the_examples_too(example: str, prefix: str) -> None:
    effect, variance = EXAMPLES[example, prefix](numbers(example))
    expected = json.loads((ORACLES / example / "expected.json").read_text("utf-8"))["values"]
    frame = pl.DataFrame({"estimate": effect, "variance": variance}).with_columns(which=pl.lit("a"))
    row = pool_each(pl.concat([frame, frame.with_columns(which=pl.lit("b")).head(2)]), "which").row(
        0, named=True
    )
    for name, ours in {
        "reml_tau2": row["tau2"],
        "reml_mean": row["estimate"],
        "reml_hksj_se": row["std_error"],
        "reml_hksj_ci_low": row["low"],
        "reml_hksj_ci_high": row["high"],
        "reml_hksj_p": row["p_value"],
        "reml_pred_low": row["prediction_low"],
        "reml_pred_high": row["prediction_high"],
        "tau2_qprofile_low": row["tau2_low"],
        "tau2_qprofile_high": row["tau2_high"],
        "tau2_reml_se": row["tau2_std_error"],
        "q": row["q"],
        "q_p": row["q_p"],
        "reml_i2_from_tau2_pct": 100 * row["i2_tau2"],
    }.items():
        close(prefix + name, ours, expected)


def test_an_interval_narrower_than_the_common_effects_is_told() -> None:
    """Lidocaine (Hine et al. 1989): the factor is below 1, which the oracle's notes point out."""
    effect, variance = risk_difference(numbers("lidocaine_risk_difference"))
    pooled = pool({"estimate": effect, "variance": variance})
    common = pool({"estimate": effect, "variance": variance}, method="common")
    assert pooled.high - pooled.low < common.high - common.low
    assert pooled.narrower_than_common
    assert any("narrower" in remark for remark in pooled.remarks)


def test_equal_variances_give_the_one_sample_t_interval() -> None:
    """With equal variances REML is s^2 - v and Hartung-Knapp is the ordinary t interval of the effects."""
    data = numbers("equal_variances_closed_form")
    effect, variance = as_given(data)
    expected = json.loads((ORACLES / "equal_variances_closed_form/expected.json").read_text("utf-8"))[
        "values"
    ]
    for method in ("moment", "paule_mandel", "reml"):
        ours = pool({"estimate": effect, "variance": variance}, method=method)
        close("closed_form_tau2_moment_pm_reml", ours.tau2, expected)
        close("closed_form_hksj_se", ours.std_error, expected)
    close("closed_form_tau2_ml", pool({"estimate": effect, "variance": variance}, method="ml").tau2, expected)


def test_chances_at_a_new_site_are_those_of_the_prediction_t() -> None:
    """P(T(k-2) > (c - mean) / sqrt(tau2 + se^2)), Higgins, Thompson & Spiegelhalter 2009."""
    for example in ("few_sites_k3", "new_site_verdict"):
        expected = json.loads((ORACLES / example / "expected.json").read_text("utf-8"))["values"]
        effect, variance = as_given(numbers(example))
        pooled = pool({"estimate": effect, "variance": variance}, wanted="increase", smallest_difference=0.1)
        close("reml_above_0_pred_t_kminus2", pooled.chance_above_zero, expected)
        close("reml_above_0p1_pred_t_kminus2", pooled.chance_above_smallest, expected)
        turned = pool({"estimate": -effect, "variance": variance}, wanted="decrease", smallest_difference=0.1)
        close("reml_above_0_pred_t_kminus2", turned.chance_above_zero, expected)
        close("reml_above_0p1_pred_t_kminus2", turned.chance_above_smallest, expected)


def test_the_prior_gives_the_examples_limits_through_pool() -> None:
    """Half-normal prior on tau by quadrature (Roever 2020); the oracle integrated to 30 digits."""
    for example, scales in (("few_sites_k3", {"0p5": 0.5}), ("new_site_verdict", {"0p25": 0.25, "0p5": 0.5})):
        expected = json.loads((ORACLES / example / "expected.json").read_text("utf-8"))["values"]
        effect, variance = as_given(numbers(example))
        for name, scale in scales.items():
            pooled = pool(
                {"estimate": effect, "variance": variance},
                interval="bayes",
                tau_scale=scale,
                wanted="increase",
                smallest_difference=0.1,
            )
            close(f"bayes_hn{name}_mu_median", pooled.estimate, expected)
            close(f"bayes_hn{name}_mu_low", pooled.low, expected)
            close(f"bayes_hn{name}_mu_high", pooled.high, expected)
            close(f"bayes_hn{name}_new_low", pooled.prediction_low, expected)
            close(f"bayes_hn{name}_new_high", pooled.prediction_high, expected)
            close(f"bayes_hn{name}_prob_new_site_above_0", pooled.chance_above_zero, expected)
            close(f"bayes_hn{name}_prob_new_site_above_0p1", pooled.chance_above_smallest, expected)


def test_one_sided_p_values_agree_with_the_equivalence_example() -> None:
    """Schuirmann 1987; z example after Rogers, Howard & Vessey 1993: estimate 0.12, se 0.09, bounds -+0.2."""
    expected = json.loads((ORACLES / "equivalence_and_multiplicity/expected.json").read_text("utf-8"))[
        "values"
    ]
    for name, df in (("z", np.inf), ("t6", 6.0)):
        low, high = (0.12 + 0.2) / 0.09, (0.12 - 0.2) / 0.09
        close(f"tost_{name}_p_low", float(share_above(low, df)), expected)
        close(f"tost_{name}_p_high", float(share_above(-high, df)), expected)
    assert float(p_two_sided(1.959963984540054, np.inf)) == pytest.approx(0.05)
