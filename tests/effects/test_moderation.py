"""Variances that lean on each other."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.special import polygamma

from crosscellar.effects import moderate_variances
from crosscellar.effects.moderation import fit_prior, inverse_trigamma
from crosscellar.errors import NotComputable


def test_inverse_trigamma_undoes_trigamma_of_scipy() -> None:
    x = np.geomspace(1e-4, 1e6, 41)
    assert inverse_trigamma(polygamma(1, x)) == pytest.approx(x, rel=1e-8)


def test_trials_without_a_second_vessel_take_the_prior_variance() -> None:
    found = moderate_variances([0.5, 0.1, 2.0, 9.0], [4, 4, 4, 0])
    assert found.variance[3] == pytest.approx(found.prior_variance)
    assert found.df[3] == found.prior_df
    without = moderate_variances([0.5, 0.1, 2.0], [4, 4, 4])
    assert without.prior_variance == pytest.approx(found.prior_variance)


def test_two_replicated_trials_make_no_prior() -> None:
    found = moderate_variances([0.5, 0.1, float("nan")], [4, 2, 0])
    assert found.prior_df == 0.0
    assert found.variance[:2].tolist() == [0.5, 0.1]
    assert np.isnan(found.variance[2])


def test_variances_that_scatter_no_more_than_chance_all_become_one() -> None:
    found = moderate_variances([1.0, 1.01, 0.99, 1.0], [3, 3, 3, 3])
    assert np.isinf(found.prior_df)
    assert np.ptp(found.variance) == 0.0


def test_a_prior_is_worth_no_more_than_the_variances_it_was_fitted_to() -> None:
    prior = fit_prior([1.0, 1.01, 0.99], [2, 2, 1])
    assert prior is not None
    assert np.isinf(prior.df)
    assert prior.capped_df == 5.0


def test_a_known_prior_is_found_again_from_many_trials() -> None:
    """Variances drawn by scipy from the model of Smyth (2004): d0 = 8, s0^2 = 0.0144, unequal df."""
    rng = np.random.default_rng(11)
    df = rng.choice([1.0, 2.0, 4.0], 40_000)
    truth = 8.0 * 0.0144 / stats.chi2(8.0).rvs(40_000, random_state=rng)
    prior = fit_prior(truth * rng.chisquare(df) / df, df)
    assert prior is not None
    # About four standard errors of 40,000 draws.
    assert prior.variance == pytest.approx(0.0144, rel=0.06)
    assert prior.df == pytest.approx(8.0, rel=0.25)


def test_variances_of_exactly_zero_do_not_enter_the_prior() -> None:
    with_zero = fit_prior([0.5, 0.1, 2.0, 0.0], [4, 4, 4, 4])
    without = fit_prior([0.5, 0.1, 2.0], [4, 4, 4])
    assert with_zero == without


@pytest.mark.parametrize(
    ("variance", "df"), [([0.1, 0.2, 0.3], [2, 2]), (["a"], ["b"]), ([0.1, -0.2, 0.3], [2, 2, 2])]
)
def test_variances_that_cannot_be_are_refused(variance: list[object], df: list[object]) -> None:
    with pytest.raises(NotComputable):
        moderate_variances(variance, df)  # type: ignore[arg-type]
