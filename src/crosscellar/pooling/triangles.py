"""What triangle sessions at several sites say together, on the exact binomial likelihood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from crosscellar.effects.triangles import GUESS, d_prime_of, exact_limits
from crosscellar.errors import NotComputable
from crosscellar.pooling.counts import FARTHEST_LOGIT, LOGITS, MOST_SPREAD, Counts, nodes
from crosscellar.pooling.covariance import Floats
from crosscellar.pooling.mixtures import NormalMixture
from crosscellar.pooling.nested import label_codes

#: Scale of the half-normal penalty on the spread: one standard deviation takes a share of one half to
#: between 27 % and 73 % (a choice of this project, no source). Without one, three sites cannot rule out any
#: spread.
SPREAD_SCALE = 1.0
#: A maximum that stands no higher than this above the likelihood of pure guessing is pure guessing.
NO_HIGHER = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class TrianglePool:
    """The network's share of tasters who can tell, and what a new site would find.

    Attributes
    ----------
    discriminators, low, high
        Share of discriminators at the median site with its profile-likelihood interval; 0 and 1 are reached.
    mean_discriminators
        The share averaged over sites.
    d_prime, d_prime_low, d_prime_high
        The same carried to d-prime; None where unbounded.
    proportion_correct
        1/3 + 2/3 of `discriminators`.
    spread
        Standard deviation between sites on the logit of the share of discriminators.
    new_median, new_low, new_high
        Share of discriminators at a new site, from the posterior (see `pool_triangles`); its range is never
        narrower than the interval.
    p_value
        Exact chance of so many correct picks in all if no taster anywhere can tell.
    difference_shown
        The interval lies above 0.
    sites
        Polars frame: `site`, `correct`, `n`, `discriminators` (negative kept), `low`, `high` (exact).
    """

    discriminators: float
    low: float
    high: float
    mean_discriminators: float
    d_prime: float | None
    d_prime_low: float
    d_prime_high: float | None
    proportion_correct: float
    spread: float
    new_median: float
    new_low: float
    new_high: float
    p_value: float
    correct: int
    n: int
    n_sites: int
    n_sessions: int
    level: float
    log_likelihood: float
    converged: bool
    remarks: tuple[str, ...]
    sites: pl.DataFrame
    of_new: NormalMixture = field(repr=False)

    @property
    def difference_shown(self) -> bool:
        return self.low > 0.0

    def chance_new_above(self, share: float) -> float:
        """The chance that at a new site more than this share of tasters can tell, 0 < share < 1."""
        if not 0.0 < share < 1.0:
            raise NotComputable(
                "a share of discriminators lies between 0 and 1", next_step="Give 0.2 for 20 %."
            )
        return 1.0 - float(self.of_new.below(np.log(share / (1.0 - share)))[0])


def pool_triangles(
    correct: npt.ArrayLike,
    n: npt.ArrayLike,
    *,
    site: Any,
    level: float = 0.95,
    spread_scale: float = SPREAD_SCALE,
) -> TrianglePool:
    """The share of discriminators of the network, with sites as a random effect.

    A pick is correct with chance 1/3 + 2/3 s (Abbott 1925), s the site's share of discriminators; logit(s)
    is normal over sites. The likelihood is the binomial one with the site effect integrated out
    (Stijnen, Hamza & Özdemir 2010), by a trapezoid sum whose step follows the data, so that 0 of 12 and
    12 of 12 enter as they are. The spread carries a half-normal penalty (Chung, Rabe-Hesketh, Dorie, Gelman
    & Liu 2013 for penalties on a variance). The interval is where the profile falls by half the square of
    Student's t on sites - 1 degrees of freedom, wider than the chi-square one where sites are few: in
    simulations with 3 to 8 sites it covered 93 to 100 %, the chi-square one 83 to 99 %.

    What a new site would find is a posterior: every share of the median site equally likely beforehand and
    the same half-normal for the spread. Where the interval reaches farther, so does the range for a new site:
    no new site is known better than the median of all. It is above 0 by construction: judge it against the
    smallest share that matters, with `chance_new_above`.

    Sessions of one site are added up: they are taken to share that site's tasters' ability.

    Parameters
    ----------
    correct, n
        Correct picks and all picks of each session, (sessions,).
    site
        Label of each session's site.
    spread_scale
        Scale of the penalty, on the logit of the share of discriminators; infinite for none.

    Raises
    ------
    NotComputable
        Impossible counts, or fewer than two sites.
    """
    return pool_triangles_at((level,), correct, n, site=site, spread_scale=spread_scale)[0]


def pool_triangles_at(
    levels: Sequence[float],
    correct: npt.ArrayLike,
    n: npt.ArrayLike,
    *,
    site: Any,
    spread_scale: float = SPREAD_SCALE,
) -> list[TrianglePool]:
    """`pool_triangles` at each of several levels; what they share is worked out once."""
    x, size = np.asarray(correct, dtype=np.float64), np.asarray(n, dtype=np.float64)
    whole = (x == np.round(x)).all() and (size == np.round(size)).all() if x.size else False
    if x.shape != size.shape or not whole or (size < 1).any() or (x < 0).any() or (x > size).any():
        raise NotComputable(
            "a triangle session has counts that cannot be",
            next_step="Give whole numbers with 0 <= correct <= n and at least one pick.",
        )
    code = label_codes(site, x.size, "site")
    if code.max() < 1:
        raise NotComputable("one site cannot be pooled", next_step="Show this site's sessions by themselves.")
    x_site = np.bincount(code, weights=x).astype(np.float64)
    n_site = np.bincount(code, weights=size).astype(np.float64)
    counts = Counts(x_site, n_site, spread_scale)
    centre, spread, height = counts.highest()
    total, picks = float(x_site.sum()), float(n_site.sum())
    if height <= counts.guessing() + NO_HIGHER:
        centre, spread, height = -np.inf, 0.0, counts.guessing()
    elif total == picks:
        centre, spread, height = np.inf, 0.0, 0.0
    of_new = _foreseen(counts)
    labels = np.unique(np.array([str(name) for name in site], dtype=str))
    return [
        _at_level(level, counts, (centre, spread, height), of_new, labels, sessions=int(x.size))
        for level in levels
    ]


def _at_level(
    level: float,
    counts: Counts,
    highest: tuple[float, float, float],
    of_new: NormalMixture,
    labels: npt.NDArray[np.str_],
    *,
    sessions: int,
) -> TrianglePool:
    from scipy.special import bdtrc, stdtrit

    centre, spread, height = highest
    x_site, n_site = counts.correct, counts.n
    total, picks = float(x_site.sum()), float(n_site.sum())
    sites = x_site.size
    settled = spread < MOST_SPREAD * (1.0 - 1e-6)
    drop = float(stdtrit(sites - 1.0, 0.5 + level / 2.0)) ** 2 / 2.0
    low = counts.limit(centre, height - drop, -FARTHEST_LOGIT)
    high = counts.limit(centre, height - drop, FARTHEST_LOGIT)
    share, share_low, share_high = (_share(value) for value in (centre, low, high))
    tail = (1.0 - level) / 2.0
    new = [_share(float(of_new.quantile(part)[0])) for part in (tail, 0.5, 1.0 - tail)]
    distance = d_prime_of(GUESS + (1.0 - GUESS) * np.array([share, share_low, share_high]))
    exact_low, exact_high = exact_limits(x_site, n_site, level=level)
    table = pl.DataFrame(
        {
            "site": labels,
            "correct": x_site.astype(np.int64),
            "n": n_site.astype(np.int64),
            "discriminators": 1.5 * x_site / n_site - 0.5,
            "low": np.maximum(0.0, 1.5 * exact_low - 0.5),
            "high": np.maximum(0.0, 1.5 * exact_high - 0.5),
        }
    )
    return TrianglePool(
        discriminators=share,
        low=share_low,
        high=share_high,
        mean_discriminators=_mean_share(centre, spread),
        d_prime=_finite(distance[0]),
        d_prime_low=float(distance[1]),
        d_prime_high=_finite(distance[2]),
        proportion_correct=GUESS + (1.0 - GUESS) * share,
        spread=spread,
        new_low=min(new[0], share_low),
        new_median=new[1],
        new_high=max(new[2], share_high),
        p_value=float(bdtrc(total - 1.0, int(picks), GUESS)) if total > 0 else 1.0,
        correct=int(total),
        n=int(picks),
        n_sites=sites,
        n_sessions=sessions,
        level=level,
        log_likelihood=height,
        converged=settled,
        remarks=()
        if settled
        else ("Sites are so unlike that their spread has no bound: read them one by one.",),
        sites=table,
        of_new=of_new,
    )


def _foreseen(counts: Counts) -> NormalMixture:
    """The posterior of a new site's logit."""
    spread, gauss = counts.spreads
    flat_share = np.log(_expit(LOGITS)) + np.log(_expit(-LOGITS))
    logs = counts.grid + np.log(gauss)[:, None] + flat_share
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    kept = weight > 1e-14
    row, column = np.nonzero(kept)
    return NormalMixture.of_one(weight[kept] / weight[kept].sum(), LOGITS[column], spread[row], 0.0)


def _mean_share(centre: float, spread: float) -> float:
    if spread == 0.0 or not np.isfinite(centre):
        return _share(centre)
    z, weight = nodes(spread, 1.0)
    return float(weight @ _expit(centre + spread * z))


def _expit(x: npt.ArrayLike) -> Floats:
    from scipy.special import expit

    return np.asarray(expit(np.asarray(x, dtype=np.float64)))


def _share(logit: float) -> float:
    return float(_expit(logit))


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
