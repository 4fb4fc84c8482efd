from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize, minimize_scalar
from scipy.special import expit
from scipy.stats import binom, norm

from crosscellar.errors import NotComputable
from crosscellar.pooling.counts import LOGITS, Counts
from crosscellar.pooling.triangles import TrianglePool, pool_triangles


def pooled(correct: list[int], n: list[int], **options: Any) -> TrianglePool:
    return pool_triangles(correct, n, site=[f"cellar {i}" for i in range(len(n))], **options)


@pytest.mark.parametrize(("centre", "spread"), [(-1.0, 0.4), (0.5, 2.0), (-6.0, 3.0), (3.0, 0.0)])
def test_the_likelihood_is_the_integral_of_exact_binomials(centre: float, spread: float) -> None:
    # scipy: binom.pmf integrated over the normal site effect by adaptive quadrature.
    correct, n = [0, 12, 7, 20], [12, 12, 18, 36]

    def site(x: int, size: int) -> float:
        def inside(z: float) -> float:
            return float(binom.pmf(x, size, 1 / 3 + 2 / 3 * expit(centre + spread * z)) * norm.pdf(z))

        return quad(inside, -9, 9, epsabs=1e-14, limit=300, points=[-3, -1, 0, 1, 3])[0]

    expected = sum(np.log(site(x, size)) for x, size in zip(correct, n, strict=True))
    counts = Counts(np.array(correct, dtype=float), np.array(n, dtype=float), np.inf)
    assert counts.log_likelihood(centre, spread)[0] == pytest.approx(expected, abs=1e-8)


def test_alike_sites_give_the_binomial_answer_of_their_sum() -> None:
    # Shares closer together than chance: no spread, so the sum's proportion, 1.5 pc - 0.5.
    result = pooled([18, 19, 18, 17], [36, 36, 36, 36])
    assert result.spread == 0.0
    assert result.discriminators == pytest.approx(1.5 * 72 / 144 - 0.5, abs=1e-6)
    # d-prime 1.4663 at half correct: Ennis (1993), 1.47 in its table, from memory.
    assert result.d_prime == pytest.approx(1.46626278, abs=1e-4)
    assert result.p_value == pytest.approx(binom.sf(71, 144, 1 / 3), rel=1e-10)
    assert result.difference_shown


def test_nothing_but_guesses_is_a_share_of_exactly_zero() -> None:
    result = pooled([0, 0, 0], [12, 12, 12])
    assert (result.discriminators, result.low, result.d_prime) == (0.0, 0.0, 0.0)
    assert 0.0 < result.high < 1.0
    assert not result.difference_shown
    assert result.p_value == 1.0
    assert result.log_likelihood == pytest.approx(3 * binom.logpmf(0, 12, 1 / 3))


def test_all_correct_is_a_share_of_exactly_one() -> None:
    result = pooled([12, 12, 12, 12], [12] * 4)
    assert (result.discriminators, result.high) == (1.0, 1.0)
    assert result.d_prime is None and result.d_prime_high is None
    assert result.low > 0.5 and result.difference_shown
    assert result.new_low > 0.5


def test_unlike_sites_have_a_spread_and_a_wider_interval() -> None:
    unlike, alike = pooled([12, 30, 16, 34], [36] * 4), pooled([23, 23, 23, 23], [36] * 4)
    assert unlike.spread > 0.5 > alike.spread
    assert unlike.high - unlike.low > alike.high - alike.low
    assert unlike.new_high - unlike.new_low > alike.new_high - alike.new_low


def test_extremes_side_by_side_are_computed() -> None:
    for correct in itertools.product([0, 12], repeat=3):
        result = pooled(list(correct), [12, 12, 12])
        assert result.converged
        assert 0.0 <= result.low <= result.discriminators <= result.high <= 1.0
        assert 0.0 <= result.new_low < result.new_median < result.new_high <= 1.0


@pytest.mark.parametrize("correct", [[26, 11, 21], [20, 17, 19], [12, 6, 10]])
def test_a_new_site_is_never_known_better_than_the_network(correct: list[int]) -> None:
    result = pooled(correct, [36, 18, 30])
    assert result.new_low <= result.low
    assert result.new_high >= result.high


def test_the_interval_ends_where_the_profile_has_fallen_far_enough() -> None:
    result = pooled([20, 25, 22, 24, 26, 30], [36] * 6)
    counts = Counts(np.array([20.0, 25, 22, 24, 26, 30]), np.full(6, 36.0), 1.0)

    def best(logit: float) -> float:
        found = minimize_scalar(
            lambda s: -counts.log_likelihood(logit, float(s))[0], bounds=(0, 4), method="bounded"
        )
        return float(-found.fun)

    # 2.570582 is the 97.5 % point of t on 5 degrees of freedom (any printed table).
    for limit in (result.low, result.high):
        fall = result.log_likelihood - best(float(np.log(limit / (1 - limit))))
        assert fall == pytest.approx(2.570582**2 / 2, abs=1e-4)


def test_without_penalty_two_unlike_sites_have_no_bound_and_it_is_told() -> None:
    result = pooled([0, 12], [12, 12], spread_scale=float("inf"))
    assert not result.converged
    assert "read them one by one" in result.remarks[0]


def test_sessions_of_one_site_are_added_up() -> None:
    apart = pool_triangles([8, 10, 14], [18, 18, 24], site=["a", "a", "b"])
    summed = pool_triangles([18, 14], [36, 24], site=["a", "b"])
    assert apart.discriminators == pytest.approx(summed.discriminators, abs=1e-9)
    assert (apart.n_sites, apart.n_sessions) == (2, 3)
    assert apart.sites["correct"].to_list() == [18, 14]


def test_the_chance_at_a_new_site_falls_with_the_share_asked_for() -> None:
    result = pooled([20, 25, 22], [36, 36, 36])
    chances = [result.chance_new_above(share) for share in (0.05, 0.2, 0.5, 0.9)]
    assert chances == sorted(chances, reverse=True)
    assert result.chance_new_above(result.new_median) == pytest.approx(0.5, abs=1e-6)
    with pytest.raises(NotComputable, match="between 0 and 1"):
        result.chance_new_above(0.0)


@pytest.mark.parametrize(
    ("correct", "n", "words"),
    [([13, 2], [12, 12], "cannot be"), ([1.5, 2], [12, 12], "cannot be"), ([0, 0], [0, 12], "cannot be")],
)
def test_impossible_counts_are_refused(correct: list[float], n: list[int], words: str) -> None:
    with pytest.raises(NotComputable, match=words):
        pool_triangles(correct, n, site=["a", "b"])


def test_one_site_is_refused() -> None:
    with pytest.raises(NotComputable, match="one site"):
        pool_triangles([8, 9], [18, 18], site=["a", "a"])


@pytest.mark.parametrize("correct", [[12, 30, 16, 34], [36, 9, 20, 25], [0, 36, 18, 30]])
def test_the_maximum_is_the_one_that_a_search_without_slopes_finds(correct: list[int]) -> None:
    # scipy.optimize.minimize, Nelder & Mead (1965), on the same likelihood.
    counts = Counts(np.array(correct, dtype=float), np.full(4, 36.0), 1.0)
    found = minimize(
        lambda at: -counts.log_likelihood(at[0], abs(float(at[1])))[0],
        [0.0, 1.0],
        method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-12},
    )
    centre, spread, height = counts.highest()
    assert height >= -found.fun - 1e-10
    assert (centre, spread) == pytest.approx((found.x[0], abs(found.x[1])), abs=1e-5)


def test_sums_over_shared_points_are_those_of_each_spread_alone() -> None:
    counts = Counts(np.array([3.0, 700.0]), np.array([12.0, 1000.0]), np.inf)
    alone = np.array([counts.log_likelihood(LOGITS, float(spread)) for spread in counts.spreads[0]])
    # Farther below the top than a posterior can see, what lies beyond the last nodes counts.
    seen = alone > alone.max() - 15.0
    assert seen.sum() > 1000
    np.testing.assert_allclose(counts.grid[seen], alone[seen], rtol=1e-9)
