"""The faults of a call, each with the sentence a coordinator reads and the exit status it ends in.

A fault in the *data* is a finding, collected and located; it never ends up here.
"""

from __future__ import annotations

from pathlib import Path


class CrosscellarError(Exception):
    """Something could not be done: what, where, and what to do next.

    Attributes
    ----------
    what, where, next_step
        The parts of the sentence; `where` and `next_step` may be empty.
    exit_status
        2 (could not do it) unless a subclass says otherwise.
    """

    exit_status: int = 2

    def __init__(self, what: str, *, where: str | Path = "", next_step: str = "") -> None:
        self.what = what.rstrip(".")
        self.where = str(where)
        self.next_step = next_step
        super().__init__(self.sentence)

    @property
    def sentence(self) -> str:
        """The whole message in one or two sentences."""
        head = f"{self.where}: {self.what}." if self.where else f"{self.what}."
        return f"{head} {self.next_step}".strip()


class UnreadableFile(CrosscellarError):
    """A file that cannot be read as a sheet: damaged, locked, too large, not a sheet at all."""


class RegisterRefused(CrosscellarError):
    """A trial register with faults; `faults` lists each one as a sentence."""

    def __init__(
        self, what: str, *, where: str | Path = "", next_step: str = "", faults: tuple[str, ...] = ()
    ) -> None:
        self.faults = faults
        super().__init__(what, where=where, next_step=next_step)


class UnknownName(CrosscellarError):
    """A question, trial, analyte, stage, measure or moderator that is not known here."""


class NotComputable(CrosscellarError):
    """A number that was asked for and cannot honestly be computed, with the reason."""


class StoreError(CrosscellarError):
    """The store is busy, damaged or not ours."""

    exit_status = 3


class StoreBusy(StoreError):
    """Another process holds the store."""


class StoreDamaged(StoreError):
    """The store or its log cannot be read."""


class NotOurStore(StoreError):
    """A file that is not a store of this program, or one written by a newer version."""
