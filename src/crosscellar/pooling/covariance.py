"""How the sampling errors of effects hang together: arms compared with one control share its error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crosscellar.errors import NotComputable

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Covariance:
    """Sampling covariances between pairs of effects; pairs not named are independent.

    Attributes
    ----------
    size
        Number of effects.
    first, second
        Positions of the two effects of each pair, `first < second`, each pair once.
    value
        Their covariance, in the square of the effects' unit.
    """

    size: int
    first: Integers
    second: Integers
    value: Floats

    def matrix(self, variance: npt.ArrayLike) -> Floats:
        """The full (size, size) sampling covariance matrix, with `variance` on its diagonal."""
        full: Floats = np.diag(np.asarray(variance, dtype=np.float64))
        full[self.first, self.second] = self.value
        full[self.second, self.first] = self.value
        return full

    def take(self, positions: npt.ArrayLike) -> Covariance:
        """The covariances among the effects at these positions, renumbered in the order given."""
        kept = np.asarray(positions, dtype=np.int64)
        place = np.full(self.size, -1, dtype=np.int64)
        place[kept] = np.arange(kept.size)
        one, other = place[self.first], place[self.second]
        inside = (one >= 0) & (other >= 0)
        one, other = one[inside], other[inside]
        return Covariance(
            kept.size, np.minimum(one, other), np.maximum(one, other), np.asarray(self.value[inside])
        )


def independent(size: int) -> Covariance:
    """The covariance of effects that share nothing."""
    none = np.zeros(0, dtype=np.int64)
    return Covariance(size, none, none, np.zeros(0))


def from_matrix(matrix: npt.ArrayLike) -> Covariance:
    """The covariance read from a full symmetric matrix; its diagonal (the variances) is left out.

    Raises
    ------
    NotComputable
        The matrix is not square or not symmetric.
    """
    full = np.asarray(matrix, dtype=np.float64)
    if full.ndim != 2 or full.shape[0] != full.shape[1]:
        raise NotComputable(
            f"a covariance matrix must be square, this one is {' by '.join(map(str, full.shape))}",
            next_step="Give one row and one column for each effect.",
        )
    if not np.allclose(full, full.T, rtol=1e-10, atol=0.0):
        raise NotComputable(
            "the covariance matrix is not symmetric",
            next_step="The covariance of effects i and j must stand at (i, j) and at (j, i).",
        )
    first, second = np.nonzero(np.triu(full, 1))
    return Covariance(full.shape[0], first, second, np.asarray(full[first, second]))


def from_shared_controls(shared: Any, shared_variance: npt.ArrayLike) -> Covariance:
    """The covariance of effects from the key of the control that they share and that control's variance.

    Two effects with the same key have the covariance sqrt(c_i c_j), c being the variance of the control's
    mean on the scale of the effect (Gleser & Olkin 2009; Lajeunesse 2011 for log ratios). The two values
    are equal when both effects use one estimate of the vessel variance; the geometric mean keeps the
    matrix positive definite when they are not.

    Parameters
    ----------
    shared
        One key for each effect; null, NaN or "" where nothing is shared.
    shared_variance
        One variance for each effect; null or NaN where nothing is shared.
    """
    keys = ["" if key is None or key != key else str(key) for key in shared]
    variance = np.array(
        [np.nan if c is None else c for c in np.asarray(shared_variance).tolist()], dtype=float
    )
    if variance.size != len(keys):
        raise NotComputable(f"{len(keys)} shared controls but {variance.size} variances for them")
    _, code, count = np.unique(np.array(keys, dtype=str), return_inverse=True, return_counts=True)
    named = np.array([key != "" for key in keys], dtype=bool)
    grouped = named & (count[code] > 1)
    missing = grouped & ~(variance > 0)
    if missing.any():
        key = keys[int(np.flatnonzero(missing)[0])]
        raise NotComputable(
            f"effects share the control {key} but its variance is not given",
            next_step="Give shared_variance for each effect that names a shared control.",
        )
    position = np.flatnonzero(grouped)
    position = position[np.argsort(code[position], kind="stable")]
    first, second = _pairs_within(code[position])
    one, other = position[first], position[second]
    return Covariance(
        len(keys),
        np.minimum(one, other),
        np.maximum(one, other),
        np.sqrt(variance[one] * variance[other]),
    )


def from_reference_counts(
    events: npt.ArrayLike,
    non_events: npt.ArrayLike,
    log_odds_ratio: npt.ArrayLike,
    variance: npt.ArrayLike,
) -> tuple[Covariance, Floats, Floats]:
    """The covariance of adjusted log odds ratios against one reference level, with the fitted counts.

    The counts are fitted so that their crude odds ratios equal the adjusted ones while the number at each
    level and the total number of events stay as observed; the correlation of two levels follows from the
    fitted counts (Greenland & Longnecker 1992).

    Parameters
    ----------
    events, non_events
        Counts at each level, the reference level first: shape (levels,).
    log_odds_ratio, variance
        For each level but the reference: shape (levels - 1,).

    Returns
    -------
    tuple
        The covariance of the levels - 1 effects; fitted events; fitted non-events (levels,).
    """
    from scipy.optimize import brentq

    events_at = np.asarray(events, dtype=np.float64)
    total_at = events_at + np.asarray(non_events, dtype=np.float64)
    ratio = np.concatenate([[1.0], np.exp(np.asarray(log_odds_ratio, dtype=np.float64))])
    spread = np.asarray(variance, dtype=np.float64)
    if not (events_at.shape == total_at.shape == ratio.shape and spread.size == ratio.size - 1):
        raise NotComputable("counts, odds ratios and variances do not speak of the same levels")
    if (events_at <= 0).any() or (total_at <= events_at).any():
        raise NotComputable("a level without events or without non-events has no odds")

    def fitted(log_odds: float) -> Floats:
        odds = np.exp(log_odds) * ratio
        return np.asarray(total_at * odds / (1.0 + odds))

    reference = brentq(lambda x: float(fitted(x).sum() - events_at.sum()), -60.0, 60.0, xtol=1e-14)
    with_event = fitted(float(reference))
    without = total_at - with_event
    cell = 1.0 / with_event + 1.0 / without
    crude = cell[1:] + cell[0]
    first, second = np.triu_indices(ratio.size - 1, 1)
    correlation = cell[0] / np.sqrt(crude[first] * crude[second])
    value = correlation * np.sqrt(spread[first] * spread[second])
    shared = Covariance(ratio.size - 1, first.astype(np.int64), second.astype(np.int64), value)
    return shared, with_event, without


def _pairs_within(code: Integers) -> tuple[Integers, Integers]:
    """All pairs of positions with equal code, `code` sorted into runs."""
    if code.size == 0:
        none = np.zeros(0, dtype=np.int64)
        return none, none
    start = np.flatnonzero(np.r_[True, code[1:] != code[:-1]])
    size = np.diff(np.r_[start, code.size])
    left: list[Integers] = []
    right: list[Integers] = []
    for n in np.unique(size):
        one, other = np.triu_indices(int(n), 1)
        begin = start[size == n][:, None]
        left.append((begin + one).ravel())
        right.append((begin + other).ravel())
    return np.concatenate(left).astype(np.int64), np.concatenate(right).astype(np.int64)
