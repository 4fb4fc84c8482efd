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
