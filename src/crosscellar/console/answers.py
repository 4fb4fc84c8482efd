"""Effects of one question, and the network's answer to it."""

from __future__ import annotations

import math
from typing import Any

import polars as pl

from crosscellar.console.parts import shown_as, table, words
from crosscellar.contract import load_contract, response_words
from crosscellar.effects import Scale, prior_words, variance_words
from crosscellar.pooling import Pooled
from crosscellar.results import (
    Answer,
    EffectsAnswer,
)


@shown_as.register
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
        called = called[:1].upper() + called[1:] if called[1:2].islower() else called
        measure = str(key["measure"] or "").replace("_", " ")
        parts += ["", f"{called} ({key['role']}; {measure})"]
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


@shown_as.register
def _(result: Answer) -> list[Any]:
    parts: list[Any] = [result.title]
    if not result.pooled:
        return [*parts, "No trial of this question has readings yet."]
    first, rest = result.pooled[0], result.pooled[1:]
    parts += ["", first]
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
            where = response_words(pooled.response, pooled.stage, load_contract())
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
