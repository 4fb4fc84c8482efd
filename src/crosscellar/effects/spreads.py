"""How much the vessels of a trial differ, and what the trials of an analyte lend each other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from crosscellar.effects.moderation import LEAST_TRIALS, fit_prior
from crosscellar.effects.places import Places, in_order, starts_of

Numbers = npt.NDArray[np.float64]

#: One comparison of arms on one scale.
COMPARED: Final = ("trial_id", "analyte", "stage", "log")

#: What must be alike for trials to lend each other their variance.
_LENT_BY: Final = ("analyte", "log", "paired", "stage_group")

PRIORS: Final = {
    "analyte": pl.String,
    "log": pl.Boolean,
    "paired": pl.Boolean,
    "stage_group": pl.String,
    "prior_df": pl.Float64,
    "prior_variance": pl.Float64,
    "prior_trials": pl.Int32,
    "pooled_df": pl.Float64,
}


def number_arms(cells: pl.DataFrame) -> pl.DataFrame:
    """The cells with `comparison` and `arm`, numbers that count up.

    `cells` come in the order of COMPARED, arm and vessel.
    """
    place = [*COMPARED, "arm_id"]

    def count(names: Sequence[str]) -> pl.Expr:
        changed = pl.any_horizontal(pl.col(name) != pl.col(name).shift() for name in names)
        return changed.fill_null(False).cum_sum().cast(pl.UInt32)

    return cells.with_columns(count(COMPARED).alias("comparison"), count(place).alias("arm"))


def mark_blocks(cells: pl.DataFrame) -> pl.DataFrame:
    """The cells with `paired` and `kept`: what is compared within blocks, and which vessels take part.

    A trial is paired where at least two blocks hold vessels of every arm, or where it has one vessel an arm
    and all are of one block. Vessels outside complete blocks do not take part.
    """
    blocked = cells.filter((pl.col("block") != "").fill_null(False))["comparison"].unique()
    plain = cells.with_columns(pl.lit(False).alias("paired"), pl.lit(True).alias("kept"))
    if blocked.is_empty():
        return plain
    in_blocks = pl.col("comparison").is_in(blocked.implode())
    return pl.concat([plain.filter(~in_blocks), _mark_blocks(cells.filter(in_blocks))]).sort(
        "arm", "vessel_id"
    )


def _mark_blocks(cells: pl.DataFrame) -> pl.DataFrame:
    whole = pl.col("arm").n_unique().over("comparison")
    in_block = pl.col("arm").n_unique().over("comparison", "block")
    complete = pl.col("block").is_not_null() & (pl.col("block") != "") & (in_block == whole)
    blocks = pl.col("block").filter(pl.col("complete")).n_unique().over("comparison")
    single = (pl.len().over("comparison") == pl.col("arm").n_unique().over("comparison")) & (blocks == 1)
    marked = cells.with_columns(complete.fill_null(False).alias("complete"))
    return (
        marked.with_columns(((blocks >= 2) | (single & pl.col("complete"))).alias("paired"))
        .with_columns((~pl.col("paired") | pl.col("complete")).alias("kept"))
        .drop("complete")
    )


def spreads(cells: pl.DataFrame) -> pl.DataFrame:
    """The variance between vessels of each comparison: `df` and `variance` within arms and within blocks.

    Parameters
    ----------
    cells
        As `mark_blocks` gives them, `y` (on the scale of the comparison) not null.

    Returns
    -------
    polars.DataFrame
        COMPARED, comparison, paired, n_blocks, within_df, within_variance (pooled over arms), block_df,
        block_variance (the residual of arms and blocks, a cell the mean of its vessels); a variance of no df
        is null.
    """
    arms = starts_of(cells["arm"].to_numpy())
    comparisons = starts_of(cells["comparison"][arms].to_numpy())
    vessels = np.diff(arms, append=cells.height)
    y = cells["y"].to_numpy()
    # Counted from an arm's first vessel, vessels that read alike have a variance of exactly 0.
    apart = y - np.repeat(y[arms], vessels)
    squares = (apart - np.repeat(_sums(apart, arms) / vessels, vessels)) ** 2
    df = _sums(vessels - 1.0, comparisons)
    with np.errstate(invalid="ignore"):
        variance = np.where(df > 0, _sums(_sums(squares, arms), comparisons) / df, np.nan)
    within = cells.select(*COMPARED, "comparison")[arms[comparisons]].with_columns(
        pl.Series("within_df", df, dtype=pl.Float64),
        pl.Series("within_variance", variance, dtype=pl.Float64).fill_nan(None),
    )
    in_blocks = _within_blocks(cells.filter(pl.col("paired") & pl.col("kept")))
    return within.join(in_blocks, on="comparison", how="left", maintain_order="left").with_columns(
        pl.col("block_df").is_not_null().alias("paired")
    )


def _sums(values: Numbers, starts: Places) -> Numbers:
    return np.add.reduceat(values, starts) if starts.size else np.empty(0)


def _within_blocks(cells: pl.DataFrame) -> pl.DataFrame:
    return (
        cells.group_by("comparison", "arm", "block", maintain_order=True)
        .agg(pl.col("y").mean())
        .with_columns(
            (
                pl.col("y")
                - pl.col("y").mean().over("arm")
                - pl.col("y").mean().over("comparison", "block")
                + pl.col("y").mean().over("comparison")
            ).alias("rest")
        )
        .group_by("comparison", maintain_order=True)
        .agg(
            pl.col("block").n_unique().alias("n_blocks"),
            ((pl.col("block").n_unique() - 1) * (pl.col("arm").n_unique() - 1))
            .cast(pl.Float64)
            .alias("block_df"),
            (pl.col("rest") ** 2).sum().alias("squares"),
        )
        .select(
            "comparison",
            pl.col("n_blocks").cast(pl.Int32),
            "block_df",
            pl.when(pl.col("block_df") > 0)
            .then(pl.col("squares") / pl.col("block_df"))
            .alias("block_variance"),
        )
    )


def observed_variances(spread: pl.DataFrame, groups: pl.DataFrame) -> pl.DataFrame:
    """Every replicated trial's variance: trial_id, analyte, log, paired, stage, stage_group, df, variance.

    Unpaired rows are the variance within arms, of paired trials too: that is what a trial without blocks
    would have met; paired rows are the variance left within blocks.
    """
    keys = ["trial_id", "analyte", "log", "stage"]
    order = pl.Enum(pl.concat([groups["stage_group"], pl.Series(["other"])]).unique().sort())
    both = pl.concat(
        [
            spread.select(
                *keys,
                pl.lit(False).alias("paired"),
                pl.col("within_df").alias("df"),
                pl.col("within_variance").alias("variance"),
            ),
            spread.select(
                *keys,
                pl.lit(True).alias("paired"),
                pl.col("block_df").alias("df"),
                pl.col("block_variance").alias("variance"),
            ),
        ]
    )
    return (
        both.filter(pl.col("df") > 0)
        .join(groups, on="stage", how="left", maintain_order="left")
        .with_columns(pl.col("stage_group").fill_null("other").cast(order))
        .select("trial_id", "analyte", "log", "paired", "stage", "stage_group", "df", "variance")
        .pipe(in_order, ["analyte", "log", "paired", "stage_group", "trial_id", "stage"])
    )


def trials_lending(observed: pl.DataFrame) -> pl.DataFrame:
    """What each trial lends: analyte, log, paired, stage_group, trial_id, variance, df.

    A trial counts once a stage group, and once over all its stages (`stage_group` null): stages, measured on
    the same vessels, are averaged. `observed` comes as `observed_variances` gives it; rows that lend to the
    same follow each other, in the order of the trials.
    """
    kind = observed.schema["stage_group"]
    wide = in_order(observed, ["analyte", "log", "paired", "trial_id", "stage"]).with_columns(
        pl.lit(None, dtype=kind).alias("stage_group")
    )
    return pl.concat([_by_trial(wide), _by_trial(observed)])


def fit_priors(trials: pl.DataFrame) -> pl.DataFrame:
    """The prior of each analyte, scale and design (PRIORS), a row a stage group and one for all its stages.

    `trials` come as `trials_lending` gives them. Groups of fewer than three replicated trials have no row.
    `prior_df` never exceeds `pooled_df`, all the degrees of freedom the prior was fitted to.
    """
    return pl.DataFrame(list(_fitted(trials)), schema=PRIORS, orient="row").sort(
        "analyte", "log", "paired", "stage_group"
    )


def _by_trial(observed: pl.DataFrame) -> pl.DataFrame:
    """One variance a trial, of rows in the order of what they are grouped by."""
    names = [*_LENT_BY, "trial_id"]
    starts = _starts(observed, names)
    df, variance = observed["df"].to_numpy(), observed["variance"].to_numpy()
    most = np.maximum.reduceat(df, starts) if starts.size else df
    return observed.select(names)[starts].with_columns(
        pl.Series("variance", _sums(df * variance, starts) / _sums(df, starts), dtype=pl.Float64),
        pl.Series("df", most, dtype=pl.Float64),
    )


def _starts(frame: pl.DataFrame, names: Sequence[str]) -> Places:
    """Where each stretch of rows alike in these columns starts."""
    new = frame.select(
        pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift()) for name in names)
    ).to_series()
    return np.flatnonzero(np.concatenate([[True], new.to_numpy()[1:]])[: frame.height])


def _fitted(trials: pl.DataFrame) -> Iterator[tuple[object, ...]]:
    starts = _starts(trials, _LENT_BY)
    groups = trials.select(_LENT_BY)[starts].rows()
    df, variance = trials["df"].to_numpy(), trials["variance"].to_numpy()
    ends = np.append(starts, trials.height)[1:]
    for key, start, end in zip(groups, starts, ends, strict=True):
        if end - start < LEAST_TRIALS:
            continue
        prior = fit_prior(variance[start:end], df[start:end])
        if prior is not None:
            yield (*key, prior.capped_df, prior.variance, int(end - start), prior.pooled_df)


def lend(spread: pl.DataFrame, priors: pl.DataFrame, groups: pl.DataFrame) -> pl.DataFrame:
    """The spread of each comparison with the prior that suits it best, columns null where none does.

    First the prior of the same design and stage group, then of the same design over all stages; a paired
    comparison falls back on the unpaired ones, whose variance can only be wider (`prior_from`: `same stages`,
    `all stages`, `unpaired trials`).
    """
    alike = ["analyte", "stage", "log", "paired"]
    kinds = spread.select(alike).unique()
    wanted = kinds.join(groups, on="stage", how="left").with_columns(pl.col("stage_group").fill_null("other"))
    kept = priors.select(list(PRIORS)).with_columns(
        pl.col("analyte").cast(spread.schema["analyte"], strict=False)
    )
    sources = [
        ("same stages", kept.filter(pl.col("stage_group").is_not_null()), ["stage_group", "paired"]),
        ("all stages", kept.filter(pl.col("stage_group").is_null()).drop("stage_group"), ["paired"]),
        (
            "unpaired trials",
            kept.filter(pl.col("stage_group").is_not_null() & ~pl.col("paired")).drop("paired"),
            ["stage_group"],
        ),
        (
            "unpaired trials",
            kept.filter(pl.col("stage_group").is_null() & ~pl.col("paired")).drop("stage_group", "paired"),
            [],
        ),
    ]
    values = ["prior_df", "prior_variance", "prior_trials", "pooled_df"]
    for number, (name, source, on) in enumerate(sources):
        wanted = wanted.join(
            source.with_columns(pl.lit(name).alias("prior_from")).rename(
                {value: f"{value}_{number}" for value in [*values, "prior_from"]}
            ),
            on=["analyte", "log", *on],
            how="left",
        )
    steps = range(len(sources))
    suited = wanted.select(
        *alike,
        "stage_group",
        *(
            pl.coalesce([f"{value}_{number}" for number in steps]).alias(value)
            for value in [*values, "prior_from"]
        ),
    )
    return spread.join(suited, on=alike, how="left", maintain_order="left")
