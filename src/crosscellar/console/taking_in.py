"""What came in, what is owed, what the store holds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import polars as pl

from crosscellar.console.parts import shown_as, table, words
from crosscellar.pooling.verdict import many
from crosscellar.results import (
    CheckReport,
    DecisionOutcome,
    DemoOutcome,
    FindingsList,
    Forgetting,
    IntakeOutcome,
    Outstanding,
    Rebuilt,
    RegisterOutcome,
    Written,
)

#: So many findings are shown one by one; `findings` and --json give all.
SHOWN: Final = 40

#: Of more files than this, those that came in whole, now or before, are counted and not listed.
LISTED: Final = 100
#: They ask for nothing.
_WHOLE: Final = ("taken_in", "already_taken_in")

#: Words for what a file came to.
STATUS: Final = {
    "taken_in": "taken in",
    "taken_in_part": "taken in, in part",
    "nothing_new": "nothing new",
    "already_taken_in": "already taken in",
    "refused": "refused",
    "held": "held",
}
#: The same where nothing was stored.
WOULD: Final = {"taken_in": "would enter", "taken_in_part": "would enter, in part"}


@shown_as.register
def _(result: RegisterOutcome) -> list[Any]:
    rows = []
    for name, count in result.rows.items():
        change = result.changes.get(name, {})
        told = ", ".join(f"{number} {what}" for what, number in change.items() if number and what != "same")
        if count or told:
            rows.append((name, str(count), told or "as before"))
    return [
        f"Register taken in from {result.path}.",
        table(("table", "rows", "change"), rows, right=(1,)),
        *(f"Note: {warning}" for warning in result.warnings),
    ]


def count_sentence(result: IntakeOutcome) -> str:
    """The counts of a taking-in, read out."""
    came = f"{many(result.readings_in, 'reading')} in {many(result.files.height, 'file')}"
    return (
        f"{came}: {result.accepted} accepted, {result.refused} refused, {result.held} held for your "
        f"decision, {result.already} already in the store, {result.blank} not measured."
    )


def finding_lines(findings: pl.DataFrame) -> list[str]:
    """One finding a line: where, what, and what to do."""
    lines = []
    for row in findings.iter_rows(named=True):
        where = " › ".join(part for part in (row["file"], row["sheet"], row["cell"]) if part)
        number = f"[{row['finding_id']}] " if "finding_id" in row else ""
        lines.append(
            f"{number}{row['severity']}: {where}: {row['message']} {row['suggestion'] or ''}".rstrip()
        )
    return lines


@shown_as.register
def _(result: IntakeOutcome) -> list[Any]:
    if result.files.is_empty():
        return ["No file was found there, so nothing was taken in. Check the name of the folder."]
    status = STATUS if result.stored else STATUS | WOULD
    every = result.files.with_row_index("at")
    files = _worth_a_look(every)
    rows = [
        (
            row["file"],
            row["kind"].replace("_", " "),
            *(str(row[name]) for name in ("readings_in", "accepted", "refused", "held", "already", "blank")),
            status.get(row["status"], row["status"]),
        )
        for row in files.iter_rows(named=True)
    ]
    shown = result.findings.filter(pl.col("severity") != "remark")
    remarks = result.findings.height - shown.height
    headings = ("file", "kind", "in", "accepted", "refused", "held", "already", "blank", "")
    closing = [count_sentence(result)]
    if remarks:
        on = " on accepted readings" if result.accepted + result.already else ""
        closing.append(f"{many(remarks, 'remark')}{on}: see `crosscellar findings` or --json.")
    if not result.stored:
        closing.append("Nothing was stored: this was a dry run.")
    closing += [f"Written: {path}" for path in result.marked_up]
    return [
        table(headings, rows, right=range(2, 8)),
        *_not_listed(every, files, status),
        *finding_lines(shown.head(SHOWN)),
        *([f"… and {shown.height - SHOWN} more: `crosscellar findings`."] if shown.height > SHOWN else []),
        *closing,
    ]


def _worth_a_look(files: pl.DataFrame) -> pl.DataFrame:
    if files.height <= LISTED:
        return files
    return files.filter(~pl.col("status").is_in(_WHOLE)).head(LISTED)


def _not_listed(files: pl.DataFrame, listed: pl.DataFrame, status: Mapping[str, str]) -> list[str]:
    left = files.join(listed, on="at", how="anti")["status"].value_counts(sort=True)
    if left.is_empty():
        return []
    counts = ", ".join(f"{number} {status.get(what, what)}" for what, number in left.iter_rows())
    return [f"{many(int(left['count'].sum()), 'file')} more: {counts}. --json lists every file."]


@shown_as.register
def _(result: FindingsList) -> list[Any]:
    found = result.findings
    if found.is_empty():
        return ["No finding waits for a decision." if result.open_only else "There are no findings."]
    lines = finding_lines(found)
    if not result.open_only:
        return [
            f"{line} ({state}{f': {reason}' if reason else ''})"
            for line, state, reason in zip(lines, found["state"], found["reason"], strict=True)
        ]
    return [*lines, "Decide each with `crosscellar decide NUMBER accept|refuse --reason TEXT`."]


@shown_as.register
def _(result: DecisionOutcome) -> list[Any]:
    return [f"Finding {result.finding}, {result.decision}: {result.message}"]


@shown_as.register
def _(result: Outstanding) -> list[Any]:
    owed = result.expected.filter(pl.col("state") != "complete")
    complete = result.expected.height - owed.height
    if owed.is_empty():
        return [f"Nothing is owed: all {complete} planned responses are complete."]
    names = (
        "site_id",
        "trial_id",
        "response",
        "stage",
        "received",
        "expected",
        "waiting",
        "state",
        "days_overdue",
    )
    rows = [tuple(words(row[name]) for name in names) for row in owed.select(names).iter_rows(named=True)]
    headings = ("site", "trial", "response", "stage", "in", "owed", "held", "state", "days overdue")
    parts: list[Any] = [table(headings, rows, right=(4, 5, 6, 8))]
    parts.append(f"{complete} of {result.expected.height} planned responses are complete.")
    for site, text in result.texts.items():
        parts += ["", f"--- to {site} ---", text]
    return parts


@shown_as.register
def _(result: Written) -> list[Any]:
    return [result.message]


@shown_as.register
def _(result: CheckReport) -> list[Any]:
    if result.sound:
        facts = result.facts
        snapshot = facts["snapshot"] or "empty"
        counts = f"{many(facts['standing'], 'reading')} from {many(facts['files'], 'file')}"
        told = [f"{result.path} is sound: {counts}, snapshot {snapshot}."]
        if facts["given_up"]:
            told.append(
                f"The bytes of {many(facts['given_up'], 'file')} were given up when someone was forgotten."
            )
        return told
    return [f"{result.path} needs attention:", *(f"- {problem}" for problem in result.problems)]


@shown_as.register
def _(result: Rebuilt) -> list[Any]:
    entries = "1 entry was" if result.entries == 1 else f"{result.entries} entries were"
    stand = "1 reading stands" if result.standing == 1 else f"{result.standing} readings stand"
    done = f"{entries} done again; {stand} in {result.path}."
    told = [f"- {difference}" for difference in result.differences]
    if result.same:
        return [f"{done} They are those of the ledger, by checksum {result.content[:12]}.", *told]
    return [f"{done} They are NOT those of the ledger:", *told, "Keep the old store and its backups."]


#: Places in the store as a person would name them.
PLACES: Final = {
    "files.file": "names of files",
    "files.message": "remarks on files",
    "set_aside.proposed": "readings that did not enter",
    "set_aside.current": "readings that did not enter",
    "decisions.reason": "reasons of decisions",
    "decisions.decided_by": "names of who decided",
    "register_rows.row_json": "register rows",
    "picks.assessor_id": "picks",
    "scores.assessor_id": "scores",
}


@shown_as.register
def _(result: Forgetting) -> list[Any]:
    counted: dict[str, int] = {}
    for place, count in result.places.items():
        table_name, _, column = place.partition(".")
        name = PLACES.get(place, f"{table_name} ({column.replace('_', ' ')})")
        counted[name] = counted.get(name, 0) + count
    where = ", ".join(f"{name} ({count})" for name, count in counted.items())
    if result.places:
        found = f"{'Taken out of' if result.stored else 'Found in'} {where}."
    elif result.given_up:
        found = "The bytes were given up." if result.stored else "The bytes would be given up."
    else:
        found = "Nothing that stands in the store itself holds this."
    code = f" {result.stands_for} stands for the assessor." if result.kind == "assessor" else ""
    dry = [] if result.stored or not (result.places or result.given_up) else ["Nothing was changed."]
    return [found + (code if result.places else ""), *dry, *(f"- {told}" for told in result.left)]


@shown_as.register
def _(result: DemoOutcome) -> list[Any]:
    rows = [
        (answer.title, answer.pooled[0].verdict, str(answer.pooled[0].n_sites))
        for answer in result.answers
        if answer.pooled
    ]
    return [
        count_sentence(result.intake),
        table(("question", "verdict", "sites"), rows, right=(2,)),
        f"The store is {result.store}.",
        f"Open this page: {result.page}",
    ]
