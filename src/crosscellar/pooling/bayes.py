"""What few sites can say when the spread between sites is given a half-normal prior: by quadrature."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from crosscellar.errors import NotComputable
from crosscellar.pooling.covariance import Covariance, Floats, independent
from crosscellar.pooling.layers import Layers, gather
from crosscellar.pooling.mixtures import NormalMixture
from crosscellar.pooling.nested import label_codes, trial_codes
from crosscellar.pooling.roots import rising_root

#: Of a half-normal prior beyond this many scales there is 1e-17 left.
FARTHEST = 8.6
#: Nodes of each Gauss-Legendre panel, and how fast panels widen from 0 on.
NODES = 12
WIDENING = 1.8
#: Nodes that carry less than this share of the heaviest one are left out.
NOTHING_LEFT = 1e-13
#: Scales where the network has no other question to learn from. For log odds and standardized differences
#: 0.5, half of it for log ratios, where 0.25 already means a factor of 1.28 from site to site
#: (Röver et al. 2021 discuss 0.5 and 1.0 for log odds; the halving is a choice of this project).
DEFAULT_SCALE: Mapping[str, float] = {"log_ratio": 0.25, "log_odds": 0.5, "standardized": 0.5}
_CALLED: Mapping[str, str] = {
    "log_ratio": "log ratios",
    "log_odds": "log odds",
    "standardized": "standardized differences",
}
#: On other scales the prior follows the precision of the effects: this many typical standard errors.
DEFAULT_ERRORS = 2.0
#: Scales tried, a tenth of the default to ten times it, before the best is drawn out.
_SCALES_TRIED = 25
#: Other questions needed before the scale is learnt.
FEWEST_QUESTIONS = 3


@dataclass(frozen=True, slots=True, eq=False)
class BayesFit:
    """The posterior of the network's mean and of the effect that a new site would see.

    Attributes
    ----------
    estimate, median, std_dev, low, high
        Of the mean; `low` and `high` leave equal tails.
    new_median, new_std_dev, new_low, new_high
        Of the true effect of one new trial at a new site.
    tau_mean, tau_median, tau_high
        Of the standard deviation between sites; `tau_high` has `level` of the posterior below it.
    trial_tau_mean
        Of the standard deviation between a site's trials, 0 where every site has one.
    scale, level
        The prior's scale and the level asked for.
    n_sites
        How many sites it was fitted to.
    of_mean, of_new
        The posteriors of the mean and of a new site's effect.
    """

    estimate: float
    median: float
    std_dev: float
    low: float
    high: float
    new_median: float
    new_std_dev: float
    new_low: float
    new_high: float
    tau_mean: float
    tau_median: float
    tau_high: float
    trial_tau_mean: float
    scale: float
    level: float
    n_sites: int
    of_mean: NormalMixture = field(repr=False)
    of_new: NormalMixture = field(repr=False)

    def chance_above(self, value: float) -> float:
        """The posterior chance that the network's mean lies above `value`."""
        return float(1.0 - self.of_mean.below(value)[0])

    def chance_new_above(self, value: float) -> float:
        """The posterior chance that a new site's effect lies above `value`."""
        return float(1.0 - self.of_new.below(value)[0])


class TauScale(NamedTuple):
    """The scale of the half-normal prior and where it comes from.

    `source` is learnt, default or given; `words` says it in a sentence to stand beside the result.
    """

    scale: float
    source: str
    n_questions: int
    words: str


def half_normal(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    *,
    scale: float,
    level: float = 0.95,
    site: Any = None,
    trial: Any = None,
    covariance: Covariance | None = None,
    trial_scale: float | None = None,
) -> BayesFit:
    """The posterior under a flat prior on the mean and a half-normal prior on tau, without sampling.

    Given tau the mean is normal, so the posterior is a mixture of normals over tau with weights
    prior(tau) times the restricted likelihood (Röver 2020; Röver et al. 2021); the integral is a composite
    Gauss-Legendre sum, good to about 1e-10.

    Where a site has several trials, the standard deviation between a site's trials gets a half-normal
    prior of its own (`trial_scale`, by default `scale`) and is integrated out as well, on the product of
    both grids; a new site's effect is then that of one new trial there.

    Parameters
    ----------
    estimate, variance
        Effects and their sampling variances, (n,).
    scale
        The prior's standard deviation before folding, in the unit of the effects.
    site, trial
        Labels, (n,); every effect is a site of its own when `site` is left out.
    covariance
        Sampling covariances of effects that share a control.

    Raises
    ------
    NotComputable
        Fewer than two sites, or a scale that is not positive.
    """
    y = np.asarray(estimate, dtype=np.float64).ravel()
    v = np.asarray(variance, dtype=np.float64).ravel()
    sampling = independent(y.size) if covariance is None else covariance
    if not scale > 0.0 or not (trial_scale is None or trial_scale > 0.0):
        raise NotComputable(
            "the prior's scale must be above 0", next_step="Give tau_scale in the effect's unit."
        )
    if y.size != v.size or not np.isfinite(y).all() or not (np.isfinite(v) & (v > 0)).all():
        raise NotComputable("an effect has no estimate or no positive variance")
    site_code = label_codes(np.arange(y.size) if site is None else site, y.size, "site")
    layers = gather(
        np.column_stack([np.ones(y.size), y]),
        p=1,
        variance=v,
        covariance=sampling,
        slope=np.ones(y.size),
        site=site_code,
        trial=trial_codes(site_code, trial, sampling),
    )
    sites = layers.site_start.size
    if sites < 2:
        raise NotComputable("one site cannot be pooled", next_step="Show this site's result by itself.")
    finest = float(np.sqrt(1.0 / layers.precision.sum()))
    outer = _Line.over(FARTHEST * scale, finest)
    inner = None
    if layers.precision.size > sites:
        inner = _Line.over(FARTHEST * (trial_scale or scale), finest)
    mass = _Mass(layers, scale, trial_scale or scale, inner)
    log_joint, centre, precision = mass.given(outer.node)
    log_mass = log_joint + outer.log_width[:, None]
    weight = np.exp(log_mass - log_mass.max())
    tau_median, tau_high = mass.quantiles(outer, weight.sum(axis=1), float(log_mass.max()), (0.5, level))
    kept = weight > NOTHING_LEFT * weight.max()
    weight = weight[kept] / weight[kept].sum()
    tau = np.broadcast_to(outer.node[:, None], kept.shape)[kept]
    trial_tau = np.broadcast_to(mass.inner_node[None, :], kept.shape)[kept]
    centre, precision = centre[kept], precision[kept]
    spread = np.sqrt(1.0 / precision)
    new_spread = np.sqrt(1.0 / precision + tau**2 + trial_tau**2)
    mean = float(weight @ centre)
    tail = (1.0 - level) / 2.0
    of_mean = NormalMixture.of_one(weight, centre - mean, spread, mean)
    of_new = NormalMixture.of_one(weight, centre - mean, new_spread, mean)
    quantile = [float(of_mean.quantile(share)[0]) for share in (tail, 0.5, 1.0 - tail)]
    new_quantile = [float(of_new.quantile(share)[0]) for share in (tail, 0.5, 1.0 - tail)]
    return BayesFit(
        estimate=mean,
        median=quantile[1],
        std_dev=float(np.sqrt(weight @ (spread**2 + (centre - mean) ** 2))),
        low=quantile[0],
        high=quantile[2],
        new_median=new_quantile[1],
        new_std_dev=float(np.sqrt(weight @ (new_spread**2 + (centre - mean) ** 2))),
        new_low=new_quantile[0],
        new_high=new_quantile[2],
        tau_mean=float(weight @ tau),
        tau_median=tau_median,
        tau_high=tau_high,
        trial_tau_mean=float(weight @ trial_tau),
        scale=scale,
        level=level,
        n_sites=sites,
        of_mean=of_mean,
        of_new=of_new,
    )


def default_tau_scale(variance: npt.ArrayLike, *, measure: str = "") -> TauScale:
    """The stated default scale for a measure: fixed on log and standardized scales, else from the errors."""
    if measure in DEFAULT_SCALE:
        scale = DEFAULT_SCALE[measure]
        words = (
            f"Prior for the spread between sites: half-normal with scale {scale:g}, "
            f"the default for {_CALLED[measure]}."
        )
    else:
        known = np.asarray(variance, dtype=np.float64)
        # Of a response that has no effect yet nothing is pooled, and no scale is needed.
        scale = DEFAULT_ERRORS * float(np.sqrt(np.median(known))) if known.size else math.nan
        words = (
            f"Prior for the spread between sites: half-normal with scale {scale:.3g}, "
            f"{DEFAULT_ERRORS:g} times the typical standard error of an effect."
        )
    return TauScale(scale, "default", 0, words)


def learn_tau_scale(
    questions: Mapping[str, tuple[npt.ArrayLike, npt.ArrayLike]],
    *,
    leave_out: str | None = None,
    default: TauScale,
    fewest: int = FEWEST_QUESTIONS,
) -> TauScale:
    """The half-normal scale that the network's other questions on the same analyte make most likely.

    The scale maximizes the product over questions of the integral of half-normal(tau | scale) times that
    question's restricted likelihood (empirical Bayes), held between a tenth of the default and ten times
    it. The question being asked is left out, so that its own data are not used twice.

    Parameters
    ----------
    questions
        For each question its site effects and their variances, one unit for all.
    leave_out
        The name of the question being asked.
    default
        What is returned when fewer than `fewest` other questions have two sites.
    """
    others = [
        (np.asarray(y, dtype=np.float64), np.asarray(v, dtype=np.float64))
        for name, (y, v) in sorted(questions.items())
        if name != leave_out and np.size(np.asarray(y)) >= 2
    ]
    if len(others) < fewest:
        return default
    top = FARTHEST * 10.0 * default.scale
    finest = min(float(np.sqrt(1.0 / (1.0 / v).sum())) for _, v in others)
    line = _Line.over(top, finest)
    likelihood = np.stack([_two_level_likelihood(y, v, line.node) for y, v in others])
    likelihood -= likelihood.max(axis=1, keepdims=True)

    def slopes(log_scale: float) -> tuple[float, float, float]:
        """The log likelihood of a scale, its slope and its curvature, both with their signs turned."""
        squared = (line.node / np.exp(log_scale)) ** 2
        joint = likelihood - 0.5 * squared - log_scale + line.log_width
        peak = joint.max(axis=1, keepdims=True)
        weight = np.exp(joint - peak)
        total = weight.sum(axis=1)
        mean, square = weight @ squared / total, weight @ squared**2 / total
        height = float((peak[:, 0] + np.log(total)).sum())
        return height, float((1.0 - mean).sum()), float((2.0 * mean - (square - mean**2)).sum())

    tried = np.log(default.scale) + np.log(10.0) * np.linspace(-1.0, 1.0, _SCALES_TRIED)
    best = int(np.argmax([slopes(log_scale)[0] for log_scale in tried]))
    around = tried[[max(best - 1, 0), min(best + 1, tried.size - 1)]]
    log_scale = rising_root(lambda at: slopes(at)[1:], float(around[0]), float(around[1]), close=1e-10)
    scale = float(np.exp(log_scale))
    words = (
        f"Prior for the spread between sites: half-normal with scale {scale:.3g}, "
        f"learnt from {len(others)} other questions of the network on this analyte."
    )
    return TauScale(scale, "learnt", len(others), words)


def learn_tau_scale_from_taus(
    taus: Sequence[float], *, default: TauScale, fewest: int = FEWEST_QUESTIONS
) -> TauScale:
    """The scale from point estimates of tau alone: sqrt(mean tau^2), the likelihood's maximum if exact."""
    if len(taus) < fewest:
        return default
    learnt = float(np.sqrt(np.mean(np.square(np.asarray(taus, dtype=np.float64)))))
    scale = min(max(learnt, default.scale / 10.0), default.scale * 10.0)
    words = (
        f"Prior for the spread between sites: half-normal with scale {scale:.3g}, "
        f"learnt from {len(taus)} other questions of the network on this analyte."
    )
    return TauScale(scale, "learnt", len(taus), words)


class _Line(NamedTuple):
    """Gauss-Legendre nodes on (0, top), panel after panel, with the logs of their weights."""

    edge: Floats
    node: Floats
    log_width: Floats

    @classmethod
    def over(cls, top: float, finest: float) -> _Line:
        """Panels that widen from `finest` on, so that a spike near 0 is seen as well as a long tail."""
        edges = [0.0, min(finest, top)]
        while edges[-1] < top:
            edges.append(min(edges[-1] * WIDENING, top))
        edge = np.array(edges)
        node, weight = np.polynomial.legendre.leggauss(NODES)
        half = np.diff(edge)[:, None] / 2.0
        middle = (edge[1:] + edge[:-1])[:, None] / 2.0
        return cls(edge, (middle + half * node).ravel(), np.log((half * weight).ravel()))


class _Mass:
    """The joint density of tau and the standard deviation between a site's trials, times inner weights."""

    def __init__(self, layers: Layers, scale: float, trial_scale: float, inner: _Line | None) -> None:
        self.layers, self.scale = layers, scale
        self.inner_node = np.zeros(1) if inner is None else inner.node
        prior = -0.5 * (self.inner_node / trial_scale) ** 2
        self.inner_weight = prior if inner is None else prior + inner.log_width

    def given(self, tau: Floats) -> tuple[Floats, Floats, Floats]:
        """Logs of prior x restricted likelihood x inner weight, the mean, its precision; each (tau, inner).

        The likelihood is that of `Layers.log_likelihood`, of one coefficient.
        """
        layers, shape = self.layers, (tau.size, self.inner_node.size)
        site = np.repeat(tau**2, self.inner_node.size)
        trial = np.tile(self.inner_node**2, tau.size)
        log_v, cross = layers.without_seasons(site, trial, np.zeros(site.size, dtype=np.int64))
        precision = cross[:, 0, 0]
        centre = cross[:, 0, 1] / precision
        height = log_v + np.log(precision) + cross[:, 1, 1] - cross[:, 0, 1] * centre
        constant = (layers.n_effects - 1) * np.log(2.0 * np.pi)
        prior = self.inner_weight - 0.5 * (tau[:, None] / self.scale) ** 2
        joint = -0.5 * (constant + height.reshape(shape)) + prior
        return np.asarray(joint), centre.reshape(shape), precision.reshape(shape)

    def quantiles(
        self, outer: _Line, by_node: Floats, shift: float, shares: tuple[float, ...]
    ) -> list[float]:
        """Quantiles of tau: the panel that holds each share, then a sum over that panel's beginning."""
        node, weight = np.polynomial.legendre.leggauss(NODES)
        panel = by_node.reshape(-1, NODES).sum(axis=1)
        upto = np.cumsum(panel)

        def missing(x: float, low: float, rest: float) -> tuple[float, float]:
            half = (x - low) / 2.0
            nodes = np.append(low + half + half * node, x)
            density = np.exp(self.given(nodes)[0] - shift).sum(axis=1)
            return float(half * (weight @ density[:-1])) - rest, float(density[-1])

        found = []
        for share in shares:
            at = int(np.searchsorted(upto, share * upto[-1]))
            low, high = float(outer.edge[at]), float(outer.edge[at + 1])
            rest = float(share * upto[-1] - (upto[at] - panel[at]))
            found.append(rising_root(partial(missing, low=low, rest=rest), low, high, close=1e-12))
        return found


def _two_level_likelihood(y: Floats, v: Floats, tau: Floats) -> Floats:
    """The restricted log likelihood of tau, without constants, at each node."""
    w = 1.0 / (v + tau[:, None] ** 2)
    total = w.sum(axis=1)
    mean = (w @ y) / total
    left = (w * (y - mean[:, None]) ** 2).sum(axis=1)
    return np.asarray(0.5 * (np.log(w).sum(axis=1) - np.log(total) - left))
