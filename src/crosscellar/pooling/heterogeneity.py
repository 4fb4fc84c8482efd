"""How far the effects differ: Q, H2, I2 and the interval of tau2, for many questions at once.

Arrays hold one question a column and one effect a row, shape (effects, questions). Shorter questions are
filled up with effects of infinite variance, whose weight is 0.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crosscellar.effects.places import starts_of

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Counts = NDArray[np.int64]

_STEPS = 100
#: A step of second order this small beside tau2 and the smallest variance is the last: the error left is its
#: square.
_LAST_STEP = 1e-8
#: It is the last, too, where the next is expected to be this small.
_NO_STEP = 1e-14


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
        if which.dtype == np.bool_:
            which = np.flatnonzero(which)
        # Indexing would lay the effects of one question side by side, which slows what is summed over them.
        return Questions(
            self.centred.take(which, axis=1),
            self.variance.take(which, axis=1),
            self.centre[which],
            self.count[which],
            None if self.df is None else self.df.take(which, axis=1),
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
    tau2
        Where they are taken.
    sum1
        Sum of w.
    mean
        Weighted mean, measured from the question's centre.
    q
        Sum of w (y - mean)^2.
    q2
        Sum of w^2 (y - mean)^2: minus the derivative of `q` by tau2.
    """

    tau2: Floats
    sum1: Floats
    mean: Floats
    q: Floats
    q2: Floats

    def some(self, which: Counts) -> Weighed:
        """Of these questions alone."""
        return Weighed(*(values[which] for values in self))


def weights(questions: Questions, tau2: Floats) -> Floats:
    """1 / (v + tau2), shape (effects, questions)."""
    weight = questions.variance + tau2
    return np.divide(1.0, weight, out=weight)


def weigh(questions: Questions, tau2: Floats) -> Weighed:
    """The weighted sums of each question at this tau2 (shape (questions,))."""
    weight = weights(questions, tau2)
    sum1 = weight.sum(axis=0)
    mean = np.einsum("kq,kq->q", weight, questions.centred) / sum1
    apart = questions.centred - mean
    pull = np.multiply(weight, apart, out=weight)
    return Weighed(
        tau2=tau2,
        sum1=sum1,
        mean=mean,
        q=np.einsum("kq,kq->q", pull, apart),
        q2=np.einsum("kq,kq->q", pull, pull),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Far:
    """The line (tau2 + shift) rise that 1/Q draws near to as tau2 grows; arrays of shape (questions,)."""

    rise: Floats
    shift: Floats

    def step(self, at: Weighed, target: Floats, of: Counts) -> Floats:
        """How far to go from `at`, a place for each of the questions `of`, towards where Q is `target`.

        1/Q is the line less a sum of terms c / (tau2 + g), c and g positive (Q is a sum of terms of that kind
        too, g the eigenvalues of V among contrasts). One such term that has the value and the slope of them
        all at one place lies nowhere above them (Cauchy-Schwarz), so that the root is never overshot. The
        step solves a quadratic; where no term is left it is Newton's on 1/Q.
        """
        rise = self.rise[of]
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            wanted = (at.q - target) / (at.q * target)
            slope = at.q2 / (at.q * at.q)
            bend = np.maximum((slope - rise) / ((at.tau2 + self.shift[of]) * rise - 1.0 / at.q), 0.0)
            linear, square = slope - wanted * bend, rise * bend
            root = np.sqrt(np.maximum(linear * linear + 4.0 * square * wanted, 0.0))
            step = np.where(linear > 0, 2.0 * wanted / (linear + root), (root - linear) / (2.0 * square))
            return np.asarray(np.fmax(step, wanted / slope))


def _far(questions: Questions) -> _Far:
    finite = np.isfinite(questions.variance)
    variance = np.where(finite, questions.variance, 0.0)
    apart = questions.centred - questions.centred.sum(axis=0) / questions.count
    apart *= finite
    spread = np.einsum("kq,kq->q", apart, apart)
    with np.errstate(divide="ignore", invalid="ignore"):
        return _Far(1.0 / spread, np.einsum("kq,kq,kq->q", variance, apart, apart) / spread)


def tau2_where_q_is(
    questions: Questions, target: Floats, known: Sequence[Weighed] = ()
) -> tuple[Floats, Flags]:
    """The tau2 at which Q equals `target`, 0 where Q at tau2 = 0 is already below; and whether found.

    `target` has the shape (questions,) or, for several of each, (targets, questions), and so have the
    results. `known` are weighed sums to begin from, the first at tau2 = 0. A target of 0 or below has no
    root: infinity. Q(tau2) falls steadily; each step ends left of the root (`_Far.step`), and the furthest
    of the first steps from the places known is taken.
    """
    known = known or (weigh(questions, np.zeros(len(questions))),)
    many = len(questions)
    aims = target.ravel()
    root = np.where(aims > 0, 0.0, np.inf)
    found = np.ones(aims.size, dtype=np.bool_)
    at = np.flatnonzero((aims > 0) & (np.broadcast_to(known[0].q, target.shape).ravel() > aims))
    far = _far(questions)
    of, aim = at % many, aims[at]
    tau2 = before = np.zeros(at.size)
    for place in known:
        here = place.some(of)
        tau2 = np.fmax(tau2, here.tau2 + far.step(here, aim, of))
    left, smallest = questions.some(of), questions.variance.min(axis=0)[of]
    found[at] = False
    for _ in range(_STEPS):
        if at.size == 0:
            break
        following = np.fmax(tau2 + far.step(weigh(left, tau2), aim, of), 0.0)
        moved = np.abs(following - tau2)
        done = settled(moved, before, following + smallest)
        root[at] = following
        found[at] = done
        if done.any():
            going = np.flatnonzero(~done)
            at, of, aim, smallest = at[going], of[going], aim[going], smallest[going]
            following, moved, left = following[going], moved[going], left.some(going)
        tau2, before = following, moved
    return root.reshape(target.shape), found.reshape(target.shape)


def settled(moved: Floats, before: Floats, size: Floats) -> Flags:
    """Whether nothing that matters beside `size` is left after a step of second order.

    Each such step is much the same multiple of the square of the one before (`before`, 0 where there was none
    of that kind), which tells the length of the next.
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        following = moved * (moved / before) ** 2
    return (moved <= _LAST_STEP * size) | (following <= _NO_STEP * size)


def runs(values: NDArray[Any]) -> tuple[Counts, Counts]:
    """Where each run of equal values begins, and how long it is."""
    begins = starts_of(values)
    return begins, np.diff(begins, append=values.size)


def once_a_run(work: Callable[[Floats], Floats], values: Floats) -> Floats:
    """`work` of each value, done once for a run of equal ones; the numbers of effects come in long runs."""
    begins, length = runs(values)
    return np.repeat(work(values[begins]), length)


def q_profile(
    questions: Questions, level: float, known: Sequence[Weighed] = ()
) -> tuple[Floats, Floats, Flags]:
    """The interval (low, high) of tau2 at `level`, and whether both ends were found.

    Q(tau2) follows a chi-square with k - 1 degrees of freedom at the true tau2; the ends are where it meets
    the outer quantiles, cut at 0 (Viechtbauer 2007, Stat Med 26:37-52, section 2.6). `known` as for
    `tau2_where_q_is`.
    """
    from scipy.special import chdtri

    df = questions.count - 1.0
    tail = (1.0 - level) / 2.0
    begins, length = runs(df)
    ends = np.asarray(chdtri(df[begins], [[tail], [1.0 - tail]]), dtype=np.float64)
    root, found = tau2_where_q_is(questions, np.repeat(ends, length, axis=1), known)
    return root[0], root[1], found[0] & found[1]


def shares(weight: Floats) -> tuple[Floats, Floats]:
    """Each effect's share of its question's weights, and one less that share; shape (effects, questions).

    What an effect with more than half of the weight leaves to all others is added up from theirs, so that it
    keeps its digits where that is little.
    """
    share = weight / weight.sum(axis=0)
    left = 1.0 - share
    heavy, largest = _heavy(share)
    if heavy.size:
        others = share.take(heavy, axis=1)
        others[largest, np.arange(heavy.size)] = 0.0
        left[largest, heavy] = others.sum(axis=0)
    return share, left


def _heavy(share: Floats) -> tuple[Counts, Counts]:
    """The questions where one effect has more than half of the weight, and which effect that is."""
    heavy = np.flatnonzero(share.max(axis=0) > 0.5)
    return heavy, share.take(heavy, axis=1).argmax(axis=0)


def information_share(share: Floats, left: Floats) -> Floats:
    """tr(PP) / S1^2 of each question, P = W - w w' / S1: twice REML's expected information of tau2.

    As (S2 - 2 S3 / S1 + (S2 / S1)^2) / S1^2, but a sum of what is not negative: the shares squared times what
    they leave squared, and the products of the squares of two.
    """
    square = share * share
    total = square.sum(axis=0)
    products = total * total - np.einsum("kq,kq->q", square, square)
    heavy, largest = _heavy(share)
    if heavy.size:
        others = square.take(heavy, axis=1)
        one = others[largest, np.arange(heavy.size)]
        others[largest, np.arange(heavy.size)] = 0.0
        pairs = others.sum(axis=0)
        products[heavy] = 2.0 * one * pairs + np.maximum(
            pairs * pairs - np.einsum("kq,kq->q", others, others), 0.0
        )
    square *= left
    return np.asarray(np.einsum("kq,kq->q", square, left) + products)


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
