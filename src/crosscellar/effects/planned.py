"""What the register planned for responses that are not read off one sheet cell: events, logs, panels."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

import polars as pl

#: Names a register may give the responses taken from ferment logs, and the analyte each becomes.
LOG_RESPONSES: Final = {
    "days_to_dry": "days_to_dryness",
    "days_to_dryness": "days_to_dryness",
    "max_ferment_rate": "max_ferment_rate",
}

#: Analytes that logs follow the sugar by.
SUGARS: Final = ("brix", "specific_gravity", "density_20")

#: Names of the events of vessels, and the stage each is judged at.
EVENTS: Final = {"stuck": "ferment_daily", "malolactic_complete": "end_mlf"}

#: Measures that counts of events can be compared by.
EVENT_MEASURES: Final = ("risk_difference", "log_risk_ratio", "log_odds")

#: Names a register may give a planned triangle test.
TRIANGLES: Final = ("triangle", "triangle_correct", "triangle_test", "discriminators")

#: What a register writes before the attribute of a planned score.
SCORE: Final = "score:"

#: Behind the columns of a triangle's effects: the session and what `triangle_result` says of it.
SESSIONS: Final = {
    "session": pl.String,
    "correct": pl.Int32,
    "tasters": pl.Int32,
    "p_value": pl.Float64,
    "critical": pl.Int32,
    "similarity_limit": pl.Int32,
    "d_prime": pl.Float64,
    "d_prime_se": pl.Float64,
}

#: Behind the columns of a score's effects: how many assessors scored both arms.
PANELS: Final = {"assessors": pl.Int32}

_TRIAL = (
    "trial_id",
    "question_id",
    "season",
    "site_id",
    "cultivar",
    "colour",
    "status",
    "status_reason",
)


def planned_responses(responses: pl.DataFrame | None, names: Collection[str]) -> pl.DataFrame:
    """trial_id, response, stage, role, measure of the planned responses with these names."""
    schema = dict.fromkeys(("trial_id", "response", "stage", "role", "measure"), pl.String)
    if responses is None:
        return pl.DataFrame(schema=schema)
    measure = (
        pl.col("measure").cast(pl.String) if "measure" in responses.columns else pl.lit(None, dtype=pl.String)
    )
    return responses.select(
        pl.col("trial_id"), "response", pl.col("stage").fill_null(""), "role", measure.alias("measure")
    ).filter(pl.col("response").is_in(list(names)))


def trials_of(design: pl.DataFrame) -> pl.DataFrame:
    """One row a trial with what the register knows of it."""
    return design.select(_TRIAL).unique(subset="trial_id", keep="first", maintain_order=True)


def arms_of(design: pl.DataFrame) -> pl.DataFrame:
    """One row an arm: trial_id, arm_id, role_of_arm, level, volume_l (the mean of its vessels), vessels."""
    return design.group_by("trial_id", "arm_id").agg(
        pl.col("role").first().alias("role_of_arm"),
        pl.col("level").first(),
        pl.col("volume_l").mean(),
        pl.col("vessel_id").n_unique().alias("vessels"),
    )


def only(
    effects: pl.DataFrame, *, question: str | None, response: str | None, stage: str | None
) -> pl.DataFrame:
    """The effects of one question, response and stage, each where given."""
    wanted = {"question": question, "response": response, "stage": stage}
    keep = [pl.col(column) == value for column, value in wanted.items() if value is not None]
    return effects.filter(*keep) if keep else effects
