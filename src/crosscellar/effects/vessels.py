"""Readings to vessels: one value for each vessel, analyte and stage, with what is known of its laboratory.

Repeat readings tell about the laboratory, never about the treatment: they are averaged here and their number
goes no further. A reading below a limit stays an interval.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

import polars as pl

from crosscellar.effects.repeats import average_repeats

#: What one vessel value is known by.
MEASURED: Final = ("trial_id", "analyte", "stage")

_NEEDED: Final = (
    *MEASURED,
    "arm_id",
    "vessel_id",
    "sample_date",
    "value",
    "qualifier",
    "unit",
    "lab",
    "method",
)


def vessel_values(
    readings: pl.DataFrame, design: pl.DataFrame, *, analytes: Collection[str] | None = None
) -> pl.DataFrame:
    """One row for each vessel, analyte and stage that was measured.

    Parameters
    ----------
    readings
        READINGS-like: trial_id, arm_id, vessel_id, stage, sample_date, analyte, value, qualifier, unit, lab,
        method.
    design
        DESIGN: every vessel of every arm. Readings of vessels that are not there are left out.
    analytes
        Those that are wanted; None: all.

    Returns
    -------
    polars.DataFrame
        trial_id, analyte, stage, arm_id, vessel_id, role, level, level_unit, block, volume_l, unit, `low` and
        `high` (equal, unless the vessel is censored), `labs` and `methods` of its arm, `labs_left_out`,
        `vessels_planned` of its arm; sorted by trial, analyte, stage, arm and vessel, which are Enums in the
        order of the alphabet.

    Several sampling dates of one stage weigh alike, however many repeats each has. Where one laboratory
    measured every arm of a trial, the readings of the others are left out; where none did, all are kept and
    the arms' laboratories can be compared.
    """
    vessels = (
        design.select("trial_id", "arm_id", "vessel_id", "role", "level", "level_unit", "block", "volume_l")
        .unique(subset=["trial_id", "arm_id", "vessel_id"], keep="first")
        .sort("trial_id", "arm_id", "vessel_id")
        .with_columns(pl.len().over("trial_id", "arm_id").alias("vessels_planned"))
    )
    finite = readings.select(*_NEEDED)
    if not finite["value"].is_finite().fill_null(False).all():
        finite = finite.filter(pl.col("value").is_finite())
    values, others = average_repeats(finite, vessels, analytes)
    if others.is_empty():
        return values
    mixed = _one_by_one(others).join(vessels, on=["trial_id", "arm_id", "vessel_id"], how="left")
    return pl.concat(
        [values, mixed.select(pl.col(name).cast(kind) for name, kind in values.schema.items())]
    ).sort(*MEASURED, "arm_id", "vessel_id")


def _one_by_one(readings: pl.DataFrame) -> pl.DataFrame:
    """The vessel values of comparisons with several laboratories or methods, or with limits for values."""
    kept = _one_laboratory(
        readings.with_columns(
            pl.col("qualifier", "stage").fill_null(""),
            pl.when(pl.col("lab") != "").then(pl.col("lab")).alias("lab"),
            pl.when(pl.col("method") != "").then(pl.col("method")).alias("method"),
        )
    )
    vessel = [*MEASURED, "arm_id", "vessel_id"]
    below, above = pl.col("qualifier") == "<", pl.col("qualifier") == ">"
    floor = pl.when(pl.col("value") >= 0).then(0.0).otherwise(float("-inf"))
    # Sums follow the order of rows: rows in one order give the same effects to the last digit every time.
    kept = kept.sort(*vessel, "sample_date", "value", "qualifier")
    per_date = kept.group_by(*vessel, "sample_date", maintain_order=True).agg(
        pl.when(below).then(floor).otherwise(pl.col("value")).mean().alias("low"),
        pl.when(above).then(float("inf")).otherwise(pl.col("value")).mean().alias("high"),
        pl.col("unit").first(),
        pl.col("labs_left_out").first(),
    )
    return (
        per_date.group_by(vessel, maintain_order=True)
        .agg(
            pl.col("low").mean(),
            pl.col("high").mean(),
            pl.col("unit").first(),
            pl.col("labs_left_out").max(),
        )
        .join(_named(kept, "lab", "labs"), on=[*MEASURED, "arm_id"], how="left")
        .join(_named(kept, "method", "methods"), on=[*MEASURED, "arm_id"], how="left")
        .with_columns(pl.col("labs").fill_null("not stated"), pl.col("methods").fill_null(""))
    )


def _named(readings: pl.DataFrame, column: str, name: str) -> pl.DataFrame:
    """What each arm was measured by, sorted and joined into one text; arms that state nothing have no row."""
    return (
        readings.select(*MEASURED, "arm_id", column)
        .unique()
        .drop_nulls(column)
        .sort(column)
        .group_by([*MEASURED, "arm_id"], maintain_order=True)
        .agg(pl.col(column).str.join(", ").alias(name))
    )


def _one_laboratory(plain: pl.DataFrame) -> pl.DataFrame:
    """The readings of the one laboratory that measured every arm, where there are several; else all."""
    several = (
        plain.group_by(MEASURED)
        .agg(pl.col("lab").n_unique().alias("labs"), pl.col("arm_id").n_unique().alias("arms"))
        .filter(pl.col("labs") > 1)
    )
    if several.is_empty():
        return plain.with_columns(pl.lit(False).alias("labs_left_out"))
    chosen = (
        plain.join(several, on=list(MEASURED), how="inner")
        .group_by(*MEASURED, "lab")
        .agg(
            pl.col("arms").first(),
            pl.col("arm_id").n_unique().alias("covered"),
            pl.struct("arm_id", "vessel_id").n_unique().alias("vessels"),
        )
        .filter(pl.col("covered") == pl.col("arms"))
        .sort([*MEASURED, "vessels", "lab"], descending=[False, False, False, True, False], nulls_last=True)
        .unique(subset=list(MEASURED), keep="first", maintain_order=True)
        .select(*MEASURED, pl.col("lab").alias("chosen"), pl.lit(True).alias("labs_left_out"))
    )
    return (
        plain.join(chosen, on=list(MEASURED), how="left")
        .with_columns(pl.col("labs_left_out").fill_null(False))
        .filter(~pl.col("labs_left_out") | pl.col("lab").eq_missing(pl.col("chosen")))
        .drop("chosen")
    )
