"""The highest point of a likelihood of variances: a grid of starts, then Newton steps within the bounds.

Many likelihoods are climbed side by side, from all their starts at once: each step costs the few numbers of a
question next to nothing, and its operations are what takes the time.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from crosscellar.pooling.covariance import Floats, Integers
from crosscellar.pooling.layers import Layers, side_by_side, with_seasons

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
#: Likelihoods are worked side by side as long as their trials, times columns, come to no more than this.
ROOM = 50_000

Flags = npt.NDArray[np.bool_]


class Peak(NamedTuple):
    """A local maximum: variances (3,), log likelihood, expected information (3, 3)."""

    theta: Floats
    log_likelihood: float
    expected: Floats
    converged: bool
    iterations: int


class Moments(NamedTuple):
    """What a step needs to know at each of g sets of variances: (g, 3), (g, 3, 3), (g, 3, 3)."""

    score: Floats
    expected: Floats
    observed: Floats

    def some(self, which: Integers | Flags) -> Moments:
        """These alone."""
        return Moments(self.score[which], self.expected[which], self.observed[which])


def moments_at(layers: Layers, theta: Floats, *, restricted: bool = True) -> Moments:
    """Score, expected and observed information of (site, trial, season) at each `theta` (g, 3).

    score_k = -1/2 [tr(P V_k) - y'P V_k P y]; expected_kl = 1/2 tr(P V_k P V_l);
    observed_kl = y'P V_k P V_l P y - expected_kl; for the full likelihood the traces take V^-1 in
    the place of P (Searle, Casella & McCulloch 1992, chapter 6).
    """
    p, q = layers.p, layers.q
    w = p + q
    parts = Parts(layers, theta)
    inverse = _inverse(parts.full[:, :w, :w])
    residual = parts.projected_estimate(inverse @ parts.full[:, :w, w:])
    quadratic = np.zeros((theta.shape[0], 3))
    for k in parts.kinds:
        quadratic[:, k] = (residual[k] ** 2).sum(axis=(1, 2))
    curve = parts.quadratic_forms(residual, inverse, slice(0, w))
    if restricted:
        trace, expected = parts.traces(inverse, slice(0, w))
    else:
        trace, expected = parts.traces(_inverse(parts.full[:, p:w, p:w]), slice(p, w))
    return Moments(-0.5 * (trace - quadratic), expected, curve - expected)


class Parts:
    """Products Z_k'P Z_l of the three random terms at each theta, kept as diagonals and low-rank pieces.

    `full` (g, c, c) are the cross-products columns' V^-1 columns, seasons scaled as in `with_seasons`;
    `t_raw` holds Z_k'V_b^-1 columns for sites (g, I, c), trials (g, J, c) and seasons (g, q, c), V_b being V
    without seasons, and `t` the same with the season columns scaled.
    """

    def __init__(self, layers: Layers, theta: Floats) -> None:
        p, q = layers.p, layers.q
        self.layers = layers
        self.u, total, self.s, mean, self.raw = layers.levels(theta[:, 0], theta[:, 1])
        self.full = with_seasons(self.raw, theta[:, 2], p, q)
        ratio = self.s / np.where(total > 0.0, total, 1.0)
        self.bond = theta[:, :1] * ratio
        self.side = self.u * ratio[:, layers.site_of]
        self.season = slice(p, p + q)
        apart = layers.mean - ((1.0 - ratio)[:, :, None] * mean)[:, layers.site_of]
        self.t_raw = [self.s[:, :, None] * mean, self.u[:, :, None] * apart, self.raw[:, self.season]]
        self.t = self.t_raw
        self.kinds = (0, 1, 2) if q else (0, 1)
        if q:
            scale = np.ones((theta.shape[0], 1, p + q + 1))
            scale[:, 0, self.season] = np.sqrt(theta[:, 2:])
            self.t = [t * scale for t in self.t_raw]

    def _by_site(self, values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values, self.layers.site_start, axis=1))

    def apply(self, k: int, m: int, right: Floats) -> Floats:
        """(Z_k'V_b^-1 Z_m) right; `right` (g, levels of m, columns)."""
        if k == 2:
            if m == 2:
                return np.asarray(self.raw[:, self.season, self.season] @ right)
            return np.asarray(np.swapaxes(self.t_raw[m][:, :, self.season], 1, 2) @ right)
        if m == 2:
            return np.asarray(self.t_raw[k][:, :, self.season] @ right)
        if k == 0 and m == 0:
            return self.s[:, :, None] * right
        if k == 0:
            return self._by_site(self.side[:, :, None] * right)
        if m == 0:
            return self.side[:, :, None] * right[:, self.layers.site_of]
        pulled = self.bond[:, :, None] * self._by_site(self.u[:, :, None] * right)
        return self.u[:, :, None] * (right - pulled[:, self.layers.site_of])

    def squared(self, k: int, m: int) -> Floats:
        """The sum of squares of Z_k'V_b^-1 Z_m, (g,)."""
        if k == 2 and m == 2:
            return np.asarray((self.raw[:, self.season, self.season] ** 2).sum(axis=(1, 2)))
        if m == 2 or k == 2:
            return np.asarray((self.t_raw[min(k, m)][:, :, self.season] ** 2).sum(axis=(1, 2)))
        if k == 0 and m == 0:
            return np.asarray((self.s**2).sum(axis=1))
        if k != m:
            return np.asarray((self.side**2).sum(axis=1))
        u2 = self.u**2
        return np.asarray(
            u2.sum(axis=1)
            - 2.0 * (self.bond * self._by_site(u2 * self.u)).sum(axis=1)
            + ((self.bond * self._by_site(u2)) ** 2).sum(axis=1)
        )

    def trace(self, k: int) -> Floats:
        """The trace of Z_k'V_b^-1 Z_k, (g,)."""
        if k == 0:
            return np.asarray(self.s.sum(axis=1))
        if k == 1:
            return np.asarray(self.u.sum(axis=1) - (self.bond * self._by_site(self.u**2)).sum(axis=1))
        return _trace(self.raw[:, self.season, self.season])

    def projected_estimate(self, coefficient: Floats) -> list[Floats]:
        """Z_k'P y for each kind, (g, levels of k, 1); `coefficient` (g, w, 1)."""
        w = coefficient.shape[1]
        return [np.asarray(self.t[k][:, :, w:] - self.t[k][:, :, :w] @ coefficient) for k in self.kinds]

    def quadratic_forms(self, residual: list[Floats], inverse: Floats, columns: slice) -> Floats:
        """y'P V_k P V_l P y, (g, 3, 3)."""
        out = np.zeros((inverse.shape[0], 3, 3))
        loads = [np.swapaxes(self.t[k][:, :, columns], 1, 2) @ residual[k] for k in self.kinds]
        for k, m in itertools.combinations_with_replacement(self.kinds, 2):
            value = (residual[k] * self.apply(k, m, residual[m])).sum(axis=(1, 2))
            value = value - (loads[k] * (inverse @ loads[m])).sum(axis=(1, 2))
            out[:, k, m] = out[:, m, k] = value
        return out

    def traces(self, inverse: Floats, columns: slice) -> tuple[Floats, Floats]:
        """tr(P V_k), (g, 3), and half of tr(P V_k P V_l), (g, 3, 3), with P = V_b^-1 - W inverse W'."""
        single = np.zeros((inverse.shape[0], 3))
        double = np.zeros((inverse.shape[0], 3, 3))
        low = [self.t[k][:, :, columns] for k in self.kinds]
        gram = [inverse @ (np.swapaxes(t, 1, 2) @ t) for t in low]
        for k in self.kinds:
            single[:, k] = self.trace(k) - _trace(gram[k])
        for k, m in itertools.combinations_with_replacement(self.kinds, 2):
            mixed = _trace(inverse @ (np.swapaxes(low[k], 1, 2) @ self.apply(k, m, low[m])))
            value = self.squared(k, m) - 2.0 * mixed + _trace(gram[k] @ gram[m])
            double[:, k, m] = double[:, m, k] = 0.5 * value
        return single, double


def _inverse(matrices: Floats) -> Floats:
    return np.asarray(np.linalg.inv(matrices), dtype=np.float64)


def _trace(matrices: Floats) -> Floats:
    return np.asarray(np.trace(matrices, axis1=1, axis2=2))


class Slope(NamedTuple):
    """A likelihood to be climbed: its layers, which variances are free, and on what scale they lie."""

    layers: Layers
    free: tuple[bool, bool, bool]
    spread: float


def highest_peaks(slopes: Sequence[Slope], *, restricted: bool) -> list[Peak]:
    """The highest maximum of each over the free variances, each at least 0, from every peak of a grid.

    All have as many design columns.
    """
    found: list[Peak] = []
    room = 0
    together: list[Slope] = []
    for slope in slopes:
        if together and room + slope.layers.mean.size > ROOM:
            found += _highest_peaks(together, restricted=restricted)
            together, room = [], 0
        together.append(slope)
        room += slope.layers.mean.size
    return found + _highest_peaks(together, restricted=restricted) if together else found


def _highest_peaks(slopes: Sequence[Slope], *, restricted: bool) -> list[Peak]:
    layers = side_by_side([slope.layers for slope in slopes])
    free = np.array([slope.free for slope in slopes])
    grids = [_grid(slope) for slope in slopes]
    sizes = [len(theta) for theta, _ in grids]
    height = layers.log_likelihood(
        np.concatenate([theta for theta, _ in grids]),
        np.repeat(np.arange(len(slopes)), sizes),
        restricted=restricted,
    )
    tops = [
        theta[_grid_peaks(part.reshape(shape))]
        for (theta, shape), part in zip(grids, np.split(height, np.cumsum(sizes)[:-1]), strict=True)
    ]
    of = np.repeat(np.arange(len(slopes)), [len(top) for top in tops])
    best: list[Peak | None] = [None] * len(slopes)

    def climb(of: Integers, start: Floats) -> None:
        for at, peak in zip(of, _climb(layers, of, start, free[of], restricted=restricted), strict=True):
            known = best[at]
            if known is None or peak.log_likelihood > known.log_likelihood:
                best[at] = peak

    climb(of, np.concatenate(tops))
    # With very uneven precision modes are narrow: the far side of each variance gets a climb of its own.
    narrow = [at for at, slope in enumerate(slopes) if all(slope.free) and _uneven(slope.layers)]
    for k in range(3) if narrow else ():
        across = np.array([peak.theta for peak in best if peak is not None])[narrow]
        far = np.array([0.3 * slopes[at].spread for at in narrow])
        across[:, k] = np.where(across[:, k] > 0.0, 0.0, far)
        climb(np.array(narrow), across)
    return [peak for peak in best if peak is not None]


def _grid(slope: Slope) -> tuple[Floats, tuple[int, ...]]:
    """The starts, (points, 3), and the shape of the grid that they make up."""
    at = np.flatnonzero(slope.free)
    if at.size == 0 or slope.spread <= 0.0:
        return np.zeros((1, 3)), (1,)
    values = _starts(slope.layers, at.size, slope.spread)
    theta = np.zeros((values.size**at.size, 3))
    theta[:, at] = np.array(list(itertools.product(values, repeat=at.size)))
    return theta, (values.size,) * at.size


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


class _Climb:
    """Climbs side by side: where each stands, which still goes on, and how it ended."""

    def __init__(self, layers: Layers, of: Integers, start: Floats, free: Flags, restricted: bool) -> None:
        self.layers, self.of, self.free, self.restricted = layers, of, free, restricted
        self.theta = start.copy()
        self.height = self.heights(np.arange(of.size), start)
        self.here = moments_at(layers.some(of), start, restricted=restricted)
        self.converged = np.zeros(of.size, dtype=np.bool_)

    def heights(self, at: Integers, theta: Floats) -> Floats:
        return self.layers.log_likelihood(theta, self.of[at], restricted=self.restricted)

    def move(self, at: Integers, theta: Floats, height: Floats) -> None:
        """Nothing; these climbs stand there."""
        if at.size == 0:
            return
        self.theta[at], self.height[at] = theta, height
        there = moments_at(self.layers.some(self.of[at]), theta, restricted=self.restricted)
        for known, new in (
            (self.here.score, there.score),
            (self.here.expected, there.expected),
            (self.here.observed, there.observed),
        ):
            known[at] = new

    def open(self, at: Integers) -> Flags:
        """Which variances can move: free, and not held at 0 by a likelihood that falls from there."""
        return self.free[at] & ((self.theta[at] > 0.0) | (self.here.score[at] > 0.0))


def _climb(layers: Layers, of: Integers, start: Floats, free: Flags, *, restricted: bool) -> list[Peak]:
    """The peak reached from each `start` (g, 3) on the likelihood `of` (g,)."""
    climb = _Climb(layers, of, start, free, restricted)
    iterations = np.full(of.size, MOST_STEPS)
    going = np.arange(of.size)
    for iteration in range(1, MOST_STEPS + 1):
        open_ = climb.open(going)
        step, gain = _step(climb.here.some(going), open_)
        scale = 1.0 + np.abs(climb.height[going])
        still = ~open_.any(axis=1)
        near = ~still & (gain < SMALLEST_GAIN * scale)
        _last_step(climb, going[near], step[near])
        on = ~still & ~near
        moved = np.zeros(going.size, dtype=np.bool_)
        moved[on] = _rise(climb, going[on], open_[on], step[on])
        ended = going[~moved]
        climb.converged[ended] = (still | near | (gain < 1e-9 * scale))[~moved]
        iterations[ended] = iteration
        going = going[moved]
        if going.size == 0:
            break
    return [
        Peak(climb.theta[i], float(climb.height[i]), climb.here.expected[i], bool(climb.converged[i]), int(n))
        for i, n in enumerate(iterations)
    ]


def _last_step(climb: _Climb, at: Integers, step: Floats) -> None:
    """Nothing; a full step was taken where it does not fall: near the top it only gains digits."""
    if at.size == 0:
        return
    last = np.maximum(climb.theta[at] + step, 0.0)
    raised = climb.heights(at, last)
    better = raised >= climb.height[at] - 1e-12 * (1.0 + np.abs(climb.height[at]))
    climb.move(at[better], last[better], raised[better])


def _step(here: Moments, open_: Flags) -> tuple[Floats, Floats]:
    """The Newton steps, or the scoring steps where the likelihood curves the wrong way, and their promise."""
    score = np.where(open_, here.score, 0.0)
    both = open_[:, :, None] & open_[:, None, :]
    closed = np.eye(3) * ~open_[:, :, None]
    step = score / np.maximum(np.diagonal(here.expected, axis1=1, axis2=2), 1e-300)
    left = np.arange(score.shape[0])
    for matrices in (here.observed, here.expected):
        held = np.where(both, matrices, 0.0)[left] + closed[left]
        curved = _positive(held)
        at = left[curved]
        step[at] = np.linalg.solve(held[curved], score[at][:, :, None])[:, :, 0]
        left = left[~curved]
        if left.size == 0:
            break
    return step, 0.5 * (score * step).sum(axis=1)


def _positive(matrices: Floats) -> Flags:
    """Which of these symmetric matrices are positive definite."""
    try:
        np.linalg.cholesky(matrices)
    except np.linalg.LinAlgError:
        if len(matrices) == 1:
            return np.zeros(1, dtype=np.bool_)
        return np.concatenate([_positive(matrix[None]) for matrix in matrices])
    return np.ones(len(matrices), dtype=np.bool_)


def _rise(climb: _Climb, at: Integers, open_: Flags, step: Floats) -> Flags:
    """Which climbs moved up along the bounded step, halved as often as needed, or along the score."""
    moved = np.zeros(at.size, dtype=np.bool_)
    if at.size == 0:
        return moved
    here = climb.here.some(at)
    along_score = here.score / np.maximum(np.diagonal(here.expected, axis1=1, axis2=2), 1e-300)
    theta, height = climb.theta[at], climb.height[at]
    lengths = 0.5 ** np.arange(30.0)
    for direction in (step, np.where(open_, along_score, 0.0)):
        for some in (lengths[:1], lengths[1:]):
            left = np.flatnonzero(~moved)
            if left.size == 0:
                break
            tried = np.maximum(theta[left, None] + some[:, None] * direction[left, None], 0.0)
            heights = climb.heights(np.repeat(at[left], some.size), tried.reshape(-1, 3)).reshape(
                left.size, -1
            )
            higher = heights > climb.height[at[left], None]
            first = higher.argmax(axis=1)
            up = higher.any(axis=1)
            theta[left[up]], height[left[up]] = tried[up, first[up]], heights[up, first[up]]
            moved[left[up]] = True
    climb.move(at[moved], theta[moved], height[moved])
    return moved
