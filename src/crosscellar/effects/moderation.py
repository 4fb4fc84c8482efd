"""Vessel variances lent from trial to trial: the prior of an analyte, and what it makes of each trial's own.

The model (Smyth 2004, section 3): given its true variance, a trial's vessel variance with `df` degrees of
freedom is a scaled chi-square; the true variances of an analyte follow a scaled inverse chi-square with
`prior_df` degrees of freedom around `prior_variance`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from crosscellar.errors import NotComputable

Array = npt.NDArray[np.float64]

#: With fewer replicated trials than this, one odd trial would be the prior.
LEAST_TRIALS: Final = 3


@dataclass(frozen=True, slots=True)
class Prior:
    """The variance that vessels of an analyte have across the network, and how firmly that is known.

    Attributes
    ----------
    df
        Degrees of freedom the prior is worth; infinite where the trials' variances scatter no more than
        chance alone would make them.
    variance
        The variance around which the trials' true variances lie, in squared units of the readings.
    pooled_df
        Degrees of freedom of all variances it was fitted to: no trial can borrow more than these.
    trials
        How many variances it was fitted to.
    """

    df: float
    variance: float
    pooled_df: float
    trials: int

    @property
    def capped_df(self) -> float:
        """The prior's degrees of freedom, never more than there were in the variances it was fitted to."""
        return min(self.df, self.pooled_df)


@dataclass(frozen=True, slots=True)
class ModeratedVariances:
    """Each trial's variance after leaning on the others.

    Attributes
    ----------
    prior_df, prior_variance
        What the prior is worth in degrees of freedom (infinite where variances scatter no more than chance; 0
        for none), and its variance.
    variance, df
        Arrays in the order given: (d0 s0^2 + d s^2) / (d0 + d), and d0 + d.
    """

    prior_df: float
    prior_variance: float
    variance: Array
    df: Array


def inverse_trigamma(values: npt.ArrayLike) -> Array:
    """The x at which trigamma(x) equals each value (positive array; same shape).

    Newton's method on 1/trigamma, which is nearly straight (Smyth 2004, appendix).
    """
    from scipy.special import polygamma

    y = np.asarray(values, dtype=np.float64)
    x = 0.5 + 1.0 / y
    for _ in range(60):
        trigamma = polygamma(1, x)
        step = trigamma * (1.0 - trigamma / y) / polygamma(2, x)
        x = x + step
        if np.all(np.abs(step) <= 1e-15 * x):
            break
    # Newton loses its footing at both ends, where the leading term is exact to double precision.
    return np.where(y > 1e14, 1.0 / np.sqrt(y), np.where(y < 1e-14, 1.0 / y, x))


def fit_prior(variance: npt.ArrayLike, df: npt.ArrayLike) -> Prior | None:
    """The prior of these variances by moments of their logarithms, or None where there are too few.

    With e = log s2 - digamma(df/2) + log(df/2), the mean of e estimates
    log s0^2 - digamma(d0/2) + log(d0/2), and its scatter beyond the mean of trigamma(df/2) is
    trigamma(d0/2) (Smyth 2004, section 6.2). No excess scatter makes d0 infinite and s0^2 = exp(mean e).
    Variances of no degrees of freedom, or of exactly 0 (readings too coarse to differ), have no logarithm
    and are left out; fewer than three remaining give None.
    """
    from scipy.special import digamma, polygamma

    s2 = np.asarray(variance, dtype=np.float64)
    d = np.asarray(df, dtype=np.float64)
    known = (d > 0) & (s2 > 0) & np.isfinite(s2) & np.isfinite(d)
    s2, d = s2[known], d[known]
    n = s2.size
    if n < LEAST_TRIALS:
        return None
    # Few designs are in use: each function is worked out once for each number of degrees of freedom.
    kinds, kind = np.unique(d, return_inverse=True)
    e = np.log(s2) - digamma(kinds / 2)[kind] + np.log(kinds / 2)[kind]
    mean = float(e.mean())
    excess = float(((e - mean) ** 2).sum() / (n - 1) - polygamma(1, kinds / 2)[kind].mean())
    if excess <= 0.0:
        return Prior(np.inf, float(np.exp(mean)), float(d.sum()), n)
    d0 = float(2.0 * inverse_trigamma(excess))
    s0 = float(np.exp(mean + digamma(d0 / 2) - np.log(d0 / 2)))
    return Prior(d0, s0, float(d.sum()), n)


def lean(variance: Array, df: Array, prior_df: Array, prior_variance: Array) -> tuple[Array, Array]:
    """Each variance drawn towards its prior, and its degrees of freedom.

    (d0 s0^2 + df s^2) / (d0 + df) with d0 + df degrees of freedom (Smyth 2004, eq. 3). Where `df` is 0 the
    prior stands alone; where the prior is missing (NaN) the own variance does; where both are, NaN and 0.
    """
    own = np.where(df > 0, variance, 0.0)
    d0 = np.where(np.isnan(prior_df), 0.0, prior_df)
    s0 = np.where(np.isnan(prior_df), 0.0, prior_variance)
    total = d0 + df
    with np.errstate(invalid="ignore", divide="ignore"):
        moderated = np.where(np.isinf(d0), s0, (np.where(np.isinf(d0), 0.0, d0) * s0 + df * own) / total)
    return np.where(total > 0, moderated, np.nan), total


def moderate_variances(variance: npt.ArrayLike, df: npt.ArrayLike) -> ModeratedVariances:
    """The variances of many trials, each leaning on all of them (Smyth 2004).

    Parameters
    ----------
    variance, df
        Arrays of one length: each trial's variance between vessels (squared units of the readings; anything,
        NaN too, where `df` is 0) and its degrees of freedom.

    Returns
    -------
    ModeratedVariances
        `.prior_df`, `.prior_variance`, `.variance`, `.df`. A trial of no degrees of freedom takes the prior
        variance. With fewer than three replicated trials there is no prior: `prior_df` is 0,
        `prior_variance` NaN, and each variance stays its own.

    Few trials fit a poor prior: three or four may scatter no more than chance and make `prior_df` infinite.
    The effects of a store therefore never borrow more degrees of freedom than the fitted variances had.

    Raises
    ------
    NotComputable
        Arrays of two lengths, what is no number, or a variance below 0 where `df` is above 0.
    """
    try:
        s2, d = np.broadcast_arrays(np.asarray(variance, dtype=np.float64), np.asarray(df, dtype=np.float64))
    except (TypeError, ValueError) as fault:
        raise NotComputable(
            "The variances and their degrees of freedom are no numbers, or not as many of each",
            next_step="Give two arrays of one length.",
        ) from fault
    if ((s2 < 0) & (d > 0)).any():
        raise NotComputable("A variance is below 0", next_step="Give squared standard deviations.")
    s2 = np.where(d > 0, s2, np.nan)
    prior = fit_prior(s2, d)
    if prior is None:
        return ModeratedVariances(0.0, float("nan"), s2, d)
    moderated, total = lean(s2, d, np.full(d.shape, prior.df), np.full(d.shape, prior.variance))
    return ModeratedVariances(prior.df, prior.variance, moderated, total)
