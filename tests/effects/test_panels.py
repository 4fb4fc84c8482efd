"""The mixed model of panel scores, against analysis of variance by hand and a plain likelihood."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import minimize

from crosscellar.effects.panels import _Sums, panel_fit

Array = npt.NDArray[np.float64]


def tasting(assessors: int, arms: int, sessions: int, repeats: int, seed: int) -> tuple[Array, ...]:
    """Scores of a balanced panel whose assessors and sessions differ: score, arm, assessor, session."""
    rng = np.random.default_rng(seed)
    places = np.indices((assessors, arms, sessions, repeats)).reshape(4, -1)
    assessor, arm, session = places[0], places[1], places[2]
    score = (
        5.0
        + rng.normal(0.0, 1.2, assessors)[assessor]
        + 0.4 * arm
        + rng.normal(0.0, 1.5, sessions)[session]
        + rng.normal(0.0, 0.8, assessor.size)
    )
    return score, arm.astype(float), assessor.astype(float), session.astype(float)


@pytest.mark.parametrize(
    ("assessors", "arms", "sessions", "repeats", "seed"),
    [(9, 2, 1, 2, 1), (12, 3, 1, 1, 2), (8, 2, 3, 1, 3), (10, 3, 2, 2, 4)],
)
def test_a_balanced_panel_has_the_residual_of_the_analysis_of_variance(
    assessors: int, arms: int, sessions: int, repeats: int, seed: int
) -> None:
    # External: sums of squares by numpy. In balanced data with components above 0 restricted likelihood is
    # the analysis of variance (Searle, Casella and McCulloch 1992).
    score, arm, assessor, session = tasting(assessors, arms, sessions, repeats, seed)
    groups = [arm, assessor, session]
    effects = sum(np.array([score[group == k].mean() for k in group]) - score.mean() for group in groups)
    left = score - score.mean() - effects
    df = score.size - 1 - sum(np.unique(group).size - 1 for group in groups)
    residual = (left**2).sum() / df
    for group in (assessor, session)[: 1 + (sessions > 1)]:
        means_of = np.array([score[group == k].mean() for k in np.unique(group)])
        assert means_of.var(ddof=1) * score.size / means_of.size > residual, "the component lies above 0"
    fit = panel_fit(score, arm, assessor, session)
    an_arm = score.size / arms
    assert fit.converged
    assert fit.residual == pytest.approx(residual, rel=1e-8)
    means = [score[arm == k].mean() - score[arm == 0].mean() for k in range(1, arms)]
    assert fit.difference == pytest.approx(means, rel=1e-9)
    assert np.diag(fit.covariance) == pytest.approx(2.0 * residual / an_arm, rel=1e-8)
    if arms > 2:
        assert fit.covariance[0, 1] == pytest.approx(residual / an_arm, rel=1e-8)


@pytest.mark.parametrize("seed", range(4))
def test_an_uneven_panel_lies_where_the_likelihood_with_full_matrices_is_greatest(seed: int) -> None:
    # External: the restricted likelihood written out with n by n matrices, searched by scipy's Nelder-Mead.
    score, arm, assessor, session = tasting(7, 3, 2, 1, seed)
    kept = np.random.default_rng(seed).random(score.size) < 0.85
    score, arm, assessor, session = score[kept], arm[kept], assessor[kept], session[kept]
    x = np.column_stack([np.ones(score.size), arm == 1, arm == 2]).astype(float)
    parts = [np.eye(7)[assessor.astype(int)], np.eye(2)[session.astype(int)]]

    def parted(theta: Array) -> tuple[float, float, Array]:
        h = np.eye(score.size) + sum(t * z @ z.T for t, z in zip(theta, parts, strict=True))
        inverse = np.linalg.inv(h)
        information = x.T @ inverse @ x
        b = np.linalg.solve(information, x.T @ inverse @ score)
        squares = float((score - x @ b) @ inverse @ (score - x @ b))
        df = score.size - 3
        cost = df * np.log(squares) + np.linalg.slogdet(h)[1] + np.linalg.slogdet(information)[1]
        return float(cost), squares / df, squares / df * np.linalg.inv(information)

    best = min(
        (
            minimize(
                lambda logs: parted(np.exp(logs))[0],
                [start, start],
                method="Nelder-Mead",
                options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000},
            )
            for start in (-3.0, 0.0)
        ),
        key=lambda found: float(found.fun),
    )
    _, residual, covariance = parted(np.exp(best.x))
    fit = panel_fit(score, arm, assessor, session)
    assert fit.converged
    assert fit.residual == pytest.approx(residual, rel=1e-4)
    assert np.diag(fit.covariance) == pytest.approx(np.diag(covariance)[1:], rel=1e-4)


def test_a_panel_whose_assessors_do_not_differ_has_the_variance_of_two_plain_samples() -> None:
    # External: the pooled variance of two samples, by numpy. Each assessor's mean is the same.
    score = np.array([4.0, 6.0, 6.0, 4.0, 3.0, 7.0, 7.0, 3.0])
    arm = np.array([0.0, 1.0] * 4)
    fit = panel_fit(score, arm, np.repeat(np.arange(4.0), 2), np.zeros(8))
    pooled = (score[arm == 0].var(ddof=1) + score[arm == 1].var(ddof=1)) / 2
    assert fit.converged
    assert fit.residual == pytest.approx(pooled)
    assert fit.covariance[0, 0] == pytest.approx(pooled / 2)


@pytest.mark.parametrize(
    ("score", "arm", "assessor"),
    [([3.0, 4.0, 5.0, 6.0, 1.0, 2.0], [0, 1, 0, 1, 0, 1], [0, 0, 1, 1, 2, 2]), ([3.0, 4.0], [0, 1], [0, 1])],
    ids=["assessors agree to the last point", "as many scores as arms"],
)
def test_scores_that_leave_nothing_over_give_no_variance(
    score: list[float], arm: list[int], assessor: list[int]
) -> None:
    fit = panel_fit(
        *(np.array(values, dtype=float) for values in (score, arm, assessor)), np.zeros(len(score))
    )
    assert not fit.converged


def test_the_cost_of_many_starts_is_that_of_each() -> None:
    score, arm, assessor, session = tasting(8, 3, 3, 1, 5)
    fixed = np.column_stack([np.ones_like(score), arm == 1, arm == 2]).astype(float)
    sums = _Sums(score, fixed, [np.eye(8)[assessor.astype(int)], np.eye(3)[session.astype(int)]])
    starts = np.array([[0.0, 0.0], [0.1, 10.0], [3.0, 0.5]])
    assert sums.costs(starts) == pytest.approx([sums.at(start).cost for start in starts], rel=1e-12)
