"""Thousands of questions pooled at once, with the numbers that `pool` gives for each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from crosscellar.effects.measures import FURTHEST
from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling.answers import answer
from crosscellar.pooling.choices import check_method, interval_taken
from crosscellar.pooling.frames import ALIKE, NAMES, Columns, degrees, tidy
from crosscellar.pooling.heterogeneity import Counts, Floats, Questions, runs, side_by_side
from crosscellar.pooling.models import ENDS
from crosscellar.pooling.pool import Asked
from crosscellar.pooling.verdict import UNDECIDED, WANTED, check_wanted, judge

#: Effects in one block of questions that are worked side by side: a few such arrays stay in the cache.
_BLOCK = 32_000
#: A block may hold questions up to this many times larger than its smallest.
_PADDING = 1.5

_NUMBERS: Final = (
    "estimate",
    "std_error",
    "df",
    "low",
    "high",
    "p_value",
    "prediction_low",
    "prediction_high",
    "tau2",
    "tau2_std_error",
    "tau2_low",
    "tau2_high",
    "q",
    "q_df",
    "q_p",
    "i2",
    "i2_tau2",
    "h2",
    "chance_above_zero",
    "chance_above_smallest",
)
#: The columns of the answer behind those that tell groups apart.
_RESULTS: Final = (
    "n_effects",
    "n_sites",
    *_NUMBERS,
    "method",
    "interval_method",
    "converged",
    "narrower_than_common",
    "direction",
    "verdict",
    "remark",
)
_EXTRA: Final = ("equivalence_low", "equivalence_high")


@dataclass(frozen=True, slots=True, eq=False)
class _Groups:
    """Effects of all groups in one run of arrays, each group's where `start` says."""

    names: pl.DataFrame
    estimate: Floats
    variance: Floats
    df: Floats | None
    start: Counts
    size: Counts
    sites: Counts
    counted: NDArray[np.bool_]
    estimated: NDArray[np.bool_]


def pool_each(
    frame: Any,
    by: str | Sequence[str],
    *,
    method: str = "reml",
    interval: str = "auto",
    level: float = 0.95,
    estimate: str = "estimate",
    variance: str = "variance",
    std_error: str = "std_error",
    site: str = "site",
    season: str = "season",
    trial: str = "trial",
    arm: str = "arm",
    df: str = "df",
    shared: str = "shared",
    shared_variance: str = "shared_variance",
    smallest_difference: float | str | None = None,
    wanted: str = "either",
    tau_scale: float | None = None,
) -> pl.DataFrame:
    """One row a group of `by`, in order of appearance, with the numbers and the verdict that `pool` gives it.

    Groups with one effect a site are worked side by side; groups whose sites repeat, triangle sessions, and
    those asked for the `robust` or `bayes` interval go through `pool` one by one.

    Parameters
    ----------
    frame, method, interval, level, tau_scale
        As for `pool`.
    estimate, variance, std_error, site, season, trial, arm, df, shared, shared_variance
        What those columns are called, as for `pool`.
    by
        Columns whose values tell groups apart.
    smallest_difference, wanted
        As for `pool`, or the name of the column that holds them (its first value in each group).

    Returns
    -------
    polars.DataFrame
        The columns of `by`, then n_effects, n_sites, the numbers of `Pooled` by the same names, method,
        interval_method, converged, narrower_than_common, direction, verdict and remark. A number that cannot
        be given is null. `remark` says why a group could not be pooled, "" otherwise.

    Raises
    ------
    UnknownName, NotComputable
        As for `pool`; a fault of one group alone is told in its `remark`.
    """
    check_method(method, interval, level)
    keys = [by] if isinstance(by, str) else list(dict.fromkeys(by))
    if not keys:
        raise NotComputable(
            "There is no column to group by", next_step="Name one in by=[...], or call pool for one answer."
        )
    columns = Columns(
        estimate=estimate,
        variance=variance,
        std_error=std_error,
        site=site,
        season=season,
        trial=trial,
        arm=arm,
        df=df,
        shared=shared,
        shared_variance=shared_variance,
    )
    # Groups told apart by names are named in the answer as they are here.
    rows = tidy(frame, columns, numbers_as_names=set(keys).isdisjoint(NAMES))
    missing = [name for name in keys if name not in rows.columns]
    if missing:
        raise UnknownName(
            f"There is no column {missing[0]!r} to group by",
            next_step=f"There are: {', '.join(rows.columns)}.",
        )
    taken_names = [name for name in keys if name in _RESULTS]
    if taken_names:
        raise NotComputable(
            f"The column {taken_names[0]!r} to group by has the name of a result",
            next_step="Rename it before pooling.",
        )
    groups = _gather(rows, keys)
    many = groups.size.size
    difference, direction_wanted = _asked(rows, keys, groups.names, smallest_difference, wanted)
    out = {name: np.full(many, np.nan) for name in (*_NUMBERS, *_EXTRA)}
    converged = np.ones(many, dtype=np.bool_)
    narrower = np.zeros(many, dtype=np.bool_)
    taken = np.full(many, "none", dtype=object)
    remark = np.full(many, "", dtype=object)
    apart = _apart(rows, keys, groups.names)
    remark[apart] = "effects of several measures, units or responses, which have no common mean"
    one_a_site = (groups.sites > 1) & (groups.sites == groups.size) & ~groups.counted & ~apart
    fast = one_a_site & (interval not in {"robust", "bayes"})
    up, rising = direction_wanted != "decrease", direction_wanted == "increase"
    for estimated in (False, True):
        which = np.flatnonzero(fast & (groups.estimated == estimated))
        kind, _ = interval_taken(interval, method, repeated=False, estimated=estimated)
        for at, questions in _blocks(groups, which, estimated):
            said = answer(questions, method=method, interval=kind, level=level)
            up[at] &= rising[at] | ~(said.estimate < 0)
            out["chance_above_zero"][at] = said.chance_beyond(0.0, up[at])
            if not np.isnan(difference[at]).all():
                out["chance_above_smallest"][at] = said.chance_beyond(np.abs(difference[at]), up[at])
            for name, values in said.columns().items():
                if name in out:
                    out[name][at] = values
            converged[at], narrower[at], taken[at] = said.converged, said.narrower_than_common, kind
    most = _furthest(rows, keys, groups.names)
    out |= {name: np.clip(out[name], -most, most) for name in ENDS}
    verdict = judge(
        n_sites=groups.sites,
        n_effects=groups.size,
        low=out["low"],
        high=out["high"],
        prediction_low=out["prediction_low"],
        prediction_high=out["prediction_high"],
        equivalence_low=out["equivalence_low"],
        equivalence_high=out["equivalence_high"],
        smallest_difference=difference,
        wanted=direction_wanted,
    ).astype(object)
    converged[apart], verdict[apart] = False, UNDECIDED
    slow = np.flatnonzero(~fast & (groups.size > 0) & ~apart)
    if slow.size:
        chosen = groups.names.with_row_index("_group")[slow]
        parts = (
            rows.join(chosen, on=keys, how="inner", nulls_equal=True)
            .with_columns(pl.col(NAMES).cast(pl.String))
            .partition_by("_group", as_dict=True)
        )
        for place in slow.tolist():
            d = float(difference[place])
            asked = Asked(
                method=method,
                interval=interval,
                level=level,
                smallest_difference=None if np.isnan(d) else d,
                wanted=str(direction_wanted[place]),
                tau_scale=tau_scale,
                unit=None,
                beside=False,
            )
            try:
                pooled = asked(parts[(place,)])
            except NotComputable as fault:
                remark[place], converged[place], verdict[place] = fault.sentence, False, UNDECIDED
                continue
            for name in _NUMBERS:
                out[name][place] = getattr(pooled, name)
            converged[place], narrower[place] = pooled.converged, pooled.narrower_than_common
            taken[place], verdict[place] = pooled.interval_method, pooled.verdict
            up[place] = pooled.direction == "up"
    return pl.concat(
        [
            groups.names,
            pl.DataFrame(
                {
                    "n_effects": groups.size,
                    "n_sites": groups.sites,
                    **{name: out[name] for name in _NUMBERS},
                }
            ).with_columns(pl.col(*_NUMBERS).fill_nan(None)),
            pl.DataFrame(
                {
                    "method": pl.repeat(method, many, eager=True, dtype=pl.String),
                    "interval_method": pl.Series(taken, dtype=pl.String),
                    "converged": converged,
                    "narrower_than_common": narrower,
                    "direction": pl.Series(["down", "up"]).gather(up.astype(np.int64)),
                    "verdict": pl.Series(verdict, dtype=pl.String),
                    "remark": pl.Series(remark, dtype=pl.String),
                }
            ),
        ],
        how="horizontal",
    )


def _gather(rows: pl.DataFrame, keys: list[str]) -> _Groups:
    """Groups in order of appearance; those that have no effect to pool keep their place with size 0."""
    kept = rows.filter(pl.col("left_out") == "")
    kept, names, size = _one_after_the_other(kept, keys)
    start = np.cumsum(size) - size
    group = pl.Series("_group", np.repeat(np.arange(size.size), size)).set_sorted()
    sites = (
        pl.DataFrame([group, kept["site"].alias("_site")])
        .group_by("_group", maintain_order=True)
        .agg(pl.col("_site").n_unique())["_site"]
        .to_numpy()
        .astype(np.int64)
    )

    def any_of(flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return np.logical_or.reduceat(flags, start) if size.size else flags

    triangles = estimated = np.zeros(size.size, dtype=np.bool_)
    if "measure" in rows.columns and "tasters" in rows.columns:
        triangles = any_of(kept["measure"].eq_missing("discriminators").to_numpy())
    df = degrees(kept)
    if df is not None:
        estimated = any_of(np.isfinite(df))
    estimate, variance = kept["estimate"].to_numpy(), kept["variance"].to_numpy()
    if kept.height < rows.height:
        found = pl.DataFrame(
            {"_size": size, "_start": start, "_sites": sites, "_counted": triangles, "_estimated": estimated}
        )
        whole = (
            rows.select(keys)
            .unique(maintain_order=True)
            .join(names.hstack(found), on=keys, how="left", nulls_equal=True, maintain_order="left")
            .with_columns(pl.col(found.columns[:3]).fill_null(0), pl.col(found.columns[3:]).fill_null(False))
        )
        names = whole.select(keys)
        size, start, sites, triangles, estimated = (whole[name].to_numpy() for name in found.columns)
    return _Groups(names, estimate, variance, df, start, size, sites, triangles, estimated)


def _one_after_the_other(rows: pl.DataFrame, keys: list[str]) -> tuple[pl.DataFrame, pl.DataFrame, Counts]:
    """The rows group by group, in order of appearance; what each group is called and how many rows it has.

    Rows mostly come in long runs of one group: only the first of each run is looked at.
    """
    begins, length = runs(rows.select(pl.struct(keys).rle_id()).to_series().to_numpy())
    names = rows.select(keys)[begins]
    if names.n_unique() == names.height:
        return rows, names, length
    groups = (
        names.with_columns(pl.Series("_run", np.arange(begins.size)))
        .group_by(keys, maintain_order=True)
        .agg("_run", pl.len().alias("_runs"))
    )
    order = groups["_run"].explode(empty_as_null=False).to_numpy()
    length = length[order]
    places = np.arange(rows.height) + np.repeat(begins[order] - (np.cumsum(length) - length), length)
    several = groups["_runs"].to_numpy().astype(np.int64)
    return rows[places], groups.select(keys), np.add.reduceat(length, np.cumsum(several) - several)


def _apart(rows: pl.DataFrame, keys: list[str], names: pl.DataFrame) -> NDArray[np.bool_]:
    """Which groups hold effects that have no common mean: see `frames.several`."""
    found = np.zeros(names.height, dtype=np.bool_)
    kept = rows.filter(pl.col("left_out") == "")
    for name in ALIKE:
        if name in keys or name not in kept.columns or kept[name].drop_nulls().n_unique() < 2:
            continue
        values = kept
        if name == "response" and "measure" in kept.columns:
            values = kept.filter(pl.col("measure").ne_missing("standardized"))
        sizes = values.drop_nulls(name).group_by(keys).agg(pl.col(name).n_unique().alias("_values"))
        here = names.join(sizes, on=keys, how="left", nulls_equal=True, maintain_order="left")["_values"]
        found |= here.fill_null(0).gt(1).to_numpy()
    return found


def _furthest(rows: pl.DataFrame, keys: list[str], names: pl.DataFrame) -> Floats:
    """How far from 0 an effect of each group can lie."""
    if "measure" not in rows.columns or not rows["measure"].is_in(list(FURTHEST)).any():
        return np.full(names.height, np.inf)
    measures = pl.col("measure").drop_nulls()
    most = measures.replace_strict(FURTHEST, default=np.inf, return_dtype=pl.Float64).max().fill_null(np.inf)
    groups = rows.group_by(keys).agg(most.alias("_most"))
    return names.join(groups, on=keys, how="left", nulls_equal=True, maintain_order="left")[
        "_most"
    ].to_numpy()


def _asked(
    rows: pl.DataFrame,
    keys: list[str],
    names: pl.DataFrame,
    smallest_difference: float | str | None,
    wanted: str,
) -> tuple[Floats, NDArray[np.str_]]:
    """The smallest difference and the wanted direction of each group."""
    many = names.height

    def first(column: str) -> pl.Series:
        if column not in rows.columns:
            raise UnknownName(
                f"There is no column {column!r}", next_step=f"There are: {', '.join(rows.columns)}."
            )
        firsts = rows.group_by(keys).agg(pl.col(column).first().alias("_first"))
        return names.join(firsts, on=keys, how="left", nulls_equal=True, maintain_order="left")["_first"]

    if isinstance(smallest_difference, str):
        difference = first(smallest_difference).cast(pl.Float64).fill_null(np.nan).to_numpy()
    else:
        difference = np.full(many, np.nan if smallest_difference is None else smallest_difference)
    if wanted in WANTED or wanted not in rows.columns:
        return difference, np.full(many, check_wanted(wanted))
    words = first(wanted).fill_null("either")
    for word in words.unique():
        check_wanted(word)
    return difference, words.to_numpy().astype(np.str_)


def _blocks(groups: _Groups, which: Counts, estimated: bool) -> Iterator[tuple[Counts, Questions]]:
    """The chosen groups in blocks of similar size, each with the places of its groups.

    The degrees of freedom go with them where the variances are `estimated`.
    """
    order = which[np.argsort(groups.size[which], kind="stable")]
    sizes = groups.size[order]
    begin = 0
    while begin < order.size:
        most = int(sizes[begin] * _PADDING)
        end = int(np.searchsorted(sizes, most, side="right"))
        end = min(end, begin + max(1, _BLOCK // most))
        at, size = order[begin:end], sizes[begin:end]
        row = np.arange(int(size[-1]))[:, np.newaxis]
        inside = row < size
        place = np.where(inside, groups.start[at] + row, 0)
        estimate = np.where(inside, groups.estimate[place], 0.0)
        variance = np.where(inside, groups.variance[place], np.inf)
        df = groups.df[place] if estimated and groups.df is not None else None
        yield at, side_by_side(estimate, variance, size.astype(np.float64), df)
        begin = end
