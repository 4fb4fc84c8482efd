"""What each command comes to, as frozen records: the same for a script, for JSON and for the terminal."""

from __future__ import annotations

import html
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

import polars as pl

from crosscellar.contract.frames import FILES, FINDINGS, Batch, empty
from crosscellar.pooling import Pooled
from crosscellar.pooling.dose import DoseFit

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


def plain(value: object) -> Any:
    """The JSON form of a value: dates as ISO text, paths as text, numbers that are none as null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, pl.DataFrame):
        return [plain(row) for row in value.iter_rows(named=True)]
    if isinstance(value, pl.Series):
        return [plain(item) for item in value.to_list()]
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value


def _html_table(caption: str, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """An HTML table for a notebook, all text escaped."""
    head = "".join(f"<th scope='col'>{html.escape(words)}</th>" for words in headings)
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape(words)}</td>" for words in row) + "</tr>" for row in rows
    )
    return (
        f"<table><caption>{html.escape(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )


@dataclass(frozen=True, slots=True)
class RegisterOutcome:
    """The register as taken in: rows of each table, and what is worth a look."""

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
class IntakeOutcome:
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
    def of(cls, batches: Sequence[Batch], *, stored: bool, marked_up: tuple[str, ...] = ()) -> IntakeOutcome:
        """What batches judged one after the other come to."""
        files = pl.concat([batch.files for batch in batches]) if batches else empty(FILES)
        findings = pl.concat([batch.findings for batch in batches]) if batches else empty(FINDINGS)
        totals = {name: int(files[name].sum()) for name in COUNTS}
        return cls(**totals, files=files, findings=findings, stored=stored, marked_up=marked_up)

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

    def _repr_html_(self) -> str:
        columns = ("file", "kind", *COUNTS, "status")
        rows = [[str(row[name]) for name in columns] for row in self.files.iter_rows(named=True)]
        rows.append(["in all", "", *(str(getattr(self, name)) for name in COUNTS), ""])
        caption = "Taken in" if self.stored else "Read, not stored"
        return _html_table(caption, [name.replace("_", " ") for name in columns], rows)


@dataclass(frozen=True, slots=True)
class FindingsList:
    """Findings on record, with their numbers and decisions."""

    findings: pl.DataFrame
    open_only: bool

    def as_json(self) -> dict[str, Any]:
        return {"open_only": self.open_only, "findings": plain(self.findings)}


@dataclass(frozen=True, slots=True)
class DecisionOutcome:
    """A decision on record and what it changed."""

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
class Outstanding:
    """Expected against received: one row a trial, response and stage, and a text for each site."""

    season: int | None
    expected: pl.DataFrame
    texts: Mapping[str, str]

    def as_json(self) -> dict[str, Any]:
        return {"season": self.season, "expected": plain(self.expected), "texts": dict(self.texts)}


@dataclass(frozen=True, slots=True)
class EffectsAnswer:
    """What each trial of a question showed, and which planned responses came to no usable effect, and why."""

    question: str
    title: str
    effects: pl.DataFrame
    without: pl.DataFrame

    def as_json(self) -> dict[str, Any]:
        return {
            "question": self.question,
            "title": self.title,
            "effects": plain(self.effects),
            "without_effect": plain(self.without),
        }


@dataclass(frozen=True, slots=True)
class Answer:
    """The network's answer to one question: the primary response first, then the monitored ones."""

    question: str
    title: str
    hypothesis: str
    pooled: tuple[Pooled, ...]
    one: bool = False
    remarks: tuple[str, ...] = ()
    by: Mapping[str, Any] = field(default_factory=dict)
    dose: DoseFit | None = None

    def as_json(self) -> Any:
        documents = [plain(pooled.as_json()) for pooled in self.pooled]
        for document, pooled in zip(documents, self.pooled, strict=True):
            document["question"] = self.question
            document["p_adjusted"] = plain(pooled.p_adjusted)
        if documents and self.by:
            fit = self.by["fit"]
            documents[0]["by"] = {
                "moderator": self.by["moderator"],
                "looked_at": self.by["looked_at"],
                "terms": plain(fit.terms),
                "tests": plain(fit.tests),
                "explained": plain(fit.explained),
                "groups": plain(self.by.get("groups", [])),
            }
        if documents and self.dose is not None:
            documents[0]["dose"] = {
                "slope": plain(self.dose.slope),
                "slopes": plain(self.dose.slopes),
                "lack_of_fit_p": plain(self.dose.lack_of_fit_p),
            }
        return documents[0] if self.one and documents else documents


@dataclass(frozen=True, slots=True)
class Written:
    """Files that were written, and one line to say so."""

    what: str
    paths: tuple[str, ...]
    message: str
    details: Mapping[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        return {"what": self.what, "paths": list(self.paths), **plain(self.details)}


@dataclass(frozen=True, slots=True)
class PlanAnswer:
    """What more sites and vessels would buy; `best` is the cheapest row that reaches the chance asked for."""

    question: str
    title: str
    verdict: str
    basis: str
    plan: pl.DataFrame
    best: Mapping[str, Any] | None
    chance: float
    currency: str
    log_scale: bool
    unit: str

    def as_json(self) -> dict[str, Any]:
        return {
            "question": self.question,
            "title": self.title,
            "verdict_so_far": self.verdict,
            "basis": self.basis,
            "plan": plain(self.plan),
            "cheapest": plain(self.best),
            "chance_asked_for": self.chance,
            "currency": self.currency,
        }


@dataclass(frozen=True, slots=True)
class PanelAnswer:
    """How many assessors a triangle panel needs: a row for each share who could tell and each aim.

    `panels`: share, to_show (a difference, similarity), assessors, served_evenly, correct, power, risk,
    always (see `Panel`).
    """

    panels: pl.DataFrame
    chance: float
    risk: float

    def as_json(self) -> dict[str, Any]:
        return {"panels": plain(self.panels), "chance_asked_for": self.chance, "risk": self.risk}


@dataclass(frozen=True, slots=True)
class PrecisionAnswer:
    """How many vessels a lot's mean needs: half_width (share of the mean), vessels; the spread supposed."""

    vessels: pl.DataFrame
    cv: float
    words: str

    def as_json(self) -> dict[str, Any]:
        return {"vessels": plain(self.vessels), "cv": self.cv, "cv_from": self.words}


@dataclass(frozen=True, slots=True)
class BudgetAnswer:
    """Which proposed trials to fund.

    `proposals`: question, site, vessels, cost, chosen, why (for those left out), note. `questions`: question,
    title, verdict (so far), new_sites, chance_before, chance_after (of a verdict). `decided` is the number of
    questions expected to be decided, `decided_before` without any new trial.
    """

    budget: float
    currency: str
    cost: float
    proposals: pl.DataFrame
    questions: pl.DataFrame
    decided: float
    decided_before: float
    exact: bool

    def as_json(self) -> dict[str, Any]:
        return {
            "budget": self.budget,
            "currency": self.currency,
            "cost": self.cost,
            "decided": self.decided,
            "decided_before": self.decided_before,
            "exact": self.exact,
            "proposals": plain(self.proposals),
            "questions": plain(self.questions),
        }


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What verifying the store found; sound when it found nothing."""

    path: str
    problems: tuple[str, ...]
    facts: Mapping[str, Any]

    @property
    def sound(self) -> bool:
        return not self.problems

    def as_json(self) -> dict[str, Any]:
        return {
            "store": self.path,
            "sound": self.sound,
            "problems": list(self.problems),
            **plain(self.facts),
        }


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """A store made again: how many entries and items, and whether its content is what the ledger says.

    `differences` are sentences: what could not be done again, and where it first came out otherwise.
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
class DemoOutcome:
    """The whole job on the invented network: each step, and the page to open."""

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
