"""What more sites, vessels and assessors would buy."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import polars as pl

from crosscellar.console.parts import shown_as, table, words
from crosscellar.effects.scale import decimals_for
from crosscellar.pooling.verdict import many
from crosscellar.results import (
    BudgetAnswer,
    PanelAnswer,
    PlanAnswer,
    PrecisionAnswer,
)


@shown_as.register
def _(result: PlanAnswer) -> list[Any]:
    least = result.plan.filter(pl.col("half_width").is_finite())["half_width"].min()
    decimals = decimals_for(least if isinstance(least, float) else math.nan)

    def half(value: float) -> str:
        if not math.isfinite(value):
            return "–"
        if result.log_scale:
            return f"-{100 * -math.expm1(-value):.0f} / +{100 * math.expm1(value):.0f} %"
        return f"± {value:.{decimals}f} {result.unit}".strip()

    priced = "cost" in result.plan.columns
    any_again = bool((result.plan["again"] > 0).any())
    # Without a new trial it makes no difference how many vessels it would have.
    nothing = (pl.col("more_sites") == 0) & (pl.col("again") == 0)
    shown = result.plan.filter(~nothing | (pl.col("vessels") == pl.col("vessels").first().over(nothing)))
    rows = []
    for row in shown.iter_rows(named=True):
        new = row["more_sites"] or row["again"]
        cells = [
            str(row["more_sites"]),
            *([str(row["again"])] if any_again else []),
            str(row["vessels"]) if new else "–",
            str(row["sites"]),
            half(row["half_width"]),
            f"{100 * row['chance_decided']:.0f} %" if new else "as it stands",
            *([f"{row['cost']:,.0f}"] if priced else []),
        ]
        rows.append(cells)
    headings = [
        "more sites",
        *(["again"] if any_again else []),
        "vessels an arm",
        "sites in all",
        "expected half-width",
        "chance of a verdict",
        *([f"cost {result.currency}".strip()] if priced else []),
    ]
    parts: list[Any] = [
        result.title,
        f"So far: {result.verdict}. {result.basis}",
        table(headings, rows, right=range(len(headings))),
    ]
    if priced:
        parts.append(_cheapest(result))
    if any_again:
        parts.append(
            "Again: so many of the sites there are try it once more, the least sure first. A site stays one "
            "site: what lies between sites, only new ones tell."
        )
    parts.append("A verdict is any other than undecided. Chances are simulated with a fixed seed.")
    return parts


def _cheapest(result: PlanAnswer) -> str:
    asked, best = f"{100 * result.chance:.0f} %", result.best
    if best is None:
        return f"None of these reaches a chance of {asked}: ask for more sites."
    if not (best["more_sites"] or best["again"]):
        return "It has a verdict as it stands: none of these is needed for one."
    cost = f"{best['cost']:,.0f} {result.currency}".rstrip()
    vessels = many(best["vessels"], "vessel")
    return f"Cheapest with a chance of {asked} or more: {_sites_of(best)} with {vessels} an arm, {cost}."


def _sites_of(row: Mapping[str, Any]) -> str:
    """`2 more sites`, `4 sites again`, or both."""
    more = many(row["more_sites"], "more site") if row["more_sites"] else ""
    again = f"{many(row['again'], 'site')} again" if row["again"] else ""
    return " and ".join(filter(None, (more, again)))


@shown_as.register
def _(result: PanelAnswer) -> list[Any]:
    rows = []
    for row in result.panels.iter_rows(named=True):
        bound = "at most" if row["to_show"] == "similarity" else "at least"
        rows.append(
            (
                f"{100 * row['share']:.0f} %",
                row["to_show"],
                str(row["assessors"]),
                f"{bound} {row['correct']}",
                f"{100 * row['power']:.0f} %",
                str(row["served_evenly"]),
                f"{bound} {row['correct_evenly']}",
                f"{100 * row['power_evenly']:.0f} %",
            )
        )
    first = ("who can tell", "to show", "assessors", "right picks", "chance")
    headings = (*first, "in sixes", "right picks", "chance")
    how = (
        f"Assessors for a chance of {100 * result.chance:.0f} % to show it, at a risk of "
        f"{100 * result.risk:.0f} % of showing it wrongly; exact binomial. A difference: if that share can "
        "tell. Similarity: that fewer than that share can tell, if nobody can. In sixes: each of the six "
        "serving orders equally often, with its own count of right picks."
    )
    care = (
        "Wine is alcohol: small pours, spittoons, food and water; nobody drives from a tasting, and nobody "
        "is pressed to taste."
    )
    return [table(headings, rows, right=(0, 2, 3, 4, 5, 6, 7)), how, care]


@shown_as.register
def _(result: PrecisionAnswer) -> list[Any]:
    rows = [
        (f"± {100 * half:.3g} %", str(vessels))
        for half, vessels in result.vessels.select("half_width", "vessels").iter_rows()
    ]
    return [
        f"Vessels of one lot differ by {100 * result.cv:.2g} % (coefficient of variation, {result.words}).",
        table(("the lot's mean to within", "vessels"), rows, right=(0, 1)),
    ]


@shown_as.register
def _(result: BudgetAnswer) -> list[Any]:
    money = result.currency
    chosen = result.proposals.filter(pl.col("chosen"))
    sites = chosen["site"].n_unique()
    questions = [
        (
            row["title"],
            row["verdict"],
            str(row["new_sites"]),
            f"{100 * row['chance_before']:.0f} %",
            f"{100 * row['chance_after']:.0f} %",
        )
        for row in result.questions.iter_rows(named=True)
    ]
    rows = [
        (
            "yes" if row["chosen"] else "no",
            *(words(row[name]) for name in ("question", "site", "vessels")),
            f"{row['cost']:,.0f}",
            row["why"],
        )
        for row in result.proposals.sort("chosen", descending=True, maintain_order=True).iter_rows(named=True)
    ]
    how = (
        "Every set within the budget was looked at."
        if result.exact
        else "Too many proposals to look at every set: this one was built step by step, and a better one may "
        "exist. Delete lines that nobody means to run."
    )
    funded = (
        f"{many(chosen.height, 'trial')} of {result.proposals.height} proposed, at {many(sites, 'site')}: "
        f"{result.cost:,.0f} of {result.budget:,.0f} {money}".rstrip()
        + "."
    )
    decided = (
        f"Questions expected to have a verdict: {result.decided:.1f} of {result.questions.height}, "
        f"against {result.decided_before:.1f} without new trials."
    )
    headings = ("question", "so far", "new sites", "decided today", "decided then")
    proposed = ("run", "question", "site", "vessels an arm", f"cost {money}".strip(), "")
    ties = (
        "Of sets that decide as much, the one with more sites is taken, then the one with more of what was "
        "tried before. Chances are simulated with a fixed seed."
    )
    return [
        funded,
        decided,
        table(headings, questions, right=(2, 3, 4)),
        table(proposed, rows, right=(3, 4)),
        f"{how} {ties}",
    ]
