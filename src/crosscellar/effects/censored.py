"""Arms with readings below a limit: maximum likelihood, never half the limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_MOST_STEPS = 100
#: The search starts where no limit lies more standard deviations from its arm's mean than this.
_FARTHEST = 10.0


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
    # Counted from each arm's first mean: a small spread far from 0 loses no digits.
    apart = value - start[place[seen]]
    lent = prior_df * prior_variance if prior_df > 0 else 0.0
    below, above = (lo - start[place])[~seen], (hi - start[place])[~seen]
    # Vessels that read alike have no spread to start from: a limit lies no more than ten of these away.
    limits = np.abs(np.concatenate([below, above]))
    farthest = float(limits[np.isfinite(limits)].max(initial=0.0))
    first = max((lent + float((apart**2).sum())) / df, (farthest / _FARTHEST) ** 2)
    if not first > 0.0:
        return blank
    likelihood = _Likelihood(apart, place[seen], below, above, place[~seen], df, lent)
    found = _highest(likelihood, np.append(np.zeros(known.size), 1.0 / np.sqrt(first)))
    if found is None:
        return blank
    at, curve = found
    h = at[-1]
    to_mean = np.column_stack([np.eye(known.size) / h, -at[:-1] / h**2])
    mean = np.full(arms, np.nan)
    mean[known] = start + at[:-1] / h
    full = np.full((arms, arms), np.nan)
    full[np.ix_(known, known)] = to_mean @ np.linalg.inv(-curve) @ to_mean.T
    return CensoredArms(mean, full, float(h**-2), df, converged=True)


@dataclass(frozen=True, slots=True)
class _Likelihood:
    """The log likelihood in mean/sd of each arm and 1/sd, in which it has no second top (Olsen 1978)."""

    value: Array
    arm: npt.NDArray[np.intp]
    low: Array
    high: Array
    limited_arm: npt.NDArray[np.intp]
    df: float
    lent: float

    def at(self, parameters: Array) -> tuple[float, Array, Array]:
        """The log likelihood, its slope and its second derivatives."""
        mean, h = parameters[:-1], parameters[-1]
        left = h * self.value - mean[self.arm]
        low, high = (h * limit - mean[self.limited_arm] for limit in (self.low, self.high))
        inside = _log_between(low, high)
        height = self.df * np.log(h) - 0.5 * self.lent * h * h - 0.5 * float(left @ left) + inside.sum()
        # Where a limit is infinite nothing changes with it.
        ends = [np.where(np.isfinite(end), end, 0.0) for end in (low, high)]
        to_h = [np.where(np.isfinite(limit), limit, 0.0) for limit in (self.low, self.high)]
        dense = [
            np.where(np.isfinite(end), np.exp(-0.5 * end**2 - inside) / np.sqrt(2.0 * np.pi), 0.0)
            for end in (low, high)
        ]
        by_end = np.stack([-dense[0], dense[1]])
        twice = np.stack([ends[0] * dense[0], -ends[1] * dense[1]])[:, None] * np.eye(2)[:, :, None]
        twice = twice - by_end[:, None] * by_end[None, :]
        along = np.stack([np.array([-np.ones_like(end), to]) for end, to in zip(ends, to_h, strict=True)])
        slopes = np.einsum("en,epn->pn", by_end, along)
        curves = np.einsum("efn,epn,fqn->pqn", twice, along, along)
        arms = mean.size
        slope = np.append(
            np.bincount(self.arm, left, arms) + np.bincount(self.limited_arm, slopes[0], arms),
            self.df / h - self.lent * h - left @ self.value + slopes[1].sum(),
        )
        curve = np.diag(
            np.append(
                np.bincount(self.limited_arm, curves[0, 0], arms) - np.bincount(self.arm, minlength=arms),
                -self.df / h**2 - self.lent - self.value @ self.value + curves[1, 1].sum(),
            )
        )
        curve[-1, :-1] = np.bincount(self.arm, self.value, arms) + np.bincount(
            self.limited_arm, curves[0, 1], arms
        )
        curve[:-1, -1] = curve[-1, :-1]
        return float(height), slope, curve


def _highest(likelihood: _Likelihood, start: Array) -> tuple[Array, Array] | None:
    """The parameters of the top and the second derivatives there, by Newton's steps; None without a top."""
    here = start
    height, slope, curve = likelihood.at(here)
    for _ in range(_MOST_STEPS):
        step = np.linalg.solve(-curve, slope)
        promised = float(step @ slope)
        if promised < 1e-20 * (1.0 + abs(height)):
            return here, curve
        for _ in range(_MOST_STEPS):
            there = here + step
            if there[-1] > 0.0:
                raised = likelihood.at(there)
                if raised[0] > height:
                    break
            step = 0.5 * step
        else:
            # No step raises it: the highest that rounding allows to tell.
            return (here, curve) if promised < 1e-9 * (1.0 + abs(height)) else None
        here, (height, slope, curve) = there, raised
    return None


def _log_between(low: Array, high: Array) -> Array:
    """The log of the normal probability between two limits, in the tail where it stays finite."""
    from scipy.special import log_ndtr

    turned = low + high > 0
    near = log_ndtr(np.where(turned, -low, high))
    far = log_ndtr(np.where(turned, -high, low))
    return np.asarray(near + np.log1p(-np.exp(np.minimum(far - near, -1e-12))), dtype=np.float64)
