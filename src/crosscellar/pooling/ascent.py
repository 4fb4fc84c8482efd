"""The highest point of a likelihood of variances: a grid of starts, then Newton steps within the bounds."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from crosscellar.pooling.covariance import Floats
from crosscellar.pooling.layers import Layers, with_seasons

#: Starts for one, two and three free variances, as multiples of the spread of the effects.
GRID = {
    1: np.array([0.0, 0.003, 0.01, 0.03, 0.1, 0.2, 0.4, 0.7, 1.0, 1.5, 2.5, 5.0]),
    2: np.array([0.0, 0.0004, 0.002, 0.008, 0.025, 0.07, 0.17, 0.35, 0.65, 1.1, 1.9, 4.0]),
    3: np.array([0.0, 0.002, 0.015, 0.07, 0.22, 0.6, 1.3, 3.0]),
}
#: Of finer starts between 0 and the first of these there are so many at most.
MOST_FINER = {1: 24, 2: 12, 3: 6}
MOST_STEPS = 200
#: From this ratio of the best to the least known trial on, modes may hide between the points of the grid.
UNEVEN = 100.0
#: The climb ends when a Newton step would raise the log likelihood by less than this.
SMALLEST_GAIN = 1e-13


@dataclass(frozen=True, slots=True, eq=False)
class Peak:
    """A local maximum: variances (3,), log likelihood, expected information (3, 3)."""

    theta: Floats
    log_likelihood: float
    expected: Floats
    converged: bool
    iterations: int


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """What the score and the information are made of, at one set of variances."""

    cross_w: Floats
    to_y: Floats
    t_site: Floats
    t_trial: Floats
    score: Floats
    expected: Floats
    observed: Floats


def moments_at(layers: Layers, theta: Floats, *, restricted: bool = True) -> Moments:
    """Score, expected and observed information of (site, trial, season) at `theta` (3,).

    score_k = -1/2 [tr(P V_k) - y'P V_k P y]; expected_kl = 1/2 tr(P V_k P V_l);
    observed_kl = y'P V_k P V_l P y - expected_kl; for the full likelihood the traces take V^-1 in
    the place of P (Searle, Casella & McCulloch 1992, chapter 6).
    """
    p, q = layers.p, layers.q
    w = p + q
    u3, total3, s3, mean3, cross3 = layers.levels(theta[:1], theta[1:2])
    u, total, s, mean, raw = u3[0], total3[0], s3[0], mean3[0], cross3[0]
    scale = np.ones(w + 1)
    scale[p:w] = np.sqrt(theta[2])
    full = with_seasons(cross3, theta[2:], p, q)[0]
    ratio = s / total
    t_site = s[:, None] * mean
    t_trial = u[:, None] * (layers.mean - (1.0 - ratio)[layers.site_of, None] * mean[layers.site_of])
    bond = theta[0] * ratio
    parts = _Parts(layers, u, s, ratio, bond, t_site, t_trial, raw, scale)
    inverse = np.linalg.inv(full[:w, :w])
    residual = parts.projected_estimate(inverse @ full[:w, w])
    quadratic = np.zeros(3)
    quadratic[list(parts.kinds)] = [r @ r for r in residual]
    curve = parts.quadratic_forms(residual, inverse, slice(0, w))
    if restricted:
        trace, expected = parts.traces(inverse, slice(0, w))
    else:
        season_only = np.linalg.inv(full[p:w, p:w]) if q else np.zeros((0, 0))
        trace, expected = parts.traces(season_only, slice(p, w))
    return Moments(
        cross_w=full[:w, :w],
        to_y=full[:w, w],
        t_site=t_site,
        t_trial=t_trial,
        score=-0.5 * (trace - quadratic),
        expected=expected,
        observed=curve - expected,
    )


class _Parts:
    """Products Z_k'P Z_l of the three random terms, kept as diagonals and low-rank pieces."""

    def __init__(
        self,
        layers: Layers,
        u: Floats,
        s: Floats,
        ratio: Floats,
        bond: Floats,
        t_site: Floats,
        t_trial: Floats,
        raw: Floats,
        scale: Floats,
    ) -> None:
        p, q = layers.p, layers.q
        self.layers, self.u, self.s, self.bond = layers, u, s, bond
        self.side = u * ratio[layers.site_of]
        self.season = slice(p, p + q)
        self.raw = raw
        self.t = [t_site * scale, t_trial * scale, raw[self.season] * scale]
        self.kinds = (0, 1, 2) if q else (0, 1)
        self.t_raw = [t_site, t_trial, raw[self.season]]

    def _by_site(self, values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values, self.layers.site_start, axis=0))

    def apply(self, k: int, m: int, right: Floats) -> Floats:
        """(Z_k'V_b^-1 Z_m) right, V_b being V without seasons; `right` has one row for each level of m."""
        if k == 2:
            if m == 2:
                return np.asarray(self.raw[self.season, self.season] @ right)
            return np.asarray(self.t_raw[m][:, self.season].T @ right)
        if m == 2:
            return np.asarray(self.t_raw[k][:, self.season] @ right)
        if k == 0 and m == 0:
            return (self.s * right.T).T
        if k == 0:
            return self._by_site((self.side * right.T).T)
        if m == 0:
            return (self.side * right[self.layers.site_of].T).T
        pulled = self._by_site((self.u * right.T).T)
        return (self.u * (right - (self.bond * pulled.T).T[self.layers.site_of]).T).T

    def squared(self, k: int, m: int) -> float:
        """The sum of squares of Z_k'V_b^-1 Z_m."""
        if k == 2 and m == 2:
            return float((self.raw[self.season, self.season] ** 2).sum())
        if m == 2 or k == 2:
            return float((self.t_raw[min(k, m)][:, self.season] ** 2).sum())
        if k == 0 and m == 0:
            return float((self.s**2).sum())
        if k != m:
            return float((self.side**2).sum())
        u2 = self._by_site(self.u**2)
        return float((self.u**2).sum() - 2.0 * self.bond @ self._by_site(self.u**3) + (self.bond**2 @ u2**2))

    def trace(self, k: int) -> float:
        if k == 0:
            return float(self.s.sum())
        if k == 1:
            return float(self.u.sum() - self.bond @ self._by_site(self.u**2))
        return float(np.trace(self.raw[self.season, self.season]))

    def projected_estimate(self, coefficient: Floats) -> list[Floats]:
        """Z_k'P y for each kind."""
        w = coefficient.size
        return [np.asarray(self.t[k][:, w] - self.t[k][:, :w] @ coefficient) for k in self.kinds]

    def quadratic_forms(self, residual: list[Floats], inverse: Floats, columns: slice) -> Floats:
        """y'P V_k P V_l P y, (3, 3)."""
        out = np.zeros((3, 3))
        loads = [self.t[k][:, columns].T @ residual[k] for k in self.kinds]
        for k, m in itertools.combinations_with_replacement(self.kinds, 2):
            value = residual[k] @ self.apply(k, m, residual[m]) - loads[k] @ inverse @ loads[m]
            out[k, m] = out[m, k] = value
        return out

    def traces(self, inverse: Floats, columns: slice) -> tuple[Floats, Floats]:
        """tr(P V_k), (3,), and half of tr(P V_k P V_l), (3, 3), with P = V_b^-1 - W inverse W'."""
        single = np.zeros(3)
        double = np.zeros((3, 3))
        low = [self.t[k][:, columns] for k in self.kinds]
        gram = [inverse @ (t.T @ t) for t in low]
        for k in self.kinds:
            single[k] = self.trace(k) - np.trace(gram[k])
        for k, m in itertools.combinations_with_replacement(self.kinds, 2):
            mixed = np.trace(inverse @ (low[k].T @ self.apply(k, m, low[m])))
            value = self.squared(k, m) - 2.0 * mixed + np.trace(gram[k] @ gram[m])
            double[k, m] = double[m, k] = 0.5 * value
        return single, double


def highest_peak(layers: Layers, *, free: tuple[bool, bool, bool], spread: float, restricted: bool) -> Peak:
    """The highest maximum over the free variances, each at least 0, reached from every peak of a grid."""
    at = np.flatnonzero(free)
    if at.size == 0 or spread <= 0.0:
        return _climb(layers, np.zeros(3), at, restricted=restricted)
    values = _starts(layers, at.size, spread)
    shape = (values.size,) * at.size
    theta = np.zeros((values.size**at.size, 3))
    theta[:, at] = np.array(list(itertools.product(values, repeat=at.size)))
    height = layers.log_likelihood(theta, restricted=restricted)
    tops = [theta[i] for i in _grid_peaks(height.reshape(shape))]
    peaks = [_climb(layers, top, at, restricted=restricted) for top in tops]
    best = max(peaks, key=lambda peak: peak.log_likelihood)
    if at.size < 3 or not _uneven(layers):
        return best
    # With very uneven precision modes are narrow: the far side of each variance gets a climb of its own.
    for k in at:
        across = best.theta.copy()
        across[k] = 0.0 if across[k] > 0.0 else 0.3 * spread
        other = _climb(layers, across, at, restricted=restricted)
        best = max(best, other, key=lambda peak: peak.log_likelihood)
    return best


def _uneven(layers: Layers) -> bool:
    return bool(layers.precision.max() >= UNEVEN * layers.precision.min())


def _starts(layers: Layers, free: int, spread: float) -> Floats:
    """The values of each free variance on the grid, from 0 on.

    Where trials are known very unevenly the spread is that of the coarse ones, and what the fine ones tell
    may hide between 0 and the first step of the grid: it begins at a quarter of the smallest variance then.
    """
    values = GRID[free] * spread
    least = 0.25 / float(layers.precision.max())
    if not _uneven(layers) or least >= values[1]:
        return values
    wanted = int(np.ceil(2.0 * np.log10(values[1] / least)))
    finer = np.geomspace(least, values[1], min(wanted, MOST_FINER[free]), endpoint=False)
    return np.asarray(np.concatenate([values[:1], finer, values[1:]]))


def _grid_peaks(height: Floats) -> list[int]:
    """Flat positions of the grid points that no direct neighbour tops, the highest first."""
    top = np.ones(height.shape, dtype=bool)
    for axis in range(height.ndim):
        below = [slice(None)] * height.ndim
        above = [slice(None)] * height.ndim
        below[axis], above[axis] = slice(None, -1), slice(1, None)
        rise = height[tuple(above)] > height[tuple(below)]
        top[tuple(below)] &= ~rise
        top[tuple(above)] &= rise
    found = np.flatnonzero(top)
    if found.size == 0:
        found = np.array([int(np.argmax(height))])
    ranked = found[np.argsort(-height.ravel()[found], kind="stable")]
    return [int(i) for i in ranked[:6]]


def _climb(layers: Layers, start: Floats, at: np.ndarray, *, restricted: bool) -> Peak:
    theta = start.copy()
    height = float(layers.log_likelihood(theta[None], restricted=restricted)[0])
    here = moments_at(layers, theta, restricted=restricted)
    for iteration in range(1, MOST_STEPS + 1):
        score = here.score[at]
        open_ = at[(theta[at] > 0.0) | (score > 0.0)]
        if open_.size == 0:
            return Peak(theta, height, here.expected, True, iteration)
        step, gain = _step(here, open_)
        if gain < SMALLEST_GAIN * (1.0 + abs(height)):
            # A last full step: near the top it only gains digits.
            last = theta.copy()
            last[open_] = np.maximum(theta[open_] + step, 0.0)
            raised = float(layers.log_likelihood(last[None], restricted=restricted)[0])
            if raised >= height - 1e-12 * (1.0 + abs(height)):
                theta, height = last, raised
                here = moments_at(layers, theta, restricted=restricted)
            return Peak(theta, height, here.expected, True, iteration)
        moved = _rise(layers, theta, height, here, open_, step, restricted=restricted)
        if moved is None:
            return Peak(theta, height, here.expected, gain < 1e-9 * (1.0 + abs(height)), iteration)
        theta, height = moved
        here = moments_at(layers, theta, restricted=restricted)
    return Peak(theta, height, here.expected, False, MOST_STEPS)


def _step(here: Moments, open_: np.ndarray) -> tuple[Floats, float]:
    """The Newton step, or the scoring step where the likelihood curves the wrong way, and its promise."""
    score = here.score[open_]
    for matrix in (here.observed, here.expected):
        sub = matrix[np.ix_(open_, open_)]
        try:
            np.linalg.cholesky(sub)
        except np.linalg.LinAlgError:
            continue
        step = np.linalg.solve(sub, score)
        return step, float(0.5 * score @ step)
    step = score / np.maximum(np.diagonal(here.expected)[open_], 1e-300)
    return step, float(0.5 * score @ step)


def _rise(
    layers: Layers,
    theta: Floats,
    height: float,
    here: Moments,
    open_: np.ndarray,
    step: Floats,
    *,
    restricted: bool,
) -> tuple[Floats, float] | None:
    """The first point along the bounded step, halved as often as needed, that stands higher."""
    along_score = here.score[open_] / np.maximum(np.diagonal(here.expected)[open_], 1e-300)
    for direction in (step, along_score):
        trial = np.repeat(theta[None], 30, axis=0)
        length = 0.5 ** np.arange(30.0)
        trial[:, open_] = np.maximum(theta[open_] + length[:, None] * direction, 0.0)
        first = float(layers.log_likelihood(trial[:1], restricted=restricted)[0])
        if first > height:
            return trial[0], first
        heights = layers.log_likelihood(trial[1:], restricted=restricted)
        higher = np.flatnonzero(heights > height)
        if higher.size:
            best = int(higher[0])
            return trial[1 + best], float(heights[best])
    return None
