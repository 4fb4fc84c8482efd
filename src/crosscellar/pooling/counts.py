"""The likelihood of triangle counts at several sites, in the mean logit and the spread between sites."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from crosscellar.effects.triangles import GUESS
from crosscellar.pooling.covariance import Floats
from crosscellar.pooling.roots import rising_root

#: Logits beyond this are shares within 1e-7 of 0 or 1.
FARTHEST_LOGIT = 16.0
#: Standard deviation between sites, on the logit scale, beyond which none is looked for.
MOST_SPREAD = 8.0
#: The grid over mean logits, and how many spreads stand beside 0 (Gauss-Legendre).
_PER_LOGIT = 10
LOGITS = np.arange(-FARTHEST_LOGIT * _PER_LOGIT, FARTHEST_LOGIT * _PER_LOGIT + 1) / _PER_LOGIT
_SPREADS = 24
#: A standard normal reaches this far.
_REACH = 8.5
#: A spread this small is 0.
_NO_SPREAD = 1e-6
_STEPS = 100
#: A climb ends when a step promises less.
_SMALLEST_GAIN = 1e-13


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """The log likelihood at a (mean logit, spread), with its slope (2,) and its curvature (2, 2)."""

    at: Floats
    height: float
    slope: Floats
    curve: Floats


class Counts:
    """Correct picks and picks by site; `scale` is that of the half-normal penalty on the spread."""

    def __init__(self, correct: Floats, n: Floats, scale: float) -> None:
        from scipy.special import gammaln

        self.correct, self.n, self.scale = correct, n, scale
        self.most = min(4.0 * scale, MOST_SPREAD)
        ways = gammaln(n + 1.0) - gammaln(correct + 1.0) - gammaln(n - correct + 1.0)
        self.constant = float(ways.sum())
        self._profiles: dict[float, _Place] = {}

    def guessing(self) -> float:
        """The log likelihood when nobody can tell."""
        right, all_ = self.correct.sum(), self.n.sum()
        return float(self.constant + right * np.log(GUESS) + (all_ - right) * np.log(1.0 - GUESS))

    def log_likelihood(self, centre: npt.ArrayLike, spread: float) -> Floats:
        """Penalized log likelihood at each mean logit in `centre` (g,), site effects integrated out, (g,)."""
        at = np.atleast_1d(np.asarray(centre, dtype=np.float64))
        z, weight = nodes(spread, float(self.n.max()))
        logs = self._of_sites(at[:, None] + spread * z) + np.log(weight)
        peak = logs.max(axis=2, keepdims=True)
        inner = peak[:, :, 0] + np.log(np.exp(logs - peak).sum(axis=2))
        return np.asarray(self.constant + inner.sum(axis=0) - 0.5 * (spread / self.scale) ** 2)

    def _of_sites(self, logit: Floats) -> Floats:
        """Each site's binomial log likelihood at these logits of its own share, (sites, ...)."""
        from scipy.special import expit

        of_site = (slice(None), *[np.newaxis] * logit.ndim)
        right = np.log(GUESS + (1.0 - GUESS) * expit(logit))
        wrong = np.log(1.0 - GUESS) + np.log(expit(-logit))
        return np.asarray(self.correct[of_site] * right + (self.n - self.correct)[of_site] * wrong)

    @cached_property
    def spreads(self) -> tuple[Floats, Floats]:
        """The spreads of `grid` and their weights in an integral from 0 to the most."""
        node, weight = np.polynomial.legendre.leggauss(_SPREADS)
        return 0.5 * self.most * (node + 1.0), weight

    @cached_property
    def grid(self) -> Floats:
        """`log_likelihood` at each of `spreads` and LOGITS, (spreads, logits).

        The trapezoid sums of all mean logits share their points: one table of each site's likelihood, and
        running sums over it.
        """
        spread = self.spreads[0]
        width = spread * [_width(float(each), float(self.n.max())) for each in spread]
        fineness = np.ceil(1.0 / (_PER_LOGIT * width)).astype(np.int64) * _PER_LOGIT
        heights = np.empty((spread.size, LOGITS.size))
        for fine in np.unique(fineness):
            rows = np.flatnonzero(fineness == fine)
            reach = np.ceil(_REACH * spread[rows] * fine).astype(np.int64)
            end = int(FARTHEST_LOGIT * fine) + int(reach.max())
            logs = self._of_sites(np.arange(-end, end + 1) / fine)
            top = logs.max(axis=1, keepdims=True)
            likely = np.exp(logs - top)
            for row, far in zip(rows, reach, strict=True):
                weight = np.exp(-0.5 * (np.arange(-far, far + 1) / (fine * spread[row])) ** 2)
                beside = slice(int(reach.max()) - far, likely.shape[1] - int(reach.max()) + far)
                sums = [np.correlate(site[beside], weight / weight.sum(), "valid") for site in likely]
                with np.errstate(divide="ignore"):
                    heights[row] = np.log(np.array(sums)[:, :: fine // _PER_LOGIT]).sum(axis=0) + top.sum()
        return np.asarray(heights + self.constant - 0.5 * (spread / self.scale)[:, None] ** 2)

    def highest(self) -> tuple[float, float, float]:
        """Mean logit, spread and log likelihood at the maximum."""
        share = 1.5 * float(self.correct.sum() / self.n.sum()) - 0.5
        with np.errstate(divide="ignore"):
            alike = float(
                np.clip(np.log(max(share, 0.0)) - np.log1p(-share), -FARTHEST_LOGIT, FARTHEST_LOGIT)
            )
        at_zero = float(self.log_likelihood(alike, 0.0)[0])
        row, column = np.unravel_index(int(np.argmax(self.grid)), self.grid.shape)
        top = self._climb(np.array([LOGITS[column], self.spreads[0][row]]), free=np.array([0, 1]))
        if at_zero >= top.height - 1e-9:
            return alike, 0.0, at_zero
        return float(top.at[0]), float(top.at[1]), top.height

    def limit(self, centre: float, height: float, end: float) -> float:
        """Where the profile falls to `height` between the maximum and `end`; infinite if it never does."""
        start = float(np.clip(centre, -FARTHEST_LOGIT, FARTHEST_LOGIT))
        if start == end or self._profile(end).height >= height:
            return float(np.copysign(np.inf, end))
        side = float(np.copysign(1.0, end))
        outward = LOGITS[side * LOGITS > side * start][:: int(side)]
        seen = self.grid[:, np.searchsorted(LOGITS, outward)].max(axis=0) >= height
        seen[-1] = False
        inside = int(np.flatnonzero(seen)[-1]) if seen.any() else -1
        inner = float(outward[inside]) if seen.any() else start
        for outer in outward[inside + 1 :]:
            if self._profile(float(outer)).height < height:
                break
            inner = float(outer)

        def above(turned: float) -> tuple[float, float]:
            place = self._profile(-side * turned)
            return place.height - height, -side * float(place.slope[0])

        ends = sorted((-side * inner, -side * float(outer)))
        return -side * rising_root(above, ends[0], ends[1], close=1e-9)

    def _profile(self, centre: float) -> _Place:
        """The place of the highest log likelihood over the spread at this mean logit."""
        if centre not in self._profiles:
            near = self.grid[:, int(np.argmin(np.abs(LOGITS - centre)))]
            start = np.array([centre, self.spreads[0][int(np.argmax(near))]])
            top = self._climb(start, free=np.array([1]))
            none = self._place(np.array([centre, _NO_SPREAD]))
            self._profiles[centre] = top if top.height > none.height else none
        return self._profiles[centre]

    def _climb(self, start: Floats, *, free: npt.NDArray[np.int64]) -> _Place:
        """The top reached from `start` by Newton's steps in the `free` directions, within the bounds."""
        low = np.array([-FARTHEST_LOGIT, _NO_SPREAD])
        high = np.array([FARTHEST_LOGIT, self.most])
        here = self._place(np.clip(start, low, high))
        for _ in range(_STEPS):
            held = ((here.at <= low) & (here.slope < 0.0)) | ((here.at >= high) & (here.slope > 0.0))
            left = free[~held[free]]
            if left.size == 0:
                return here
            step = np.zeros(2)
            step[left] = _uphill(here.slope[left], here.curve[np.ix_(left, left)])
            if step @ here.slope < _SMALLEST_GAIN * (1.0 + abs(here.height)):
                return here
            for _ in range(_STEPS):
                there = self._place(np.clip(here.at + step, low, high))
                if there.height > here.height:
                    break
                step *= 0.5
            else:
                return here
            here = there
        return here

    def _place(self, at: Floats) -> _Place:
        """Height, slope and curvature: moments, over each site's own logit, of its likelihood's slopes."""
        from scipy.special import expit

        centre, spread = at
        z, weight = nodes(float(spread), float(self.n.max()))
        logit = centre + spread * z
        logs = self._of_sites(logit) + np.log(weight)
        peak = logs.max(axis=1, keepdims=True)
        chance = np.exp(logs - peak)
        total = chance.sum(axis=1, keepdims=True)
        chance /= total
        tell, not_ = expit(logit), expit(-logit)
        up = (1.0 - GUESS) * tell * not_ / (GUESS + (1.0 - GUESS) * tell)
        right, wrong = self.correct[:, None], (self.n - self.correct)[:, None]
        first = right * up - wrong * tell
        second = right * up * (not_ - tell - up) - wrong * tell * not_ + first**2
        powers = np.stack([np.ones_like(z), z])
        slopes = (chance * first) @ powers.T
        curve = np.einsum("ij,kj,lj->kl", chance * second, powers, powers) - slopes.T @ slopes
        slope = slopes.sum(axis=0)
        slope[1] -= spread / self.scale**2
        curve[1, 1] -= 1.0 / self.scale**2
        height = self.constant + float((peak + np.log(total)).sum()) - 0.5 * (spread / self.scale) ** 2
        return _Place(at, float(height), slope, curve)


def nodes(spread: float, most: float) -> tuple[Floats, Floats]:
    """Trapezoid nodes for a standard normal, as close as the narrowest site's likelihood asks for."""
    if spread == 0.0:
        return np.zeros(1), np.ones(1)
    step = _width(spread, most)
    z = np.arange(-_REACH, _REACH + step, step)
    weight = np.exp(-0.5 * z * z)
    return z, weight / weight.sum()


def _width(spread: float, most: float) -> float:
    """How far apart trapezoid nodes may stand where the largest site has `most` picks."""
    return float(min(0.3, 0.8 / np.sqrt(1.0 + 0.2 * spread**2 * most), 0.5 / spread))


def _uphill(slope: Floats, curve: Floats) -> Floats:
    """Newton's step where the likelihood curves downwards, else one along the slope."""
    values, vectors = np.linalg.eigh(curve)
    return np.asarray(vectors @ ((vectors.T @ slope) / np.maximum(np.abs(values), 1e-8)))
