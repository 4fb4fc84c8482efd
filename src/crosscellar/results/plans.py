"""What more sites, vessels and assessors would buy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from crosscellar.results.shown import Shown, plain


@dataclass(frozen=True, slots=True)
class PlanAnswer(Shown):
    """What more sites and vessels would buy.

    Attributes
    ----------
    question, title
        From the register.
    verdict
        So far.
    supposed
        The true mean effect planned for, on the scale of the effects.
    basis
        The effect supposed and where the variances are from, in words.
    plan
        Frame, a row a combination: more_sites, again (of the sites there are, so many that try it once more),
        vessels (an arm), sites (in all), half_width (of the 95 % interval expected, on the scale of the
        effects), chance_decided (of any verdict but undecided, 0 to 1), chance_holds, chance_no_difference,
        chance_against, simulations, and cost where prices were given. Without a new trial (0 and 0) the
        chances tell the verdict there is: 0 or 1.
    best
        The cheapest row that reaches the chance asked for; None without prices, or where none does.
    chance
        As asked for, 0 to 1.
    currency
        Of the costs.
    log_scale, unit
        Whether effects are log ratios; else their unit.
    """

    question: str
    title: str
    verdict: str
    supposed: float
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
class PanelAnswer(Shown):
    """How many assessors a triangle panel needs: a row for each share who could tell and each aim.

    Attributes
    ----------
    panels
        Frame: share (who can tell, 0 to 1), to_show (a difference, similarity), assessors, served_evenly (the
        least multiple of six that will do: each serving order as often), correct (picks: at least so many
        show a difference, at most so many similarity), power (the chance of it), risk (of showing it
        wrongly), always, the size from which on no larger panel falls short again, and correct_evenly and
        power_evenly, the picks and the chance with served_evenly.
    chance, risk
        As asked for, 0 to 1.
    """

    panels: pl.DataFrame
    chance: float
    risk: float

    def as_json(self) -> dict[str, Any]:
        return {"panels": plain(self.panels), "chance_asked_for": self.chance, "risk": self.risk}


@dataclass(frozen=True, slots=True)
class PrecisionAnswer(Shown):
    """How many vessels a lot's mean needs.

    Attributes
    ----------
    vessels
        Frame: half_width (share of the mean), vessels.
    cv, words
        The coefficient of variation between vessels that was supposed, and where it is from.
    """

    vessels: pl.DataFrame
    cv: float
    words: str

    def as_json(self) -> dict[str, Any]:
        return {"vessels": plain(self.vessels), "cv": self.cv, "cv_from": self.words}


@dataclass(frozen=True, slots=True)
class BudgetAnswer(Shown):
    """Which proposed trials to fund.

    Attributes
    ----------
    budget, cost, currency
        What there is, and what the chosen trials cost.
    proposals
        Frame: question, site, vessels, named (their names), cost, chosen, why (for those left out), note.
    questions
        Frame: question, title, verdict (so far), new_sites, chance_before, chance_after (of a verdict).
    decided, decided_before
        How many questions are expected to have a verdict then, and without any new trial.
    exact
        Whether every set within the budget was looked at.
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
