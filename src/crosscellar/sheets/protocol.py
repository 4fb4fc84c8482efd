"""A trial in plain words: the first tab of its workbook."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import polars as pl

from crosscellar.contract import Contract, stage_words
from crosscellar.register import Register
from crosscellar.sheets.owed_text import day_words, owed_words

_IN_THE_CELLAR: Final = (
    "co2_in_cellars",
    "confined_space",
    "so2_gas_and_sulfite_solutions",
    "moving_plant",
    "laboratory_reagents",
    "trial_wine_for_people",
    "legal_limits",
)
AT_A_TASTING: Final = (
    "alcohol_at_tastings",
    "so2_and_asthma",
    "allergens",
    "trial_wine_for_people",
    "privacy",
    "health_claims",
)
_DEFER: Final = (
    "Local codes and licensed practice decide. This sheet doses nothing, permits nothing and replaces no "
    "training."
)
_HOW: Final = (
    "Only the yellow cells are yours to fill in; grey ones say what the row is about and are locked.",
    "Choose a cell to see what is wanted there. Leave empty what was not measured: an empty cell is no zero.",
    "Below the laboratory's limit: write < and the limit, as <0.1.",
    "Dates as 2026-09-30. Decimal comma or point: as your spreadsheet has it, the same throughout a column.",
    "Keep the wine of each vessel apart: one sample a vessel, never a blend of the arm.",
    "For a second reading of the same sample use a row at the foot and write 2 under Repeat.",
    "If a vessel is lost or topped up from another lot, write it in the note: that is a result too.",
)

Parts = list[tuple[str, list[str]]]


def protocol_parts(
    trial: Mapping[str, Any],
    register: Register,
    laboratory: pl.DataFrame,
    contract: Contract,
    *,
    logged: bool,
) -> Parts:
    """The question, the arms with their vessels, when to pull samples, how to fill in, and cautions."""
    trial_id = trial["trial_id"]
    return [
        *_question(trial, register),
        ("The arms", arm_words(trial_id, register)),
        ("When to pull samples", _when(trial_id, register, laboratory, contract, logged=logged)),
        ("How to fill in", list(_HOW)),
        ("Take care", caution_words(contract, _IN_THE_CELLAR)),
    ]


def _question(trial: Mapping[str, Any], register: Register) -> Parts:
    asked = register.questions.filter(pl.col("question_id") == trial["question_id"]).row(0, named=True)
    site = register.sites.filter(pl.col("site_id") == trial["site_id"]).row(0, named=True)
    where = [site["site_name"], f"season {trial['season']}"]
    where += [
        f"{noun} {trial[name]}"
        for noun, name in (("lot", "lot"), ("cultivar", "cultivar"))
        if trial.get(name)
    ]
    if site.get("contact"):
        who = [f"At the site: {site['contact']}."]
    else:
        who = ["Whoever fills this in: please say in the message that brings it back."]
    return [
        ("What is asked", [asked["title"], asked["hypothesis"]]),
        ("Where", [", ".join(where) + "."]),
        ("Who", who),
    ]


def arm_words(trial_id: str, register: Register) -> list[str]:
    """One sentence an arm: its role, what is done, its vessels."""
    vessels = register.vessels.filter(pl.col("trial_id") == trial_id)
    arms = register.arms.filter(pl.col("trial_id") == trial_id)
    lines = []
    for arm in arms.sort(pl.col("role") != "control", "level", "arm_id").iter_rows(named=True):
        own = vessels.filter(pl.col("arm_id") == arm["arm_id"]).sort("vessel_id")
        names = [
            f"{row['vessel_id']} ({row['block']})" if row["block"] else row["vessel_id"]
            for row in own.iter_rows(named=True)
        ]
        what = f": {arm['description']}" if arm["description"] else ""
        lines.append(f"{arm['role'].capitalize()} – {arm['arm_id']}{what}. In {', '.join(names)}.")
    return lines


def _when(
    trial_id: str, register: Register, laboratory: pl.DataFrame, contract: Contract, *, logged: bool
) -> list[str]:
    lines = []
    if logged:
        lines.append("Every day of the ferment, each vessel: the ferment log.")
    order = {stage: number for number, stage in enumerate(contract.stages)}
    for stage in sorted(laboratory["stage"].unique().to_list(), key=lambda one: order.get(one, len(order))):
        rows = laboratory.filter(pl.col("stage") == stage)
        names = [owed_words(analyte, contract) for analyte in rows["analyte"].to_list()]
        due = rows["due_date"].drop_nulls()
        until = f" Results wanted by {day_words(due.min())}." if due.len() else ""  # type: ignore[arg-type]
        words = stage_words(stage, contract)
        lines.append(f"{words[:1].upper()}{words[1:]}, one sample a vessel: {', '.join(names)}.{until}")
    tasted = register.responses.filter(
        (pl.col("trial_id") == trial_id)
        & ((pl.col("response") == "triangle") | pl.col("response").str.starts_with("score:"))
    )
    if tasted.height:
        lines.append("A tasting is planned: its ballots and its key come in files of their own.")
    return lines or ["Nothing is planned yet."]


def caution_words(contract: Contract, ids: tuple[str, ...]) -> list[str]:
    """The cautions of these ids, and who decides."""
    known = [contract.cautions[one] for one in ids if one in contract.cautions]
    return [*(f"{one.topic}. {one.caution}" for one in known), _DEFER]
