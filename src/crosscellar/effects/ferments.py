"""Ferment logs: days to dry, the fastest day, and whether a ferment stuck."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.formulas import brix_from_sg
from crosscellar.effects.planned import LOG_RESPONSES, SUGARS, only, planned_responses
from crosscellar.effects.readings import effects_of_readings

#: Density of water at 20 C, g/mL, by which a density becomes a specific gravity 20/20.
_WATER_20: Final = 0.998203

_VESSEL: Final = ["trial_id", "arm_id", "vessel_id"]


@dataclass(frozen=True, slots=True)
class FermentRules:
    """What counts as dry and as stuck. All figures are common practice, no source.

    Attributes
    ----------
    dry_brix
        Apparent degrees Brix at or below which a ferment is dry.
    stuck_days, stuck_fall
        A ferment that is not dry is stuck if it fell by less than `stuck_fall` degrees Brix over the last
        `stuck_days` days of its log; one that still falls is left open.
    least_gap_days
        Readings closer together than this are not used for a rate: their rounding would make it.
    """

    dry_brix: float = -1.0
    stuck_days: float = 3.0
    stuck_fall: float = 0.5
    least_gap_days: float = 0.75


#: The rules used unless others are given.
FERMENT_RULES: Final = FermentRules()


def ferment_curves(readings: pl.DataFrame) -> pl.DataFrame:
    """trial_id, arm_id, vessel_id, lab, day (since the vessel's first reading), brix: the logs, in order.

    Densities and specific gravities become apparent Brix; a reading without a time stands at noon; readings
    of one moment are averaged.
    """
    sugar = pl.col("analyte")
    logs = readings.filter(
        (pl.col("stage") == "ferment_daily")
        & sugar.is_in(SUGARS)
        & pl.col("value").is_finite()
        & pl.col("sample_date").is_not_null()
    )
    clock = pl.col("time").fill_null("12:00").str.splitn(":", 2)
    gravity = pl.when(sugar == "density_20").then(pl.col("value") / _WATER_20).otherwise(pl.col("value"))
    timed = logs.with_columns(
        (
            pl.col("sample_date").cast(pl.Int32).cast(pl.Float64)
            + clock.struct.field("field_0").cast(pl.Float64, strict=False).fill_null(12.0) / 24.0
            + clock.struct.field("field_1").cast(pl.Float64, strict=False).fill_null(0.0) / 1440.0
        ).alias("moment"),
        gravity.alias("gravity"),
    )
    converted = pl.Series(
        "converted", np.asarray(brix_from_sg(timed["gravity"].to_numpy())), dtype=pl.Float64
    )
    return (
        timed.with_columns(converted)
        .with_columns(pl.when(sugar == "brix").then("value").otherwise("converted").alias("brix"))
        .group_by([*_VESSEL, "moment"])
        .agg(pl.col("brix").mean(), pl.col("lab").first())
        .sort([*_VESSEL, "moment"])
        .with_columns((pl.col("moment") - pl.col("moment").min().over(_VESSEL)).alias("day"))
        .select(*_VESSEL, "lab", "day", "brix")
    )


def ferment_summaries(curves: pl.DataFrame, *, rules: FermentRules = FERMENT_RULES) -> pl.DataFrame:
    """One row a vessel: days_to_dry (null if never dry), days_logged, max_rate (degrees Brix a day), stuck.

    The day it went dry is read off the straight line between the two readings around `dry_brix`. `stuck` is
    null where the log ends while the ferment still falls, or is too short to tell.
    """
    before_day, before_brix = pl.col("day").shift(1).over(_VESSEL), pl.col("brix").shift(1).over(_VESSEL)
    gap = pl.col("day") - before_day
    fall = before_brix - pl.col("brix")
    steps = curves.with_columns(
        pl.when((before_brix > rules.dry_brix) & (pl.col("brix") <= rules.dry_brix))
        .then(before_day + gap * (before_brix - rules.dry_brix) / fall)
        .when(before_brix.is_null() & (pl.col("brix") <= rules.dry_brix))
        .then(pl.col("day"))
        .alias("dry_day"),
        pl.when(gap >= rules.least_gap_days).then(fall / gap).alias("rate"),
        (pl.col("day").max().over(_VESSEL) - pl.col("day")).alias("to_end"),
    )
    late = pl.col("to_end") >= rules.stuck_days
    return (
        steps.group_by(_VESSEL, maintain_order=True)
        .agg(
            pl.col("lab").first(),
            pl.col("dry_day").min().alias("days_to_dry"),
            pl.col("day").max().alias("days_logged"),
            pl.col("rate").max().alias("max_rate"),
            (pl.col("brix").filter(late).last() - pl.col("brix").last()).alias("late_fall"),
        )
        .with_columns(
            pl.when(pl.col("days_to_dry").is_not_null())
            .then(pl.lit(False))
            .when(pl.col("late_fall") < rules.stuck_fall)
            .then(pl.lit(True))
            .alias("stuck")
        )
        .drop("late_fall")
    )


def effects_of_ferments(
    readings: pl.DataFrame,
    design: pl.DataFrame,
    responses: pl.DataFrame | None,
    contract: Contract,
    *,
    rules: FermentRules = FERMENT_RULES,
    question: str | None = None,
    response: str | None = None,
    stage: str | None = None,
    measure: str | None = None,
    level: float = 0.95,
) -> pl.DataFrame:
    """Effects on days to dry and on the fastest day, from the logs; the columns of `effects_of_readings`.

    A vessel that was not dry when its log ended is known only to take longer than that, and its arm's mean is
    found by maximum likelihood.
    """
    planned = planned_responses(responses, LOG_RESPONSES)
    vessels = ferment_summaries(ferment_curves(readings), rules=rules)
    dry = pl.col("days_to_dry").is_not_null()
    days = vessels.select(
        *_VESSEL,
        "lab",
        pl.lit("days_to_dryness").alias("analyte"),
        pl.coalesce("days_to_dry", "days_logged").alias("value"),
        pl.when(dry).then(pl.lit("")).otherwise(pl.lit(">")).alias("qualifier"),
        pl.lit("d").alias("unit"),
    )
    rates = vessels.filter(pl.col("max_rate").is_not_null()).select(
        *_VESSEL,
        "lab",
        pl.lit("max_ferment_rate").alias("analyte"),
        pl.col("max_rate").alias("value"),
        pl.lit("").alias("qualifier"),
        pl.lit("°Bx/d").alias("unit"),
    )
    derived = pl.concat([days, rates]).with_columns(
        pl.lit("ferment_daily").alias("stage"),
        pl.lit(None, dtype=pl.Date).alias("sample_date"),
        pl.lit("").alias("method"),
        pl.lit("log").alias("lab"),
    )
    named = planned.with_columns(pl.col("response").replace_strict(LOG_RESPONSES).alias("analyte"))
    effects = effects_of_readings(
        derived,
        design,
        named.select(
            "trial_id",
            pl.col("analyte").alias("response"),
            pl.lit("ferment_daily").alias("stage"),
            "role",
            "measure",
        ).unique(subset=["trial_id", "response"], maintain_order=True),
        contract,
        measure=measure,
        level=level,
    )
    words = named.select(
        pl.col("trial_id").alias("trial"),
        pl.col("analyte"),
        pl.col("response").alias("written"),
        pl.col("stage").alias("written_stage"),
    ).unique(subset=["trial", "analyte"], maintain_order=True)
    back = effects.join(
        words, left_on=["trial", "response"], right_on=["trial", "analyte"], how="left", maintain_order="left"
    ).with_columns(pl.col("written").alias("response"), pl.col("written_stage").alias("stage"))
    return only(back.select(effects.columns), question=question, response=response, stage=stage)
