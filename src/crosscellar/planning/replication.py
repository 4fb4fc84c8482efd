"""What more sites and more vessels an arm would buy for a question."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import gammaln, stdtrit

from crosscellar.errors import NotComputable
from crosscellar.pooling import pool_each
from crosscellar.pooling.verdict import AGAINST, AT_NEW_SITES, NO_DIFFERENCE, ON_AVERAGE, OPEN, VERDICTS, many

Floats = npt.NDArray[np.float64]
Progress = Callable[[int, int], None]

#: One row a number of new sites, of sites again, and of vessels an arm. `sites` counts those there are too;
#: `half_width` is expected, on the scale of the effects; chances are of the verdicts that `pool` would give.
PLAN: Final = {
    "more_sites": pl.Int64,
    "again": pl.Int64,
    "vessels": pl.Int64,
    "sites": pl.Int64,
    "half_width": pl.Float64,
    "chance_decided": pl.Float64,
    "chance_holds": pl.Float64,
    "chance_no_difference": pl.Float64,
    "chance_against": pl.Float64,
    "simulations": pl.Int64,
}
#: So many new sites, or vessels an arm, at most: every plan is simulated.
_MOST: Final = 1000
#: The verdicts that each chance is of.
VERDICTS_OF: Final[Mapping[str, Sequence[str]]] = MappingProxyType(
    {
        "chance_decided": [verdict for verdict in VERDICTS if verdict not in OPEN],
        "chance_holds": [AT_NEW_SITES, ON_AVERAGE],
        "chance_no_difference": [NO_DIFFERENCE],
        "chance_against": [AGAINST],
    }
)


def expected_half_width(variances: npt.ArrayLike, *, tau2: float, level: float = 0.95) -> float:
    """The half-width that the interval of the mean effect is expected to have, one effect a site.

    t(k - 1) c(k) / sqrt(sum 1 / (tau2 + v)), where c(k) = sqrt(2 / (k - 1)) G(k / 2) / G((k - 1) / 2) is the
    mean of sqrt(chi-square / df): the interval of Hartung & Knapp (2001) with weights at the true tau2. Exact
    for equal variances; else a few per cent narrow, as tau2 and the variances are estimated. Infinite for
    fewer than two sites.

    Raises
    ------
    NotComputable
        For a tau2 below 0 or a variance that is not above 0.
    """
    v = np.asarray(variances, dtype=np.float64)
    _check_variances(tau2, v)
    k = v.size
    if k < 2:
        return float(np.inf)
    mean_root = np.sqrt(2.0 / (k - 1)) * np.exp(gammaln(k / 2) - gammaln((k - 1) / 2))
    return float(stdtrit(k - 1, 0.5 + 0.5 * level) * mean_root / np.sqrt(np.sum(1.0 / (tau2 + v))))


def site_effects(frame: pl.DataFrame, *, between_trials: float = 0.0) -> pl.DataFrame:
    """One effect a site: site, estimate, variance; the trials of a site are averaged by their precision.

    Takes usable effects with an estimate and a variance (columns of EFFECTS). `between_trials` is the
    variance of true effects between the trials of one site, which their mean carries beside their errors.
    Arms of one trial (columns trial, shared, shared_variance, where there are) have that variance and the
    error of their control in common (Gleser & Olkin 2009), so that several tell less than as many trials.
    """
    kept = frame.filter(
        pl.col("estimate").is_finite() & (pl.col("variance") > 0) & pl.col("variance").is_finite()
    )
    if "usable" in kept.columns:
        kept = kept.filter(pl.col("usable"))
    weight = 1.0 / (pl.col("variance") + between_trials)
    sites = kept.group_by("site", maintain_order=True).agg(
        (pl.col("estimate") * weight).sum() / weight.sum(),
        (1.0 / weight.sum()).alias("variance"),
        (weight.sum() ** 2).alias("_whole"),
    )
    pairs = weight.sum() ** 2 - (weight**2).sum()
    common = []
    if between_trials > 0 and "trial" in kept.columns:
        common.append(("trial", pairs * between_trials))
    if {"shared", "shared_variance"} <= set(kept.columns):
        common.append(("shared", pairs * pl.col("shared_variance").cast(pl.Float64).first()))
    for number, (name, covariance) in enumerate(common):
        added = (
            kept.drop_nulls(name)
            .group_by("site", name)
            .agg(covariance.fill_null(0.0).alias("_added"))
            .group_by("site")
            .agg(pl.col("_added").sum().alias(f"_added_{number}"))
        )
        sites = sites.join(added, on="site", how="left", maintain_order="left").with_columns(
            pl.col("variance") + pl.col(f"_added_{number}").fill_null(0.0) / pl.col("_whole")
        )
    return sites.select("site", "estimate", "variance")


def plan_replication(
    *,
    tau2: float,
    vessel_variance: float,
    between_trials: float = 0.0,
    more_sites: Sequence[int],
    vessels: Sequence[int],
    effect: float,
    again: Sequence[int] = (0,),
    smallest_difference: float | None = None,
    wanted: str = "either",
    so_far: pl.DataFrame | None = None,
    level: float = 0.95,
    simulations: int = 1000,
    seed: int = 20261,
    progress: Progress | None = None,
) -> pl.DataFrame:
    """What each number of new sites, of sites again and of vessels an arm would buy: the frame `PLAN`.

    The half-width is a closed form (`expected_half_width`). The chances come from simulation: the effects so
    far stay as they are, new sites' effects are drawn around `effect` with variance
    tau2 + between_trials + 2 vessel_variance / n, and all are pooled and judged as any question is. A site
    that tries it again is still one site, of which more is known: its new trial is drawn around what its
    effects so far leave open of its own true effect, normal with precision 1 / tau2 + 1 / v and the mean of
    `effect` and its estimate weighted by these (normal prior and normal data: Gelman et al. 2013, section
    2.5), and averaged with them by precision. The same draws serve every row, so rows compare fairly.

    Parameters
    ----------
    tau2
        Variance of true effects between sites: the question's so far, or the network's for the analyte.
    between_trials
        Variance of true effects between trials of one site (its lots, its seasons).
    vessel_variance
        Variance between vessels of one arm, on the scale of the effects.
    more_sites, vessels
        What is considered: new sites with one trial each, and vessels in each of its two arms.
    again
        How many of the sites there are try it once more, combined with both: those whose effect is least sure
        first. Where each site has had one trial, what differs between the trials of a site is unknown and
        counted as between sites: trying again may then tell a little more than is said.
    effect
        The true mean effect that is supposed; the smallest difference that matters is a sober choice.
    smallest_difference, wanted, level
        As for `pool`.
    so_far
        Effects there are (columns site, estimate, variance); sites with several enter averaged.
    simulations, seed
        How many futures are drawn, and from where.
    progress
        Called with the rows done and the rows in all.

    Raises
    ------
    NotComputable
        For variances that cannot be, no sites or vessels to consider or more than a thousand, more sites
        again than there are, or fewer than one simulation.
    """
    _check_variances(tau2, np.array([vessel_variance]))
    _check_variances(between_trials, np.array([vessel_variance]))
    least = min(more_sites, default=-1), min(again, default=-1), min(vessels, default=0) - 1, simulations - 1
    if min(least) < 0:
        raise NotComputable(
            "there is nothing to compare",
            next_step="Give numbers of sites, new or again (0 or more), and of vessels an arm (1 or more).",
        )
    if max(*more_sites, *vessels) > _MOST:
        raise NotComputable(
            f"{max(*more_sites, *vessels)} new sites, or vessels an arm, are more than can be planned",
            next_step=f"Give numbers up to {_MOST}.",
        )
    there = None if so_far is None else site_effects(so_far, between_trials=between_trials)
    known = np.zeros((0, 2)) if there is None else there.select("estimate", "variance").to_numpy()
    if max(again) > len(known):
        raise NotComputable(
            f"{max(again)} sites cannot try it again: {many(len(known), 'site')} did so far",
            next_step=f"Give numbers up to {len(known)}.",
        )
    known = known[np.argsort(-known[:, 1], kind="stable")]
    rng = np.random.default_rng(seed)
    draws = rng.standard_normal((simulations, max(more_sites)))
    second = rng.standard_normal((simulations, max(again)))
    cells = [(s, a, n) for a in again for s in more_sites for n in vessels]
    rows: list[dict[str, Any]] = []
    for done, (s, a, n) in enumerate(cells, 1):
        variance = between_trials + 2.0 * vessel_variance / n
        new = effect + np.sqrt(tau2 + variance) * draws[:, :s]
        tried, sure = _again(known[:a], effect, tau2, variance, second[:, :a])
        stays = np.broadcast_to(known[a:, 0], (simulations, len(known) - a))
        all_variances = np.concatenate([sure, known[a:, 1], np.full(s, variance)])
        rows.append(
            {
                "more_sites": s,
                "again": a,
                "vessels": n,
                "sites": len(known) + s,
                "half_width": expected_half_width(all_variances, tau2=tau2, level=level),
                **_chances(
                    np.concatenate([tried, stays, new], axis=1),
                    all_variances,
                    smallest_difference,
                    wanted,
                    level,
                ),
                "simulations": simulations,
            }
        )
        if progress is not None:
            progress(done, len(cells))
    return pl.DataFrame(rows, schema=PLAN)


def _again(
    known: Floats, effect: float, tau2: float, variance: float, draws: Floats
) -> tuple[Floats, Floats]:
    """What sites' means may be after one more trial of this variance, (draws, sites), and their variances."""
    estimate, own = known[:, 0], known[:, 1]
    # Written so that it holds for a tau2 of 0 too: the true effect is the supposed one then.
    left = tau2 * own / (tau2 + own)
    likely = effect + tau2 / (tau2 + own) * (estimate - effect)
    trial = likely + np.sqrt(left + variance) * draws
    share = variance / (own + variance)
    return trial + share * (estimate - trial), own * share


def _chances(
    estimates: Floats, variances: Floats, smallest: float | None, wanted: str, level: float
) -> dict[str, float]:
    """The share of futures, rows of `estimates`, that end in each kind of verdict."""
    futures, sites = estimates.shape
    if sites < 2:
        return dict.fromkeys(VERDICTS_OF, 0.0)
    frame = pl.DataFrame(
        {
            "future": np.repeat(np.arange(futures), sites),
            "site": np.tile(np.arange(sites), futures),
            "estimate": estimates.ravel(),
            "variance": np.tile(variances, futures),
        }
    ).with_columns(pl.format("s{}", "site").alias("site"))
    verdicts = pool_each(
        frame,
        by="future",
        interval="estimated_weights",
        level=level,
        smallest_difference=smallest,
        wanted=wanted,
    )["verdict"]

    return {name: int(verdicts.is_in(told).sum()) / futures for name, told in VERDICTS_OF.items()}


def _check_variances(tau2: float, variances: Floats) -> None:
    if not (np.isfinite(tau2) and tau2 >= 0):
        raise NotComputable(
            f"a variance between sites of {tau2:g} cannot be", next_step="Give 0 or a number above."
        )
    if not (np.isfinite(variances).all() and (variances > 0).all()):
        raise NotComputable(
            "a variance that is not above 0 cannot be planned with",
            next_step="Give the variance between vessels, the square of their standard deviation.",
        )
