"""Arms with readings below a limit: maximum likelihood, never half the limit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CensoredArms:
    """Arm means and their covariance where some vessels are known only within limits.

    `mean` is NaN for an arm of which no vessel was quantified; `variance` is that of one vessel, `df` its
    degrees of freedom. `converged` is False where the search ended without an optimum.
    """

    mean: Array
    covariance: Array
    variance: float
    df: float
    converged: bool


def censored_arms(
    low: npt.ArrayLike,
    high: npt.ArrayLike,
    arm: npt.ArrayLike,
    *,
    prior_df: float = 0.0,
    prior_variance: float = float("nan"),
) -> CensoredArms:
    """Arm means and one common vessel variance by the likelihood of the interval each vessel lies in.

    Tobin (1958), for intervals on either side; the variance is fitted by restricted likelihood with the
    scaled inverse chi-square prior as one more factor, so that without any censored vessel the answer is the
    ordinary mean and the moderated variance (Smyth 2004).

    Parameters
    ----------
    low, high
        Arrays of one length: the limits within which each vessel's value lies; equal where quantified.
    arm
        Arm numbers 0, 1, ... of the vessels.
    prior_df, prior_variance
        The prior of the vessel variance; `prior_df` 0 where there is none.
    """
    from scipy.optimize import minimize

    lo, hi = np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)
    which = np.asarray(arm, dtype=np.intp)
    arms = int(which.max()) + 1
    known = np.flatnonzero(np.bincount(which[lo == hi], minlength=arms) > 0)
    blank = CensoredArms(
        np.full(arms, np.nan), np.full((arms, arms), np.nan), float("nan"), 0.0, converged=False
    )
    use = np.isin(which, known)
    exact = use & (lo == hi)
    df = prior_df + float(exact.sum()) - known.size
    if known.size == 0 or df <= 0:
        return blank
    place = np.searchsorted(known, which[use])
    lo, hi = lo[use], hi[use]
    seen = lo == hi
    value = lo[seen]
    start = np.bincount(place[seen], value, minlength=known.size) / np.bincount(
        place[seen], minlength=known.size
    )
    squares = float(((value - start[place[seen]]) ** 2).sum())
    lent = prior_df * prior_variance if prior_df > 0 else 0.0
    first = max((lent + squares) / df, 1e-12)

    def cost(parameters: Array) -> float:
        mean, log_sd = parameters[:-1], parameters[-1]
        sd = np.exp(log_sd)
        at = mean[place]
        inside = _log_between((lo[~seen] - at[~seen]) / sd, (hi[~seen] - at[~seen]) / sd)
        quantified = -0.5 * ((value - at[seen]) / sd) ** 2
        weight = seen.sum() - known.size + prior_df
        return float(-(quantified.sum() + inside.sum() - weight * log_sd - 0.5 * lent / sd**2))

    begin = np.concatenate([start, [0.5 * np.log(first)]])
    found = minimize(
        cost, begin, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 8000}
    )
    sd = float(np.exp(found.x[-1]))
    covariance = _inverse_hessian(cost, found.x, sd)
    if covariance is None or not np.isfinite(found.fun):
        return blank
    mean = np.full(arms, np.nan)
    mean[known] = found.x[:-1]
    full = np.full((arms, arms), np.nan)
    full[np.ix_(known, known)] = covariance[:-1, :-1]
    return CensoredArms(mean, full, sd**2, df, converged=bool(found.success))


def _log_between(low: Array, high: Array) -> Array:
    """The log of the normal probability between two limits, in the tail where it stays finite."""
    from scipy.special import log_ndtr

    turned = low + high > 0
    near = log_ndtr(np.where(turned, -low, high))
    far = log_ndtr(np.where(turned, -high, low))
    return np.asarray(near + np.log1p(-np.exp(np.minimum(far - near, -1e-12))), dtype=np.float64)


def _inverse_hessian(cost: Callable[[Array], float], at: Array, sd: float) -> Array | None:
    """The covariance of the parameters from second differences of the cost, None where it has no minimum."""
    step = np.full(at.size, 1e-4 * sd)
    step[-1] = 1e-4
    moves = np.diag(step)
    hessian = np.empty((at.size, at.size))
    for i in range(at.size):
        for j in range(i, at.size):
            second = (
                cost(at + moves[i] + moves[j])
                - cost(at + moves[i] - moves[j])
                - cost(at - moves[i] + moves[j])
                + cost(at - moves[i] - moves[j])
            ) / (4.0 * step[i] * step[j])
            hessian[i, j] = hessian[j, i] = second
    try:
        inverse = np.linalg.inv(hessian)
    except np.linalg.LinAlgError:
        return None
    return np.asarray(inverse, dtype=np.float64) if bool(np.all(np.diag(inverse) > 0)) else None
