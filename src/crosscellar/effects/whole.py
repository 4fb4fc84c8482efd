"""Everything that trials showed: measured, logged, counted and tasted, in one frame."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.effects.measures import MEASURES, READING_MEASURES
from crosscellar.effects.planned import (
    EVENT_MEASURES,
    EVENTS,
    LOG_RESPONSES,
    PANELS,
    SESSIONS,
    SUGARS,
    only,
    trials_of,
)
from crosscellar.effects.readings import effects_of_readings
from crosscellar.errors import NotComputable, UnknownName

if TYPE_CHECKING:
    from crosscellar.effects.events import EventRules

#: What a trial is known by in `trials_without_effect`.
WITHOUT: Final = ("question", "response", "stage", "role", "trial", "site", "season", "reason")


def effects_of_store(
    readings: pl.DataFrame,
    design: pl.DataFrame,
    responses: pl.DataFrame,
    contract: Contract,
    *,
    picks: pl.DataFrame | None = None,
    scores: pl.DataFrame | None = None,
    rules: EventRules | None = None,
    question: str | None = None,
    response: str | None = None,
    stage: str | None = None,
    measure: str | None = None,
    same_laboratory: bool = True,
    level: float = 0.95,
    priors: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Every effect of a store; EFFECTS first, behind them what each kind adds (null for the others).

    Readings by `effects_of_readings`, ferment logs by `effects_of_ferments`, events by `effects_of_events`,
    triangles by `effects_of_picks`, scores by `effects_of_scores`; see there for the formulas. `measure`
    reaches the kinds that know it: a reading's measure leaves events at risk_difference, and the reverse.
    `rules` say when an event has happened, where not the usual ones do; `priors` are for
    `effects_of_readings` alone.

    Raises
    ------
    NotComputable
        A measure that makes no sense for the response named.
    UnknownName
        No such measure.
    """
    if measure is not None and measure not in MEASURES:
        raise UnknownName(f"There is no measure {measure!r}", next_step=f"Known are: {', '.join(MEASURES)}.")
    of_reading = measure if measure in READING_MEASURES or response in contract.analytes else None
    of_log = measure if measure in READING_MEASURES else None
    of_event = measure if measure in EVENT_MEASURES else None
    measured = effects_of_readings(
        readings,
        design,
        responses,
        contract,
        question=question,
        response=response,
        stage=stage,
        measure=of_reading,
        same_laboratory=same_laboratory,
        level=level,
        priors=priors,
    )
    # What nothing planned asks for is not even loaded: each kind costs a short command line its share.
    parts = [measured.with_columns(pl.lit(None, dtype=pl.Float64).alias("exact_p"))]
    if _plans(responses, LOG_RESPONSES):
        from crosscellar.effects.ferments import FERMENT_RULES, effects_of_ferments

        parts.append(
            effects_of_ferments(
                readings,
                design,
                responses,
                contract,
                rules=FERMENT_RULES if rules is None else rules.ferment,
                measure=of_log,
                level=level,
                question=question,
                response=response,
                stage=stage,
            ).join(measured, on=["response", "trial"], how="anti")
        )
    if _plans(responses, EVENTS):
        from crosscellar.effects.events import EVENT_RULES, effects_of_events

        parts.append(
            effects_of_events(
                readings,
                design,
                responses,
                contract,
                rules=EVENT_RULES if rules is None else rules,
                measure=of_event,
                level=level,
                question=question,
                response=response,
                stage=stage,
            )
        )
    if picks is not None and picks.height:
        from crosscellar.effects.picks import effects_of_picks

        parts.append(
            effects_of_picks(
                picks, design, responses, question=question, response=response, stage=stage, level=level
            )
        )
    if scores is not None and scores.height:
        from crosscellar.effects.scores import effects_of_scores

        parts.append(
            effects_of_scores(
                scores, design, responses, question=question, response=response, stage=stage, level=level
            )
        )
    # The columns are the same whatever was planned and came in.
    parts.append(pl.DataFrame(schema={**SESSIONS, **PANELS}))
    effects = pl.concat(parts, how="diagonal")
    if measure is not None and response is not None and effects.height:
        found = effects["measure"].unique().sort().to_list()
        if measure not in found:
            raise NotComputable(
                f"{measure} makes no sense for {response}", next_step=f"Ask for {', '.join(found)}."
            )
    return in_turn(effects)


def in_turn(effects: pl.DataFrame) -> pl.DataFrame:
    """The effects by question, primary response first, then by season, site, trial and arm."""
    return effects.sort(
        "question",
        pl.col("role") != "primary",
        "response",
        "stage",
        "season",
        "site",
        "trial",
        "arm",
        nulls_last=True,
    )


def _plans(responses: pl.DataFrame, names: Collection[str]) -> bool:
    return bool(responses["response"].is_in(list(names)).any())


def lent_by_readings(responses: Collection[str], contract: Contract) -> list[str]:
    """The responses that are read off laboratory readings alone: what they lean on is `variance_priors`."""
    return sorted({name for name in responses if name in contract.analytes} - {*LOG_RESPONSES, *EVENTS})


def analytes_needed(responses: Collection[str], contract: Contract) -> tuple[str, ...]:
    """The analytes whose readings tell of these responses, in order of the alphabet."""
    measured = {name for name in responses if name in contract.analytes}
    logged = any(name in LOG_RESPONSES or EVENTS.get(name) == "ferment_daily" for name in responses)
    fermented = set(SUGARS) if logged else set()
    malic = {"malic_acid"} if "malolactic_complete" in responses else set()
    return tuple(sorted(measured | fermented | malic))


def trials_without_effect(
    effects: pl.DataFrame,
    design: pl.DataFrame,
    responses: pl.DataFrame,
    *,
    question: str | None = None,
    response: str | None = None,
    stage: str | None = None,
) -> pl.DataFrame:
    """Every planned response of a trial that came to no usable effect, with the reason (WITHOUT columns).

    The reason is that the trial was lost or is still running, that nothing came back from both arms, or the
    remark of the effect that cannot be used.
    """
    told = effects.group_by("trial", "response", "stage").agg(
        pl.col("usable").any(), pl.col("remark").filter(pl.col("remark") != "").first()
    )
    planned = responses.select(pl.col("trial_id"), "response", pl.col("stage").fill_null(""), "role").unique(
        maintain_order=True
    )
    reason = (
        pl.when(pl.col("status") == "lost")
        .then(pl.format("trial lost: {}", pl.col("status_reason").fill_null("no reason given")))
        .when(pl.col("remark").is_not_null())
        .then(pl.col("remark"))
        .when(pl.col("status").is_in(["planned", "running"]))
        .then(pl.format("trial {}: not measured in both arms so far", "status"))
        .otherwise(pl.lit("not measured in both arms"))
    )
    rows = (
        planned.join(trials_of(design), on="trial_id", how="inner")
        .join(
            told,
            left_on=["trial_id", "response", "stage"],
            right_on=["trial", "response", "stage"],
            how="left",
        )
        .filter(~pl.col("usable").fill_null(False))
        .select(
            pl.col("question_id").alias("question"),
            "response",
            "stage",
            "role",
            pl.col("trial_id").alias("trial"),
            pl.col("site_id").alias("site"),
            "season",
            reason.alias("reason"),
        )
        .sort(WITHOUT)
    )
    return only(rows, question=question, response=response, stage=stage)
