"""What came in, what is owed, what the store holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from crosscellar.contract.frames import FILES, FINDINGS, empty
from crosscellar.results.answers import Answer
from crosscellar.results.shown import Shown, plain

#: The counts of a taking-in, in the order they are read out.
COUNTS = ("readings_in", "accepted", "refused", "held", "already", "blank")

#: The keys of a finding that scripts may hold on to.
FINDING_KEYS = (
    "file",
    "sheet",
    "row",
    "column",
    "cell",
    "code",
    "severity",
    "value",
    "message",
    "suggestion",
)


@dataclass(frozen=True, slots=True)
class RegisterOutcome(Shown):
    """The register as taken in: rows of each table, and what is worth a look.

    Attributes
    ----------
    path
        Where it was read.
    rows
        Table -> how many rows it has now.
    changes
        Table -> how many rows were `added`, `changed` or `ended`, and how many are the `same`.
    warnings
        Sentences; nothing was stopped by them.
    """

    path: str
    rows: Mapping[str, int]
    changes: Mapping[str, Mapping[str, int]]
    warnings: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        return {
            "register": self.path,
            "rows": plain(self.rows),
            "changes": plain(self.changes),
            "warnings": list(self.warnings),
        }


@dataclass(frozen=True, slots=True)
class IntakeOutcome(Shown):
    """What happened to every reading of every file.

    Attributes
    ----------
    readings_in, accepted, refused, held, already, blank
        Totals; the first is the sum of the others, for each file and in all.
    files, findings
        Polars frames: one row a file; one row a finding, with the cell a spreadsheet shows.
    stored
        False for a dry run.
    marked_up
        Files written for the contributors, if asked for.
    """

    readings_in: int
    accepted: int
    refused: int
    held: int
    already: int
    blank: int
    files: pl.DataFrame
    findings: pl.DataFrame
    stored: bool
    marked_up: tuple[str, ...] = ()

    @classmethod
    def of(
        cls,
        files: Sequence[pl.DataFrame],
        findings: Sequence[pl.DataFrame],
        *,
        stored: bool,
        marked_up: tuple[str, ...] = (),
    ) -> IntakeOutcome:
        """What batches judged one after the other come to, from the files and findings of each."""
        every = pl.concat([empty(FILES), *files])
        totals = {name: int(every[name].sum()) for name in COUNTS}
        told = pl.concat([empty(FINDINGS), *findings])
        return cls(**totals, files=every, findings=told, stored=stored, marked_up=marked_up)

    @property
    def turned_away(self) -> bool:
        """Whether anything was refused or held, a whole file included."""
        whole = self.files.filter(pl.col("status").is_in(["refused", "held"])).height
        return self.refused + self.held + whole > 0

    def as_json(self) -> dict[str, Any]:
        files = self.files.select("file", "sha256", "kind", *COUNTS, "status")
        return {
            **{name: getattr(self, name) for name in COUNTS},
            "stored": self.stored,
            "files": plain(files),
            "findings": plain(self.findings.select(FINDING_KEYS)),
            "marked_up": list(self.marked_up),
        }


@dataclass(frozen=True, slots=True)
class FindingsList(Shown):
    """Findings on record, with their numbers and decisions.

    Attributes
    ----------
    findings
        Frame of FINDINGS with `finding_id` (its number), `state` (open, accepted,
        refused, mended, retaken or remark) and the last decision's `reason`, among others.
    open_only
        Whether only those that wait for a decision were asked for.
    """

    findings: pl.DataFrame
    open_only: bool

    def as_json(self) -> dict[str, Any]:
        return {"open_only": self.open_only, "findings": plain(self.findings)}


@dataclass(frozen=True, slots=True)
class DecisionOutcome(Shown):
    """A decision on record and what it changed.

    Attributes
    ----------
    finding, decision, reason
        As given.
    entered
        How many readings entered by it.
    message
        The same as a sentence.
    """

    finding: int
    decision: str
    reason: str
    entered: int
    message: str

    def as_json(self) -> dict[str, Any]:
        return {
            "finding": self.finding,
            "decision": self.decision,
            "reason": self.reason,
            "entered": self.entered,
            "message": self.message,
        }


@dataclass(frozen=True, slots=True)
class Outstanding(Shown):
    """Expected against received: one row a trial, response and stage, and a text for each site.

    Attributes
    ----------
    season
        As asked; None for all.
    expected
        Frame: site_id, trial_id, response, stage, received, expected, waiting (held), state (complete, part,
        nothing), days_overdue, among others.
    texts
        Site -> a message to send, for sites that owe something.
    """

    season: int | None
    expected: pl.DataFrame
    texts: Mapping[str, str]

    def as_json(self) -> dict[str, Any]:
        return {"season": self.season, "expected": plain(self.expected), "texts": dict(self.texts)}


@dataclass(frozen=True, slots=True)
class Written(Shown):
    """Files that were written, and one line to say so.

    Attributes
    ----------
    what
        What they are: summary, sheets, export, backup, figure, rules, proposals or register.
    paths
        Where they are.
    message
        The sentence.
    details
        What else `as_json` says.
    """

    what: str
    paths: tuple[str, ...]
    message: str
    details: Mapping[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        return {"what": self.what, "paths": list(self.paths), **plain(self.details)}


@dataclass(frozen=True, slots=True)
class CheckReport(Shown):
    """What verifying the store found; `sound` when it found nothing.

    Attributes
    ----------
    path
        Of the store.
    problems
        Sentences.
    facts
        Numbers of files and readings, and the snapshot: the beginning of the content checksum.
    """

    path: str
    problems: tuple[str, ...]
    facts: Mapping[str, Any]

    @property
    def sound(self) -> bool:
        """Whether nothing was found."""
        return not self.problems

    def as_json(self) -> dict[str, Any]:
        return {
            "store": self.path,
            "sound": self.sound,
            "problems": list(self.problems),
            **plain(self.facts),
        }


@dataclass(frozen=True, slots=True)
class Rebuilt(Shown):
    """A store made again, and whether its content is what the ledger says.

    Attributes
    ----------
    path
        Of the new store.
    entries, standing
        How many entries of the ledger were done again, and how many items stand then.
    content
        Checksum of what stands.
    same
        Whether it is that of the old store.
    differences
        Sentences: what could not be done again, and where it first came out otherwise.
    """

    path: str
    entries: int
    standing: int
    content: str
    same: bool
    differences: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        return {
            "store": self.path,
            "entries": self.entries,
            "standing": self.standing,
            "content": self.content,
            "same": self.same,
            "differences": list(self.differences),
        }


@dataclass(frozen=True, slots=True)
class Forgetting(Shown):
    """A person taken out of the store: where they stood, what stands for them now, and what is left.

    Attributes
    ----------
    path
        Of the store.
    kind, stands_for
        contact (the site), assessor (the neutral code), text or files (empty).
    stored
        False for a dry run, and where nothing was to be changed.
    places, names
        How many texts changed, and how many names of things hold the text still, by table and column.
    kept_in, given_up
        Files whose kept bytes hold the person still, and those whose bytes were given up.
    unsearched
        Files whose kept bytes cannot be searched: packed, locked or damaged.
    left
        Sentences: what stays, and what to do about it.
    """

    path: str
    kind: str
    stands_for: str
    stored: bool
    places: Mapping[str, int]
    names: Mapping[str, int]
    kept_in: tuple[str, ...]
    given_up: tuple[str, ...]
    unsearched: tuple[str, ...]
    left: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        return {
            "store": self.path,
            "kind": self.kind,
            "stands_for": self.stands_for,
            "stored": self.stored,
            "places": dict(self.places),
            "names": dict(self.names),
            "kept_in": list(self.kept_in),
            "given_up": list(self.given_up),
            "unsearched": list(self.unsearched),
            "left": list(self.left),
        }


@dataclass(frozen=True, slots=True)
class DemoOutcome(Shown):
    """The whole job on the invented network: each step, the store that it made, and the page to open."""

    register: RegisterOutcome
    intake: IntakeOutcome
    answers: tuple[Answer, ...]
    page: str
    store: str

    def as_json(self) -> dict[str, Any]:
        return {
            "register": self.register.as_json(),
            "intake": self.intake.as_json(),
            "answers": [
                {
                    "question": answer.question,
                    "title": answer.title,
                    "verdict": answer.pooled[0].verdict if answer.pooled else None,
                    "reason": answer.pooled[0].reason if answer.pooled else None,
                }
                for answer in self.answers
            ],
            "page": self.page,
            "store": self.store,
        }
