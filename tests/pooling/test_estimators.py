"""Estimators of the variance between sites: the higher mode, exact zeros, and what they converge on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import optimize

from crosscellar.pooling import pool
from crosscellar.pooling.estimators import ESTIMATORS, log_likelihood, ml, reml
from crosscellar.pooling.heterogeneity import (
    Questions,
    q_profile,
    side_by_side,
    tau2_where_q_is,
    typical_variance,
    weigh,
)

#: Effects whose restricted likelihood rises from a dip on both sides: the higher end at 0, then inside.
MODE_AT_ZERO = ([0.32, 0.27, 0.38, -2.51], [0.024, 0.091, 0.059, 0.806])
MODE_INSIDE = ([-1.15, -0.06, 0.03, -1.66], [0.246, 0.002, 0.006, 0.476])


def question(estimate: list[float], variance: list[float]) -> Questions:
    return side_by_side(np.array([estimate]).T, np.array([variance]).T, np.array([float(len(estimate))]))


def restricted(estimate: list[float], variance: list[float], tau2: float) -> float:
    """The restricted log likelihood by matrices, with its constant (Harville 1977)."""
    y, v = np.array(estimate), np.diag(np.array(variance) + tau2)
    x = np.ones((y.size, 1))
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    p = inverse - inverse @ x @ np.linalg.inv(information) @ x.T @ inverse
    logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1]
    return float(-0.5 * ((y.size - 1) * np.log(2 * np.pi) + logs + y @ p @ y))


@pytest.mark.parametrize("example", [MODE_AT_ZERO, MODE_INSIDE], ids=["at zero", "inside"])
def test_of_two_modes_the_higher_is_returned(example: tuple[list[float], list[float]]) -> None:
    """Both modes are found by scipy's bounded search over the matrix form; ours must be the better one."""
    inside = optimize.minimize_scalar(
        lambda t: -restricted(*example, t), bounds=(0.1, 3.0), method="bounded", options={"xatol": 1e-10}
    ).x
    dip = min(restricted(*example, t) for t in np.linspace(0.0, inside, 200))
    assert dip < min(restricted(*example, 0.0), restricted(*example, inside)) - 1e-3
    best = max([0.0, inside], key=lambda t: restricted(*example, t))
    assert reml(question(*example)).value[0] == pytest.approx(best, abs=1e-7)


def test_an_optimum_at_zero_is_zero_and_not_a_small_number() -> None:
    close = question([0.20, 0.21, 0.19, 0.2], [0.01, 0.02, 0.01, 0.03])
    for name, estimator in ESTIMATORS.items():
        assert estimator(close).value[0] == 0.0, name
        assert estimator(close).converged[0], name
    assert q_profile(close, 0.95)[0][0] == 0.0


def test_the_likelihood_is_the_matrix_form_with_its_constants() -> None:
    for tau2 in (0.0, 0.05, 1.3):
        ours = log_likelihood(question(*MODE_INSIDE), np.array([tau2]), restricted=True)[0]
        assert ours == pytest.approx(restricted(*MODE_INSIDE, tau2), rel=1e-12)


def test_ml_is_below_reml_where_both_lie_inside() -> None:
    """With equal variances ML is s^2 (k - 1)/k - v and REML s^2 - v."""
    spread = [0.0, 1.0, 2.0, 3.0]
    one = question(spread, [0.1] * 4)
    s2 = float(np.var(spread, ddof=1))
    assert reml(one).value[0] == pytest.approx(s2 - 0.1, rel=1e-10)
    assert ml(one).value[0] == pytest.approx(s2 * 0.75 - 0.1, rel=1e-10)


def test_filling_up_with_infinite_variances_changes_nothing() -> None:
    short = question(*MODE_INSIDE)
    y = np.array([[*MODE_INSIDE[0], 0.0, 0.0]]).T
    v = np.array([[*MODE_INSIDE[1], np.inf, np.inf]]).T
    filled = side_by_side(y, v, np.array([4.0]))
    for name, estimator in ESTIMATORS.items():
        assert estimator(filled).value[0] == pytest.approx(estimator(short).value[0], rel=1e-12), name
    np.testing.assert_allclose(q_profile(filled, 0.95)[:2], q_profile(short, 0.95)[:2], rtol=1e-10)
    np.testing.assert_allclose(typical_variance(filled), typical_variance(short))
    np.testing.assert_allclose(
        log_likelihood(filled, np.array([0.3]), restricted=True),
        log_likelihood(short, np.array([0.3]), restricted=True),
    )


def test_where_q_meets_a_number_is_where_scipy_finds_it() -> None:
    """Questions of 2 to 12 effects with variances up to a millionfold apart; external: scipy's brentq."""
    rng = np.random.default_rng(8)
    sizes = np.sort(rng.integers(2, 13, 60))
    inside = np.arange(sizes.max())[:, np.newaxis] < sizes
    variance = np.where(inside, 10.0 ** rng.uniform(-3, 3, inside.shape), np.inf)
    estimate = np.where(inside, rng.normal(0.0, 10.0, inside.shape), 0.0)
    questions = side_by_side(estimate, variance, sizes.astype(np.float64))
    zeros = np.zeros(sizes.size)
    target = np.stack([(sizes - 1.0) * share for share in (0.05, 1.0, 30.0)])
    root, found = tau2_where_q_is(questions, target)
    assert found.all()
    for column, size in enumerate(sizes):
        y, v = estimate[:size, column], variance[:size, column]

        def q(tau2: float, y: Any = y, v: Any = v) -> float:
            w = 1.0 / (v + tau2)
            return float((w * (y - (w * y).sum() / w.sum()) ** 2).sum())

        for got, aim in zip(root[:, column], target[:, column], strict=True):
            if q(0.0) <= aim:
                assert got == 0.0
            else:
                expected = optimize.brentq(
                    lambda t, aim=aim, q=q: q(t) - aim, 0.0, 1e9, xtol=1e-13, rtol=1e-13
                )
                assert got == pytest.approx(expected, rel=1e-9, abs=1e-10)
    assert min((root > 0).sum(), (root == 0).sum()) > 10
    # From other places it is found as well.
    again, _ = tau2_where_q_is(questions, target, (weigh(questions, zeros), weigh(questions, root[1])))
    np.testing.assert_allclose(again, root, rtol=1e-10, atol=1e-12)


def test_equal_variances_are_their_own_typical_variance() -> None:
    assert typical_variance(question([0.1, 0.5, 0.3], [0.2] * 3))[0] == pytest.approx(0.2)


@pytest.mark.parametrize("variances", [[0.031623, 0.031623, 0.01], [1.0, 1.074608, 3.162278]])
@pytest.mark.parametrize("effect", [0.0, 0.1, 1.0])
def test_sites_that_agree_to_the_last_digit_leave_no_variance_between_them(
    effect: float, variances: list[float]
) -> None:
    # Q is 0 then, below every quantile of the chi-square: the Q-profile interval ends at 0 on both sides.
    pooled = pool({"estimate": [effect] * 3, "variance": variances})
    assert (pooled.tau2, pooled.tau2_low, pooled.tau2_high) == (0.0, 0.0, 0.0)
    assert pooled.q == pytest.approx(0.0, abs=1e-25)
