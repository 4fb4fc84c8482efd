"""The network's store, opened and changed: register, taking in, decisions, copies, forgetting."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, NamedTuple, Self

import polars as pl

from crosscellar.contract.frames import Batch
from crosscellar.errors import CrosscellarError, NotOurStore, StoreError
from crosscellar.store.checksum import content_standing
from crosscellar.store.holdings import Holdings
from crosscellar.store.ledger import ALL, Entry, last_entry
from crosscellar.store.migrations import (
    Tell,
    bring_up_to_date,
    known_migrations,
    make_new,
    tell_nobody,
    upgraded_in_memory,
    version_of,
)
from crosscellar.store.session import Session
from crosscellar.store.targets import TARGETS

if TYPE_CHECKING:
    from crosscellar.store.circumstances import Circumstances
    from crosscellar.store.deciding import Decided
    from crosscellar.store.forgetting import Forgotten
    from crosscellar.store.wording import Person

Clock = Callable[[], datetime]


def _now() -> datetime:
    return datetime.now(UTC)


def _no_step(_: str) -> None:
    """The hook that does nothing: tests put one here that stops at a named step."""


class Taken(NamedTuple):
    """A taking-in that is on the disk: its entry, when it counts from, and the counts read back."""

    entry_id: int
    moment: datetime
    readings: int
    picks: int
    scores: int


class Store(Holdings):
    """An open store. Open it with `Store.open`, and close it: only one process can hold it for writing."""

    def __init__(self, session: Session, *, clock: Clock, at_step: Callable[[str], None]) -> None:
        super().__init__(session)
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
        tell: Tell | None = None,
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
        tell
            Called with a line of progress while an older store is brought up to date.

        Raises
        ------
        CrosscellarError
            When there is no store and none is to be made.
        StoreBusy, StoreDamaged, NotOurStore, StoreError
            With the reason and the next step.
        """
        path, tell = Path(path), tell or tell_nobody
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
                session = upgraded_in_memory(path, moment=clock(), steps=steps, wait=wait, tell=tell)
            elif version < steps[-1].number:
                bring_up_to_date(
                    path,
                    moment=clock(),
                    steps=steps,
                    verify=lambda opened: content_standing(opened, until=ALL).checksum,
                    at_step=at_step,
                    tell=tell,
                )
                session = Session(path, read_only=read_only, wait=wait)
        except BaseException:
            session.close()
            raise
        if not read_only:
            from crosscellar.store import journal

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

    def keep_register(
        self, tables: Mapping[str, pl.DataFrame], keys: Mapping[str, Sequence[str]]
    ) -> dict[str, dict[str, int]]:
        """What changed in each table: added, changed, ended, same. Earlier rows stay in the history."""
        from crosscellar.store.registers import store_register

        before = last_entry(self._session)
        with self._session.transaction():
            changes = store_register(self._session, tables, keys, moment=self._clock())
            self._at_step("before_commit")
        self._after(before, ())
        return changes

    def take_in(self, batch: Batch, *, how: Circumstances | None = None) -> Taken | None:
        """The taking-in, on the disk and read back; None when the batch holds nothing new.

        `how` goes on record with it, so that it can be done again from the kept bytes.

        Raises
        ------
        StoreError
            When anything went wrong: then nothing of the batch is stored.
        """
        from crosscellar.store.taking import store_batch

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
        from crosscellar.store import journal

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
        from crosscellar.store.deciding import store_decision

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

    def backup(self, out: str | Path) -> Path:
        """The path of a consistent copy that passes the same check. The store is closed and opened again.

        Raises
        ------
        CrosscellarError
            When there is a file at `out` already, or no folder for it.
        StoreError
            When the copy cannot be written, or differs from the store.
        """
        from crosscellar.store import journal
        from crosscellar.store.copies import refuse_place, write_copy

        out = Path(out)
        refuse_place(out)
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
        from crosscellar.store import journal
        from crosscellar.store.forgetting import forget, look_for
        from crosscellar.store.swapping import swap_in

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

    def repeat_forgetting(self, forgotten: Forgotten) -> None:
        """Nothing; the ledger has this forgetting of another store, from which what came in was taken."""
        from crosscellar.store.forgetting import write_forgetting
        from crosscellar.store.taking import next_entry

        before = last_entry(self._session)
        with self._session.transaction():
            entry = next_entry(self._session)
            write_forgetting(self._session, forgotten, entry=entry, moment=self._clock())
        self._after(before, ())


def _named(batch: Batch) -> tuple[tuple[str, str], ...]:
    return tuple(
        (name, sha or "") for name, sha in batch.files.sort("file_no").select("file", "sha256").iter_rows()
    )
