"""Intervals of the mean effect and of a new site's effect, from numbers or arrays that broadcast."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from crosscellar.pooling.heterogeneity import (
    Floats,
    Questions,
    information_share,
    once_a_run,
    shares,
    weights,
)

#: Effects whose scatter is this small a share of what their variances let expect agree to the last digit.
NO_SCATTER = 1e-12


def t_quantile(df: ArrayLike, level: float) -> Floats:
    """The two-sided Student t factor at `level`.

    Infinite `df` gives the normal's, `df` of 0 or less NaN.
    """
    from scipy.special import ndtri, stdtrit

    upper = 0.5 + level / 2.0

    def factor(sizes: Floats) -> Floats:
        student = stdtrit(np.where(np.isfinite(sizes) & (sizes > 0), sizes, np.nan), upper)
        return np.where(np.isinf(sizes), ndtri(upper), student)

    freedom = _floats(df)
    return once_a_run(factor, freedom.ravel()).reshape(freedom.shape)


def p_two_sided(statistic: ArrayLike, df: ArrayLike) -> Floats:
    """The two-sided p-value of a t statistic; infinite `df` takes the normal."""
    return np.asarray(2.0 * share_above(np.abs(_floats(statistic)), df))


def share_above(statistic: ArrayLike, df: ArrayLike) -> Floats:
    """P(T > statistic) of Student's t on `df`.

    Infinite `df` takes the normal, `df` of 0 or less gives NaN.
    """
    from scipy.special import ndtr, stdtr

    where, freedom = np.broadcast_arrays(_floats(statistic), _floats(df))
    usable = np.isfinite(freedom) & (freedom > 0)
    share = np.full(where.shape, np.nan)
    stdtr(freedom, -where, out=share, where=usable)
    ndtr(-where, out=share, where=np.isinf(freedom))
    return share


def hartung_knapp_factor(q: ArrayLike, count: ArrayLike) -> Floats:
    """What the squared standard error is multiplied by: Q at the estimated tau2, over k - 1.

    Below 1 the interval is narrower than the model's own; that is told, not hidden (Hartung & Knapp 2001,
    Stat Med 20:3875-3889; Sidik & Jonkman 2002, Stat Med 21:3153-3159).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.maximum(_floats(q) / (_floats(count) - 1.0), 0.0))


def doubt_of_weights(questions: Questions, tau2: Floats) -> Floats:
    """What the mean's variance grows by, as a share, because its weights are estimates; shape (questions,).

    The weights 1 / (v + tau2) rest on an estimated tau2 and, where degrees of freedom are given, on
    estimated v. To first order the variance of the weighted mean is then 1 / S1 times one plus

        (S3 - S2^2 / S1) / S1 var(tau2)  +  sum w^3 (1 - w / S1) var(v) / S1,

    S1 to S3 the sums of w to w^3, var(tau2) = 2 / (S2 - 2 S3 / S1 + (S2 / S1)^2) (REML's information) and
    var(v) = 2 v^2 / df (Kackar & Harville 1984, J Am Stat Assoc 79:853-862, for all variances of a model;
    with tau2 = 0 the second part is that of Meier 1953, Biometrics 9:59-73). Equal, known variances: 0.
    """
    weight = weights(questions, tau2)
    own, left = shares(weight)
    # S3 - S2^2 / S1 = S1^3 sum own (own - sum own^2)^2; the largest share's distance is told by the others.
    square = own * own
    apart = own - square.sum(axis=0)
    largest = own.argmax(axis=0), np.arange(len(questions))
    others = square.copy()
    others[largest] = 0.0
    apart[largest] = own[largest] * left[largest] - others.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        doubt = 2.0 * np.einsum("kq,kq->q", own, apart * apart) / information_share(own, left)
    if questions.df is not None:
        share = np.where(np.isfinite(questions.variance), questions.variance, 0.0) * weight
        # w^3 (1 - w / S1) 2 v^2 / df / S1, with v w = share and w / S1 = own
        doubt = doubt + 2.0 * np.einsum("kq,kq->q", share * share / questions.df, own * left)
    return np.asarray(doubt)


def around(estimate: ArrayLike, std_error: ArrayLike, df: ArrayLike, level: float) -> tuple[Floats, Floats]:
    """The interval estimate -+ t(df) std_error, low and high."""
    half = t_quantile(df, level) * _floats(std_error)
    return np.asarray(_floats(estimate) - half), np.asarray(_floats(estimate) + half)


def prediction(
    estimate: ArrayLike, std_error: ArrayLike, tau2: ArrayLike, df: ArrayLike, level: float
) -> tuple[Floats, Floats]:
    """The interval for the true effect at a new site: estimate -+ t(df) sqrt(tau2 + std_error^2).

    With df = k - 2 (Higgins, Thompson & Spiegelhalter 2009, J R Stat Soc A 172:137-159, equation 12): NaN for
    two sites, very wide for three. `std_error` is the model's own, 1 / sqrt(sum w), as in that paper. From
    five sites on it holds less often than it says where sites differ about as much as trials err, because
    tau2 is then often estimated as 0; `confidence.new_site` allows for that.
    """
    return around(estimate, np.sqrt(_floats(tau2) + _floats(std_error) ** 2), df, level)


def chance_beyond(
    bound: ArrayLike, estimate: ArrayLike, std_error: ArrayLike, tau2: ArrayLike, df: ArrayLike
) -> Floats:
    """The chance that the true effect at a new site lies above `bound`, from the same t as `prediction`."""
    spread = np.sqrt(_floats(tau2) + _floats(std_error) ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        return share_above((_floats(bound) - _floats(estimate)) / spread, df)


def _floats(values: ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)
