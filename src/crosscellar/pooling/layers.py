"""Effects gathered into trials and trials into sites, so that a likelihood costs one pass over the trials.

With sampling covariance S_j within trial j, a trial variance and a site variance, every quantity of the
model V = S + trial + site needs only the weighted mean of each trial (precision a_j), the weighted mean of
each site's trials and the residual cross-products on both steps: the Woodbury identity applied twice, in a
form without cancellation (Henderson 1953 for the idea of absorbing levels; Searle, Casella & McCulloch
1992, chapter 6, for the likelihoods). Seasons that cross sites enter as columns of low rank.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crosscellar.errors import NotComputable
from crosscellar.pooling.covariance import Covariance, Floats, Integers

#: Most numbers held at once when a likelihood is looked at over a grid.
GRID_ROOM = 2_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Layers:
    """Columns (design, seasons, estimate) reduced to trials, sorted so that a site's trials stand together.

    `precision` (J,) is a_j; `mean` (J, c) the weighted trial means of the columns; `within` (c, c) the
    cross-products left inside trials; `log_sampling` log|S|, `n_effects` what was reduced. `site_start` (I,)
    marks each site's first trial, `site_of` (J,) its site. Of the c columns, the first `p` are the design,
    the next `q` the seasons, the last the estimate.

    Where several stand side by side (`side_by_side`), all but the last two have one axis more in front, the g
    below; a trial that one of them does not have has a precision of 0 there and counts for nothing.
    """

    p: int
    q: int
    precision: Floats
    mean: Floats
    within: Floats
    log_sampling: Floats
    n_effects: Integers
    site_start: Integers
    site_of: Integers

    def some(self, which: Integers | slice) -> Layers:
        """These of several side by side; one alone is the same for every set of variances."""
        if self.precision.ndim == 1:
            return self
        return Layers(
            self.p,
            self.q,
            self.precision[which],
            self.mean[which],
            self.within[which],
            self.log_sampling[which],
            self.n_effects[which],
            self.site_start,
            self.site_of,
        )

    def within_sites(self, trial: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Weights and means of sites for trial variances of shape (h,): u (h, J), U (h, I), means (h, I, c).

        u_j = 1 / (1/a_j + trial); U_i = sum of u_j. The fourth are the cross-products of columns that are
        left inside sites, (h, c, c).
        """
        with np.errstate(divide="ignore"):
            u = 1.0 / (1.0 / self.precision + trial[:, None])
        total = np.add.reduceat(u, self.site_start, axis=1)
        weighted = np.add.reduceat(u[:, :, None] * self.mean, self.site_start, axis=1)
        mean = weighted / _or_one(total)[:, :, None]
        apart = self.mean - mean[:, self.site_of]
        return u, total, mean, self.within + np.matmul(np.swapaxes(apart, 1, 2), u[:, :, None] * apart)

    def levels(self, site: Floats, trial: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Weights and means for variances of shape (g,): trial u (g, J), site U, s (g, I), means (g, I, c).

        As `within_sites`, and `across_sites` of it. The fifth is the matrix of cross-products columns' V^-1
        columns without seasons, (g, c, c).
        """
        u, total, mean, inside = self.within_sites(trial)
        s, between = across_sites(total, mean, site)
        return u, total, s, mean, inside + between

    def without_seasons(self, site: Floats, trial: Floats, of: Integers) -> tuple[Floats, Floats]:
        """log|V|, (g,), and the cross-products of columns, (g, c, c), for variances of shape (g,).

        `of` (g,) tells of which of several side by side. A grid has each trial variance beside many site
        variances: its trials are gone through once.
        """
        g, columns = site.size, self.mean.shape[-1]
        log_v, cross = np.empty(g), np.empty((g, columns, columns))
        order = np.lexsort((trial, of))
        step = max(1, GRID_ROOM // max(1, self.mean.shape[-2] * columns))
        for start in range(0, g, step):
            at = order[start : start + step]
            new = np.ones(at.size, dtype=np.bool_)
            new[1:] = (np.diff(of[at]) != 0) | (np.diff(trial[at]) != 0)
            first, number = at[new], np.cumsum(new) - 1
            here = self.some(of[first])
            u, total, mean, inside = here.within_sites(trial[first])
            log_u = (np.log(_or_one(here.precision)) - np.log(_or_one(u))).sum(axis=1)
            log_u += here.log_sampling + np.log(_or_one(total)).sum(axis=1)
            s, between = across_sites(total[number], mean[number], site[at])
            log_v[at] = log_u[number] - np.log(_or_one(s)).sum(axis=1)
            cross[at] = inside[number] + between
        return log_v, cross

    def log_likelihood(self, theta: Floats, of: Integers, *, restricted: bool) -> Floats:
        """The log likelihood, all constants in, at variances `theta` (g, 3): site, trial, season.

        `of` (g,) tells of which of several side by side.

        Restricted: -1/2 [(k - p) log 2 pi + log|V| + log|X'V^-1 X| + y'Py]
        (Patterson & Thompson 1971; Harville 1974, without the constant log|X'X|).
        """
        log_v, cross = self.without_seasons(theta[:, 0], theta[:, 1], of)
        cross = with_seasons(cross, theta[:, 2], self.p, self.q)
        w = self.p + self.q
        cross_w, to_y, yy = cross[:, :w, :w], cross[:, :w, w], cross[:, w, w]
        inverse = np.linalg.solve(cross_w, to_y[:, :, None])[:, :, 0]
        rest = yy - np.einsum("gi,gi->g", to_y, inverse)
        # Of several all else would be copied with it.
        free = self.n_effects[of] if self.n_effects.ndim else self.n_effects
        if restricted:
            free = free - self.p
            log_v = log_v + np.linalg.slogdet(cross_w)[1]
        elif self.q:
            log_v = log_v + np.linalg.slogdet(cross_w[:, self.p :, self.p :])[1]
        return np.asarray(-0.5 * (free * np.log(2.0 * np.pi) + log_v + rest))


def across_sites(total: Floats, mean: Floats, site: Floats) -> tuple[Floats, Floats]:
    """s_i = 1 / (1/U_i + site) for site variances of shape (g,), and the cross-products between sites.

    `total` U (g, I) and `mean` (g, I, c) as `Layers.within_sites` gives them; s (g, I), cross-products
    (g, c, c).
    """
    with np.errstate(divide="ignore"):
        s = 1.0 / (1.0 / total + site[:, None])
    return s, np.matmul(np.swapaxes(mean, 1, 2), s[:, :, None] * mean)


@dataclass(frozen=True, slots=True, eq=False)
class Gathered(Layers):
    """Layers with what leads back to the effects they were reduced from.

    `solved` (n, 1 + c) holds S^-1 [z, columns] in the order of the effects; `trial_of` (n,) their trials.
    """

    solved: Floats
    trial_of: Integers


def side_by_side(several: Sequence[Layers]) -> Layers:
    """Several reductions of as many design columns as one: one alone as it is."""
    if len(several) == 1:
        return several[0]
    p, q = several[0].p, max(layers.q for layers in several)
    sites = max(layers.site_start.size for layers in several)
    sizes = np.zeros((len(several), sites), dtype=np.int64)
    for row, layers in zip(sizes, several, strict=True):
        row[: layers.site_start.size] = np.diff(layers.site_start, append=layers.site_of.size)
    size = sizes.max(axis=0)
    start = np.cumsum(size) - size
    precision = np.zeros((len(several), int(size.sum())))
    mean = np.zeros((*precision.shape, p + q + 1))
    within = np.zeros((len(several), p + q + 1, p + q + 1))
    for at, layers in enumerate(several):
        columns = np.r_[: p + layers.q, p + q]
        place = (
            np.arange(layers.site_of.size)
            + (start[: layers.site_start.size] - layers.site_start)[layers.site_of]
        )
        precision[at, place] = layers.precision
        mean[at][np.ix_(place, columns)] = layers.mean
        within[at][np.ix_(columns, columns)] = layers.within
    return Layers(
        p,
        q,
        precision,
        mean,
        within,
        np.array([float(layers.log_sampling) for layers in several]),
        np.array([int(layers.n_effects) for layers in several]),
        start,
        np.repeat(np.arange(sites), size),
    )


def _or_one(weight: Floats) -> Floats:
    """The weights, 1 where there is none: it neither divides nor has a logarithm other than 0."""
    return np.where(weight > 0.0, weight, 1.0)


def with_seasons(cross: Floats, season: Floats, p: int, q: int) -> Floats:
    """Cross-products (g, c, c) with season columns scaled by their standard deviation and their prior added.

    Scaled so, the seasons act as coefficients with a unit prior, and a variance of 0 is an ordinary case.
    """
    if q == 0:
        return cross
    scale = np.ones((cross.shape[0], cross.shape[1]))
    scale[:, p : p + q] = np.sqrt(season)[:, None]
    scaled = cross * scale[:, :, None] * scale[:, None, :]
    season_at = np.arange(p, p + q)
    scaled[:, season_at, season_at] += 1.0
    return scaled


def gather(
    columns: Floats,
    *,
    p: int,
    variance: Floats,
    covariance: Covariance,
    slope: Floats,
    site: Integers,
    trial: Integers,
) -> Gathered:
    """The effects reduced to trials.

    Parameters
    ----------
    columns
        (n, c): design, seasons, estimate.
    slope
        (n,): what the random terms multiply, 1 for means and the step in level for slopes.
    site, trial
        (n,): codes from 0; a trial code belongs to one site and codes rise with the site.

    Raises
    ------
    NotComputable
        A sampling covariance matrix is not positive definite.
    """
    n, c = columns.shape
    both = np.column_stack([slope, columns])
    white = both / np.sqrt(variance)[:, None]
    solved = both / variance[:, None]
    log_sampling = float(np.log(variance).sum())
    for rows, block in sampling_blocks(variance, covariance, trial):
        try:
            lower = np.linalg.cholesky(block)
        except np.linalg.LinAlgError:
            raise NotComputable(
                "the covariance of effects that share a control is larger than their variances allow",
                next_step="Check shared_variance: it is the variance of the control's mean alone.",
            ) from None
        white[rows] = np.linalg.solve(lower, both[rows])
        solved[rows] = np.linalg.solve(block, both[rows])
        log_sampling += 2.0 * float(np.log(np.diagonal(lower, axis1=1, axis2=2)).sum())
        log_sampling -= float(np.log(variance[rows]).sum())
    order = np.argsort(trial, kind="stable")
    start = np.flatnonzero(np.r_[True, np.diff(trial[order]) > 0])
    z, x = white[order, 0], white[order, 1:]
    precision = np.add.reduceat(z * z, start)
    if (precision <= 0).any():
        raise NotComputable(
            "a trial has no step in level", next_step="Leave out effects at the control's level."
        )
    mean = np.add.reduceat(z[:, None] * x, start, axis=0) / precision[:, None]
    left = x - z[:, None] * mean[trial[order]]
    single = np.diff(np.r_[start, n]) == 1
    left[single[trial[order]]] = 0.0
    site_of = site[order][start]
    return Gathered(
        p=p,
        q=c - p - 1,
        precision=precision,
        mean=mean,
        within=np.asarray(left.T @ left),
        log_sampling=np.array(log_sampling),
        n_effects=np.array(n),
        site_start=np.flatnonzero(np.r_[True, np.diff(site_of) > 0]),
        site_of=site_of,
        solved=solved,
        trial_of=trial,
    )


def sampling_blocks(
    variance: Floats, covariance: Covariance, group: Integers
) -> list[tuple[Integers, Floats]]:
    """Batches (rows (b, m), matrices (b, m, m)) of the groups that hold a covariance, by group size."""
    if covariance.value.size == 0:
        return []
    tied = np.zeros(int(group.max()) + 1, dtype=bool)
    tied[group[covariance.first]] = True
    return [
        (rows, block)
        for rows, block in blocks_by_size(variance, covariance, group)
        for tie in [tied[group[rows[:, 0]]]]
        if tie.any()
        for rows, block in [(rows[tie], block[tie])]
    ]


def blocks_by_size(
    variance: Floats, covariance: Covariance, group: Integers
) -> list[tuple[Integers, Floats]]:
    """Each group's sampling covariance: batches (rows (b, m), matrices (b, m, m)) of one group size m."""
    order = np.argsort(group, kind="stable")
    start = np.flatnonzero(np.r_[True, np.diff(group[order]) > 0])
    size = np.diff(np.r_[start, group.size])
    place = np.empty(group.size, dtype=np.int64)
    place[order] = np.arange(group.size) - np.repeat(start, size)
    batch_row = np.empty(int(group.max()) + 1, dtype=np.int64)
    batches: list[tuple[Integers, Floats]] = []
    tie_size = size[group[covariance.first]]
    for m in np.unique(size):
        chosen = np.flatnonzero(size == m)
        rows = order[start[chosen][:, None] + np.arange(m)]
        block = np.zeros((chosen.size, m, m))
        block[:, np.arange(m), np.arange(m)] = variance[rows]
        batch_row[chosen] = np.arange(chosen.size)
        ties = tie_size == m
        one, other = covariance.first[ties], covariance.second[ties]
        at = batch_row[group[one]]
        block[at, place[one], place[other]] = covariance.value[ties]
        block[at, place[other], place[one]] = covariance.value[ties]
        batches.append((rows, block))
    return batches
