"""What keeps a network's store sound and what leaves it: checks, copies, forgetting, open files."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from crosscellar.evidence import Evidence

if TYPE_CHECKING:
    from crosscellar.results import CheckReport, Forgetting, Rebuilt, Written


class Upkeep(Evidence):
    """What is done with a store as a whole."""

    def check(self) -> CheckReport:
        """What verifying the store against its kept files and journal found."""
        from crosscellar.results import CheckReport

        return CheckReport(str(self._store.path), tuple(self._store.check()), self._store.facts())

    def backup(self, out: str | Path) -> Written:
        """A consistent copy of the store at `out`, checked.

        Raises
        ------
        CrosscellarError
            When there is a file at `out` already, or no folder for it.
        StoreError
            When the copy cannot be written, or does not pass.
        """
        from crosscellar.results import Written

        path = self._store.backup(out)
        return Written(
            "backup",
            (str(path),),
            f"A copy that passes the check is in {path}.",
            {"snapshot": self._store.snapshot().checksum},
        )

    def rebuild(self, out: str | Path) -> Rebuilt:
        """A store at `out` made again from kept files, register and decisions, held against the ledger.

        Raises
        ------
        CrosscellarError
            When there is a file at `out` already, or no folder for it.
        StoreError
            When it cannot be written.
        """
        from crosscellar.rebuilding import rebuild_store

        return rebuild_store(self._store, Path(out), self._contract, program=program_version())

    def forget(
        self,
        *,
        contact: str | None = None,
        assessor: str | None = None,
        text: str | None = None,
        trials: Sequence[str] | None = None,
        drop_files: bool = False,
        dry_run: bool = False,
    ) -> Forgetting:
        """What of a person was taken out of the store, its history and journal, and what is left elsewhere.

        Parameters
        ----------
        contact
            The site whose contact is to be forgotten, in every register that ever named it.
        assessor
            A code of an assessor. A neutral code stands in its place, so that tastings count as before.
        text
            A name or an address in notes, reasons, findings and names of files.
        trials
            The trials in which the code means this person; needed where it stands in several.
        drop_files
            Give up the kept bytes of files that hold the person, and of those that cannot be searched; alone,
            those that were named before.
        dry_run
            Tell everything, change nothing.

        Raises
        ------
        UnknownName
            For a site that the register never had.
        CrosscellarError
            When it is not clear whom to forget.
        StoreError
            When the store could not be written anew; it is as it was then.
        """
        from crosscellar.forgetting import forget_person

        forgetting = forget_person(
            self._store,
            self._register,
            contact=contact,
            assessor=assessor,
            text=text,
            trials=[trials] if isinstance(trials, str) else trials,
            drop_files=drop_files,
            dry_run=dry_run,
        )
        if forgetting.stored:
            self._forget()
        return forgetting

    def export(self, out: str | Path) -> Written:
        """Every accepted item and every effect as Parquet and CSV in `out`, with a data dictionary."""
        from crosscellar.report.export import write_export
        from crosscellar.results import Written

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


def program_version() -> str:
    """The version of this program that is installed."""
    return version("crosscellar")
