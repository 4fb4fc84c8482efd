"""Arms with vessels below a limit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from crosscellar.effects.censored import censored_arms

LOW = np.array([1.0, 1.4, 0.9, 2.0, 2.5, 2.2])
ARM = np.array([0, 0, 0, 1, 1, 1])


def test_without_a_censored_vessel_it_is_the_ordinary_mean_and_pooled_variance() -> None:
    fit = censored_arms(LOW, LOW, ARM)
    s2 = (LOW[:3].var(ddof=1) + LOW[3:].var(ddof=1)) / 2
    assert fit.converged
    assert fit.mean == pytest.approx([LOW[:3].mean(), LOW[3:].mean()], rel=1e-6)
    assert fit.variance == pytest.approx(s2, rel=1e-5)
    assert np.diag(fit.covariance) == pytest.approx([s2 / 3, s2 / 3], rel=1e-3)
    assert fit.df == 4.0


def test_with_a_prior_it_is_the_moderated_variance() -> None:
    fit = censored_arms(LOW, LOW, ARM, prior_df=6.0, prior_variance=0.04)
    squares = 2 * LOW[:3].var(ddof=1) + 2 * LOW[3:].var(ddof=1)
    assert fit.variance == pytest.approx((6.0 * 0.04 + squares) / 10.0, rel=1e-5)
    assert fit.df == 10.0


def test_means_with_a_censored_vessel_are_those_of_the_likelihood_of_scipy() -> None:
    """The means are maximized at the fitted variance by scipy's censored-data machinery."""
    low, high = LOW.copy(), LOW.copy()
    low[2], high[2] = -np.inf, 0.95
    fit = censored_arms(low, high, ARM)
    sd = fit.variance**0.5

    def cost(mean: float) -> float:
        at = stats.norm(mean, sd)
        return float(-(at.logpdf(1.0) + at.logpdf(1.4) + at.logcdf(0.95)))

    best = optimize.minimize_scalar(cost, bounds=(0.0, 2.0), method="bounded", options={"xatol": 1e-10})
    assert fit.mean[0] == pytest.approx(best.x, abs=1e-5)
    assert fit.mean[1] == pytest.approx(LOW[3:].mean(), abs=1e-6)
    half_limit = np.mean([1.0, 1.4, 0.475])
    assert fit.mean[0] > half_limit
    # Less is known of the arm with the censored vessel.
    assert fit.covariance[0, 0] > fit.covariance[1, 1]


def test_an_arm_wholly_below_the_limit_has_no_mean() -> None:
    low, high = LOW.copy(), LOW.copy()
    low[:3], high[:3] = -np.inf, 0.5
    fit = censored_arms(low, high, ARM)
    assert np.isnan(fit.mean[0])
    assert fit.mean[1] == pytest.approx(LOW[3:].mean(), abs=1e-6)


@pytest.mark.parametrize(("prior_df", "prior_variance"), [(0.0, float("nan")), (5.0, 0.09)])
@pytest.mark.parametrize("far", [0.0, 1000.0])
def test_the_top_is_the_one_that_a_search_without_slopes_finds(
    far: float, prior_df: float, prior_variance: float
) -> None:
    # scipy.optimize.minimize, Nelder & Mead (1965), on the likelihood as it is defined, by scipy.stats.norm.
    low, high = LOW + far, LOW + far
    low[2], high[2] = -np.inf, 0.95 + far
    low[4], high[4] = 2.2 + far, np.inf
    fit = censored_arms(low, high, ARM, prior_df=prior_df, prior_variance=prior_variance)

    def cost(at: np.ndarray) -> float:
        mean, sd = at[:2][ARM] + far, np.exp(at[2])
        seen = low == high
        inside = stats.norm.cdf((high[~seen] - mean[~seen]) / sd) - stats.norm.cdf(
            (low[~seen] - mean[~seen]) / sd
        )
        lent = prior_df * prior_variance if prior_df else 0.0
        weight = seen.sum() - 2 + prior_df
        left = (low[seen] - mean[seen]) / sd
        return float(0.5 * left @ left - np.log(inside).sum() + weight * at[2] + 0.5 * lent / sd**2)

    best = optimize.minimize(
        cost, [1.2, 2.3, -1.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 5000}
    )
    assert fit.converged
    assert fit.mean - far == pytest.approx(best.x[:2], abs=1e-6)
    assert fit.variance == pytest.approx(np.exp(2 * best.x[2]), rel=1e-6)


@pytest.mark.parametrize("read", [0.12, 0.1])
def test_vessels_that_read_alike_are_fitted_where_a_limit_lies_apart_from_them(read: float) -> None:
    """Readings are rounded: 0.10 twice beside 0.12, 0.12 and <0.08. The top of the likelihood is scipy's."""
    low = np.array([0.1, 0.1, read, read, -np.inf])
    high = np.array([0.1, 0.1, read, read, 0.08])
    arm = np.array([0, 0, 1, 1, 1])
    fit = censored_arms(low, high, arm)

    def cost(at: np.ndarray) -> float:
        # Four vessels quantified in two arms leave two degrees of freedom for the restricted likelihood.
        sd = np.exp(at[1])
        seen = ((read - at[0]) / sd) ** 2
        return float(2.0 * at[1] + seen - stats.norm.logcdf((0.08 - at[0]) / sd))

    best = optimize.minimize(
        cost, [read, np.log(0.02)], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12}
    )
    assert fit.converged
    assert fit.mean == pytest.approx([0.1, best.x[0]], abs=1e-7)
    assert fit.variance == pytest.approx(np.exp(2 * best.x[1]), rel=1e-5)


def test_vessels_that_read_the_limit_itself_give_no_variance() -> None:
    low, high = np.array([0.1, 0.1, 0.1, 0.1, -np.inf]), np.full(5, 0.1)
    assert not censored_arms(low, high, np.array([0, 0, 1, 1, 1])).converged
