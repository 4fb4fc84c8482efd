"""The one object that joins the rooms, in the coordinator's words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

import polars as pl

from crosscellar.contract import load_contract
from crosscellar.errors import CrosscellarError, NotComputable, RegisterRefused
from crosscellar.evidence import read_day
from crosscellar.prospects import Prospects
from crosscellar.store import Store
from crosscellar.upkeep import Upkeep, program_version

if TYPE_CHECKING:
    from crosscellar.contract.frames import Batch
    from crosscellar.intake.grid import Document, Unreadable
    from crosscellar.results import (
        DecisionOutcome,
        FindingsList,
        IntakeOutcome,
        Outstanding,
        RegisterOutcome,
        Written,
    )

Clock = Callable[[], datetime]
Paths = str | Path | Iterable[str | Path]
#: Rule -> setting -> number.
RuleSettings = Mapping[str, Mapping[str, float]]

#: So many files and bytes are read, judged and stored as one batch: memory stays bounded, a file is whole or
#: not there.
BATCH_FILES = 2000
BATCH_BYTES = 64_000_000

#: Of a ferment log, rows a vessel: the longest are read daily for a year.
MOST_DAYS = 366


def _now() -> datetime:
    return datetime.now(UTC)


class Network(Prospects, Upkeep):
    """Sites, their trials, and one store: what a coordinator does in a year, method by method.

    A `with` block lets the store go at its end. Every method that takes a question, trial, response or stage
    raises `UnknownName` for one that the register does not have.

    Examples
    --------
    >>> import crosscellar as cc
    >>> with cc.Network.open("network.duckdb") as network:  # doctest: +SKIP
    ...     network.register("register/")
    ...     network.intake(["inbox/"])
    ...     network.pool("lees-stirring")
    """

    def __init__(self, store: Store, *, clock: Clock = _now) -> None:
        super().__init__(store)
        self._clock = clock

    @classmethod
    def open(
        cls,
        path: str | Path = "network.duckdb",
        *,
        create: bool = True,
        read_only: bool = False,
        wait: float = 10.0,
        clock: Clock = _now,
        tell: Callable[[str], None] | None = None,
    ) -> Self:
        """The network whose store is at `path`; the store is made if it is not there and `create` is true.

        Parameters
        ----------
        path
            One DuckDB file.
        create
            Make it if it is not there.
        read_only
            Change nothing, and let others read at the same time.
        wait
            Seconds to wait for another process that holds the store.
        clock
            Called without arguments, gives the time of an entry, and the day on which something is overdue.
        tell
            Called with a line of progress while the store of an older version is brought up to date.

        Raises
        ------
        StoreBusy, StoreDamaged, NotOurStore, StoreError
            With the reason and the next step.
        """
        store = Store.open(path, create=create, read_only=read_only, wait=wait, clock=clock, tell=tell)
        return cls(store, clock=clock)

    def __repr__(self) -> str:
        return f"<Network in {self._store.path}>"

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

        `path` is a folder of CSV tables (sites, questions, trials, arms, vessels, responses, and where needed
        samples, labs, aliases) or one workbook with a tab each. Sample labels that `sheets` made stay, unless
        the register brings labels of its own.

        Raises
        ------
        RegisterRefused
            With every fault, each a sentence; nothing is taken in then.
        """
        from crosscellar.register import read_register
        from crosscellar.register.checks import left_out
        from crosscellar.results import RegisterOutcome

        register = read_register(path, self._contract)
        orphans = left_out(register, self._store.vessels_read())
        if orphans:
            raise RegisterRefused(
                "the register leaves out vessels that have readings, so nothing of it was taken in",
                where=path,
                next_step="Put them back; a trial that is given up keeps its rows and gets the status lost. "
                "Where a vessel stood in the wrong arm, put it back, give the trial the status lost, add it "
                "with the right arms under a new trial_id, and take its sheets in again under that.",
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
        self._forget()
        changes = self._store.keep_register(tables, keys)
        self._kept.follow()
        return changes

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

        Each file is stored whole or not at all, and its readings are accepted, refused, held, already there
        or blank: the counts add up. A file that was taken in before changes nothing.

        Raises
        ------
        UnreadableFile
            A path that does not exist.
        UnknownName
            A rule or a setting that there is not.
        CrosscellarError
            When no register has been taken in yet, or a setting is no number.
        """
        from crosscellar.intake.check import check_documents
        from crosscellar.intake.documents import find_files, in_batches, read_found, refuse_contents
        from crosscellar.intake.settings import settings_of
        from crosscellar.results import IntakeOutcome
        from crosscellar.store import Circumstances

        register = self._register
        if register.trials.is_empty():
            raise CrosscellarError(
                "no trial register has been taken in yet",
                where=self._store.path,
                next_step="Run `crosscellar register PATH` first: readings are matched against it.",
            )
        if settings is not None:
            settings = settings_of(settings, self._contract)
        given = [paths] if isinstance(paths, str | Path) else list(paths)
        found = find_files([Path(path) for path in given])
        if marked_up is not None:
            # Where no copy can be written, nothing is taken in.
            Path(marked_up).mkdir(parents=True, exist_ok=True)
        forgotten = self._store.history().tasted_by_forgotten()
        received = self._clock().date()
        files: list[pl.DataFrame] = []
        findings: list[pl.DataFrame] = []
        written: list[str] = []
        done, changed = 0, False
        for part in in_batches(found, files=BATCH_FILES, size=BATCH_BYTES):
            read = refuse_contents(read_found(part), forgotten)
            documents = list(read) if marked_up is not None else None
            batch = check_documents(
                read if documents is None else documents,
                register,
                self._contract,
                stored=self._store,
                received=received,
                correction=correction,
                settings=settings,
            )
            if not dry_run:
                how = Circumstances(received, correction, settings, program_version())
                self._kept.forget()
                changed |= self._store.take_in(batch, how=how) is not None
            if marked_up is not None and documents is not None:
                written += self._mark_up(batch, documents, Path(marked_up))
            files.append(batch.files)
            findings.append(batch.findings)
            # Let go before the next is read: two at once would take twice the room.
            del batch, read, documents
            done += len(part)
            if tell is not None and len(part) < len(found):
                tell(f"{done} of {len(found)} files")
        if changed:
            self._kept.follow()
        return IntakeOutcome.of(files, findings, stored=not dry_run, marked_up=tuple(written))

    def _mark_up(self, batch: Batch, documents: list[Document | Unreadable], out: Path) -> list[str]:
        from crosscellar.sheets.marked_up import write_marked_up

        written = write_marked_up(batch, documents, out, self._contract, aliases=self._aliases)
        return [str(path) for path in written]

    def findings(self, *, open_only: bool = False) -> FindingsList:
        """Findings on record with their numbers; `open_only` for those that wait for a decision."""
        from crosscellar.results import FindingsList

        return FindingsList(self._store.findings(open_only=open_only), open_only)

    def decide(
        self, finding: int, decision: str, *, reason: str, value: str | float | None = None
    ) -> DecisionOutcome:
        """A decision on record: the held readings of a finding enter (`accept`) or stay out (`refuse`).

        A later decision on the same finding undoes it.

        Parameters
        ----------
        finding
            Its number, `finding_id` in `findings`.
        decision
            `accept` or `refuse`.
        reason
            Who said so, in words; it stays on record.
        value
            What the cell leaves open: the number that stands, in the canonical unit; a limit as `<0.1`; or
            of its date `day-first` or `month-first`.

        Raises
        ------
        CrosscellarError
            For a finding that is not there or waits for nothing, an empty reason, or a value that is missing
            or does not fit.
        """
        from crosscellar.results import DecisionOutcome

        self._kept.forget()
        decided = self._store.decide(
            finding, decision, reason=reason, value=None if value is None else str(value)
        )
        self._kept.follow()
        if decided.waiting_for:
            numbers = ", ".join(str(number) for number in decided.waiting_for)
            came = f" {_readings(decided.entered)} entered." if decided.entered else ""
            message = f"On record.{came} Some readings wait for finding {numbers} too."
        elif decided.verdict == "accept":
            message = f"On record. {_readings(decided.entered)} entered."
        elif decided.withdrawn:
            message = f"On record. {_readings(decided.withdrawn)} withdrawn; what stood before stands again."
        else:
            message = "On record. Nothing enters."
        return DecisionOutcome(finding, decision, reason, decided.entered, message)

    def outstanding(self, *, season: int | None = None) -> Outstanding:
        """Expected against received, site by site, with a text for each site to paste into a message.

        `season` is a harvest year; all of them where it is left out. What is overdue is so on the day of the
        network's clock.

        Raises
        ------
        UnknownName
            For a season of which the register has no trial.
        """
        from crosscellar.register import check_season
        from crosscellar.results import Outstanding
        from crosscellar.sheets.outstanding import answering, outstanding_of, places_needed

        files = None
        if season is not None:
            check_season(self._register, season)
            trials = self._register.trials
            files = self._store.files_of_trials(trials.filter(season=season)["trial_id"].to_list())
        turned = self._store.turned_away(files=files)
        findings = self._store.findings(files=files)
        whole, rows = places_needed(turned, findings)
        expected, texts = outstanding_of(
            self._register,
            readings=self._store.placed_in("readings", files=whole, rows=rows),
            came=self._store.counted(answering(self._register, season)),
            picks=self._store.placed("picks", files=files),
            scores=self._store.placed("scores", files=files),
            set_aside=turned,
            findings=findings,
            today=self._clock().date(),
            season=season,
        )
        return Outstanding(season, expected, texts)

    # -- after the season -----------------------------------------------------------------------------------

    def summary(
        self,
        season: int,
        *,
        out: str | Path,
        anonymous: bool = False,
        as_of: str | date | datetime | None = None,
    ) -> Written:
        """The annual summary of a season, written into the folder `out`: page, PDF, workbook and open files.

        The same store and season give the same bytes.

        Parameters
        ----------
        season
            The harvest year; effects of later seasons are left out.
        out
            A folder; it is made.
        anonymous
            Sites as stable codes, no contacts, no free text, no single readings. Such an edition wants a
            folder of its own.
        as_of
            The store as it stood at the end of that day, `2025-05-14`.

        Raises
        ------
        UnknownName
            When the register has no trial of that season.
        """
        from crosscellar.summary import write_summary

        return write_summary(
            self._store, self._contract, season, out=Path(out), anonymous=anonymous, as_of=read_day(as_of)
        )

    # -- next season's plan ---------------------------------------------------------------------------------

    def sheets(
        self,
        *,
        out: str | Path,
        season: int | None = None,
        trials: Sequence[str] | None = None,
        seed: int = 1,
        ferment_reading: str = "brix",
        ferment_days: int = 21,
        scale: tuple[float, float] = (0, 10),
    ) -> Written:
        """Blank workbooks for the trials of a season (or all), identifiers filled in, written into `out`.

        The sample labels become part of the register, so that sheets by label are read when they come back.

        Parameters
        ----------
        out
            A folder; it is made.
        season, trials
            Which trials; all that are not lost where both are left out.
        seed
            Of serving orders and codes: the same seed gives the same sheets.
        ferment_reading
            brix, density or specific_gravity.
        ferment_days
            Rows of the ferment log for each vessel.
        scale
            Low and high end of scores.

        Raises
        ------
        RegisterRefused
            For identifiers that a spreadsheet would damage.
        UnknownName
            For a trial or a ferment reading that is not known.
        NotComputable
            When no trial is left to make a sheet for, or for rows or a scale that cannot be.
        CrosscellarError
            When a workbook of the same name is there already: it may be filled in. Nothing is written then.
        """
        from crosscellar.results import Written
        from crosscellar.sheets.blank import write_sheets

        if not 1 <= ferment_days <= MOST_DAYS:
            raise NotComputable(
                f"a ferment log of {ferment_days} rows a vessel cannot be filled in",
                next_step=f"Give a number from 1 to {MOST_DAYS}.",
            )
        if not scale[0] < scale[1]:
            raise NotComputable(
                f"{scale[0]:g} to {scale[1]:g} is no scale of scores", next_step="Give its low end first."
            )
        register = self._register
        made = write_sheets(
            register,
            out,
            contract=self._contract,
            seed=seed,
            season=season,
            trials=[trials] if isinstance(trials, str) else trials,
            ferment_reading=ferment_reading,
            ferment_days=ferment_days,
            scale=scale,
        )
        samples = pl.concat(
            [register.samples, made.samples.select(register.samples.columns)], how="vertical_relaxed"
        )
        new = made.samples.filter(~pl.col("sample_id").is_in(register.samples["sample_id"].implode())).height
        self._keep(
            {**register.tables, "samples": samples.unique("sample_id", keep="last", maintain_order=True)}
        )
        labels = f"Sample labels added to the register: {new}"
        if made.samples.height and not new:
            labels = "Their sample labels are in the register already"
        return Written(
            "sheets",
            tuple(str(path) for path in made.paths),
            f"Workbooks in {out}: {len(made.workbooks)}. Keys of tastings in {Path(out) / 'keys'}: "
            f"{len(made.keys)}; keep those from the assessors. {labels}; {made.samples_file.name} lists them "
            "for your own copy of it.",
            {"seed": seed},
        )

    def rules_page(self, out: str | Path) -> Written:
        """How to fill in sheets, for cellars and laboratories: a page at `out`, from the checks' tables."""
        return rules_page(out)


def rules_page(out: str | Path) -> Written:
    """The page of rules for contributors, written to `out`: the same for every network, no store asked.

    Raises
    ------
    CrosscellarError
        When there is a file at `out` that is no page.
    """
    from crosscellar.report.rules_page import render_rules
    from crosscellar.results import Written

    path = Path(out)
    if path.is_file() and not path.read_bytes()[:99].lstrip().lower().startswith(b"<!doctype html"):
        raise CrosscellarError(
            "there is a file of this name already, and it is no page",
            where=path,
            next_step="Choose another name, such as rules.html.",
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(render_rules(load_contract()), encoding="utf-8", newline="\n")
    return Written("rules", (str(path),), f"The page for those who fill in sheets is {path}.")


def _readings(count: int) -> str:
    return "1 reading" if count == 1 else f"{count} readings"
