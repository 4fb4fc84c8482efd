"""The faults of a call, each with the sentence a coordinator reads and the exit status it ends in.

A fault in the *data* is a finding, collected and located; it never ends up here.
"""

from __future__ import annotations

import errno
import re
from pathlib import Path
from typing import Final

#: No space, no quota left, or a file larger than allowed.
_FULL: Final = frozenset({errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)})

#: What libraries say, in exceptions of their own, when they are given no space, no memory or no thread.
_NO_SPACE: Final = ("No space left", "no space left", "File too large")
_NO_MEMORY: Final = ("failed to map segment", "annot allocate memory", "spawn worker thread", "spawn thread")

#: Control characters but line end and tab, line separators, and the marks that turn the direction.
_STEERING: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]")


def steady(text: str) -> str:
    """The text without what would steer a terminal or turn the direction of what is read."""
    return _STEERING.sub("", text)


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


def machine_fault(fault: BaseException) -> CrosscellarError | None:
    """What is wrong with the machine (disk, memory, rights), as a sentence; None for another exception."""
    told = [str(fault), *(str(cause) for cause in (fault.__cause__, fault.__context__) if cause)]
    if isinstance(fault, MemoryError) or any(words in text for words in _NO_MEMORY for text in told):
        return CrosscellarError(
            "the machine has no memory left for this",
            next_step="Close other programs or take in fewer files at a time; what was taken in is safe.",
        )
    name = getattr(fault, "filename", None)
    where = name if isinstance(name, str) else "the disk"
    if getattr(fault, "errno", None) in _FULL or any(words in told[0] for words in _NO_SPACE):
        return CrosscellarError(
            "the disk is full, so not all of this was written",
            where=where,
            next_step="Free some space and run the same command again; what was taken in is safe.",
        )
    if not isinstance(fault, OSError):
        return None
    if isinstance(fault, (FileExistsError, NotADirectoryError)):
        return CrosscellarError(
            "there is a file of this name, where a folder is needed",
            where=where,
            next_step="Name another folder.",
        )
    if isinstance(fault, IsADirectoryError):
        return CrosscellarError(
            "there is a folder of this name, where a file is needed",
            where=where,
            next_step="Name a file in it.",
        )
    return CrosscellarError((fault.strerror or told[0]).lower(), where=where)
