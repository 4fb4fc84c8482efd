"""A season's annual summary: gathered from the store, pooled, written."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any, Final

import polars as pl

from crosscellar.answers import Asked, planned_responses, pool_question
from crosscellar.contract import Contract
from crosscellar.effects import effects_of_store, variance_priors
from crosscellar.effects.planned import LOG_RESPONSES
from crosscellar.errors import CrosscellarError, NotComputable, UnknownName
from crosscellar.plans import known_of, plan_question
from crosscellar.pooling import Pooled
from crosscellar.pooling.verdict import OPEN, many
from crosscellar.register import Register, check_season
from crosscellar.report.building import Answered, build_summary, names_of
from crosscellar.report.content import TurnedAway
from crosscellar.report.export import refuse_others, write_export
from crosscellar.report.ferments import ferment_logs
from crosscellar.report.numbers import chance, true_minus
from crosscellar.report.page import render_page
from crosscellar.report.paper import write_paper
from crosscellar.report.plan import Planned
from crosscellar.report.sentences import without_assessors
from crosscellar.report.tables import TABLES, tables_of
from crosscellar.report.variances import vessel_spreads
from crosscellar.report.workbook import write_workbook
from crosscellar.results import COUNTS, Written
from crosscellar.sheets.outstanding import outstanding_of
from crosscellar.store import Store

_COUNTS: Final = {
    "readings_in": "came in",
    "accepted": "accepted",
    "refused": "refused",
    "waiting": "held for a decision",
    "settled": "held, settled since",
    "already": "already there",
    "blank": "not measured",
}

#: Responses that a ferment log answers.
_FERMENTS: Final = (*LOG_RESPONSES, "stuck")

#: What is tried for a question that is still open: new sites, each with so many vessels an arm; the sentence
#: tells of the second number of vessels, the figure shows all.
_MORE_SITES: Final = (1, 2, 3, 4, 6, 8, 12, 16, 24)
_VESSELS: Final = (1, 2)
_TOLD: Final = 2

When = date | datetime | None


def write_summary(
    store: Store, contract: Contract, season: int, *, out: Path, anonymous: bool, as_of: When
) -> Written:
    """The summary of a season as files in `out`.

    Effects of later seasons are left out, so that the page of an old season can be written again.

    Raises
    ------
    UnknownName
        When the register has no trial of that season.
    """
    register = Register.of_tables(store.register_frames(as_of=as_of), contract)
    if as_of is not None and register.trials.is_empty():
        raise UnknownName(f"no register had been taken in by {as_of}", next_step="Name a later day, or none.")
    check_season(register, season)
    trials = register.trials
    planned = planned_responses(register, contract)
    readings = store.measured(as_of=as_of)
    design = register.design()
    effects = effects_of_store(
        readings,
        design,
        planned,
        contract,
        picks=store.picks(as_of=as_of),
        scores=store.scores(as_of=as_of),
    ).filter(pl.col("season") <= season)
    names = names_of(register.sites, trials, anonymous=anonymous)
    snapshot = store.snapshot(as_of=as_of)
    stood = snapshot.moment.date() if snapshot.moment else date(season, 12, 31)
    seen = _Season(store, register, season, as_of, stood)
    name = f"summary-{season}{'-anonymous' if anonymous else ''}"
    _refuse_mixture(out, anonymous=anonymous)
    answered = _answered(register, design, readings, effects, contract, season)
    vessels = vessel_spreads(
        effects.filter(pl.col("role") == "primary"),
        *variance_priors(readings, design, contract, responses=planned),
        contract,
    )
    turned_away = seen.turned_away()
    tables = tables_of(
        answered,
        names,
        tally=seen.tally(),
        vessels=vessels,
        turned_away=turned_away,
        readings=seen.accepted.drop("file_no"),
        anonymous=anonymous,
    )
    refuse_others(tables, out)
    files = (
        (f"{name}.pdf", "this page to print and hand out"),
        (f"{name}.xlsx", "the tables of this page as a workbook"),
        *((f"{table}.csv", TABLES[table]) for table in tables),
        ("datapackage.json", "what the columns mean"),
    )
    summary = build_summary(
        season,
        answered,
        contract=contract,
        names=names,
        anonymous=anonymous,
        snapshot=snapshot.checksum,
        as_of=stood,
        counts=seen.counts(),
        readings=seen.readings(),
        turned_away=turned_away,
        lost=seen.lost(),
        files=files,
        vessels=vessels,
    )
    out.mkdir(parents=True, exist_ok=True)
    page = out / f"{name}.html"
    page.write_text(render_page(summary), encoding="utf-8")
    book = write_workbook(summary, out / f"{name}.xlsx")
    paper = write_paper(summary, out / f"{name}.pdf")
    paths = [page, paper, book, *write_export(tables, out, contract, snapshot=snapshot.checksum)]
    return Written(
        "summary",
        tuple(str(path) for path in paths),
        f"The summary of {season} is in {page}.",
        {"season": season, "snapshot": snapshot.checksum, "anonymous": anonymous},
    )


def _refuse_mixture(out: Path, *, anonymous: bool) -> None:
    """Raise for a folder that holds the other edition: names must not lie beside the codes that hide them."""
    others = [
        file.name for file in sorted(out.glob("summary-*.html")) if ("-anonymous" in file.name) != anonymous
    ]
    if others:
        raise CrosscellarError(
            f"the folder holds {others[0]}, an edition {'with' if anonymous else 'without'} names",
            where=out,
            next_step="Name another folder with --out.",
        )


def _answered(
    register: Register,
    design: pl.DataFrame,
    readings: pl.DataFrame,
    effects: pl.DataFrame,
    contract: Contract,
    season: int,
) -> list[Answered]:
    @cache
    def priors() -> pl.DataFrame:
        """The same for every question that is open, from all readings."""
        return variance_priors(readings, design, contract)[0]

    logged = register.responses.filter(pl.col("response").is_in(_FERMENTS))["trial_id"]
    found = []
    for question in register.questions.iter_rows(named=True):
        name = question["question_id"]
        trials = register.trials.filter((pl.col("question_id") == name) & (pl.col("season") <= season))
        if trials.is_empty():
            continue
        own = effects.filter(pl.col("question") == name)
        pools = pool_question(own, question, contract, asked=Asked(), everything=effects)
        shown = own.filter(pl.col("role") == "primary")["trial"]
        missing = trials.filter(
            ~pl.col("trial_id").is_in(shown.implode()) & (pl.col("status").fill_null("") != "lost")
        )
        own_design = design.filter(pl.col("trial_id").is_in(trials["trial_id"].implode()))
        this_season = own_design.filter(
            (pl.col("season") == season) & pl.col("trial_id").is_in(logged.implode())
        )
        decide, planned = _deciding(question, pools.pooled, priors, effects, contract)
        found.append(
            Answered(
                question=question,
                pooled=pools.pooled,
                effects=own,
                trials_this_season=trials.filter(pl.col("season") == season).height,
                not_measured=tuple(missing.select("trial_id", "site_id").rows()),
                ferments=ferment_logs(readings, this_season) if this_season.height else (),
                decide=decide,
                plan=planned,
                level_unit=_level_unit(own_design),
            )
        )
    return found


def _deciding(
    question: Mapping[str, Any],
    pools: Sequence[Pooled],
    priors: Callable[[], pl.DataFrame],
    effects: pl.DataFrame,
    contract: Contract,
) -> tuple[tuple[str, ...], Planned | None]:
    """What it would take to settle a question that is still open; nothing for one that is settled."""
    pooled = pools[0] if pools and pools[0].role == "primary" and pools[0].n_effects else None
    if pooled is None or pooled.verdict not in OPEN:
        return (), None

    try:
        known = known_of(question, pooled, effects, contract, priors)
        sites = (0, *_MORE_SITES) if pooled.n_sites > 1 else _MORE_SITES
        answer = plan_question(question, pooled, known, contract, sites=sites, vessels=_VESSELS)
    except NotComputable:
        unknown = "That cannot be worked out yet: too little is known of how far vessels and sites differ."
        return (unknown,), None
    plan = answer.plan.filter((pl.col("more_sites") > 0) | (pl.col("again") > 0))
    told = plan.filter((pl.col("vessels") == _TOLD) & (pl.col("again") == 0))
    enough = told.filter(pl.col("chance_decided") >= answer.chance)
    row = (enough if enough.height else told.tail(1)).row(0, named=True)
    more = many(row["more_sites"], "more site")
    likely = chance(row["chance_decided"])
    words = (
        f"{more} with {_TOLD} vessels an arm would probably settle it: the chance is {likely}."
        if enough.height
        else f"Even {more} with {_TOLD} vessels an arm may not settle it: the chance is {likely}."
    )
    again = plan.filter((pl.col("vessels") == _TOLD) & (pl.col("again") > 0))
    if again.height:
        whose = f"If the {pooled.n_sites} sites that tried it did so again and no other"
        words += f" {whose}, it would be {chance(again['chance_decided'].item())}."
    planned = Planned(
        plan,
        answer.log_scale,
        answer.unit,
        answer.chance,
        answer.supposed,
        known.between_sites,
        known.between_trials,
        known.vessel_variance,
    )
    return (words, true_minus(answer.basis)), planned


def _level_unit(design: pl.DataFrame) -> str:
    """The unit that all levels of a question's trials share; "" where they have none or several."""
    units = design["level_unit"].drop_nulls().unique().to_list()
    return str(units[0]) if len(units) == 1 else ""


class _Season:
    """What came in for one season, and what did not."""

    def __init__(self, store: Store, register: Register, season: int, as_of: When, stood: date) -> None:
        self.store = store
        self.as_of = as_of
        self.trials = register.trials.filter(pl.col("season") == season)
        ours = self.trials["trial_id"].implode()
        file_ids = store.trials_of_files().filter(pl.col("trial_id").is_in(ours))["file_id"].unique()
        self.files = store.files(as_of=as_of).filter(pl.col("file_id").is_in(file_ids.implode()))
        trials = self.trials["trial_id"].to_list()
        self.accepted = store.readings(trials=trials, as_of=as_of)
        self.expected, _ = outstanding_of(
            register,
            readings=self.accepted,
            picks=store.picks(trials=trials, as_of=as_of),
            scores=store.scores(trials=trials, as_of=as_of),
            today=stood,
            season=season,
        )

    def tally(self) -> list[tuple[str, int]]:
        """What was counted, and how many; of what was held, what waits apart from what was settled since."""
        came = {name: int(self.files[name].sum()) for name in COUNTS}
        waiting = self.store.waiting(as_of=self.as_of).join(self.files, on="file_id", how="semi").height
        came |= {"waiting": waiting, "settled": came["held"] - waiting}
        return [
            ("sites", self.trials["site_id"].n_unique()),
            ("trials", self.trials.height),
            ("questions", self.trials["question_id"].n_unique()),
            ("sheets that came back", self.files.filter(pl.col("status") != "nothing_new").height),
            ("planned responses complete", self.expected.filter(pl.col("state") == "complete").height),
            ("planned responses", self.expected.height),
            *((words, came[name]) for name, words in _COUNTS.items()),
        ]

    def counts(self) -> list[tuple[str, str]]:
        counted = dict(self.tally())
        complete = f"{counted['planned responses complete']} of {counted['planned responses']}"
        told = ("sites", "trials", "questions", "sheets that came back")
        return [*((what, str(counted[what])) for what in told), ("planned responses complete", complete)]

    def readings(self) -> list[tuple[str, str]]:
        counted = dict(self.tally())
        return [(words, f"{counted[words]:,}".replace(",", " ")) for words in _COUNTS.values()]

    def turned_away(self) -> list[TurnedAway]:
        names = self.files["file"].implode()
        findings = self.store.findings(as_of=self.as_of).filter(
            pl.col("file").is_in(names) & (pl.col("severity") != "remark")
        )
        return [
            TurnedAway(
                " › ".join(part for part in (row["file"], row["sheet"], row["cell"]) if part),
                row["severity"],
                # The list goes to growers and the board: who tasted stays with the coordinator.
                without_assessors(row["message"] or ""),
                row["suggestion"] or "",
                row["state"] + (f": {row['reason']}" if row["reason"] else ""),
            )
            for row in findings.iter_rows(named=True)
        ]

    def lost(self) -> list[tuple[str, str, str]]:
        lost = self.trials.filter(pl.col("status") == "lost")
        return [
            (row["trial_id"], row["site_id"], row["status_reason"] or "")
            for row in lost.iter_rows(named=True)
        ]
