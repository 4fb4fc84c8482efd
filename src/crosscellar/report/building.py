"""The annual summary's records, built from pooled answers and the season's counts."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Final

import polars as pl

from crosscellar.contract import Contract, response_words
from crosscellar.effects import prior_words, variance_words
from crosscellar.pooling import Pooled
from crosscellar.report.content import (
    VERDICTS,
    Accumulated,
    Figure,
    ForestRow,
    LeftOut,
    Monitored,
    QuestionPage,
    SiteRow,
    Summary,
    Tasting,
    TurnedAway,
    WithoutSite,
)
from crosscellar.report.crowded import MOST_DRAWN
from crosscellar.report.drawing import Sketch
from crosscellar.report.ferments import FermentLog, ferments_sketch
from crosscellar.report.figures import question_sketches
from crosscellar.report.forest import arm_words, forest_rows, reading_of
from crosscellar.report.numbers import NONE, Reading, p_value, true_minus
from crosscellar.report.plan import Planned, plan_sketch
from crosscellar.report.sentences import (
    chances_words,
    compared_words,
    evidence_words,
    method_words,
    sentence_of,
)
from crosscellar.report.variances import VesselSpread, variances_sketch
from crosscellar.report.workers import draw_sketches

#: Cautions that a summary of any season shows; the rest stand where they belong, on sheets and protocols.
SHOWN_CAUTIONS: Final = (
    "so2_gas_and_sulfite_solutions",
    "so2_and_asthma",
    "co2_in_cellars",
    "alcohol_at_tastings",
    "trial_wine_for_people",
    "legal_limits",
    "health_claims",
    "privacy",
)

NO_EFFECTS: Final = "no effects yet"

#: A summary of more questions than this tells those without a trial of its season in short.
MANY_QUESTIONS: Final = 12


@dataclass(frozen=True, slots=True)
class Names:
    """How sites and trials are called in one edition of the summary."""

    sites: Mapping[str, str]
    trials: Mapping[str, str]
    hidden: Mapping[str, str] = field(default_factory=dict)

    def site(self, identifier: str) -> str:
        return self.sites.get(identifier, identifier)

    def trial(self, identifier: str) -> str:
        return self.trials.get(identifier, identifier)

    def told(self, text: str) -> str:
        """A sentence in which every hidden identifier or name has become its code."""
        if not self.hidden:
            return text
        words = "|".join(re.escape(word) for word in sorted(self.hidden, key=len, reverse=True))
        return re.sub(
            rf"(?<!\w)(?:{words})(?!\w)",
            lambda match: self.hidden[match[0].casefold()],
            text,
            flags=re.IGNORECASE,
        )


def names_of(sites: pl.DataFrame, trials: pl.DataFrame, *, anonymous: bool) -> Names:
    """Site names and trial identifiers, or codes that follow the register's order.

    Codes stay the same from year to year as long as new sites and trials are added at the end.
    """
    if not anonymous:
        named = {row["site_id"]: row["site_name"] or row["site_id"] for row in sites.iter_rows(named=True)}
        return Names(named, {})
    codes = {site: f"Site {number:02d}" for number, site in enumerate(sites["site_id"], 1)}
    tried = {trial: f"T{number:03d}" for number, trial in enumerate(trials["trial_id"], 1)}
    called = {
        str(row["site_name"]): codes[row["site_id"]]
        for row in sites.iter_rows(named=True)
        if row["site_name"]
    }
    hidden = {word.casefold(): code for word, code in (called | codes | tried).items()}
    return Names(codes, tried, hidden)


@dataclass(frozen=True, slots=True)
class Answered:
    """One question with its pooled answers, as `build_summary` takes it."""

    question: Mapping[str, Any]
    pooled: Sequence[Pooled]
    effects: pl.DataFrame
    trials_this_season: int
    not_measured: Sequence[tuple[str, str]] = ()
    ferments: Sequence[FermentLog] = ()
    decide: Sequence[str] = ()
    plan: Planned | None = None
    level_unit: str = ""


def build_summary(
    season: int,
    answered: Sequence[Answered],
    *,
    contract: Contract,
    names: Names,
    anonymous: bool,
    snapshot: str,
    as_of: date,
    counts: Sequence[tuple[str, str]],
    readings: Sequence[tuple[str, str]],
    turned_away: Sequence[TurnedAway] = (),
    lost: Sequence[tuple[str, str, str]] = (),
    files: Sequence[tuple[str, str]] = (),
    vessels: Sequence[VesselSpread] = (),
    processes: int | None = None,
) -> Summary:
    """The summary of a season.

    Parameters
    ----------
    answered
        The questions in the register's order, their effects up to this season.
    names
        From `names_of`; all sites and trials pass through it.
    counts, readings
        Headings and numbers for "the season in numbers".
    turned_away
        Findings of this season that refused or held a reading; empty in an anonymous edition.
    lost
        Trial, site and reason of each lost trial; reasons are left out of an anonymous edition.
    files
        Names and descriptions of the files that lie beside the page.
    vessels
        How far vessels of one arm differ, a spread a primary response.
    processes
        How many processes draw the figures; as many as help where it is left out.
    """
    undrawn = [
        question_page(number, one, contract=contract, names=names, many=len(answered) > MANY_QUESTIONS)
        for number, one in enumerate(answered, 1)
    ]
    sketches = [sketch for _, own in undrawn for sketch in own]
    sketches += [variances_sketch(vessels, "vessels-figure")] if any(one.known for one in vessels) else []
    figures = iter(draw_sketches(sketches, processes=processes))
    pages = tuple(_illustrated(page, [next(figures) for _ in own]) for page, own in undrawn)
    told = tuple(
        (heading, tuple((page.anchor, page.sentence) for page in pages if page.verdict == verdict))
        for verdict, heading in VERDICTS.items()
        if any(page.verdict == verdict for page in pages)
    )
    lost_lines = tuple(
        f"{names.trial(trial)} at {names.site(site)}" + ("" if anonymous or not reason else f": {reason}")
        for trial, site, reason in lost
    )
    return Summary(
        season=season,
        snapshot=snapshot,
        as_of=as_of,
        anonymous=anonymous,
        counts=tuple(counts),
        readings=tuple(readings),
        page_one=told,
        questions=pages,
        turned_away=() if anonymous else tuple(turned_away),
        lost=lost_lines,
        cautions=tuple(
            (contract.cautions[name].topic, contract.cautions[name].caution) for name in SHOWN_CAUTIONS
        ),
        files=tuple(files),
        vessels=tuple(spread.words for spread in vessels),
        vessels_figure=next(figures, None),
        spreads=tuple(spread.row for spread in vessels),
    )


def _illustrated(page: QuestionPage, figures: Sequence[Figure]) -> QuestionPage:
    """The page with its figures, that of the plan apart."""
    if page.carried or not page.plan:
        return replace(page, figures=tuple(figures))
    return replace(page, figures=tuple(figures[:-1]), plan_figure=figures[-1])


def question_page(
    number: int, one: Answered, *, contract: Contract, names: Names, many: bool = False
) -> tuple[QuestionPage, tuple[Sketch, ...]]:
    """One question's page without its figures, and the figures that it will show.

    Of `many` questions one without a trial of the season is carried forward: told without figures.
    """
    title = names.told(str(one.question["title"]))
    response = response_words(str(one.question["primary_response"]), one.question["primary_stage"], contract)
    blank = QuestionPage(
        anchor=f"question-{number}",
        title=title,
        hypothesis=names.told(str(one.question["hypothesis"] or "")),
        compared=compared_words(one.question, response, one.trials_this_season),
        response=response,
        heading="",
        verdict=NO_EFFECTS,
        sentence=f"{title} No comparable readings have come in yet.",
        reason="No trial of this question has readings of both arms yet.",
        estimate="",
        interval="",
        prediction="",
        chances=(),
        evidence="",
        method="",
        rows=(),
        left_out=tuple(
            LeftOut(names.site(site), "", names.trial(trial), "", NONE, "no readings yet")
            for trial, site in one.not_measured
        ),
        accumulated=(),
        without_site=(),
        monitored=_monitored(one, contract),
        tastings=_tastings(one.effects, names),
        remarks=(),
        figures=(),
        this_season=one.trials_this_season,
        decide=tuple(one.decide),
        plan=one.plan.rows() if one.plan else (),
        level_unit=one.level_unit,
    )
    ferments = _ferments(number, one, names)
    planned = (plan_sketch(one.plan, blank.plan, f"{blank.anchor}-plan"),) if one.plan else ()
    if not one.pooled or one.pooled[0].role != "primary":
        return blank, (*ferments, *planned)
    pooled = one.pooled[0]
    reading = reading_of(pooled)
    known = pooled.n_sites > 1 and math.isfinite(pooled.low)
    foreseen = known and math.isfinite(pooled.prediction_low)
    rows = _rows(pooled, reading, names)
    accumulated = _accumulated(pooled, reading)
    page = replace(
        blank,
        heading=reading.heading,
        verdict=pooled.verdict if pooled.n_effects else NO_EFFECTS,
        sentence=sentence_of(title, pooled, reading),
        reason=names.told(true_minus(pooled.reason)),
        estimate=reading.words(pooled.estimate, unit=False) if known else "",
        interval=reading.interval(pooled.low, pooled.high) if known else "",
        prediction=reading.interval(pooled.prediction_low, pooled.prediction_high) if foreseen else "",
        chances=chances_words(pooled, names.sites),
        evidence=evidence_words(pooled),
        method=method_words(pooled) if known else "",
        rows=rows,
        left_out=_left_out(pooled, reading, names),
        accumulated=accumulated,
        without_site=_without_site(pooled, reading, names),
        sites=_sites(pooled, reading, names) if len(rows) > MOST_DRAWN else (),
        remarks=tuple(names.told(remark) for remark in (*pooled.remarks, *_lent(pooled))),
    )
    if many and not one.trials_this_season:
        return replace(page, carried=True), ()
    return page, (*question_sketches(page, pooled, reading, one.effects), *ferments, *planned)


def _ferments(number: int, one: Answered, names: Names) -> tuple[Sketch, ...]:
    logs = [replace(log, site=names.site(log.site), trial=names.trial(log.trial)) for log in one.ferments]
    logs.sort(key=lambda log: (log.site, log.trial))
    return (ferments_sketch(logs, f"question-{number}-ferments"),) if logs else ()


def _lent(pooled: Pooled) -> list[str]:
    known = {"prior_df", "prior_variance", "prior_trials"} <= set(pooled.effects.columns)
    return prior_words(pooled.effects) if known else []


def _rows(pooled: Pooled, reading: Reading, names: Names) -> tuple[ForestRow, ...]:
    words = [
        variance_words(row)
        for row in pooled.effects.sort("site", "season", "trial", "arm").iter_rows(named=True)
    ]
    rows = (
        replace(row, site=names.site(row.site), trial=names.trial(row.trial), variance=told)
        for row, told in zip(forest_rows(pooled, reading), words, strict=True)
    )
    return tuple(sorted(rows, key=lambda row: (row.site, row.season, row.trial, row.arm)))


def _left_out(pooled: Pooled, reading: Reading, names: Names) -> tuple[LeftOut, ...]:
    return tuple(
        LeftOut(
            names.site(str(row["site"] or "")),
            str(row["season"] or ""),
            names.trial(str(row["trial"] or "")),
            arm_words(row["arm"]),
            NONE if row["estimate"] is None else reading.words(row["estimate"], unit=False),
            names.told(str(row["left_out"] or "")),
        )
        for row in pooled.excluded.sort("site", "season", "trial", "arm").iter_rows(named=True)
    )


def _accumulated(pooled: Pooled, reading: Reading) -> tuple[Accumulated, ...]:
    if pooled.n_sites < 2:
        return ()
    rows = [
        Accumulated(
            season=str(row["season"]),
            sites=row["n_sites"],
            estimate=row["estimate"],
            low=row["low"] if row["low"] is not None else math.nan,
            high=row["high"] if row["high"] is not None else math.nan,
            effect=reading.words(row["estimate"], unit=False),
            interval=reading.interval(row["low"], row["high"]),
            verdict=row["verdict"],
        )
        for row in pooled.by_season.iter_rows(named=True)
        if row["estimate"] is not None and math.isfinite(row["estimate"])
    ]
    return tuple(rows) if len(rows) > 1 else ()


def _without_site(pooled: Pooled, reading: Reading, names: Names) -> tuple[WithoutSite, ...]:
    if pooled.n_sites < 3:
        return ()
    rows = (
        WithoutSite(
            names.site(row["site"]),
            reading.words(row["estimate"], unit=False),
            reading.interval(row["low"], row["high"]),
            row["verdict"],
            bool(row["verdict_changes"]),
        )
        for row in pooled.without_site.iter_rows(named=True)
    )
    return tuple(sorted(rows, key=lambda row: row.site))


def _sites(pooled: Pooled, reading: Reading, names: Names) -> tuple[SiteRow, ...]:
    """The mean of each site's own effects, where sites can have a row each and more than one effect."""
    if not 2 < pooled.n_sites <= min(MOST_DRAWN, pooled.n_effects - 1):
        return ()
    rows = (
        SiteRow(
            names.site(row["site"]),
            row["own_effects"],
            row["own_estimate"],
            reading.words(row["own_estimate"], unit=False),
        )
        for row in pooled.without_site.iter_rows(named=True)
    )
    return tuple(sorted(rows, key=lambda row: row.site))


def _monitored(one: Answered, contract: Contract) -> tuple[Monitored, ...]:
    found = []
    for pooled in one.pooled:
        if pooled.role == "primary" or not (pooled.n_effects or pooled.excluded.height):
            continue
        reading = reading_of(pooled)
        never = _never(pooled)
        known = pooled.n_sites > 1 and math.isfinite(pooled.low) and not never
        instead = (
            "none in any arm" if never else "one site only" if pooled.n_sites else "no effect computable"
        )
        found.append(
            Monitored(
                response_words(pooled.response, pooled.stage, contract),
                pooled.n_sites,
                reading.words(pooled.estimate) if known else instead,
                reading.interval(pooled.low, pooled.high) if known else NONE,
                p_value(pooled.p_adjusted),
            )
        )
    return tuple(found)


def _never(pooled: Pooled) -> bool:
    """Whether what was counted happened in no arm at all: no interval says then how seldom it does."""
    happened = pooled.effects.select(
        name for name in ("mean_treatment", "mean_control") if name in pooled.effects.columns
    )
    counted = pooled.measure == "risk_difference" and happened.width == 2
    return (
        counted
        and not happened.is_empty()
        and bool((happened == 0).select(pl.all().all()).row(0) == (True, True))
    )


def _tastings(effects: pl.DataFrame, names: Names) -> tuple[Tasting, ...]:
    if "correct" not in effects.columns:
        return ()
    sessions = effects.filter(pl.col("correct").is_not_null()).sort("site", "season", "trial", "arm")
    rows = (
        Tasting(
            names.site(row["site"]),
            str(row["season"]),
            names.trial(row["trial"]),
            int(row["correct"]),
            int(row["tasters"]),
            NONE if row["critical"] is None else str(row["critical"]),
            p_value(row["p_value"]),
        )
        for row in sessions.iter_rows(named=True)
    )
    return tuple(sorted(rows, key=lambda row: (row.site, row.season, row.trial)))
