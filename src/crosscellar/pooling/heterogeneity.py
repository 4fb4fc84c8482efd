"""How far the effects differ: Q, H2, I2 and the interval of tau2, for many questions at once.

Arrays hold one question a column and one effect a row, shape (effects, questions). Shorter questions are
filled up with effects of infinite variance, whose weight is 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Counts = NDArray[np.int64]

_STEPS = 100
#: A Newton step this small beside tau2 and the smallest variance is the last: the error left is its square.
_LAST_STEP = 1e-8


@dataclass(frozen=True, slots=True, eq=False)
class Questions:
    """Effects of several questions side by side, each centred on its own common effect.

    Attributes
    ----------
    centred, variance
        Shape (effects, questions); filled up with 0 and infinity.
    centre
        What was taken off each question's estimates, shape (questions,).
    count
        Effects of each question, shape (questions,).
    df
        Degrees of freedom behind each variance, infinite for one that is known; as `variance`, or None where
        all are known.
    """

    centred: Floats
    variance: Floats
    centre: Floats
    count: Floats
    df: Floats | None = None

    def some(self, which: Flags | Counts) -> Questions:
        """These questions alone."""
        return Questions(
            self.centred[:, which],
            self.variance[:, which],
            self.centre[which],
            self.count[which],
            None if self.df is None else self.df[:, which],
        )

    def __len__(self) -> int:
        return int(self.centred.shape[1])


def side_by_side(estimate: Floats, variance: Floats, count: Floats, df: Floats | None = None) -> Questions:
    """Questions ready to pool, from estimates and variances (with their df) of shape (effects, questions).

    Centring keeps the sums below exact when an effect is small beside its mean (a pH of 3.4 that moves by
    0.01), and makes every result equivariant to a shift.
    """
    weight = 1.0 / variance
    centre = np.einsum("kq,kq->q", weight, estimate) / weight.sum(axis=0)
    centred = np.where(np.isfinite(variance), estimate - centre, 0.0)
    return Questions(centred, variance, centre, count, df)


class Weighed(NamedTuple):
    """What the weights w = 1 / (v + tau2) come to for each question, every array of shape (questions,).

    Attributes
    ----------
    sum1, sum2
        Sums of w and of w squared.
    mean
        Weighted mean, measured from the question's centre.
    q
        Sum of w (y - mean)^2.
    q2
        Sum of w^2 (y - mean)^2: minus the derivative of `q` by tau2.
    """

    sum1: Floats
    sum2: Floats
    mean: Floats
    q: Floats
    q2: Floats


def weigh(questions: Questions, tau2: Floats) -> Weighed:
    """The weighted sums of each question at this tau2 (shape (questions,))."""
    weight = 1.0 / (questions.variance + tau2)
    sum1 = weight.sum(axis=0)
    mean = np.einsum("kq,kq->q", weight, questions.centred) / sum1
    apart = questions.centred - mean
    pull = weight * apart
    return Weighed(
        sum1=sum1,
        sum2=np.einsum("kq,kq->q", weight, weight),
        mean=mean,
        q=np.einsum("kq,kq->q", pull, apart),
        q2=np.einsum("kq,kq->q", pull, pull),
    )


def tau2_where_q_is(questions: Questions, target: Floats) -> tuple[Floats, Flags]:
    """The tau2 at which Q equals `target`, 0 where Q at tau2 = 0 is already below; and whether found.

    Q(tau2) falls steadily, and 1/Q is concave in tau2 (a harmonic sum of straight lines), so Newton's method
    on 1/Q climbs to the root from the left and can never overshoot; with equal variances 1/Q is a straight
    line and one step suffices. A target of 0 or below has no root: infinity.
    """
    reachable = target > 0
    root = np.where(reachable, 0.0, np.inf)
    found = np.ones(len(questions), dtype=np.bool_)
    at = np.flatnonzero(reachable & (questions.count > 1))
    left = questions.some(at)
    aim = target[at]
    spread = np.einsum("kq,kq->q", left.centred, left.centred)
    finite = np.isfinite(left.variance)
    usual = np.where(finite, left.variance, 0.0).sum(axis=0) / left.count
    smallest = left.variance.min(axis=0)
    tau2 = np.maximum(spread / aim - usual, 0.0)
    found[at] = False
    for _ in range(_STEPS):
        if at.size == 0:
            break
        weight = 1.0 / (left.variance + tau2)
        apart = left.centred - np.einsum("kq,kq->q", weight, left.centred) / weight.sum(axis=0)
        pull = weight * apart
        q, q2 = np.einsum("kq,kq->q", pull, apart), np.einsum("kq,kq->q", pull, pull)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(q2 > 0, q * (q / aim - 1.0) / q2, 0.0)
        following = np.maximum(tau2 + step, 0.0)
        done = np.abs(following - tau2) <= _LAST_STEP * (following + smallest)
        root[at] = following
        found[at] = done
        if done.any():
            going = ~done
            at, aim, following, smallest = at[going], aim[going], following[going], smallest[going]
            left = left.some(going)
        tau2 = following
    return root, found


def q_profile(questions: Questions, level: float) -> tuple[Floats, Floats, Flags]:
    """The interval (low, high) of tau2 at `level`, and whether both ends were found.

    Q(tau2) follows a chi-square with k - 1 degrees of freedom at the true tau2; the ends are where it meets
    the outer quantiles, cut at 0 (Viechtbauer 2007, Stat Med 26:37-52, section 2.6).
    """
    from scipy.special import chdtri

    df = questions.count - 1.0
    tail = (1.0 - level) / 2.0
    sizes, back = np.unique(df, return_inverse=True)
    low, low_found = tau2_where_q_is(questions, np.asarray(chdtri(sizes, tail)[back], dtype=np.float64))
    high, high_found = tau2_where_q_is(
        questions, np.asarray(chdtri(sizes, 1.0 - tail)[back], dtype=np.float64)
    )
    return low, high, low_found & high_found


def shares(weight: Floats) -> tuple[Floats, Floats]:
    """Each effect's share of its question's weights, and one less that share; shape (effects, questions).

    What one effect leaves to all others is added up from theirs, so that it keeps its digits where that
    effect has nearly all the weight.
    """
    share = weight / weight.sum(axis=0)
    left = 1.0 - share
    largest = share.argmax(axis=0), np.arange(share.shape[1])
    others = share.copy()
    others[largest] = 0.0
    left[largest] = others.sum(axis=0)
    return share, left


def information_share(share: Floats, left: Floats) -> Floats:
    """tr(PP) / S1^2 of each question, P = W - w w' / S1: twice REML's expected information of tau2.

    As (S2 - 2 S3 / S1 + (S2 / S1)^2) / S1^2, but a sum of what is not negative: the shares squared times what
    they leave squared, and the products of the squares of two.
    """
    square = share * share
    others = square.copy()
    others[square.argmax(axis=0), np.arange(square.shape[1])] = 0.0
    pairs = others.sum(axis=0)
    products = 2.0 * square.max(axis=0) * pairs + np.maximum(
        pairs * pairs - np.einsum("kq,kq->q", others, others), 0.0
    )
    return np.asarray(np.einsum("kq,kq->q", square, left * left) + products)


def typical_variance(questions: Questions) -> Floats:
    """The sampling variance that stands for a question's effects, shape (questions,).

    (k - 1) S1 / (S1^2 - S2) with S the sums of 1/v and 1/v^2 (Higgins & Thompson 2002, Stat Med
    21:1539-1558, equation 9).
    """
    weight = 1.0 / questions.variance
    share, left = shares(weight)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((questions.count - 1) / (weight.sum(axis=0) * np.einsum("kq,kq->q", share, left)))


def i2_of_q(q: ArrayLike, df: ArrayLike) -> Floats:
    """Share (0 to 1) of the spread that is no sampling error: max(0, (Q - df) / Q).

    Higgins & Thompson 2002, Stat Med 21:1539-1558, equation 10.
    """
    spread = np.asarray(q, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (spread - np.asarray(df, dtype=np.float64)) / spread
    return np.where(share > 0, share, 0.0)


def i2_of_tau2(tau2: ArrayLike, typical: ArrayLike) -> Floats:
    """Share (0 to 1) of the variance of one effect that lies between sites: tau2 / (tau2 + typical).

    Agrees with `i2_of_q` for the moment estimator and follows the estimator used otherwise
    (Higgins & Thompson 2002, section 3.3).
    """
    between = np.asarray(tau2, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        share = between / (between + np.asarray(typical, dtype=np.float64))
    return np.where(np.isinf(between), 1.0, share)


def h2_of_q(q: ArrayLike, df: ArrayLike) -> Floats:
    """Q / df: how many times larger the spread is than sampling error alone (Higgins & Thompson 2002)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.asarray(q, dtype=np.float64) / np.asarray(df, dtype=np.float64))
