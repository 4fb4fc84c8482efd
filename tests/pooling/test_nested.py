from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import minimize

from crosscellar.errors import NotComputable
from crosscellar.pooling.covariance import Covariance, Floats, from_matrix, from_shared_controls
from crosscellar.pooling.layers import side_by_side as layers_side_by_side
from crosscellar.pooling.nested import (
    NestedFit,
    fit_nested,
    fit_side_by_side,
    nested_problem,
    working_covariance,
)

N = 48


@dataclass(frozen=True)
class Network:
    """Six sites, four seasons each, two arms a trial that share a control."""

    estimate: Floats
    variance: Floats
    site: Any
    trial: Any
    season: Any
    covariance: Covariance
    design: Floats
    sampling: Floats

    def levels(self) -> list[Floats]:
        code = self.site * 4 + self.season - 1
        return [
            (np.asarray(c)[:, None] == np.unique(c)).astype(float) for c in (self.site, code, self.season)
        ]

    def likelihood(self, theta: Floats, *, restricted: bool) -> float:
        """The log likelihood with full matrices, from its definition."""
        v = self.sampling + sum(t * z @ z.T for t, z in zip(theta, self.levels(), strict=True))
        inverse = np.linalg.inv(v)
        cross = self.design.T @ inverse @ self.design
        b = np.linalg.solve(cross, self.design.T @ inverse @ self.estimate)
        left = self.estimate - self.design @ b
        value = np.linalg.slogdet(v)[1] + left @ inverse @ left
        free = N
        if restricted:
            value += np.linalg.slogdet(cross)[1]
            free -= self.design.shape[1]
        return float(-0.5 * (value + free * np.log(2 * np.pi)))


@pytest.fixture(scope="module")
def network() -> Network:
    rng = np.random.default_rng(1)
    site = np.repeat(np.arange(6), 8)
    season = np.tile(np.repeat([1, 2, 3, 4], 2), 6)
    control = rng.uniform(0.005, 0.02, N // 2).repeat(2)
    variance = control + rng.uniform(0.01, 0.03, N)
    shared = from_shared_controls([f"{a}-{b}" for a, b in zip(site, season, strict=True)], control)
    sampling = shared.matrix(variance)
    estimate = (
        0.2
        + rng.normal(0, 0.2, 6)[site]
        + rng.normal(0, 0.1, 24)[site * 4 + season - 1]
        + rng.normal(0, 0.15, 4)[season - 1]
        + np.linalg.cholesky(sampling) @ rng.normal(size=N)
    )
    design = np.column_stack([np.ones(N), rng.normal(size=N)])
    return Network(estimate, variance, site, season, season, shared, design, sampling)


def fitted(network: Network, method: Any, *, seasons: bool) -> NestedFit:
    return fit_nested(
        network.estimate,
        network.variance,
        site=network.site,
        trial=network.trial,
        season=network.season if seasons else None,
        covariance=network.covariance,
        design=network.design,
        method=method,
    )


@pytest.mark.parametrize("restricted", [False, True])
def test_each_point_of_a_grid_has_the_likelihood_of_full_matrices(network: Network, restricted: bool) -> None:
    """Points that share a variance between trials share its work; those of two questions do not."""
    layers = [
        nested_problem(
            estimate,
            network.variance,
            site=network.site,
            trial=network.trial,
            season=network.season,
            covariance=network.covariance,
            design=network.design,
        ).layers
        for estimate in (network.estimate, network.estimate[::-1])
    ]
    both = layers_side_by_side(layers)
    values = itertools.product([0.0, 0.04, 0.3], [0.02, 0.0, 0.5], [0.0, 0.1])
    theta = np.repeat(np.array(list(values)), 2, axis=0)
    of = np.tile([0, 1], theta.shape[0] // 2)
    turned = replace(network, estimate=network.estimate[::-1])
    want = [
        (network, turned)[at].likelihood(point, restricted=restricted)
        for at, point in zip(of, theta, strict=True)
    ]
    found = both.log_likelihood(theta, of, restricted=restricted)
    np.testing.assert_allclose(found, want, rtol=1e-10)


@pytest.mark.parametrize("seasons", [False, True])
@pytest.mark.parametrize("method", ["reml", "ml"])
def test_the_peak_is_that_of_the_likelihood_with_full_matrices(
    network: Network, method: str, seasons: bool
) -> None:
    fit = fitted(network, method, seasons=seasons)
    names = ["site", "trial", "season"] if seasons else ["site", "trial"]
    theta = np.array([fit.sigma2[name] for name in names] + [0.0] * (3 - len(names)))
    restricted = method == "reml"
    assert fit.converged
    assert fit.log_likelihood == pytest.approx(network.likelihood(theta, restricted=restricted), abs=1e-10)

    def misfit(free: Floats) -> float:
        return -network.likelihood(np.r_[free, [0.0] * (3 - len(names))], restricted=restricted)

    found = minimize(misfit, [0.03] * len(names), bounds=[(0, None)] * len(names), method="L-BFGS-B")
    assert fit.log_likelihood >= -found.fun - 1e-9
    np.testing.assert_allclose(theta[: len(names)], found.x, rtol=0.02)


@pytest.mark.parametrize("seasons", [False, True])
def test_coefficients_weights_and_their_covariance_are_generalized_least_squares(
    network: Network, seasons: bool
) -> None:
    fit = fitted(network, "reml", seasons=seasons)
    whole = working_covariance(fit)
    inverse = np.linalg.inv(whole)
    spread = np.linalg.inv(network.design.T @ inverse @ network.design)
    np.testing.assert_allclose(fit.covariance, spread, rtol=1e-9)
    np.testing.assert_allclose(
        fit.coefficients, spread @ network.design.T @ inverse @ network.estimate, rtol=1e-9
    )
    np.testing.assert_allclose(fit.weights.T @ network.estimate, fit.coefficients, rtol=1e-9)
    np.testing.assert_allclose(fit.weights.T @ network.design, np.eye(2), atol=1e-9)


def test_equal_variances_give_the_mixed_model_of_statsmodels() -> None:
    # With one known variance everywhere the nested model is a random-intercept model with error
    # trial + sampling: statsmodels MixedLM by REML.
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(7)
    site = np.repeat(np.arange(12), 5)
    x = np.column_stack([np.ones(60), rng.normal(size=60)])
    y = x @ [0.3, -0.2] + rng.normal(0, 0.5, 12)[site] + rng.normal(0, 0.4, 60)
    outside = MixedLM(y, x, groups=site).fit(reml=True, gtol=1e-10)
    fit = fit_nested(y, np.full(60, 0.01), site=site, design=x)
    assert fit.sigma2["site"] == pytest.approx(float(np.asarray(outside.cov_re)[0, 0]), rel=1e-4)
    assert fit.sigma2["trial"] + 0.01 == pytest.approx(float(outside.scale), rel=1e-4)
    np.testing.assert_allclose(fit.coefficients, np.asarray(outside.fe_params), rtol=1e-5)
    # statsmodels takes these errors from a joint Hessian, which differs a little from (X'V^-1 X)^-1.
    np.testing.assert_allclose(fit.std_errors, np.asarray(outside.bse_fe), rtol=5e-3)


def test_a_balanced_network_has_the_anova_variances() -> None:
    # Searle, Casella & McCulloch (1992), chapter 4: REML equals ANOVA on balanced data with no negative.
    rng = np.random.default_rng(3)
    y = 1.0 + rng.normal(0, 0.6, 8)[:, None] + rng.normal(0, 0.3, (8, 4))
    within = ((y - y.mean(axis=1, keepdims=True)) ** 2).sum() / (8 * 3)
    between = 4 * ((y.mean(axis=1) - y.mean()) ** 2).sum() / 7
    fit = fit_nested(y.ravel(), np.full(32, 0.02), site=np.repeat(np.arange(8), 4))
    assert fit.sigma2["trial"] == pytest.approx(within - 0.02, rel=1e-8)
    assert fit.sigma2["site"] == pytest.approx((between - within) / 4, rel=1e-8)
    assert fit.std_errors[0] == pytest.approx(np.sqrt(between / 32), rel=1e-8)


def test_a_variance_whose_best_value_is_zero_is_zero() -> None:
    site = np.repeat(np.arange(5), 3)
    alike = fit_nested(0.3 + 0.01 * np.tile([-1.0, 0.0, 1.0], 5), np.full(15, 0.04), site=site)
    assert dict(alike.sigma2) == {"site": 0.0, "trial": 0.0}
    assert alike.converged
    # All scatter inside sites, none between them.
    inside = fit_nested(np.tile([-1.0, 0.0, 1.0], 5), np.full(15, 0.04), site=site)
    assert inside.sigma2["site"] == 0.0
    assert inside.sigma2["trial"] > 0.3


def test_identical_effects_have_no_spread() -> None:
    fit = fit_nested(np.full(6, 0.25), np.full(6, 0.01), site=[1, 1, 2, 2, 3, 3])
    assert fit.coefficients[0] == pytest.approx(0.25)
    assert fit.tau2 == 0.0


def test_the_higher_of_two_modes_is_found() -> None:
    # One precise outlier and imprecise others: the likelihood has a mode at 0 and one far out.
    estimate = np.array([0.0, 0.05, -0.05, 3.0, 3.3])
    variance = np.array([4.0, 4.0, 4.0, 0.01, 0.01])
    fit = fit_nested(estimate, variance, site=np.arange(5))
    grid = np.concatenate([[0.0], np.geomspace(1e-6, 1e3, 20_000)])
    w = 1 / (variance + grid[:, None])
    mean = (w @ estimate) / w.sum(axis=1)
    left = (w * (estimate - mean[:, None]) ** 2).sum(axis=1)
    height = 0.5 * (np.log(w).sum(axis=1) - np.log(w.sum(axis=1)) - left)
    assert fit.tau2 == pytest.approx(grid[np.argmax(height)], rel=1e-3, abs=1e-6)


@pytest.mark.parametrize("seed", range(40))
def test_no_pair_of_variances_stands_higher_whatever_the_data(seed: int) -> None:
    # Variances over several orders of magnitude and errors with heavy tails; 441 pairs by full matrices.
    rng = np.random.default_rng(seed)
    sites = int(rng.integers(2, 6))
    n = int(rng.integers(sites + 1, 3 * sites + 2))
    site = np.r_[np.arange(sites), rng.integers(0, sites, n - sites)]
    variance = 0.04 * np.exp(rng.normal(0, 2, n))
    y = rng.normal(0, rng.choice([0, 0.3, 1]), sites)[site] + rng.standard_t(2, n) * np.sqrt(variance)
    fit = fit_nested(y, variance, site=site)
    assert fit.converged
    assert all(value >= 0 for value in fit.sigma2.values())
    values = np.r_[0.0, np.geomspace(1e-4, 30, 20)] * y.var(ddof=1)
    same = (site[:, None] == site).astype(float)
    theta = np.array([(a, b) for a in values for b in values])
    whole = np.diag(variance) + theta[:, :1, None] * same + theta[:, 1:, None] * np.eye(n)
    inverse = np.linalg.inv(whole)
    precision = inverse.sum(axis=(1, 2))
    mean = (inverse @ y).sum(axis=1) / precision
    left = y - mean[:, None]
    rest = np.einsum("gi,gij,gj->g", left, inverse, left)
    height = -0.5 * (np.linalg.slogdet(whole)[1] + np.log(precision) + rest + (n - 1) * np.log(2 * np.pi))
    assert fit.log_likelihood >= height.max() - 1e-8


def test_order_and_names_change_nothing(network: Network) -> None:
    base = fitted(network, "reml", seasons=True)
    order = np.random.default_rng(2).permutation(N)
    again = fit_nested(
        network.estimate[order],
        network.variance[order],
        site=[f"cellar {9 - s}" for s in network.site[order]],
        trial=network.trial[order],
        season=[f"20{20 + s}" for s in network.season[order]],
        covariance=network.covariance.take(order),
        design=network.design[order],
    )
    assert again.log_likelihood == pytest.approx(base.log_likelihood, abs=1e-10)
    np.testing.assert_allclose(again.coefficients, base.coefficients, rtol=1e-8)
    for name, value in base.sigma2.items():
        assert again.sigma2[name] == pytest.approx(value, rel=1e-6)


def test_a_change_of_unit_rescales_everything(network: Network) -> None:
    base = fitted(network, "reml", seasons=True)
    shared = network.covariance
    again = fit_nested(
        1000.0 * network.estimate,
        1e6 * network.variance,
        site=network.site,
        trial=network.trial,
        season=network.season,
        covariance=Covariance(N, shared.first, shared.second, 1e6 * shared.value),
        design=network.design,
    )
    np.testing.assert_allclose(again.coefficients, 1000 * base.coefficients, rtol=1e-8)
    for name, value in base.sigma2.items():
        assert again.sigma2[name] == pytest.approx(1e6 * value, rel=1e-6)


def test_effects_that_share_a_control_are_one_trial_even_without_a_name(network: Network) -> None:
    named = fitted(network, "reml", seasons=False)
    unnamed = fit_nested(
        network.estimate,
        network.variance,
        site=network.site,
        covariance=network.covariance,
        design=network.design,
    )
    assert unnamed.n_trials == named.n_trials == 24
    assert unnamed.log_likelihood == pytest.approx(named.log_likelihood, abs=1e-10)


def test_seasons_enter_only_where_sites_were_seen_in_the_same_ones(network: Network) -> None:
    assert "season" in fitted(network, "reml", seasons=True).sigma2
    apart = fit_nested(
        network.estimate, network.variance, site=network.site, season=network.site * 10 + network.season
    )
    assert "season" not in apart.sigma2
    assert "too few sites" in apart.remarks[0]
    few = fit_nested(
        network.estimate, network.variance, site=network.site, season=np.minimum(network.season, 2)
    )
    assert "2 seasons at 6 sites" in few.remarks[0]


def test_seasons_that_the_moderators_name_have_no_variance_beside(network: Network) -> None:
    named = (network.season[:, None] == np.arange(1, 5)).astype(float)
    given: dict[str, Any] = {"site": network.site, "trial": network.trial, "covariance": network.covariance}
    fit = fit_nested(network.estimate, network.variance, season=network.season, design=named, **given)
    without = fit_nested(network.estimate, network.variance, design=named, **given)
    assert "season" not in fit.sigma2
    assert "the moderators tell them apart" in fit.remarks[0]
    assert fit.coefficients == pytest.approx(without.coefficients, abs=1e-12)
    # A slope over seasons leaves their scatter about the line to be seen.
    line = np.column_stack([np.ones(N), network.season - 2.5])
    assert (
        "season"
        in fit_nested(network.estimate, network.variance, season=network.season, design=line, **given).sigma2
    )


def test_moderators_that_name_every_trial_leave_nothing_to_tell_their_spread_from() -> None:
    shared = from_shared_controls(["a", "a", "b", "b"], [0.01] * 4)
    with pytest.raises(NotComputable, match="tell every trial apart"):
        fit_nested(
            [-3.5, -7.2, -4.2, -7.2],
            [0.03] * 4,
            site=["one"] * 4,
            trial=["2024", "2024", "2025", "2025"],
            covariance=shared,
            design=[[1, 0], [1, 0], [1, 1], [1, 1]],
        )


def test_a_control_shared_by_two_sites_is_refused() -> None:
    tie = from_shared_controls(["C", "C", None], [0.01, 0.01, None])
    with pytest.raises(NotComputable, match="different trials or sites share a control"):
        fit_nested([0.1, 0.2, 0.3], [0.02] * 3, site=["a", "b", "c"], covariance=tie)


def test_a_covariance_larger_than_the_variances_is_refused() -> None:
    tie = from_matrix([[0.02, 0.05], [0.05, 0.02]])
    with pytest.raises(NotComputable, match="larger than their variances"):
        fit_nested([0.1, 0.2], [0.02, 0.02], site=["a", "a"], covariance=tie)


@pytest.mark.parametrize(
    ("estimate", "variance", "words"),
    [
        ([0.1, np.nan, 0.2], [0.1] * 3, "no estimate or no positive variance"),
        ([0.1, 0.3, 0.2], [0.1, 0.0, 0.1], "no estimate or no positive variance"),
        ([0.1], [0.1], "1 effects cannot give 1 coefficients"),
    ],
)
def test_effects_that_cannot_be_pooled_are_refused(estimate: Any, variance: Any, words: str) -> None:
    with pytest.raises(NotComputable, match=words):
        fit_nested(estimate, variance, site=np.arange(len(estimate)))


def test_moderators_that_repeat_each_other_are_refused() -> None:
    design = np.column_stack([np.ones(4), [1, 2, 3, 4], [2, 4, 6, 8]])
    with pytest.raises(NotComputable, match="cannot be told apart"):
        fit_nested([0.1, 0.2, 0.1, 0.3], [0.1] * 4, site=[1, 2, 3, 4], design=design)


def test_a_mode_that_fine_trials_tell_is_found_beside_coarse_ones() -> None:
    variance = [0.00419, 0.002816, 2.997, 0.000119, 0.03298, 16.28, 0.02271, 38.51, 89.12, 2.595]
    estimate = [0.1932, 0.4441, 1.164, -0.3412, 0.128, -6.115, 0.5327, -3.947, 12.18, 0.2046]
    moderator = [0.02168, 1.758, 0.4296, -1.088, 0.6126, -0.5987, 1.35, -0.6351, 1.495, -1.245]
    design = np.column_stack([np.ones(10), moderator])
    fit = fit_nested(estimate, variance, site=np.arange(10), design=design, method="ml")

    def height(tau2: float) -> float:
        weight = 1.0 / (np.array(variance) + tau2)
        b = np.linalg.solve(design.T @ (weight[:, None] * design), design.T @ (weight * np.array(estimate)))
        left = np.array(estimate) - design @ b
        return float(-0.5 * (10 * np.log(2 * np.pi) - np.log(weight).sum() + weight @ left**2))

    assert fit.log_likelihood >= max(height(tau2) for tau2 in [0.0, *np.geomspace(1e-6, 1e2, 200)])
    assert fit.tau2 == pytest.approx(0.0063, abs=0.0003)


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_fits_side_by_side_are_those_of_each_alone(network: Network, method: Any) -> None:
    """Of different sites, seasons and shared controls; two sites leave no room for seasons."""
    kept = [network.site != gone for gone in range(6)] + [network.site < 2, network.season < 3]
    shared = network.covariance.matrix(network.variance)

    def given(rows: Any) -> dict[str, Any]:
        return {
            "estimate": network.estimate[rows],
            "variance": network.variance[rows],
            "site": network.site[rows],
            "trial": np.asarray(network.trial)[rows],
            "season": network.season[rows],
            "covariance": from_matrix(shared[np.ix_(rows, rows)]),
        }

    together = fit_side_by_side([nested_problem(**given(rows)) for rows in kept], method=method)
    assert {len(fit.sigma2) for fit in together} == {2, 3}
    for rows, fit in zip(kept, together, strict=True):
        alone = fit_nested(**given(rows), method=method)
        assert fit.sigma2 == pytest.approx(dict(alone.sigma2), rel=1e-9, abs=1e-12)
        assert fit.coefficients == pytest.approx(alone.coefficients, rel=1e-10)
        assert fit.std_errors == pytest.approx(alone.std_errors, rel=1e-10)
        assert fit.log_likelihood == pytest.approx(alone.log_likelihood, rel=1e-12)
        assert fit.weights == pytest.approx(alone.weights, rel=1e-9)
        assert fit.remarks == alone.remarks
