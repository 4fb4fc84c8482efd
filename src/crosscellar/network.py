"""The one object that joins the rooms, in the coordinator's words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import polars as pl

from crosscellar.answers import (
    Asked,
    Pools,
    dose_words,
    planned_responses,
    pool_question,
    with_control_levels,
)
from crosscellar.contract import load_contract
from crosscellar.errors import CrosscellarError, NotComputable, RegisterRefused, UnknownName
from crosscellar.pooling import Pooled
from crosscellar.register import Register
from crosscellar.results import (
    Answer,
    CheckReport,
    DecisionOutcome,
    EffectsAnswer,
    FindingsList,
    IntakeOutcome,
    Outstanding,
    PlanAnswer,
    RegisterOutcome,
    Written,
)
from crosscellar.store import Store

if TYPE_CHECKING:
    from crosscellar.contract.frames import Batch
    from crosscellar.intake.grid import Document, Unreadable

Clock = Callable[[], datetime]
Paths = str | Path | Iterable[str | Path]
#: Rule -> setting -> number.
RuleSettings = Mapping[str, Mapping[str, float]]

#: So many files are judged and stored as one batch: memory stays bounded, a file is whole or not there.
BATCH_FILES = 400


def _now() -> datetime:
    return datetime.now(UTC)


def _day(as_of: str | date | datetime | None) -> date | datetime | None:
    if not isinstance(as_of, str):
        return as_of
    try:
        return date.fromisoformat(as_of)
    except ValueError as fault:
        raise CrosscellarError(f"{as_of!r} is not a date", next_step="Write it as 2025-05-14.") from fault


class Network:
    """Sites, their trials, and one store.

    Examples
    --------
    >>> import crosscellar as cc
    >>> with cc.Network.open("network.duckdb") as network:  # doctest: +SKIP
    ...     network.register("register/")
    ...     network.intake(["inbox/"])
    ...     network.pool("lees-stirring")
    """

    def __init__(self, store: Store, *, clock: Clock = _now) -> None:
        self._store = store
        self._clock = clock
        self._contract = load_contract()
        self._known_effects: dict[date | datetime | None, pl.DataFrame] = {}

    @classmethod
    def open(
        cls,
        path: str | Path = "network.duckdb",
        *,
        create: bool = True,
        read_only: bool = False,
        wait: float = 10.0,
        clock: Clock = _now,
    ) -> Self:
        """The network whose store is at `path`; the store is made if it is not there and `create` is true.

        Raises
        ------
        StoreBusy, StoreDamaged, NotOurStore, StoreError
            With the reason and the next step.
        """
        store = Store.open(path, create=create, read_only=read_only, wait=wait, clock=clock)
        return cls(store, clock=clock)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Nothing; the store is let go."""
        self._store.close()

    # -- before harvest -------------------------------------------------------------------------------------

    def register(self, path: str | Path) -> RegisterOutcome:
        """What the register at `path` changed, with warnings.

        Sample labels that `sheets` made stay, unless the register brings labels of its own.

        Raises
        ------
        RegisterRefused
            With every fault, each a sentence; nothing is taken in then.
        """
        from crosscellar.register import read_register
        from crosscellar.register.checks import left_out

        register = read_register(path, self._contract)
        orphans = left_out(register, self._store.readings())
        if orphans:
            raise RegisterRefused(
                "the register leaves out vessels that have readings, so nothing of it was taken in",
                where=path,
                next_step="Put them back; a trial that is given up keeps its rows and gets the status lost.",
                faults=orphans,
            )
        tables = register.tables
        if tables["samples"].is_empty():
            vessel = ["trial_id", "arm_id", "vessel_id"]
            tables["samples"] = self._register.samples.join(register.vessels, on=vessel, how="semi")
        changes = self._keep(tables)
        return RegisterOutcome(
            path=str(path),
            rows={name: frame.height for name, frame in tables.items()},
            changes=changes,
            warnings=register.warnings,
        )

    def _keep(self, tables: Mapping[str, pl.DataFrame]) -> dict[str, dict[str, int]]:
        keys = {name: table.key for name, table in self._contract.register_tables.items()}
        changes = self._store.keep_register(tables, keys)
        self._forget()
        return changes

    def _forget(self) -> None:
        """What was worked out from the store no longer holds: the store has changed."""
        self.__dict__.pop("_register", None)
        self._known_effects.clear()

    @cached_property
    def _register(self) -> Register:
        return self._register_as_of(None)

    def _register_as_of(self, as_of: date | datetime | None) -> Register:
        return Register.of_tables(self._store.register_frames(as_of=as_of), self._contract)

    # -- sheets come back -----------------------------------------------------------------------------------

    def intake(
        self,
        paths: Paths,
        *,
        correction: bool = False,
        dry_run: bool = False,
        marked_up: str | Path | None = None,
        settings: RuleSettings | None = None,
        tell: Callable[[str], None] | None = None,
    ) -> IntakeOutcome:
        """What became of every reading of these files and folders.

        Parameters
        ----------
        paths
            One file or folder, or several.
        correction
            New values replace stored ones; both stay in the history.
        dry_run
            Judge everything, store nothing.
        marked_up
            A folder for marked-up copies, reply texts and correction sheets.
        settings
            Numbers of the rules over several cells that this network sets otherwise, by code and name:
            `{"picks_below_chance": {"p": 0.05}}`; `{"on": 0}` switches a rule off. They hold for this call.
        tell
            Called with a line of progress for each batch.

        Raises
        ------
        UnreadableFile
            A path that does not exist.
        UnknownName
            A rule or a setting that there is not.
        CrosscellarError
            When no register has been taken in yet.
        """
        from crosscellar.intake.check import check_documents
        from crosscellar.intake.documents import read_documents

        register = self._register
        if register.trials.is_empty():
            raise CrosscellarError(
                "no trial register has been taken in yet",
                where=self._store.path,
                next_step="Run `crosscellar register PATH` first: readings are matched against it.",
            )
        given = [paths] if isinstance(paths, str | Path) else list(paths)
        documents = read_documents([Path(path) for path in given])
        received = self._clock().date()
        outcomes: list[Batch] = []
        written: list[str] = []
        for start in range(0, len(documents), BATCH_FILES):
            part = documents[start : start + BATCH_FILES]
            batch = check_documents(
                part,
                register,
                self._contract,
                stored=self._store,
                received=received,
                correction=correction,
                settings=settings,
            )
            if not dry_run:
                self._store.take_in(batch)
                self._known_effects.clear()
            if marked_up is not None:
                written += self._mark_up(batch, part, Path(marked_up))
            outcomes.append(batch)
            if tell is not None and len(documents) > BATCH_FILES:
                tell(f"{min(start + BATCH_FILES, len(documents))} of {len(documents)} files")
        return IntakeOutcome.of(outcomes, stored=not dry_run, marked_up=tuple(written))

    def _mark_up(self, batch: Batch, documents: list[Document | Unreadable], out: Path) -> list[str]:
        from crosscellar.sheets.marked_up import write_marked_up

        written = write_marked_up(batch, documents, out, self._contract, aliases=self._aliases)
        return [str(path) for path in written]

    def findings(self, *, open_only: bool = False) -> FindingsList:
        """Findings on record with their numbers; `open_only` for those that wait for a decision."""
        return FindingsList(self._store.findings(open_only=open_only), open_only)

    def decide(
        self, finding: int, decision: str, *, reason: str, value: str | float | None = None
    ) -> DecisionOutcome:
        """A decision on record: the held readings of a finding enter (`accept`) or stay out (`refuse`).

        A later decision on the same finding undoes it. `value` gives the number that stands.
        """
        decided = self._store.decide(
            finding, decision, reason=reason, value=None if value is None else str(value)
        )
        self._known_effects.clear()
        if decided.waiting_for:
            numbers = ", ".join(str(number) for number in decided.waiting_for)
            message = f"On record. Some readings wait for finding {numbers} too."
        elif decided.verdict == "accept":
            message = f"On record. {_readings(decided.entered)} entered."
        elif decided.withdrawn:
            message = f"On record. {_readings(decided.withdrawn)} withdrawn; what stood before stands again."
        else:
            message = "On record. Nothing enters."
        return DecisionOutcome(finding, decision, reason, decided.entered, message)

    def outstanding(self, *, season: int | None = None) -> Outstanding:
        """Expected against received, site by site, with a text for each site to paste into a message."""
        from crosscellar.sheets.outstanding import outstanding_of

        expected, texts = outstanding_of(
            self._register,
            readings=self._store.readings(),
            picks=self._store.picks(),
            scores=self._store.scores(),
            set_aside=self._store.set_aside(),
            findings=self._store.findings(open_only=False),
            today=self._clock().date(),
            season=season,
        )
        return Outstanding(season, expected, texts)

    # -- any day --------------------------------------------------------------------------------------------

    def effects(
        self,
        question: str | None = None,
        *,
        response: str | None = None,
        stage: str | None = None,
        measure: str | None = None,
        as_of: str | date | datetime | None = None,
    ) -> pl.DataFrame:
        """What each trial showed: one row a trial, treatment arm and response, in the columns of EFFECTS.

        All questions where none is named. Variances lean on every replicated trial of the store.
        """
        if question is not None:
            self._question(question)
        response = None if response is None else self._response(response)
        found = self._all_effects(_day(as_of), measure=measure, question=question, response=response)
        if question is not None:
            found = found.filter(pl.col("question") == question)
        if response is not None:
            found = found.filter(pl.col("response") == response)
        if stage is not None:
            found = found.filter(pl.col("stage") == self._stage(stage))
        return found

    def _all_effects(
        self,
        as_of: date | datetime | None,
        *,
        measure: str | None = None,
        question: str | None = None,
        response: str | None = None,
    ) -> pl.DataFrame:
        """Every effect of the network; only those asked for where another measure than the default is."""
        from crosscellar.effects import effects_of_store

        if measure is None and as_of in self._known_effects:
            return self._known_effects[as_of]
        register = self._register if as_of is None else self._register_as_of(as_of)
        found = effects_of_store(
            self._store.readings(as_of=as_of),
            register.design(),
            planned_responses(register, self._contract),
            self._contract,
            picks=self._store.picks(as_of=as_of),
            scores=self._store.scores(as_of=as_of),
            question=question if measure is not None else None,
            response=response if measure is not None else None,
            measure=measure,
        )
        if measure is None:
            self._known_effects[as_of] = found
        return found

    def effects_answer(
        self, question: str, *, response: str | None = None, measure: str | None = None
    ) -> EffectsAnswer:
        """`effects` with the question's title, for a person."""
        from crosscellar.effects import trials_without_effect

        asked = self._question(question)
        effects = self.effects(question, response=response, measure=measure)
        without = trials_without_effect(
            effects,
            self._register.design(),
            planned_responses(self._register, self._contract),
            question=question,
            response=None if response is None else self._response(response),
        )
        return EffectsAnswer(question, str(asked["title"]), effects, without)

    def effects_figure(self, question: str, path: str | Path) -> Written:
        """How far vessels of one arm differ in the responses of a question, as a figure: SVG, PNG or PDF.

        Raises
        ------
        CrosscellarError
            When no trial of the question has measured anything, or the name ends otherwise.
        """
        from crosscellar.effects import variance_priors
        from crosscellar.report.variances import draw_variances, vessel_spreads

        spreads = vessel_spreads(
            self.effects(question),
            *variance_priors(
                self._store.readings(),
                self._register.design(),
                self._contract,
                responses=planned_responses(self._register, self._contract),
            ),
            self._contract,
        )
        if not spreads:
            raise CrosscellarError(
                f"no trial of {question} has measured anything yet", next_step="Take in its sheets first."
            )
        draw_variances(spreads, Path(path))
        return Written(
            "figure", (str(path),), "\n".join([*(spread.words for spread in spreads), f"Drawn in {path}."])
        )

    def pool(
        self,
        question: str,
        *,
        response: str | None = None,
        measure: str | None = None,
        as_of: str | date | datetime | None = None,
        method: str = "reml",
        interval: str = "auto",
        level: float = 0.95,
    ) -> list[Pooled]:
        """The network's answers to a question: the primary response first, then the monitored ones."""
        answer = self.answer(
            question,
            response=response,
            measure=measure,
            as_of=as_of,
            method=method,
            interval=interval,
            level=level,
        )
        return list(answer.pooled)

    def answer(
        self,
        question: str,
        *,
        response: str | None = None,
        measure: str | None = None,
        by: str | None = None,
        as_of: str | date | datetime | None = None,
        method: str = "reml",
        interval: str = "auto",
        level: float = 0.95,
    ) -> Answer:
        """`pool` with what stands beside it: adjusted p-values, moderators, remarks."""
        asked = self._question(question)
        if response is None and measure is not None:
            # Another measure makes sense for one response at a time: the one the hypothesis names.
            response = str(asked["primary_response"])
        response = None if response is None else self._response(response)
        everything = self._all_effects(_day(as_of), measure=measure, question=question, response=response)
        effects = with_control_levels(everything.filter(pl.col("question") == question), self._register.arms)
        if response is not None:
            effects = effects.filter(pl.col("response") == response)
        if measure is not None and effects.is_empty():
            raise NotComputable(
                f"no trial of {question} allows the measure {measure} for {response}",
                next_step="Leave --measure out for the default.",
            )
        pools = pool_question(
            effects,
            asked,
            self._contract,
            asked=Asked(method, interval, level, by, measure),
            everything=everything,
        )
        return _answer(asked, pools, self._register.arms, one=response is not None)

    @property
    def questions(self) -> tuple[str, ...]:
        """The identifiers of the register's questions, in its order."""
        return tuple(self._register.questions["question_id"].to_list())

    def _question(self, question: str) -> Mapping[str, Any]:
        found = self._register.questions.filter(pl.col("question_id") == question)
        if found.is_empty():
            known = self._register.questions["question_id"].sort().to_list()
            raise UnknownName(
                f"there is no question {question!r} in the register",
                next_step=f"It has: {', '.join(known)}." if known else "Take in a register first.",
            )
        return found.row(0, named=True)

    def _response(self, response: str) -> str:
        known = self._register.responses["response"].unique().to_list()
        if response in known:
            return response
        match = self._contract.name_analyte(response, self._aliases)
        if match.id is None or match.id not in known:
            raise UnknownName(
                f"the response {response!r} is not planned in the register",
                next_step=f"It has: {', '.join(sorted(known))}.",
            )
        return match.id

    def _stage(self, stage: str) -> str:
        match = self._contract.name_stage(stage, self._aliases)
        if match.id is None:
            raise UnknownName(
                f"the stage {stage!r} is not known",
                next_step=f"There are: {', '.join(self._contract.stages)}.",
            )
        return match.id

    @property
    def _aliases(self) -> dict[str, str]:
        return dict(self._register.aliases.select("written", "means").iter_rows())

    # -- after the season -----------------------------------------------------------------------------------

    def summary(
        self,
        season: int,
        *,
        out: str | Path,
        anonymous: bool = False,
        as_of: str | date | datetime | None = None,
    ) -> Written:
        """The annual summary of a season, written into the folder `out`.

        Raises
        ------
        UnknownName
            When the register has no trial of that season.
        """
        from crosscellar.summary import write_summary

        return write_summary(
            self._store, self._contract, season, out=Path(out), anonymous=anonymous, as_of=_day(as_of)
        )

    # -- next season's plan ---------------------------------------------------------------------------------

    def sheets(self, *, out: str | Path, season: int | None = None, seed: int = 1) -> Written:
        """Blank workbooks for the trials of a season (or all), identifiers filled in, written into `out`.

        The sample labels become part of the register, so that sheets by label are read when they come back.

        Raises
        ------
        RegisterRefused
            For identifiers that a spreadsheet would damage.
        """
        from crosscellar.sheets.blank import write_sheets

        register = self._register
        made = write_sheets(register, out, contract=self._contract, seed=seed, season=season)
        samples = pl.concat(
            [register.samples, made.samples.select(register.samples.columns)], how="vertical_relaxed"
        )
        self._keep(
            {**register.tables, "samples": samples.unique("sample_id", keep="last", maintain_order=True)}
        )
        return Written(
            "sheets",
            tuple(str(path) for path in made.paths),
            f"{len(made.workbooks)} workbooks are in {out}; {len(made.keys)} keys of tastings are in "
            f"{Path(out) / 'keys'}: keep those from the assessors. The {made.samples.height} sample labels "
            f"were added to the register; {made.samples_file.name} lists them for your own copy of it.",
            {"seed": seed},
        )

    def plan(
        self,
        question: str,
        *,
        sites: Sequence[int] | None = None,
        vessels: Sequence[int] | None = None,
        effect: float | None = None,
        prices: str | Path | None = None,
        chance: float = 0.8,
        figure: str | Path | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> PlanAnswer:
        """What more sites and vessels would buy for a question, and the cheapest that would decide it.

        `effect` is the true mean effect supposed, on the scale of the effects (a natural log for log ratios);
        the smallest difference that matters where it is left out. `prices` is a small TOML table.
        `figure` is where the plan is drawn: SVG, PNG or PDF.
        """
        from crosscellar.plans import SITES, VESSELS, plan_question, read_prices

        asked = self._question(question)
        pooled = [one for one in self.pool(question) if one.role == "primary"]
        if not pooled:
            raise CrosscellarError(
                f"no trial of {question} has readings yet", next_step="Take in its sheets first."
            )
        answer = plan_question(
            pooled[0],
            self.effects(question),
            title=str(asked["title"]),
            sites=sites or SITES,
            vessels=vessels or VESSELS,
            effect=effect,
            prices=None if prices is None else read_prices(Path(prices)),
            chance=chance,
            progress=progress,
        )
        if figure is not None:
            from crosscellar.report.plan import draw_plan

            draw_plan(
                answer.plan, Path(figure), log_scale=answer.log_scale, unit=answer.unit, chance=answer.chance
            )
        return answer

    # -- the store ------------------------------------------------------------------------------------------

    def check(self) -> CheckReport:
        """What verifying the store against its kept files and journal found."""
        return CheckReport(str(self._store.path), tuple(self._store.check()), self._store.facts())

    def backup(self, out: str | Path) -> Written:
        """A consistent copy of the store at `out`, checked."""
        path = self._store.backup(out)
        return Written(
            "backup",
            (str(path),),
            f"A copy that passes the check is in {path}.",
            {"snapshot": self._store.snapshot().checksum},
        )

    def rules_page(self, out: str | Path) -> Written:
        """How to fill in sheets, for cellars and laboratories: a page at `out`, from the checks' tables."""
        return rules_page(out)

    def export(self, out: str | Path) -> Written:
        """Every accepted item and every effect as Parquet and CSV, with a data dictionary."""
        from crosscellar.report.export import write_export

        frames = {
            **{f"register_{name}": frame for name, frame in self._register.tables.items()},
            "readings": self._store.readings(),
            "picks": self._store.picks(),
            "scores": self._store.scores(),
            "files": self._store.files(),
            "findings": self._store.findings(),
            "effects": self.effects(),
        }
        paths = write_export(frames, Path(out), self._contract, snapshot=self._store.snapshot().checksum)
        return Written("export", tuple(str(path) for path in paths), f"{len(paths)} files are in {out}.")


def rules_page(out: str | Path) -> Written:
    """The page of rules for contributors, written to `out`: the same for every network, no store asked."""
    from crosscellar.report.rules_page import render_rules

    path = Path(out)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(render_rules(load_contract()), encoding="utf-8", newline="\n")
    return Written("rules", (str(path),), f"The page for those who fill in sheets is {path}.")


def _readings(count: int) -> str:
    return "1 reading" if count == 1 else f"{count} readings"


def _answer(question: Mapping[str, Any], pools: Pools, arms: pl.DataFrame, *, one: bool) -> Answer:
    remarks = [pools.prior_words] if pools.prior_words else []
    if pools.dose is not None:
        trials = pools.pooled[0].effects["trial"].implode()
        units = arms.filter(pl.col("trial_id").is_in(trials))["level_unit"].drop_nulls().unique().to_list()
        remarks.append(dose_words(pools.dose, pools.pooled[0], units[0] if len(units) == 1 else ""))
    return Answer(
        question=str(question["question_id"]),
        title=str(question["title"]),
        hypothesis=str(question["hypothesis"] or ""),
        pooled=pools.pooled,
        one=one,
        remarks=tuple(remarks),
        dose=pools.dose,
        by=pools.by,
    )
