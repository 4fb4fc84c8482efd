"""Effects against worked examples: data, sources and 40-digit values in oracles/*/expected.json.

Each file names the publication of its data and of its method; the values were computed independently of this
project and of any statistics package. Tolerances are the files' own.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.special import ndtri, stdtr

from crosscellar.effects import (
    critical_number,
    effects_from_summary,
    hedges_correction,
    moderate_variances,
    shared_control_log_ratio,
    shared_control_standardized,
    similarity_limit,
    slope_from_case_control,
    slope_from_means,
    triangle_power,
    triangle_result,
)
from crosscellar.effects.slopes import fitted_case_control
from crosscellar.effects.triangles import chance_correct, d_prime_of

ORACLES = Path(__file__).parent / "oracles"
SUMMARY = {f"treated_{word}": f"{word}_treatment" for word in ("n", "mean", "sd", "events")} | {
    f"control_{word}": f"{word}_control" for word in ("n", "mean", "sd", "events")
}


class Oracle:
    """One worked example: its data and a check of each of its values."""

    def __init__(self, name: str) -> None:
        self.data = pl.read_csv(ORACLES / name / "data.csv", null_values=["-"], comment_prefix="#")
        self.values = json.loads((ORACLES / name / "expected.json").read_text(encoding="utf-8"))["values"]

    def holds(self, name: str, found: float | int | None) -> bool:
        expected = self.values[name]
        if expected["value"] is None or found is None:
            return expected["value"] is None and found is None
        return abs(float(found) - expected["value"]) <= expected["tol_abs"] + 1e-15

    def summary(self) -> pl.DataFrame:
        return self.data.rename({old: new for old, new in SUMMARY.items() if old in self.data.columns})

    def numbered(self, prefix: str, found: pl.Series) -> list[str]:
        """The names `prefix_1`, `prefix_2`, ... that the found values miss; at least one must exist."""
        names = [name for name in self.values if name.startswith(prefix) and name[len(prefix) :].isdigit()]
        assert names
        return [name for name in names if not self.holds(name, found[int(name[len(prefix) :]) - 1])]


@pytest.mark.parametrize(
    ("prefix", "correction"), [("plain", "none"), ("delta", "delta"), ("sigma", "sigma")]
)
def test_log_ratios_of_102_plants_match_hedges_gurevitch_curtis_1999_and_lajeunesse_2015(
    prefix: str, correction: str
) -> None:
    oracle = Oracle("co2_woody_log_response_ratio")
    effects = effects_from_summary(oracle.summary(), small_sample=correction)  # type: ignore[arg-type]
    assert effects.height == 102
    assert oracle.numbered(f"{prefix}_effect_", effects["estimate"]) == []
    assert oracle.numbered(f"{prefix}_variance_", effects["variance"]) == []


def test_the_correction_for_small_samples_is_the_exact_one_of_hedges_1981() -> None:
    oracle = Oracle("hedges_j_factor")
    exact = [name for name in oracle.values if name.startswith("j_exact_")]
    assert len(exact) > 20
    for name in exact:
        assert oracle.holds(name, float(hedges_correction(int(name.split("_")[-1])))), name


@pytest.mark.parametrize(
    ("column", "variance"), [("j2", "corrected"), ("plain", "plain"), ("unbiased", "unbiased")]
)
def test_standardized_differences_of_six_trials_match_borenstein_2009(column: str, variance: str) -> None:
    oracle = Oracle("six_trials_hedges_g")
    effects = effects_from_summary(
        oracle.summary(),
        measure="standardized",
        standardized_variance=variance,  # type: ignore[arg-type]
    )
    assert oracle.numbered("exactJ_g_", effects["estimate"]) == []
    assert oracle.numbered(f"exactJ_g_var_{column}_", effects["variance"]) == []


def test_log_risk_ratios_of_thirteen_trials_match_colditz_1994() -> None:
    oracle = Oracle("bcg_log_risk_ratio")
    counts = oracle.data.select(
        pl.col("treated_events").alias("events_treatment"),
        (pl.col("treated_events") + pl.col("treated_nonevents")).alias("n_treatment"),
        pl.col("control_events").alias("events_control"),
        (pl.col("control_events") + pl.col("control_nonevents")).alias("n_control"),
    )
    effects = effects_from_summary(counts, measure="log_risk_ratio")
    assert oracle.numbered("effect_", effects["estimate"]) == []
    assert oracle.numbered("variance_", effects["variance"]) == []


def test_risk_differences_of_six_trials_weigh_up_to_the_common_effect_of_hine_1989() -> None:
    oracle = Oracle("lidocaine_risk_difference")
    effects = effects_from_summary(oracle.summary(), measure="risk_difference")
    weight = 1.0 / effects["variance"].to_numpy()
    mean = float((weight * effects["estimate"].to_numpy()).sum() / weight.sum())
    assert oracle.holds("fixed_mean", mean)
    assert oracle.holds("fixed_se", float(weight.sum() ** -0.5))


def test_treatments_that_share_a_control_covary_as_in_gleser_and_olkin_2009() -> None:
    oracle = Oracle("shared_control_smd")
    numbered = oracle.data.with_row_index("no", offset=1).with_columns(
        ((pl.col("treated_mean") - pl.col("control_mean")) / pl.col("pooled_sd")).alias("d")
    )
    for _, trial in numbered.group_by("study", maintain_order=True):
        n_control = float(trial["control_n"][0])
        total = n_control + float(trial["treated_n"].sum())
        found = shared_control_standardized(trial["d"], trial["treated_n"], n_control, n_total=total)
        for i, no in enumerate(trial["no"]):
            assert oracle.holds(f"d_{no}", trial["d"][i])
            assert oracle.holds(f"var_{no}", found[i, i])
            for j in range(i):
                assert oracle.holds(f"cov_{trial['no'][j]}_{no}", found[j, i])


def test_log_ratios_that_share_a_control_covary_as_in_lajeunesse_2011() -> None:
    oracle = Oracle("shared_control_log_ratio")
    arms = oracle.data
    control = arms.filter(pl.col("arm") == "control").select(
        "site", pl.col("n", "mean", "sd").name.suffix("_control")
    )
    pairs = (
        arms.filter(pl.col("arm") != "control")
        .rename({"n": "n_treatment", "mean": "mean_treatment", "sd": "sd_treatment"})
        .join(control, on="site", how="left", maintain_order="left")
    )
    effects = effects_from_summary(pairs)
    shared = shared_control_log_ratio(pairs["mean_control"], pairs["sd_control"], pairs["n_control"])
    assert oracle.numbered("effect_", effects["estimate"]) == []
    assert oracle.numbered("var_", effects["variance"]) == []
    covariances = [name for name in oracle.values if name.startswith("cov_")]
    assert covariances
    for name in covariances:
        assert oracle.holds(name, shared[int(name.split("_")[1]) - 1]), name


def test_the_slope_of_arm_means_on_dose_matches_crippa_and_orsini_2016() -> None:
    oracle = Oracle("dose_slope_means")
    for (site,), arms in oracle.data.group_by("site", maintain_order=True):
        slope = slope_from_means(arms["dose"], arms["n"], arms["mean"], arms["sd"])
        assert oracle.holds(f"site{site}_slope", slope.estimate)
        assert oracle.holds(f"site{site}_slope_se", slope.variance**0.5)
        assert oracle.holds(f"site{site}_lack_of_fit_q", slope.lack_of_fit)
        assert slope.lack_of_fit_df == oracle.values[f"site{site}_lack_of_fit_df"]["value"]


def test_the_slope_of_adjusted_odds_on_dose_matches_greenland_and_longnecker_1992() -> None:
    oracle = Oracle("dose_slope_case_control")
    table = oracle.data
    exposed = table[1:]
    width = exposed["or_high95"].log() - exposed["or_low95"].log()
    variance = (width.to_numpy() / (2.0 * ndtri(0.975))) ** 2
    fitted = fitted_case_control(table["cases"], table["controls"], exposed["adjusted_or"], variance)
    for i in range(4):
        assert oracle.holds(f"fitted_cases_{i}", fitted.cases[i])
        assert oracle.holds(f"fitted_controls_{i}", fitted.controls[i])
    assert oracle.holds("cov_1_2", fitted.covariance[0, 1])
    assert oracle.holds("cov_2_3", fitted.covariance[1, 2])
    slope = slope_from_case_control(
        table["dose"], table["cases"], table["controls"], exposed["adjusted_or"], variance
    )
    assert oracle.holds("slope_gls", slope.estimate)
    assert oracle.holds("slope_gls_se", slope.variance**0.5)
    assert oracle.holds("gls_q", slope.lack_of_fit)


def test_variances_of_twelve_analytes_lean_on_each_other_as_in_smyth_2004() -> None:
    oracle = Oracle("moderated_variances_equal_df")
    data = oracle.data
    found = moderate_variances(data["variance"], data["df"])
    assert oracle.holds("prior_df", found.prior_df)
    assert oracle.holds("prior_s2", found.prior_variance)
    t = data["estimate"].to_numpy() / np.sqrt(found.variance * data["unscaled_variance"].to_numpy())
    for i in range(data.height):
        assert oracle.holds(f"posterior_s2_{i + 1}", found.variance[i])
        assert oracle.holds(f"moderated_df_{i + 1}", found.df[i])
        assert oracle.holds(f"moderated_t_{i + 1}", t[i])
        assert oracle.holds(f"moderated_p_{i + 1}", 2.0 * stdtr(found.df[i], -abs(t[i])))


def test_critical_numbers_of_the_triangle_test_match_the_published_tables() -> None:
    """ISO 4120:2004 annex A by the exact binomial; the data file is FAO document V7180E, appendix A."""
    oracle = Oracle("triangle_critical_numbers")
    share = {"20pct": 0.2, "10pct": 0.1, "5pct": 0.05, "1pct": 0.01, "0p1pct": 0.001}
    checked = 0
    for name in oracle.values:
        parts = name.split("_")
        if name.startswith("min_correct_n"):
            found: float | int | None = critical_number(int(parts[2][1:]), alpha=share[parts[3]])
        elif name.startswith("max_correct_similar_n"):
            found = similarity_limit(
                int(parts[3][1:]), discriminators=int(parts[4][2:]) / 100, beta=int(parts[5][4:-3]) / 100
            )
        else:
            assert name.startswith("power_n")
            found = triangle_power(int(parts[1][1:]), discriminators=int(parts[2][2:]) / 100)
        assert oracle.holds(name, found), name
        checked += 1
    assert checked > 300
    for row in oracle.data.drop_nulls("published_min_correct_5pct").iter_rows(named=True):
        for column, alpha in (("10pct", 0.1), ("5pct", 0.05), ("1pct", 0.01), ("0p1pct", 0.001)):
            assert critical_number(row["n"], alpha=alpha) == row[f"published_min_correct_{column}"]


def test_d_prime_of_the_triangle_matches_ennis_1993() -> None:
    oracle = Oracle("triangle_dprime")
    fields = {
        "prop_correct": "proportion_correct",
        "p_value_difference": "p_value",
        "prop_discriminators_raw": "discriminators",
        "prop_discriminators_se": "discriminators_se",
        "prop_correct_exact_low": "low",
        "prop_correct_exact_high": "high",
        "prop_discriminators_exact_low": "discriminators_low",
        "prop_discriminators_exact_high": "discriminators_high",
        "dprime": "d_prime",
        "dprime_se": "d_prime_se",
    }
    checked = 0
    for name in oracle.values:
        if name.startswith("dprime_at_pc_"):
            found: float | None = float(d_prime_of(float(name.split("_")[-1].replace("p", "."))))
        elif name.startswith("pc_at_dprime_"):
            found = float(chance_correct(float(name.split("_")[-1].replace("p", "."))))
        elif name.startswith("n") and name.split("_", 2)[2] in fields:
            n, correct, quantity = name.split("_", 2)
            found = getattr(triangle_result(int(correct[1:]), int(n[1:])), fields[quantity])
        else:
            continue
        assert oracle.holds(name, found), name
        checked += 1
    assert checked > 100
