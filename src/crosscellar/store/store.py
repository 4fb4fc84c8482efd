"""The network's store: every sheet, reading, finding, decision and register row, with their history."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import polars as pl

from crosscellar.contract.frames import READINGS, Batch
from crosscellar.errors import CrosscellarError, NotOurStore, StoreError
from crosscellar.store import beside, journal, views
from crosscellar.store.checking import missing_entries, problems_of
from crosscellar.store.checksum import content_standing
from crosscellar.store.circumstances import Circumstances
from crosscellar.store.copies import write_copy
from crosscellar.store.deciding import Decided, store_decision
from crosscellar.store.forgetting import (
    Forgotten,
    forget,
    look_for,
    trials_tasted_by,
    write_forgetting,
)
from crosscellar.store.history import History
from crosscellar.store.ledger import ALL, Entry, Snapshot, last_entry, until_of
from crosscellar.store.migrations import (
    bring_up_to_date,
    known_migrations,
    make_new,
    upgraded_in_memory,
    version_of,
)
from crosscellar.store.registers import register_frames, store_register
from crosscellar.store.session import Session
from crosscellar.store.swapping import swap_in
from crosscellar.store.taking import next_entry, store_batch
from crosscellar.store.targets import TARGETS
from crosscellar.store.wording import Person

Clock = Callable[[], datetime]
When = date | datetime | None


def _now() -> datetime:
    return datetime.now(UTC)


def _no_step(_: str) -> None:
    """The hook that does nothing: tests put one here that stops at a named step."""


@dataclass(frozen=True, slots=True)
class Taken:
    """A taking-in that is on the disk: its entry, when it counts from, and the counts read back."""

    entry_id: int
    moment: datetime
    readings: int
    picks: int
    scores: int


class Store:
    """An open store. Open it with `Store.open`, and close it: only one process can hold it for writing."""

    def __init__(self, session: Session, *, clock: Clock, at_step: Callable[[str], None]) -> None:
        self._session = session
        self._clock = clock
        self._at_step = at_step

    @classmethod
    def open(
        cls,
        path: str | Path,
        *,
        create: bool = True,
        read_only: bool = False,
        wait: float = 10.0,
        clock: Clock = _now,
        at_step: Callable[[str], None] = _no_step,
    ) -> Self:
        """The store at `path`, made if it is not there and `create` is true, brought up to date if older.

        Parameters
        ----------
        path
            The store's file.
        read_only
            For questions and reports: several readers can share it, and nothing is made or changed. A store
            that an older program wrote answers from an upgraded copy in memory.
        wait
            Seconds to wait while another process holds it.
        clock, at_step
            The time, and a hook called at each named step: for tests.

        Raises
        ------
        CrosscellarError
            When there is no store and none is to be made.
        StoreBusy, StoreDamaged, NotOurStore, StoreError
            With the reason and the next step.
        """
        path = Path(path)
        steps = known_migrations()
        if not path.exists():
            if not create or read_only:
                raise CrosscellarError(
                    "there is no store here",
                    where=path,
                    next_step="`crosscellar register PATH` starts one; --store FILE names another.",
                )
            make_new(path, moment=clock(), steps=steps)
        session = Session(path, read_only=read_only, wait=wait)
        try:
            version = version_of(session)
            if version > steps[-1].number:
                raise NotOurStore(
                    "the store was written by a newer crosscellar",
                    where=path,
                    next_step="Install the newest crosscellar and run the command again.",
                )
            if version < steps[-1].number:
                session.close()
            if version < steps[-1].number and read_only:
                session = upgraded_in_memory(path, moment=clock(), steps=steps, wait=wait)
            elif version < steps[-1].number:
                bring_up_to_date(
                    path,
                    moment=clock(),
                    steps=steps,
                    verify=lambda opened: content_standing(opened, until=ALL).checksum,
                    at_step=at_step,
                )
                session = Session(path, read_only=read_only, wait=wait)
        except BaseException:
            session.close()
            raise
        if not read_only:
            journal.settle(session)
            journal.catch_up(session)
        return cls(session, clock=clock, at_step=at_step)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Nothing; the file is let go."""
        self._session.close()

    @property
    def path(self) -> Path:
        """Where the store lies."""
        return self._session.path

    def keep_register(
        self, tables: Mapping[str, pl.DataFrame], keys: Mapping[str, Sequence[str]]
    ) -> dict[str, dict[str, int]]:
        """What changed in each table: added, changed, ended, same. Earlier rows stay in the history."""
        before = last_entry(self._session)
        with self._session.transaction():
            changes = store_register(self._session, tables, keys, moment=self._clock())
            self._at_step("before_commit")
        self._after(before, ())
        return changes

    def register_frames(self, *, as_of: When = None) -> dict[str, pl.DataFrame]:
        """The register's tables, every column as text, as they stood."""
        return register_frames(self._session, until=until_of(self._session, as_of))

    def take_in(self, batch: Batch, *, how: Circumstances | None = None) -> Taken | None:
        """The taking-in, on the disk and read back; None when the batch holds nothing new.

        `how` goes on record with it, so that it can be done again from the kept bytes.

        Raises
        ------
        StoreError
            When anything went wrong: then nothing of the batch is stored.
        """
        before = last_entry(self._session)
        with self._session.transaction():
            stored = store_batch(self._session, batch, moment=self._clock(), at_step=self._at_step, how=how)
            self._at_step("before_commit")
        if stored is None:
            return None
        entry, _ = stored
        self._at_step("committed")
        counts = {
            name: int(self._session.value(target.count, {"entry": entry.entry_id}))
            for name, target in TARGETS.items()
        }
        given = {name: getattr(batch, name).height for name in TARGETS}
        if counts != given:
            raise StoreError(
                "the store does not hold what was written to it",
                where=self.path,
                next_step="Run `crosscellar check`, and restore the latest backup if it names a problem.",
            )
        self._after(before, _named(batch))
        return Taken(entry.entry_id, entry.moment, counts["readings"], counts["picks"], counts["scores"])

    def _after(self, before: Entry | None, files: tuple[tuple[str, str], ...]) -> None:
        entry = last_entry(self._session)
        if entry is None or (before is not None and entry.entry_id == before.entry_id):
            return
        journal.append(
            self.path,
            entry,
            files,
            decided=journal.decided_in(self._session, entry.entry_id),
            forgotten=journal.forgotten_in(self._session, entry.entry_id),
        )
        self._at_step("journalled")
        try:
            self._session.checkpoint()
        except StoreError as fault:
            raise StoreError(
                "this was stored and is safe in the log, but not yet folded into the store: "
                f"{fault.what.partition(',')[0]}",
                where=self.path,
                next_step="Free some space; until then keep the file that ends in .wal beside the store.",
            ) from fault
        self._at_step("checkpointed")

    def decide(
        self,
        finding_id: int,
        verdict: str,
        *,
        reason: str,
        value: str | None = None,
        decided_by: str | None = None,
    ) -> Decided:
        """What the decision changed; a later decision on the same finding undoes it, both stay on record."""
        before = last_entry(self._session)
        with self._session.transaction():
            decided = store_decision(
                self._session,
                finding_id,
                verdict,
                reason=reason,
                value=value,
                moment=self._clock(),
                decided_by=decided_by,
            )
            self._at_step("before_commit")
        self._after(before, ())
        return decided

    def known_files(self, sha256s: Sequence[str]) -> pl.DataFrame:
        """Files of these contents taken in before: sha256, file, taken_at (ISO text)."""
        return views.known_files_of(self._session, sha256s)

    def stored_items(self, target: str, keys: pl.DataFrame) -> pl.DataFrame:
        """Items under these keys, those that were replaced included: the target's columns and `standing`."""
        what = TARGETS[target]
        trials = keys["trial_id"].unique().to_list()
        here = [row[0] for row in self._session.rows(what.trials, {"trials": trials})]
        wanted = keys.select(what.key).filter(pl.col("trial_id").is_in(here)).unique()
        with self._session.lend(wanted=wanted):
            return self._session.frame(what.stored, {"until": ALL})

    def _items(self, target: str, trials: Sequence[str] | None, as_of: When) -> pl.DataFrame:
        what, until = TARGETS[target], until_of(self._session, as_of)
        if trials is None:
            return self._session.frame(what.read, {"until": until})
        return self._session.frame(what.read_of, {"until": until, "trials": list(trials)})

    def readings(self, *, trials: Sequence[str] | None = None, as_of: When = None) -> pl.DataFrame:
        """The readings that stand (READINGS and reading_id), of some trials or of all."""
        return self._items("readings", trials, as_of)

    def measured(
        self,
        *,
        analytes: Sequence[str] | None = None,
        trials: Sequence[str] | None = None,
        as_of: When = None,
    ) -> pl.DataFrame:
        """Key, value, unit and method of the readings that stand, of some analytes and trials or of all.

        What effects are computed from, in the order of the key. Without file, cell and text sent it is read
        much quicker than `readings`.
        """
        until = until_of(self._session, as_of)
        return views.measured_of(self._session, analytes=analytes, trials=trials, until=until)

    def state(self) -> str:
        """A SHA-256 that is another after every entry of the ledger."""
        return beside.state_of(self._session)

    def recall(self, state: str) -> dict[str, Any]:
        """What `remember` kept for this state, if it is still there."""
        return beside.recall(self.path, state)

    def remember(self, state: str, known: dict[str, Any]) -> None:
        """Nothing; what was worked out of the store (JSON) lies beside it, where that can be written."""
        beside.remember(self.path, state, known)

    def stored_readings_of(self, trials: Sequence[str]) -> pl.DataFrame:
        """Current readings of these trials, in the columns of READINGS."""
        return self.readings(trials=trials).select(list(READINGS))

    def peers_of(self, trials: Sequence[str], *, newest: int) -> pl.DataFrame:
        """Current readings of these trials, and those among the `newest` of all: place, key, and value.

        However large the store grew, what a sheet is held against stays within bounds.
        """
        return views.peers_of(self._session, trials=trials, newest=newest)

    def picks(self, *, trials: Sequence[str] | None = None, as_of: When = None) -> pl.DataFrame:
        """The triangle answers that stand (PICKS and pick_id)."""
        return self._items("picks", trials, as_of)

    def scores(self, *, trials: Sequence[str] | None = None, as_of: When = None) -> pl.DataFrame:
        """The scores that stand (SCORES and score_id)."""
        return self._items("scores", trials, as_of)

    def findings(self, *, open_only: bool = False, as_of: When = None) -> pl.DataFrame:
        """Findings with their number and `state`: open, accepted, refused, mended, retaken or remark."""
        found = views.findings_of(self._session, until=until_of(self._session, as_of))
        return found.filter(pl.col("state") == "open") if open_only else found

    def files(self, *, as_of: When = None) -> pl.DataFrame:
        """Every file taken in, with its counts, and `taken_at`."""
        return views.files_of(self._session, until=until_of(self._session, as_of))

    def trials_of_files(self) -> pl.DataFrame:
        """file_id and trial_id of every item that stands or waits, distinct."""
        return views.trials_of_files(self._session)

    def set_aside(self) -> pl.DataFrame:
        """Every item that did not enter, with its file and outcome."""
        return self._session.frame(
            """
            SELECT s.*, f.file FROM set_aside AS s JOIN files AS f USING (file_id)
            ORDER BY s.item_id
            """
        )

    def content_of_file(self, sha256: str) -> bytes:
        """The bytes of a file as they came in.

        Raises
        ------
        CrosscellarError
            When no file of this SHA-256 was taken in.
        """
        found = self._session.rows("SELECT content FROM contents WHERE sha256 = $sha", {"sha": sha256})
        if not found:
            raise CrosscellarError("no file of this content was taken in", where=sha256)
        return bytes(found[0][0])

    def trace(self, target: str, ids: Sequence[int]) -> pl.DataFrame:
        """Where these items came from: file, SHA-256, sheet, cell, text as sent, and what became of them."""
        return self._session.frame(TARGETS[target].trace, {"ids": list(ids), "until": ALL})

    def snapshot(self, *, as_of: When = None) -> Snapshot:
        """What stands: a short checksum of the content, the number of items, the last entry's moment."""
        entry = last_entry(self._session, until=until_of(self._session, as_of))
        if entry is None:
            return Snapshot("", 0, None)
        return Snapshot(entry.content.checksum[:12], entry.content.standing, entry.moment)

    def check(self) -> list[str]:
        """Every problem found, as sentences with the next step; empty for a sound store."""
        return list(problems_of(self._session))

    def missing(self) -> list[str]:
        """Entries that the journal speaks of and the store has not, as sentences with the next step."""
        return list(missing_entries(self._session))

    def history(self) -> History:
        """All that was ever done to this store, as it can be done again."""
        return History(self._session)

    def backup(self, out: str | Path) -> Path:
        """The path of a consistent copy that passes the same check. The store is closed and opened again.

        Raises
        ------
        StoreError
            When the copy cannot be written, or differs from the store.
        """
        out = Path(out)
        if out.exists():
            raise StoreError(
                "there is a file of this name already", where=out, next_step="Choose another name."
            )
        path, read_only = self.path, self._session.read_only
        want = content_standing(self._session, until=ALL)
        if not read_only:
            self._session.checkpoint()
        self._session.close()
        try:
            write_copy(path, out)
        finally:
            self._session = Session(path, read_only=read_only)
        journal.copy(path, out)
        with Store.open(out, create=False, read_only=True) as copy:
            if content_standing(copy._session, until=ALL) != want or copy.check() != self.check():
                raise StoreError("the copy differs from the store", where=out, next_step="Delete it.")
        return out

    def forget(self, person: Person, *, drop_files: bool = False, dry_run: bool = False) -> Forgotten:
        """What of this person was taken out of the store, its history and its journal, and what stays.

        The store is closed, written anew and opened again, so that no old byte of it is left. `drop_files`
        gives up the kept bytes of the files that hold the person; what was read from them stays.
        `dry_run` only looks. Where there is nothing to forget, nothing is changed.

        Raises
        ------
        StoreError
            When it could not be written anew; it is as it was then.
        """
        found = look_for(self._session, person, drop_files=drop_files)
        if dry_run or found.nothing:
            return found
        if self._session.read_only:
            raise StoreError(
                "the store is open for reading only",
                where=self.path,
                next_step="Open it for writing to change it.",
            )
        path, moment = self.path, self._clock()
        self._session.close()
        try:
            return swap_in(
                path,
                lambda copy: forget(copy, person, drop_files=drop_files, moment=moment, store=path),
                at_step=self._at_step,
            )
        finally:
            self._session = Session(path)
            journal.settle(self._session)

    def trials_tasted_by(self, code: str) -> list[str]:
        """The trials in which an assessor of this code tasted."""
        return trials_tasted_by(self._session, code)

    def repeat_forgetting(self, forgotten: Forgotten) -> None:
        """Nothing; the ledger has this forgetting of another store, from which what came in was taken."""
        before = last_entry(self._session)
        with self._session.transaction():
            entry = next_entry(self._session)
            write_forgetting(self._session, forgotten, entry=entry, moment=self._clock())
        self._after(before, ())

    def content_checksum(self) -> str:
        """The SHA-256 that stands for everything that stands, computed anew."""
        return content_standing(self._session, until=ALL).checksum

    def facts(self) -> dict[str, Any]:
        """A few numbers about what is kept."""
        snapshot = self.snapshot()
        return {
            "snapshot": snapshot.checksum,
            "standing": snapshot.standing,
            "last_entry": snapshot.moment,
            "files": int(self._session.value("SELECT count(*) FROM files")),
            "kept_contents": int(self._session.value("SELECT count(*) FROM contents")),
            "given_up": int(self._session.value("SELECT count(DISTINCT sha256) FROM given_up")),
        }


def _named(batch: Batch) -> tuple[tuple[str, str], ...]:
    return tuple(
        (name, sha or "") for name, sha in batch.files.sort("file_no").select("file", "sha256").iter_rows()
    )
