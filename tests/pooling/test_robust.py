from __future__ import annotations

import numpy as np
import pytest

from crosscellar.errors import NotComputable
from crosscellar.pooling.covariance import Floats, from_shared_controls
from crosscellar.pooling.nested import fit_nested, working_covariance
from crosscellar.pooling.robust import cr2, cr2_weighted


def from_the_definition(y: Floats, x: Floats, v: Floats, site: Floats) -> tuple[Floats, Floats]:
    """CR2 covariance and Satterthwaite df with full matrices, after Pustejovsky & Tipton (2018)."""
    inverse = np.linalg.inv(v)
    bread = np.linalg.inv(x.T @ inverse @ x)
    left_over = np.eye(y.size) - x @ bread @ x.T @ inverse
    pulls = []
    for name in np.unique(site):
        at = np.flatnonzero(site == name)
        d = np.linalg.cholesky(v[np.ix_(at, at)]).T
        value, vector = np.linalg.eigh(d @ left_over[at] @ v @ left_over[at].T @ d.T)
        a = d.T @ (vector / np.sqrt(value)) @ vector.T @ d
        pulls.append(left_over[at].T @ a.T @ (inverse @ x @ bread)[at])
    scores = np.array([pull.T @ y for pull in pulls])
    df = []
    for j in range(x.shape[1]):
        g = np.array([[one[:, j] @ v @ other[:, j] for other in pulls] for one in pulls])
        df.append(np.trace(g) ** 2 / np.trace(g @ g))
    return scores.T @ scores, np.array(df)


def network(seed: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    rng = np.random.default_rng(seed)
    site = np.repeat(np.arange(7), [1, 2, 3, 3, 4, 6, 6])
    variance = rng.uniform(0.02, 0.2, site.size)
    y = rng.normal(0, 0.4, 7)[site] + rng.normal(0, 0.3, site.size)
    return y, variance, site, np.column_stack([np.ones(site.size), rng.normal(size=site.size)]), site


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_blocks_give_what_full_matrices_give(seed: int) -> None:
    y, variance, site, x, _ = network(seed)
    fit = fit_nested(y, variance, site=site, design=x)
    result = cr2(fit)
    covariance, df = from_the_definition(y, x, working_covariance(fit), site)
    np.testing.assert_allclose(result.covariance, covariance, rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(result.df, df, rtol=1e-8)


def test_a_shared_control_enters_the_working_covariance() -> None:
    y, variance, site, x, _ = network(5)
    keys = [f"{s}" if i % 2 else None for i, s in enumerate(site)]
    shared = from_shared_controls(keys, variance / 3)
    fit = fit_nested(y, variance, site=site, trial=site, covariance=shared, design=x)
    covariance, df = from_the_definition(y, x, working_covariance(fit), site)
    np.testing.assert_allclose(cr2(fit).covariance, covariance, rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(cr2(fit).df, df, rtol=1e-8)


def test_equal_sites_of_one_effect_give_student_t() -> None:
    # With one effect a site and equal variances CR2 is the textbook variance of a mean, df k - 1.
    y = np.array([0.1, 0.4, 0.2, 0.5, 0.3])
    result = cr2_weighted(y, site=np.arange(5), variance=np.full(5, 0.04))
    assert result.std_errors[0] == pytest.approx(y.std(ddof=1) / np.sqrt(5), rel=1e-12)
    assert result.df[0] == pytest.approx(4.0, rel=1e-12)


def test_seasons_in_common_widen_the_interval_and_cap_its_degrees_of_freedom() -> None:
    rng = np.random.default_rng(11)
    site, season = np.repeat(np.arange(8), 4), np.tile(np.arange(4), 8)
    y = 0.2 + np.array([-0.5, 0.4, -0.2, 0.6])[season] + rng.normal(0, 0.1, 32)
    variance = np.full(32, 0.01)
    crossed = fit_nested(y, variance, site=site, season=season)
    assert crossed.sigma2["season"] > 0.05
    with_seasons, without = cr2(crossed), cr2(fit_nested(y, variance, site=site))
    assert with_seasons.df[0] <= 3.0
    assert with_seasons.std_errors[0] > 2 * without.std_errors[0]
    # Balanced data: the mean's variance is that of the season means (two-way ANOVA without interaction).
    by_season = y.reshape(8, 4).mean(axis=0)
    assert with_seasons.std_errors[0] == pytest.approx(by_season.std(ddof=1) / 2, rel=0.05)


def test_a_coefficient_that_one_site_fixes_has_no_error() -> None:
    y, variance, site, _, _ = network(4)
    alone = np.column_stack([site == 6, site != 6]).astype(float)
    result = cr2(fit_nested(y, variance, site=site, design=alone))
    assert np.isnan(result.std_errors[0]) and np.isnan(result.df[0])
    assert np.isfinite(result.std_errors[1]) and result.df[1] > 1


def test_precise_and_imprecise_sites_may_differ_by_orders_of_magnitude() -> None:
    y = np.array([0.1, 0.2, 0.15, 0.3])
    result = cr2_weighted(y, site=np.arange(4), variance=np.array([1e-8, 1e2, 1e-4, 1.0]))
    assert np.isfinite(result.std_errors).all()


def test_one_site_is_refused() -> None:
    with pytest.raises(NotComputable, match="one site"):
        cr2_weighted([0.1, 0.2], site=["a", "a"], variance=[0.1, 0.1])


@pytest.mark.long
@pytest.mark.parametrize(("between_sites", "between_seasons"), [(0.1, 0.0), (0.2, 0.2), (0.0, 0.2)])
def test_intervals_of_sites_seen_in_the_same_seasons_hold_the_truth(
    between_sites: float, between_seasons: float
) -> None:
    # The truth of the simulation is 0; 400 runs of 95 % have a standard error of 1.1 %.
    rng = np.random.default_rng(12)
    site, season = np.repeat(np.arange(6), 3), np.tile(np.arange(3), 6)
    held = 0
    for _ in range(400):
        variance = rng.uniform(0.003, 0.015, 18)
        y = rng.normal(0, between_sites, 6)[site] + rng.normal(0, between_seasons, 3)[season]
        y += rng.normal(0, np.sqrt(variance + 0.05**2))
        low, high = cr2(fit_nested(y, variance, site=site, season=season)).interval(0.95)
        held += int(low[0] <= 0.0 <= high[0])
    assert held / 400 > 0.92


@pytest.mark.parametrize("enormous", [1e3, 1e6, 1e9])
def test_a_trial_of_enormous_variance_takes_no_interval_from_the_others(enormous: float) -> None:
    estimate, variance = [0.2, 0.25, 0.15, 0.22, 0.3, 0.18], [1e-3, 2e-3, 1e-3, 3e-3, 2e-3, 1e-3]
    site = list("aabbcc")
    alone = cr2(fit_nested(estimate, variance, site=site))
    beside = cr2(fit_nested([*estimate, 0.5], [*variance, enormous], site=[*site, "a"]))
    assert beside.std_errors[0] == pytest.approx(alone.std_errors[0], rel=1e-2 / np.sqrt(enormous))
    assert beside.df[0] == pytest.approx(alone.df[0], rel=1e-2 / np.sqrt(enormous))
