"""Results as a person reads them in a terminal, or as one JSON document."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Sequence
from functools import singledispatch
from typing import Any, Final

import polars as pl

from crosscellar.contract import load_contract, response_words
from crosscellar.effects import Scale, prior_words, variance_words
from crosscellar.pooling import Pooled
from crosscellar.results import (
    Answer,
    CheckReport,
    DecisionOutcome,
    DemoOutcome,
    EffectsAnswer,
    FindingsList,
    IntakeOutcome,
    Outstanding,
    PlanAnswer,
    RegisterOutcome,
    Written,
)

#: Width where there is no terminal to ask.
PIPED_WIDTH: Final = 110

#: So many findings are shown one by one; `findings` and --json give all.
SHOWN: Final = 40

#: Words for what a file came to.
STATUS: Final = {
    "taken_in": "taken in",
    "taken_in_part": "taken in, in part",
    "nothing_new": "nothing new",
    "already_taken_in": "already taken in",
    "refused": "refused",
    "held": "held",
}


def print_json(result: Any) -> None:
    """Print a result as one JSON document."""
    document = json.dumps(result.as_json(), ensure_ascii=False, indent=2, allow_nan=False)
    sys.stdout.write(f"{document}\n")


def print_text(result: Any) -> None:
    """Print a result as text."""
    from rich.console import Console

    console = Console(highlight=False, soft_wrap=False, width=None if sys.stdout.isatty() else PIPED_WIDTH)
    for part in parts_of(result):
        console.print(part, markup=False)


def table(headings: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[int] = ()) -> Any:
    """A table of text cells; the columns named in `right` are set to the right."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for number, heading in enumerate(headings):
        made.add_column(heading, justify="right" if number in right else "left", overflow="fold")
    for row in rows:
        made.add_row(*(Text(cell) for cell in row))
    return made


def words(value: object) -> str:
    """A cell's text: nothing for what is not there."""
    if value is None:
        return ""
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:g}"
    return str(value)


@singledispatch
def parts_of(result: object) -> list[Any]:
    """The pieces of text and tables that show a result."""
    return [str(result)]


@parts_of.register
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
    return (
        f"{result.readings_in} readings in {result.files.height} files: {result.accepted} accepted, "
        f"{result.refused} refused, {result.held} held for your decision, {result.already} already in the "
        f"store, {result.blank} not measured."
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


@parts_of.register
def _(result: IntakeOutcome) -> list[Any]:
    rows = [
        (
            row["file"],
            row["kind"].replace("_", " "),
            *(str(row[name]) for name in ("readings_in", "accepted", "refused", "held", "already", "blank")),
            STATUS.get(row["status"], row["status"]),
        )
        for row in result.files.iter_rows(named=True)
    ]
    shown = result.findings.filter(pl.col("severity") != "remark")
    remarks = result.findings.height - shown.height
    headings = ("file", "kind", "in", "accepted", "refused", "held", "already", "blank", "")
    closing = [count_sentence(result)]
    if remarks:
        closing.append(f"{remarks} remarks on accepted readings: see `crosscellar findings` or --json.")
    if not result.stored:
        closing.append("Nothing was stored: this was a dry run.")
    closing += [f"Written: {path}" for path in result.marked_up]
    return [
        table(headings, rows, right=range(2, 8)),
        *finding_lines(shown.head(SHOWN)),
        *([f"… and {shown.height - SHOWN} more: `crosscellar findings`."] if shown.height > SHOWN else []),
        *closing,
    ]


@parts_of.register
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


@parts_of.register
def _(result: DecisionOutcome) -> list[Any]:
    return [f"Finding {result.finding}, {result.decision}: {result.message}"]


@parts_of.register
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


@parts_of.register
def _(result: EffectsAnswer) -> list[Any]:
    parts: list[Any] = [result.title]
    if result.effects.is_empty():
        return [*parts, "No trial of this question has readings yet."]
    keys = result.effects.select("role", "response", "stage", "measure").unique(maintain_order=True)
    for key in keys.sort("role", "response", "stage", descending=[True, False, False]).iter_rows(named=True):
        rows = result.effects.filter(
            pl.all_horizontal(pl.col(name).eq_missing(pl.lit(value)) for name, value in key.items())
        ).sort("site", "season", "trial", "arm")
        called = response_words(key["response"], key["stage"], load_contract())
        measure = str(key["measure"] or "").replace("_", " ")
        parts += ["", f"{called[:1].upper()}{called[1:]} ({key['role']}; {measure})"]
        parts += _tasted(rows) if key["measure"] == "discriminators" else _compared(rows)
        parts += prior_words(rows)
    if result.without.height:
        parts += ["", "No usable effect:"]
        names = ("site", "season", "trial", "response", "stage", "reason")
        rows_without = [
            tuple(words(row[name]) for name in names) for row in result.without.iter_rows(named=True)
        ]
        parts.append(table(names, rows_without))
    return parts


def _compared(rows: pl.DataFrame) -> list[Any]:
    """Effects of one response, each with its interval and where its variance is from."""
    error = rows["std_error"].median()
    scale = Scale.of(
        str(rows["measure"][0] or ""),
        str(rows["unit"][0] or ""),
        0.0,
        error if isinstance(error, float) else math.nan,
    )
    cells = []
    for row in rows.iter_rows(named=True):
        effect = "–" if row["estimate"] is None else scale.words(row["estimate"], unit=False)
        interval = "" if row["low"] is None else scale.range(row["low"], row["high"], unit=False)
        told = variance_words(row)
        further = [part for part in dict.fromkeys(str(row["remark"] or "").split("; ")) if part not in told]
        note = "; ".join([told, *further])
        cells.append((row["site"], str(row["season"]), row["trial"], row["arm"], effect, interval, note))
    heading = f"effect, {scale.shown_unit}" if scale.shown_unit else "effect"
    headings = ("site", "season", "trial", "arm", heading, "95 %", "where the variance is from")
    return [table(headings, cells, right=(4,))]


def _tasted(rows: pl.DataFrame) -> list[Any]:
    """Triangle sessions of one question: exact counts, what they show, and the share who can tell."""
    cells = []
    for row in rows.iter_rows(named=True):
        scale = Scale.of("discriminators", "", 0.0, row["std_error"])
        share = scale.words(max(0.0, row["estimate"]), unit=False)
        between = scale.range(row["low"], row["high"], unit=False)
        cells.append(
            (
                row["site"],
                str(row["season"]),
                row["trial"],
                row["arm"],
                f"{row['correct']} of {row['tasters']}",
                words(row["critical"]),
                f"{row['p_value']:.2g}",
                f"{share} ({between})",
                "" if row["usable"] else str(row["remark"]),
            )
        )
    headings = ("site", "season", "trial", "arm", "right", "needed", "p", "who can tell, % (95 %)", "")
    how = (
        "Needed: right picks that show a difference at 5 %. p: exact chance of so many or more by guessing. "
        "It speaks for the wines that were poured: another vessel of the same arm may differ."
    )
    return [table(headings, cells, right=(4, 5, 6)), how]


@parts_of.register
def _(result: Answer) -> list[Any]:
    parts: list[Any] = [result.title]
    if not result.pooled:
        return [*parts, "No trial of this question has readings yet."]
    first, rest = result.pooled[0], result.pooled[1:]
    parts += ["", str(first)]
    parts += [f"  {remark}" for remark in result.remarks if remark not in first.remarks]
    if first.effects.height:
        parts.append(_effects_of(first))
        if {"prior_df", "prior_variance", "prior_trials"} <= set(first.effects.columns):
            parts += prior_words(first.effects)
    if result.by:
        parts += _moderator(result.by)
    if rest:
        parts += ["", "Monitored responses (watched, never a verdict; p adjusted together):"]
        cells = []
        for pooled in rest:
            scale = pooled.scale
            where = f"{pooled.response} at {pooled.stage}" if pooled.stage else pooled.response
            known = math.isfinite(pooled.estimate)
            cells.append(
                (
                    where,
                    str(pooled.n_sites),
                    scale.words(pooled.estimate) if known else "–",
                    scale.range(pooled.low, pooled.high) if known and math.isfinite(pooled.low) else "",
                    "" if math.isnan(pooled.p_adjusted) else f"{pooled.p_adjusted:.2g}",
                )
            )
        parts.append(table(("response", "sites", "effect", "interval", "p, adjusted"), cells, right=(1, 4)))
    return parts


def _effects_of(pooled: Pooled) -> Any:
    scale = pooled.scale
    rows = [
        (
            words(row["site"]),
            words(row["season"]),
            words(row["trial"]),
            words(row["arm"]),
            scale.words(row["estimate"]),
            "" if math.isnan(row["weight"]) else f"{100 * row['weight']:.0f} %",
            words(row.get("variance_source")),
        )
        for row in pooled.effects.sort("site", "season", "trial", "arm").iter_rows(named=True)
    ]
    return table(("site", "season", "trial", "arm", "effect", "weight", "variance"), rows, right=(4, 5))


def _numbers(frame: pl.DataFrame, *names: str) -> Any:
    rows = [
        tuple(f"{row[name]:.3g}" if isinstance(row[name], float) else words(row[name]) for name in names)
        for row in frame.iter_rows(named=True)
    ]
    return table(names, rows, right=range(1, len(names)))


def _moderator(by: Any) -> list[Any]:
    fit = by["fit"]
    looked = (
        "one moderator was looked at"
        if by["looked_at"] == 1
        else f"{by['looked_at']} moderators were looked at"
    )
    parts: list[Any] = ["", f"By {by['moderator']} ({looked}; log scale where effects are log ratios):"]
    parts.append(_numbers(fit.terms, "term", "estimate", "low", "high", "p"))
    if fit.explained is not None:
        parts.append(f"Share of the spread between sites explained: {100 * fit.explained:.0f} %.")
    permutation = fit.tests["permutation_p"][0] if fit.tests.height else None
    if permutation is not None and math.isfinite(permutation):
        parts.append(f"Permutation p: {permutation:.2g} ({fit.orders} orders).")
    if "groups" in by:
        parts.append(_numbers(by["groups"], "category", "n_effects", "n_sites", "estimate", "low", "high"))
    return parts


@parts_of.register
def _(result: Written) -> list[Any]:
    return [result.message]


@parts_of.register
def _(result: PlanAnswer) -> list[Any]:
    def half(value: float) -> str:
        if not math.isfinite(value):
            return "–"
        if result.log_scale:
            return f"-{100 * -math.expm1(-value):.0f} / +{100 * math.expm1(value):.0f} %"
        return f"± {value:.3g} {result.unit}".strip()

    priced = "cost" in result.plan.columns
    rows = [
        (
            str(row["more_sites"]),
            str(row["vessels"]),
            str(row["sites"]),
            half(row["half_width"]),
            f"{100 * row['chance_decided']:.0f} %",
            *((f"{row['cost']:,.0f}",) if priced else ()),
        )
        for row in result.plan.iter_rows(named=True)
    ]
    headings = ["more sites", "vessels an arm", "sites in all", "expected half-width", "chance of a verdict"]
    parts: list[Any] = [
        result.title,
        f"So far: {result.verdict}. {result.basis}",
        table([*headings, *([f"cost {result.currency}".strip()] if priced else [])], rows, right=range(6)),
    ]
    asked = f"{100 * result.chance:.0f} %"
    if priced and result.best is not None:
        best = result.best
        parts.append(
            f"Cheapest with a chance of {asked} or more: {best['more_sites']} more sites with "
            f"{best['vessels']} vessels an arm, {best['cost']:,.0f} {result.currency}".rstrip()
            + "."
        )
    elif priced:
        parts.append(f"None of these reaches a chance of {asked}: ask for more sites.")
    parts.append("A verdict is any other than undecided. Chances are simulated with a fixed seed.")
    return parts


@parts_of.register
def _(result: CheckReport) -> list[Any]:
    if result.sound:
        facts = result.facts
        snapshot = facts["snapshot"] or "empty"
        counts = f"{facts['standing']} readings from {facts['files']} files"
        return [f"{result.path} is sound: {counts}, snapshot {snapshot}."]
    return [f"{result.path} needs attention:", *(f"- {problem}" for problem in result.problems)]


@parts_of.register
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
