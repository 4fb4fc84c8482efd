"""Intervals that know that the weights and the spread between sites are estimates."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from scipy import integrate, optimize, stats

from crosscellar.errors import NotComputable
from crosscellar.pooling import pool, pool_each
from crosscellar.pooling.confidence import new_site
from crosscellar.pooling.estimators import moment, reml
from crosscellar.pooling.heterogeneity import Questions, side_by_side, typical_variance
from crosscellar.pooling.intervals import doubt_of_weights
from crosscellar.pooling.mixtures import NormalMixture

# Invented effects of six sites and their sampling variances.
ESTIMATE = np.array([0.12, 0.31, -0.05, 0.22, 0.40, 0.09])
VARIANCE = np.array([0.010, 0.022, 0.008, 0.015, 0.030, 0.012])
DF = np.array([8.0, 6.0, 12.0, 9.0, 5.0, 11.0])


def one(estimate: np.ndarray, variance: np.ndarray, df: np.ndarray | None = None) -> Questions:
    count = np.array([float(estimate.size)])
    return side_by_side(
        estimate[:, None], variance[:, None], count, None if df is None else np.asarray(df)[:, None]
    )


@pytest.mark.parametrize("sites", [3, 5, 12])
@pytest.mark.parametrize("share", [0.005, 0.025, 0.3, 0.975])
def test_without_sampling_error_a_new_site_lies_where_students_prediction_interval_says(
    sites: int, share: float
) -> None:
    # mean + t(k - 1) s sqrt(1 + 1/k): the textbook interval of one more observation of a normal sample
    # (Student 1908 for t; any introduction to statistics for the interval), with scipy.stats.t.
    estimate = np.random.default_rng(sites).normal(0.1, 0.2, sites)
    found = new_site(one(estimate, np.full(sites, 1e-9))).quantile(share)[0]
    spread = estimate.std(ddof=1) * math.sqrt(1 + 1 / sites)
    expected = estimate.mean() + stats.t.ppf(share, sites - 1) * spread
    assert found == pytest.approx(expected, abs=2e-4 * spread * abs(stats.t.ppf(0.005, sites - 1)))


@pytest.mark.parametrize("bound", [-0.3, 0.0, 0.15, 0.6])
def test_the_chance_at_a_new_site_is_the_integral_over_the_chi_square_of_q(bound: float) -> None:
    # scipy's chi2, brentq and quad: tau2 solves Q(tau2) = q for q drawn from chi-square(k - 1), 0 where Q(0)
    # is smaller already; then the normal of a new site at that tau2.
    def weighed(tau2: float) -> tuple[float, float, float]:
        weight = 1 / (VARIANCE + tau2)
        mean = (weight * ESTIMATE).sum() / weight.sum()
        return (weight * (ESTIMATE - mean) ** 2).sum(), mean, 1 / weight.sum()

    def below(tau2: float) -> float:
        _, mean, variance = weighed(tau2)
        return float(stats.norm.cdf(bound, mean, math.sqrt(variance + tau2)))

    def inside(q: float) -> float:
        tau2 = optimize.brentq(lambda t: weighed(t)[0] - q, 0.0, 1e6, xtol=1e-14)
        return below(tau2) * float(stats.chi2.pdf(q, 5))

    at_zero = weighed(0.0)[0]
    spread = integrate.quad(inside, 1e-6, at_zero, epsabs=1e-9)[0]
    expected = spread + stats.chi2.sf(at_zero, 5) * below(0.0)
    assert new_site(one(ESTIMATE, VARIANCE)).below(bound)[0] == pytest.approx(expected, abs=2e-5)


def test_quantiles_turn_chances_back_for_every_question_of_a_block() -> None:
    draw = np.random.default_rng(4)
    estimate, variance = draw.normal(0, 0.3, (7, 50)), draw.gamma(3, 0.01, (7, 50))
    found = new_site(side_by_side(estimate, variance, np.full(50, 7.0)))
    assert found.chance.sum(axis=0) == pytest.approx(1.0)
    for share in (0.001, 0.025, 0.5, 0.9):
        assert found.below(found.quantile(share)) == pytest.approx(share, abs=1e-9)


def test_a_quantile_in_the_gap_between_two_normals_is_found() -> None:
    # Newton's steps lead far out where hardly anything lies.
    for share in (0.3, 0.5 - 1e-9, 0.5 + 1e-9, 0.7):
        mixed = NormalMixture.of_one(np.array([0.5, 0.5]), np.array([-40.0, 40.0]), np.array([1.0, 3.0]), 0.2)
        assert mixed.below(mixed.quantile(share))[0] == pytest.approx(share, abs=1e-9)


def test_sites_that_agree_to_the_last_digit_leave_no_spread() -> None:
    low, high = (new_site(one(np.full(4, 0.2), np.full(4, 0.04))).quantile(p)[0] for p in (0.025, 0.975))
    assert (low, high) == pytest.approx(tuple(stats.norm.interval(0.95, 0.2, 0.1)))


def test_estimated_variances_raise_the_variance_of_a_weighted_mean_as_meier_says() -> None:
    # Meier 1953, Biometrics 9:59-73 (formula from memory): 1 / sum w (1 + 2 sum h (1 - h) / df).
    h = (1 / VARIANCE) / (1 / VARIANCE).sum()
    meier = 2 * (h * (1 - h) / DF).sum()
    known = doubt_of_weights(one(ESTIMATE, VARIANCE), np.zeros(1))[0]
    both = doubt_of_weights(one(ESTIMATE, VARIANCE, DF), np.zeros(1))[0]
    assert both - known == pytest.approx(meier, rel=1e-12)
    # And as it comes out when weights are drawn: the variance of the mean over 200,000 networks.
    draw = np.random.default_rng(11)
    df = 40.0
    drawn = VARIANCE * draw.chisquare(df, (200_000, 6)) / df
    share = (1 / drawn) / (1 / drawn).sum(axis=1, keepdims=True)
    grown = (share**2 * VARIANCE).sum(axis=1).mean() * (1 / VARIANCE).sum() - 1
    assert grown == pytest.approx(2 * (h * (1 - h)).sum() / df, rel=0.08)


def test_equal_known_variances_leave_no_doubt_of_the_weights() -> None:
    assert doubt_of_weights(one(ESTIMATE, np.full(6, 0.01)), np.array([0.02]))[0] == pytest.approx(
        0, abs=1e-12
    )


def test_auto_allows_for_estimated_weights_where_variances_come_with_degrees_of_freedom() -> None:
    known = pool({"estimate": ESTIMATE, "variance": VARIANCE})
    estimated = pool({"estimate": ESTIMATE, "variance": VARIANCE, "df": DF})
    assert known.interval_method == "hartung_knapp"
    assert estimated.interval_method == "estimated_weights"
    assert estimated.estimate == known.estimate
    assert estimated.df == known.df == 5
    growth = 1 + doubt_of_weights(one(ESTIMATE, VARIANCE, DF), np.array([known.tau2]))[0]
    assert (estimated.std_error / known.std_error) ** 2 == pytest.approx(growth)
    assert estimated.high - estimated.low > known.high - known.low
    same = pool({"estimate": ESTIMATE, "variance": VARIANCE, "df": DF}, interval="hartung_knapp")
    assert (same.low, same.prediction_low) == (known.low, known.prediction_low)


def test_a_new_site_is_never_known_better_than_the_mean_and_two_sites_tell_nothing_of_it() -> None:
    draw = np.random.default_rng(9)
    many = 300
    frame = pl.DataFrame(
        {
            "run": np.repeat(np.arange(many), 3),
            "estimate": draw.normal(0, 0.2, 3 * many),
            "variance": draw.gamma(4, 0.01, 3 * many),
            "df": 8.0,
        }
    )
    found = pool_each(frame, by="run")
    assert found.filter(pl.col("prediction_low") > pl.col("low")).is_empty()
    assert found.filter(pl.col("prediction_high") < pl.col("high")).is_empty()
    two = pool({"estimate": [0.1, 0.2], "variance": [0.01, 0.02], "df": [8, 8]})
    assert math.isnan(two.prediction_low)
    assert math.isnan(two.chance_above_zero)


def test_it_takes_one_effect_a_site() -> None:
    with pytest.raises(NotComputable, match="one effect a site"):
        pool(
            {"estimate": ESTIMATE, "variance": VARIANCE, "site": ["a", "a", "b", "c", "d", "e"]},
            interval="estimated_weights",
        )


def test_many_questions_at_once_get_the_numbers_of_each_alone() -> None:
    draw = np.random.default_rng(3)
    sizes = [2, 3, 3, 5, 8, 12]
    frame = pl.DataFrame(
        {
            "asked": np.repeat(np.arange(len(sizes)), sizes),
            "estimate": draw.normal(0.1, 0.2, sum(sizes)),
            "variance": draw.gamma(4, 0.01, sum(sizes)),
            "df": [None if at % 5 == 0 else 4.0 + at % 7 for at in range(sum(sizes))],
        }
    )
    found = pool_each(frame, by="asked", smallest_difference=0.1, wanted="decrease")
    for row in found.iter_rows(named=True):
        alone = pool(
            frame.filter(pl.col("asked") == row["asked"]), smallest_difference=0.1, wanted="decrease"
        )
        assert (alone.verdict, alone.interval_method) == (row["verdict"], row["interval_method"])
        for name in ("low", "high", "prediction_low", "prediction_high", "chance_above_zero"):
            expected = getattr(alone, name)
            assert row[name] == (None if math.isnan(expected) else pytest.approx(expected, rel=1e-9)), name
        expected = alone.chance_above_smallest
        assert row["chance_above_smallest"] == (
            None if math.isnan(expected) else pytest.approx(expected, rel=1e-9)
        )


def _doubt_in_fractions(variance: list[float], df: list[float]) -> float:
    """The share that `doubt_of_weights` gives at tau2 = 0, in exact fractions."""
    weight = [1 / Fraction(v) for v in variance]
    sum1, sum2, sum3 = (sum(w**power for w in weight) for power in (1, 2, 3))
    of_tau2 = 2 / (sum2 - 2 * sum3 / sum1 + (sum2 / sum1) ** 2)
    own = sum(w**3 * (1 - w / sum1) * 2 / w**2 / Fraction(d) for w, d in zip(weight, df, strict=True)) / sum1
    return float((sum3 - sum2**2 / sum1) / sum1 * of_tau2 + own)


@pytest.mark.parametrize("precise", [1e-2, 1e-8, 1e-12, 1e-18])
def test_the_doubt_of_weights_keeps_its_digits_where_one_trial_has_all_the_weight(precise: float) -> None:
    variance, df = [precise, 2.0, 1.0, 3.0], [4.0, 2.0, 9.0, 4.0]
    questions = side_by_side(
        np.array([[0.1, 0.2, 0.15, 0.22]]).T, np.array([variance]).T, np.array([4.0]), np.array([df]).T
    )
    doubt = doubt_of_weights(questions, np.zeros(1))[0]
    assert doubt == pytest.approx(_doubt_in_fractions(variance, df), rel=1e-12)
    information = reml(questions).std_error[0]
    assert math.isfinite(information)


def test_the_typical_variance_and_the_moments_keep_their_digits_beside_an_enormous_variance() -> None:
    questions = side_by_side(np.array([[0.0, 1e9]]).T, np.array([[1e-3, 1e14]]).T, np.array([2.0]))
    # (k - 1) S1 / (S1^2 - S2) is (v1 + v2) / 2 for two effects, and the moment estimator d^2 / 2 less that.
    assert typical_variance(questions)[0] == pytest.approx(0.5e14, rel=1e-12)
    assert moment(questions).value[0] == pytest.approx(0.5e18 - 0.5e14, rel=1e-12)


def test_a_chance_never_lies_below_nothing() -> None:
    rng = np.random.default_rng(4)
    frame = pl.DataFrame(
        {
            "key": np.repeat(np.arange(200), 4),
            "estimate": rng.normal(5.0, 0.1, 800),
            "variance": rng.uniform(1e-5, 1e-4, 800),
            "df": np.full(800, 4.0),
        }
    )
    chances = pool_each(frame, by="key", wanted="decrease", smallest_difference=1.0)
    for name in ("chance_above_zero", "chance_above_smallest"):
        assert chances[name].is_between(0.0, 1.0).all()
    up = pool_each(frame, by="key", wanted="increase", smallest_difference=50.0)
    for name in ("chance_above_zero", "chance_above_smallest"):
        assert up[name].is_between(0.0, 1.0).all()


@pytest.mark.parametrize("bound", [0.2, 0.75, 1.0, 2.0])
def test_a_new_site_among_many_unlike_trials_is_that_of_the_integral_too(bound: float) -> None:
    # As above, for a hundred sites whose variances differ a thousandfold: Q's distribution is narrow there.
    rng = np.random.default_rng(8)
    variance = 10 ** rng.uniform(-3, 0, 100)
    estimate = rng.normal(1.0, np.sqrt(1.0 + variance))

    def q_of(tau2: float) -> tuple[float, float, float]:
        weight = 1 / (variance + tau2)
        mean = (weight * estimate).sum() / weight.sum()
        return (weight * (estimate - mean) ** 2).sum(), mean, 1 / weight.sum()

    def inside(q: float) -> float:
        tau2 = 0.0 if q_of(0.0)[0] <= q else optimize.brentq(lambda t: q_of(t)[0] - q, 0.0, 1e3)
        _, mean, spread = q_of(tau2)
        return float(stats.norm.cdf(bound, mean, math.sqrt(spread + tau2)) * stats.chi2.pdf(q, 99))

    ends = stats.chi2.ppf([1e-9, 1 - 1e-9], 99)
    expected = integrate.quad(inside, *ends, points=[80, 99, 120], limit=200)[0]
    assert new_site(one(estimate, variance)).below(bound)[0] == pytest.approx(expected, abs=2e-5)
