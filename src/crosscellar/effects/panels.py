"""A panel's scores by a mixed model: arms fixed, assessors and sessions random and crossed.

Restricted likelihood (Patterson and Thompson 1971) of y = X b + sum over k of Z_k u_k + e, with the residual
variance profiled out. With H = I + sum over k of theta_k Z_k Z_k', theta the components in units of
the residual variance, twice the negative log likelihood is, up to a constant,
(n - p) log(y'P y) + log|H| + log|X'H^-1 X| (Searle, Casella and McCulloch 1992). Its gradient and second
derivatives need only W = Z'P Z and u = Z'P y.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

#: Components, in units of the residual variance, from which the search for the best begins.
_STARTS: Final = (0.0, 0.1, 1.0, 10.0)

#: A component beyond this many residual variances means that nothing is left over: scores that fit exactly.
_MOST: Final = 1e9


@dataclass(frozen=True, slots=True)
class PanelFit:
    """Arm differences from the control of one trial and attribute, by a mixed model.

    `difference` and `covariance` are in the order of the treatment arms; `residual` is the variance of one
    score within assessor and session; `converged` is False where the fit did not end in an optimum.
    """

    difference: Array
    covariance: Array
    residual: float
    converged: bool


def panel_fit(score: Array, arm: Array, assessor: Array, session: Array) -> PanelFit:
    """Arm differences with assessor and session as random intercepts, by restricted likelihood.

    All arrays have one length; `arm` is 0 for the control, then 1, 2, ...; `assessor` and `session` number
    theirs from 0. A single session has no component.
    """
    arms = int(arm.max()) + 1
    fixed = np.column_stack([np.ones_like(score), *(arm == k for k in range(1, arms))]).astype(np.float64)
    kinds = [assessor] if np.unique(session).size == 1 else [assessor, session]
    parts = [np.eye(int(kind.max()) + 1)[kind.astype(int)] for kind in kinds]
    sums = _Sums(score, fixed, parts)
    if sums.df <= 0:
        nothing = np.full((arms - 1, arms - 1), np.nan)
        return PanelFit(nothing.diagonal(), nothing, float("nan"), converged=False)
    theta, converged = _search(sums)
    at = sums.at(theta)
    residual = at.squares / sums.df
    covariance = residual * at.inverse
    return PanelFit(
        difference=at.coefficients[1:],
        covariance=covariance[1:, 1:],
        residual=float(residual),
        converged=converged and residual > 0 and bool(np.all(np.isfinite(covariance))),
    )


@dataclass(frozen=True, slots=True)
class _At:
    """What the likelihood comes to with given components; twice its negative logarithm is `cost`."""

    cost: float
    gradient: Array
    hessian: Array
    squares: float
    coefficients: Array
    inverse: Array


class _Sums:
    """Sums of products of scores, arms, assessors and sessions: all that the likelihood needs."""

    def __init__(self, score: Array, fixed: Array, parts: list[Array]) -> None:
        random = np.column_stack(parts)
        data = np.column_stack([fixed, score])
        self.df = score.size - fixed.shape[1]
        self.component = np.repeat(np.arange(len(parts)), [part.shape[1] for part in parts])
        self._data = data.T @ data
        self._of_random = random.T @ random
        self._with_data = random.T @ data

    def at(self, theta: Array) -> _At:
        """The likelihood with components `theta`, one for each random part."""
        each = theta[self.component]
        q, p = each.size, self._data.shape[0] - 1
        whole = np.eye(q) + self._of_random * each
        solved = np.linalg.solve(whole, np.column_stack([self._of_random, self._with_data]))
        _, log_h = np.linalg.slogdet(whole)
        zz, zd = solved[:, :q], solved[:, q:]
        dd = self._data - self._with_data.T @ (each[:, None] * zd)
        inverse: Array = np.asarray(np.linalg.inv(dd[:p, :p]), dtype=np.float64)
        _, log_x = np.linalg.slogdet(dd[:p, :p])
        coefficients = inverse @ dd[:p, p]
        squares = float(dd[p, p] - dd[:p, p] @ coefficients)
        w = zz - zd[:, :p] @ inverse @ zd[:, :p].T
        u = zd[:, p] - zd[:, :p] @ coefficients
        pick = np.eye(theta.size)[self.component]
        own = pick.T @ u**2
        with np.errstate(divide="ignore", invalid="ignore"):
            gradient = pick.T @ np.diag(w) - self.df * own / squares
            hessian = -(pick.T @ w**2 @ pick) + self.df * (
                2.0 * pick.T @ (u[:, None] * w * u) @ pick / squares - np.outer(own, own) / squares**2
            )
            cost = self.df * np.log(squares) + log_h + log_x if squares > 0 else -np.inf
        return _At(float(cost), gradient, hessian, squares, coefficients, inverse)

    def costs(self, theta: Array) -> Array:
        """The cost alone with each row of components, (starts, parts)."""
        each = theta[:, self.component]
        p = self._data.shape[0] - 1
        whole = np.eye(each.shape[1]) + self._of_random * each[:, None, :]
        zd = np.linalg.solve(whole, np.broadcast_to(self._with_data, (len(each), *self._with_data.shape)))
        dd = self._data - self._with_data.T @ (each[:, :, None] * zd)
        x, to_y = dd[:, :p, :p], dd[:, :p, p:]
        squares = dd[:, p, p] - (to_y * np.linalg.solve(x, to_y)).sum(axis=(1, 2))
        logs = np.linalg.slogdet(whole)[1] + np.linalg.slogdet(x)[1]
        known = np.where(squares > 0, squares, 1.0)
        return np.where(squares > 0, self.df * np.log(known) + logs, -np.inf)


def _search(sums: _Sums) -> tuple[Array, bool]:
    """The components of least cost, none below 0, by Newton's method from a grid's best; whether found."""
    count = int(sums.component.max()) + 1
    grid = np.stack(np.meshgrid(*[_STARTS] * count), axis=-1).reshape(-1, count)
    theta = grid[sums.costs(grid).argmin()]
    here = sums.at(theta)
    for _ in range(200):
        if not np.isfinite(here.cost) or theta.max() > _MOST:
            return theta, False
        free = (theta > 0) | (here.gradient < 0)
        if not free.any() or np.abs(here.gradient[free] * (theta[free] + 1e-3)).max() < 1e-9:
            return theta, True
        step = np.zeros(count)
        step[free] = _downhill(here.gradient[free], here.hessian[np.ix_(free, free)], theta[free])
        scale = 1.0
        while scale > 1e-12:
            moved = np.maximum(theta + scale * step, 0.0)
            there = sums.at(moved)
            if there.cost < here.cost:
                break
            scale /= 2.0
        else:
            # No step makes it less: the least that rounding allows to tell.
            return theta, bool(np.abs(here.gradient[free] * (theta[free] + 1e-3)).max() < 1e-5)
        theta, here = moved, there
    return theta, False


def _downhill(gradient: Array, hessian: Array, theta: Array) -> Array:
    """Newton's step where the cost curves upwards, else one along the gradient, in proportion to `theta`."""
    values, vectors = np.linalg.eigh(hessian)
    if values[0] > 0:
        return np.asarray(-(vectors / values) @ (vectors.T @ gradient))
    return np.asarray(-np.sign(gradient) * np.maximum(theta, 0.1))
