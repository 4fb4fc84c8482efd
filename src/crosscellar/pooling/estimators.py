"""The variance between sites, tau2, by five estimators, for many questions at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

import numpy as np

from crosscellar.pooling.heterogeneity import (
    Flags,
    Floats,
    Questions,
    information_share,
    settled,
    shares,
    tau2_where_q_is,
    weigh,
    weights,
)

_STEPS = 100
#: Points of the grid on which the modes of a likelihood are looked for, beside 0.
_GRID = 12


class Tau2(NamedTuple):
    """Tau2 of each question, its standard error (NaN where the estimator has none) and whether found."""

    value: Floats
    std_error: Floats
    converged: Flags


def common(questions: Questions) -> Tau2:
    """Tau2 = 0: one effect common to all sites."""
    many = len(questions)
    return Tau2(np.zeros(many), np.full(many, np.nan), np.ones(many, dtype=np.bool_))


def moment(questions: Questions) -> Tau2:
    """Tau2 from the first moment of Q, (Q - (k - 1)) / (S1 - S2/S1), not below 0.

    DerSimonian & Laird 1986, Control Clin Trials 7:177-188, equation 8.
    """
    at_zero = weigh(questions, np.zeros(len(questions)))
    share, left = shares(1.0 / questions.variance)
    with np.errstate(divide="ignore", invalid="ignore"):
        # S1 - S2 / S1 = S1 sum share (1 - share)
        raw = (at_zero.q - (questions.count - 1)) / (at_zero.sum1 * np.einsum("kq,kq->q", share, left))
    value = np.where(raw > 0, raw, 0.0)
    return Tau2(value, np.full_like(value, np.nan), np.ones(value.shape, dtype=np.bool_))


def paule_mandel(questions: Questions) -> Tau2:
    """Tau2 at which Q(tau2) equals its expectation k - 1, or 0.

    Paule & Mandel 1982, J Res NBS 87:377-385.
    """
    value, found = tau2_where_q_is(questions, questions.count - 1.0)
    value = np.where(questions.count > 1, value, 0.0)
    return Tau2(value, np.full_like(value, np.nan), found)


def reml(questions: Questions) -> Tau2:
    """Tau2 at the highest point of the restricted likelihood; exactly 0 where that is at 0.

    Score tr(P) = y'PPy (Harville 1977, JASA 72:320-338), standard error from the expected information
    (1/2) tr(PP).
    """
    return _highest(questions, restricted=True)


def ml(questions: Questions) -> Tau2:
    """Tau2 at the highest point of the likelihood; exactly 0 where that is at 0.

    Score tr(W) = y'PPy (Hardy & Thompson 1996, Stat Med 15:619-629), standard error from the expected
    information (1/2) tr(WW).
    """
    return _highest(questions, restricted=False)


ESTIMATORS: Final[Mapping[str, Callable[[Questions], Tau2]]] = MappingProxyType(
    {"reml": reml, "ml": ml, "moment": moment, "paule_mandel": paule_mandel, "common": common}
)


def log_likelihood(questions: Questions, tau2: Floats, *, restricted: bool) -> Floats:
    """The log likelihood of each question at this tau2 with the mean at its best.

    ML: -(1/2) (k log 2 pi + sum log(v + tau2) + Q). REML has k - 1 in place of k and adds log sum w
    (Harville 1977).
    """
    now = weigh(questions, tau2)
    finite = np.isfinite(questions.variance)
    logs = np.log(np.where(finite, questions.variance + tau2, 1.0)).sum(axis=0)
    total = questions.count * np.log(2 * np.pi) + logs + now.q
    if restricted:
        total = total - np.log(2 * np.pi) + np.log(now.sum1)
    return np.asarray(-0.5 * total)


def _sides(questions: Questions, tau2: Floats, restricted: bool) -> tuple[Floats, Floats]:
    """y'PPy and the trace of the score: the likelihood rises with tau2 where the first is the larger."""
    weight = weights(questions, tau2)
    trace = sum1 = weight.sum(axis=0)
    mean = np.einsum("kq,kq->q", weight, questions.centred) / sum1
    if restricted:
        trace = sum1 - np.einsum("kq,kq->q", weight, weight) / sum1
    weight *= questions.centred - mean
    return np.einsum("kq,kq->q", weight, weight), trace


def _highest(questions: Questions, *, restricted: bool) -> Tau2:
    many = len(questions)
    value = np.zeros(many)
    converged = np.ones(many, dtype=np.bool_)
    at = np.flatnonzero(questions.count > 1)
    if at.size:
        several = questions if at.size == many else questions.some(at)
        value[at], converged[at] = _mode(several, restricted)
    return Tau2(value, _std_error(questions, value, restricted), converged)


def _std_error(questions: Questions, tau2: Floats, restricted: bool) -> Floats:
    weight = weights(questions, tau2)
    if not restricted:
        return np.asarray(np.sqrt(2.0 / np.einsum("kq,kq->q", weight, weight)))
    information = weight.sum(axis=0) ** 2 * information_share(*shares(weight))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(questions.count > 1, np.sqrt(2.0 / information), np.nan)


def _mode(questions: Questions, restricted: bool) -> tuple[Floats, Flags]:
    """The tau2 of the highest mode of each question, and whether it was found.

    The likelihood of few effects can have two modes. The sign of the score on a grid brackets every mode;
    Newton's method goes to each, and where there is more than one their likelihoods decide.
    """
    grid = _grid(questions)
    pull, trace = np.stack([_sides(questions, tau2, restricted) for tau2 in grid], axis=1)
    rises = pull > trace
    peaks = rises[:-1] & ~rises[1:]
    best = np.zeros(len(questions))
    converged = np.ones(len(questions), dtype=np.bool_)
    modes = peaks.sum(axis=0) + ~rises[0]
    height = np.full(len(questions), -np.inf)
    contested = np.flatnonzero((modes > 1) & ~rises[0])
    if contested.size:
        height[contested] = log_likelihood(
            questions.some(contested), np.zeros(contested.size), restricted=restricted
        )
    step, column = np.nonzero(peaks)
    if column.size == 0:
        return best, converged
    beside = np.where(step + 2 < grid.shape[0], step + 2, step - 1)
    three = np.stack([step, step + 1, beside]), column
    with np.errstate(divide="ignore", invalid="ignore"):
        start = _between(grid[three], trace[three] / pull[three])
    root, found = _newton(
        questions.some(column), grid[step, column], grid[step + 1, column], start, restricted
    )
    single = modes[column] == 1
    best[column[single]] = root[single]
    converged[column[single]] = found[single]
    rivals = np.flatnonzero(~single)
    if rivals.size:
        rivalling = column[rivals]
        heights = log_likelihood(questions.some(rivalling), root[rivals], restricted=restricted)
        for place, which, high in zip(rivals, rivalling, heights, strict=True):
            if high > height[which]:
                height[which], best[which], converged[which] = high, root[place], found[place]
    return best, converged


def _grid(questions: Questions) -> Floats:
    """Points of tau2 between which modes lie, shape (points, questions): 0, then in equal ratios to a bound.

    The bound: y'PPy <= wmax^2 SS and tr(P) >= (k - 1) wmin^2 / wmax, so the score is negative wherever
    (tau2 + vmin)^3 / (tau2 + vmax)^2 exceeds s2 = SS / (k - 1), such as at tau2 = max(m vmax, (1 + 1/m)^2 s2)
    for any m; two of them are tried.
    """
    finite = np.isfinite(questions.variance)
    largest = np.where(finite, questions.variance, 0.0).max(axis=0)
    smallest = questions.variance.min(axis=0)
    spread = np.einsum("kq,kq->q", questions.centred, questions.centred) / (questions.count - 1)
    high = np.minimum(np.maximum(largest, 4.0 * spread), np.maximum(4.0 * largest, 1.5625 * spread))
    low = np.minimum(smallest / 4.0, high / 8.0)
    powers = np.linspace(0.0, 1.0, _GRID)[:, np.newaxis]
    return np.concatenate([np.zeros((1, len(questions))), low * (high / low) ** powers])


def _between(tau2: Floats, ratio: Floats) -> Floats:
    """Where the ratio is 1 between the first and the second of three tau2, shape (3, places).

    By the parabola for tau2 through all three; where that leaves the bracket, the middle of its logarithm.
    """
    low, high = tau2[:2]
    a, b, c = ratio - 1.0
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        near = (
            low * (b / (a - b)) * (c / (a - c))
            + high * (a / (b - a)) * (c / (b - c))
            + tau2[2] * (a / (c - a)) * (b / (c - b))
        )
    middle = np.sqrt(np.maximum(low, high / 64.0) * high)
    return np.asarray(np.where((near > low) & (near < high), near, middle))


def _newton(
    questions: Questions, low: Floats, high: Floats, start: Floats, restricted: bool
) -> tuple[Floats, Flags]:
    """The root of trace / y'PPy = 1 inside each bracket, and whether it was found.

    That ratio is a straight line in tau2 when variances are equal and nearly so otherwise, so Newton's method
    takes few steps; a step out of the bracket is replaced by halving it.
    """
    root = np.empty(len(questions))
    found = np.zeros(len(questions), dtype=np.bool_)
    at = np.arange(len(questions))
    left = questions
    smallest = questions.variance.min(axis=0)
    tau2, before = start, np.zeros(len(questions))
    for _ in range(_STEPS):
        weight = weights(left, tau2)
        sum1 = weight.sum(axis=0)
        sum2 = np.einsum("kq,kq->q", weight, weight)
        trace, slope = sum1, -sum2
        if restricted:
            trace = sum1 - sum2 / sum1
            sum3 = np.einsum("kq,kq,kq->q", weight, weight, weight)
            slope = 2.0 * sum3 / sum1 - sum2 - (sum2 / sum1) ** 2
        pull = left.centred - np.einsum("kq,kq->q", weight, left.centred) / sum1
        pull *= weight
        q2 = np.einsum("kq,kq->q", pull, pull)
        q3 = np.einsum("kq,kq,kq->q", weight, pull, pull) - np.einsum("kq,kq->q", weight, pull) ** 2 / sum1
        rising = q2 > trace
        low = np.where(rising, tau2, low)
        high = np.where(rising, high, tau2)
        with np.errstate(divide="ignore", invalid="ignore"):
            following = tau2 - (trace / q2 - 1.0) / ((slope * q2 + 2.0 * trace * q3) / (q2 * q2))
        inside = (following > low) & (following < high)
        moved = np.abs(following - tau2)
        close = settled(moved, np.where(inside, before, 0.0), tau2 + smallest)
        following = np.where(inside | close, following, 0.5 * (low + high))
        done = close | (high - low <= 1e-14 * (high + smallest))
        root[at] = following
        found[at] = done
        before = np.where(inside, moved, 0.0)
        if done.any():
            going = np.flatnonzero(~done)
            at, low, high, before = at[going], low[going], high[going], before[going]
            following, smallest = following[going], smallest[going]
            left = left.some(going)
        tau2 = following
        if at.size == 0:
            break
    return root, found
