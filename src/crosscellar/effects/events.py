"""Events of vessels, a stuck ferment or a finished malolactic, counted by arm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from crosscellar.contract import Contract
from crosscellar.effects.ferments import FERMENT_RULES, FermentRules, ferment_curves, ferment_summaries
from crosscellar.effects.planned import (
    EVENT_MEASURES,
    EVENTS,
    arms_of,
    only,
    planned_responses,
    trials_of,
)
from crosscellar.effects.readings import finish
from crosscellar.effects.summaries import count_effects, exact_p, share_variance
from crosscellar.errors import NotComputable


@dataclass(frozen=True, slots=True)
class EventRules:
    """When an event counts as having happened. All figures are common practice, no source.

    Attributes
    ----------
    ferment
        What is dry and what is stuck.
    malolactic_done
        Malic acid in g/L at the end of malolactic below which it is complete.
    """

    ferment: FermentRules = FERMENT_RULES
    malolactic_done: float = 0.3


#: The rules used unless others are given.
EVENT_RULES: Final = EventRules()


def vessel_events(readings: pl.DataFrame, *, rules: EventRules = EVENT_RULES) -> pl.DataFrame:
    """trial_id, arm_id, vessel_id, event, happened: the vessels of which it can be told."""
    vessel = ["trial_id", "arm_id", "vessel_id"]
    logs = ferment_summaries(ferment_curves(readings), rules=rules.ferment)
    stuck = logs.select(*vessel, pl.lit("stuck").alias("event"), pl.col("stuck").alias("happened"))
    limit = pl.col("value")
    malic = (
        readings.filter((pl.col("analyte") == "malic_acid") & (pl.col("stage") == "end_mlf"))
        .with_columns(
            pl.when(pl.col("qualifier") == "<")
            .then(pl.when(limit <= rules.malolactic_done).then(True))
            .when(pl.col("qualifier") == ">")
            .then(pl.when(limit >= rules.malolactic_done).then(False))
            .otherwise(limit < rules.malolactic_done)
            .alias("below"),
            pl.when(pl.col("qualifier").fill_null("") == "").then(limit).alias("quantified"),
        )
        .group_by(vessel, maintain_order=True)
        .agg(
            pl.coalesce(pl.col("quantified").mean() < rules.malolactic_done, pl.col("below").all()).alias(
                "happened"
            ),
            pl.col("below").is_null().any().alias("open"),
        )
        .select(
            *vessel,
            pl.lit("malolactic_complete").alias("event"),
            pl.when(~pl.col("open")).then("happened").alias("happened"),
        )
    )
    return pl.concat([stuck, malic]).drop_nulls("happened")


def effects_of_events(
    readings: pl.DataFrame,
    design: pl.DataFrame,
    responses: pl.DataFrame | None,
    contract: Contract,
    *,
    rules: EventRules = EVENT_RULES,
    question: str | None = None,
    response: str | None = None,
    stage: str | None = None,
    measure: str | None = None,
    level: float = 0.95,
) -> pl.DataFrame:
    """Treatment minus control in the share of vessels that an event happened to; EFFECTS columns first.

    `stuck` comes from the ferment logs, `malolactic_complete` from malic acid at its end. `measure` is
    risk_difference (default), log_risk_ratio or log_odds, with the formulas and the handling of 0 and n of
    `effects_from_summary`. Means shown are shares of vessels; behind stands `exact_p` (Fisher 1935),
    which needs no correction at 0 or n.

    Raises
    ------
    NotComputable
        A measure that is not for events.
    """
    del contract
    if measure is not None and measure not in EVENT_MEASURES:
        raise NotComputable(
            f"{measure} makes no sense for an event", next_step=f"Ask for {', '.join(EVENT_MEASURES)}."
        )
    planned = planned_responses(responses, EVENTS)
    counts = (
        vessel_events(readings, rules=rules)
        .join(
            design.select("trial_id", "arm_id", "vessel_id"),
            on=["trial_id", "arm_id", "vessel_id"],
            how="semi",
        )
        .group_by("trial_id", "arm_id", "event")
        .agg(pl.col("happened").sum().cast(pl.Float64).alias("events"), pl.len().cast(pl.Float64).alias("n"))
        .join(arms_of(design), on=["trial_id", "arm_id"], how="inner")
    )
    control = counts.filter(pl.col("role_of_arm") == "control").select(
        "trial_id",
        "event",
        pl.col("arm_id").alias("control_arm"),
        pl.col("events").alias("events_control"),
        pl.col("n").alias("n_control"),
        pl.col("vessels").alias("vessels_control"),
    )
    pairs = (
        planned.join(
            counts.filter(pl.col("role_of_arm") == "treatment"),
            left_on=["trial_id", "response"],
            right_on=["trial_id", "event"],
            how="inner",
        )
        .join(control, left_on=["trial_id", "response"], right_on=["trial_id", "event"], how="inner")
        .join(trials_of(design), on="trial_id", how="left")
        .with_columns(
            pl.lit(measure, dtype=pl.String)
            .fill_null(
                pl.when(pl.col("measure").is_in(EVENT_MEASURES))
                .then("measure")
                .otherwise(pl.lit("risk_difference"))
            )
            .alias("measure")
        )
    )
    kinds = [kind for kind in EVENT_MEASURES if kind in pairs["measure"]] or EVENT_MEASURES[:1]
    worked = [_worked(pairs.filter(pl.col("measure") == kind), kind) for kind in kinds]
    effects = finish(pl.concat(worked), same_laboratory=True, level=level, behind={"exact_p": pl.Float64})
    return only(effects, question=question, response=response, stage=stage)


def _worked(pairs: pl.DataFrame, measure: str) -> pl.DataFrame:
    x_t, n_t, x_c, n_c = (
        pairs[name].cast(pl.Float64).to_numpy() for name in ("events", "n", "events_control", "n_control")
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate, variance, _, words = count_effects(x_t, n_t, x_c, n_c, measure=measure)
        shared = share_variance(x_c, n_c)
        if measure != "risk_difference":
            # As in the effect itself: an arm at 0 or n has a half added to the counts of both.
            edge = (x_t == 0) | (x_t == n_t) | (x_c == 0) | (x_c == n_c)
            held = np.where(edge, 0.5, 0.0)
            a, rest = x_c + held, n_c - x_c + held
            shared = 1 / a + 1 / rest if measure == "log_odds" else 1 / a - 1 / (n_c + 2 * held)
    several = pl.col("arm_id").n_unique().over("trial_id", "response", "stage") > 1
    lost = (pl.col("status") == "lost").fill_null(False)
    unseen = (pl.col("n") < pl.col("vessels")) | (pl.col("n_control") < pl.col("vessels_control"))
    return pairs.with_columns(
        pl.Series("estimate", estimate, dtype=pl.Float64).fill_nan(None),
        pl.Series("variance", variance, dtype=pl.Float64).fill_nan(None),
        pl.Series("covariance", shared, dtype=pl.Float64).fill_nan(None),
        pl.Series("exact_p", exact_p(x_t, n_t, x_c, n_c), dtype=pl.Float64),
        pl.Series("words", words.tolist(), dtype=pl.String),
    ).select(
        pl.col("question_id").alias("question"),
        "response",
        "stage",
        "role",
        "measure",
        pl.lit("share of vessels" if measure == "risk_difference" else measure.replace("_", " ")).alias(
            "unit"
        ),
        pl.col("trial_id").alias("trial"),
        pl.col("site_id").alias("site"),
        "season",
        pl.col("arm_id").alias("arm"),
        "estimate",
        "variance",
        pl.lit(None, dtype=pl.Float64).alias("df"),
        pl.when(pl.col("variance").is_null())
        .then(pl.lit("none"))
        .otherwise(pl.lit("own"))
        .alias("variance_source"),
        pl.when(several).then(pl.concat_str(["trial_id", pl.lit("/"), "control_arm"])).alias("shared"),
        pl.when(several).then("covariance").alias("shared_variance"),
        pl.col("n").cast(pl.Int32).alias("n_treatment"),
        pl.col("n_control").cast(pl.Int32),
        (pl.col("events") / pl.col("n")).alias("mean_treatment"),
        (pl.col("events_control") / pl.col("n_control")).alias("mean_control"),
        pl.lit(None, dtype=pl.Float64).alias("prior_df"),
        pl.lit(None, dtype=pl.Float64).alias("prior_variance"),
        pl.lit(None, dtype=pl.Int32).alias("prior_trials"),
        (pl.col("variance").is_not_null() & ~lost).alias("usable"),
        pl.concat_str(
            [
                pl.when(lost).then(pl.lit("trial lost, not pooled")),
                pl.when(pl.col("words") != "").then("words"),
                pl.when(unseen).then(pl.lit("some vessels left open: their log or reading does not tell")),
            ],
            separator="; ",
            ignore_nulls=True,
        )
        .fill_null("")
        .alias("remark"),
        "cultivar",
        "colour",
        "level",
        "volume_l",
        pl.lit("").alias("other_laboratory"),
        pl.lit(None, dtype=pl.Int32).alias("n_blocks"),
        pl.lit(None, dtype=pl.String).alias("prior_from"),
        "exact_p",
    )
