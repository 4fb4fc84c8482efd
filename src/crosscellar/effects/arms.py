"""The arms of each comparison: their means, and the vessels that were not measured."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from crosscellar.effects.places import Places, starts_of
from crosscellar.effects.spreads import COMPARED, Numbers


def arm_means(cells: pl.DataFrame) -> pl.DataFrame:
    """One row an arm of each comparison: its mean on the scale compared, its vessels and its laboratories.

    A paired arm's mean is the mean of its blocks. `n` counts the vessels that take part, `outside` those that
    do not, `weight` is what the variance is divided by (vessels, or blocks where paired).
    """
    starts = starts_of(cells["arm"].to_numpy())
    kept = cells["kept"].to_numpy()
    y = cells["y"].fill_null(float("nan")).to_numpy()
    mean = _means(y, kept, starts)
    volume = np.full(starts.size, np.nan)
    if cells["volume_l"].null_count() < cells.height:
        volume = _means(cells["volume_l"].fill_null(float("nan")).to_numpy(), kept, starts)
    vessels = np.diff(starts, append=cells.height)
    counted = vessels if kept.all() else _over(np.add, kept.astype(np.int64), starts)
    beyond = (cells["low"] < cells["high"]).to_numpy()
    all_beyond = _over(np.logical_and, beyond, starts) if beyond.any() else np.zeros(starts.size, np.bool_)
    left_out = cells["labs_left_out"].to_numpy()
    any_left_out = _over(np.logical_or, left_out, starts) if left_out.any() else np.zeros_like(all_beyond)
    arms = cells.select(
        *COMPARED,
        "comparison",
        "arm",
        "arm_id",
        "role",
        "level",
        "level_unit",
        "unit",
        "paired",
        "labs",
        "methods",
        "censored",
        "no_log",
        "vessels_planned",
    )[starts].with_columns(
        pl.Series("volume_l", volume, dtype=pl.Float64).fill_nan(None),
        pl.Series("n", counted, dtype=pl.Int32),
        pl.Series("outside", vessels - counted, dtype=pl.UInt32),
        pl.Series("vessel_mean", mean, dtype=pl.Float64).fill_nan(None),
        pl.Series("labs_left_out", any_left_out),
        pl.Series("all_censored", all_beyond),
    )
    paired = cells.filter(pl.col("paired") & pl.col("kept"))
    if paired.is_empty():
        return arms.with_columns(
            pl.lit(None, dtype=pl.Float64).alias("block_mean"),
            pl.lit(None, dtype=pl.Float64).alias("blocks"),
            pl.col("vessel_mean").alias("mean"),
            pl.col("n").cast(pl.Float64).alias("weight"),
        )
    per_block = (
        paired.group_by("arm", "block", maintain_order=True)
        .agg(pl.col("y").mean())
        .group_by("arm", maintain_order=True)
        .agg(pl.col("y").mean().alias("block_mean"), pl.len().cast(pl.Float64).alias("blocks"))
    )
    return arms.join(per_block, on="arm", how="left", maintain_order="left").with_columns(
        pl.coalesce("block_mean", "vessel_mean").alias("mean"),
        pl.coalesce("blocks", pl.col("n").cast(pl.Float64)).alias("weight"),
    )


def _means(values: Numbers, kept: npt.NDArray[np.bool_], starts: Places) -> Numbers:
    """The mean of each stretch's known values that are kept, NaN where there is none."""
    known = kept & ~np.isnan(values)
    if known.all():
        return np.asarray(_over(np.add, values, starts) / np.diff(starts, append=values.size))
    n = _over(np.add, known.astype(np.float64), starts)
    with np.errstate(invalid="ignore"):
        return np.asarray(_over(np.add, np.where(known, values, 0.0), starts) / n)


def _over(how: np.ufunc, values: npt.NDArray[Any], starts: Places) -> npt.NDArray[Any]:
    return np.asarray(how.reduceat(values, starts)) if starts.size else values[:0]


def missing_vessels(design: pl.DataFrame, cells: pl.DataFrame, means: pl.DataFrame) -> pl.DataFrame:
    """arm, missing: the vessels of a measured arm that have no reading, joined; none, no row.

    Parameters
    ----------
    design
        DESIGN, its identifiers of the kinds that `cells` has.
    cells, means
        The vessels of each comparison, and its arms by `arm_means`.
    """
    short = means.filter(pl.col("n") + pl.col("outside") < pl.col("vessels_planned"))
    if short.is_empty():
        return pl.DataFrame(schema={"arm": pl.UInt32, "missing": pl.String})
    planned = design.select("trial_id", "arm_id", "vessel_id").unique()
    seen = cells.select("arm", "vessel_id").filter(pl.col("arm").is_in(short["arm"].implode()))
    return (
        short.select("arm", "trial_id", "arm_id")
        .join(planned, on=["trial_id", "arm_id"], how="inner")
        .join(seen, on=["arm", "vessel_id"], how="anti")
        .sort("arm", "vessel_id")
        .group_by("arm", maintain_order=True)
        .agg(pl.col("vessel_id").cast(pl.String).str.join(", ").alias("missing"))
    )
