"""What makes a register refused, and what is only worth a look."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from typing import Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.register.tables import TextTable
from crosscellar.register.trials import Register

#: Smaller vessels are below production scale (common practice, no source).
PRODUCTION_LITRES: Final = 225.0

_SEASONS: Final = (1950, 2100)


_BECOMES_NUMBER: Final = re.compile(r"\d+([.,]\d+)?([eE][+-]?\d+)?")
#: Numbers that a spreadsheet shows and saves digit by digit, as text or not: `12`, but not `007` or `1E2`.
_STAYS: Final = re.compile(r"0|[1-9]\d{0,8}")
_BECOMES_DATE: Final = re.compile(
    r"\d{1,2}[-/.]\d{1,2}([-/.]\d{2,4})?|\d{4}[-/.]\d{1,2}([-/.]\d{1,2})?|"
    r"(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[-/ ]?\d{1,4}",
    re.IGNORECASE,
)


def skeleton(identifier: str) -> str:
    """What an identifier looks like: identifiers of one skeleton are easily taken for each other.

    Case, dashes, full-width forms, O and 0, and I, l, 1 and | are folded (from memory, after Unicode TR39).
    """
    folded = unicodedata.normalize("NFKC", identifier).upper()
    folded = "".join("-" if unicodedata.category(mark) == "Pd" else mark for mark in folded)
    return re.sub(r"[O0]", "0", re.sub(r"[IL1|]", "1", folded)).replace(" ", "")


def spreadsheet_damages(identifier: str) -> str:
    """What a spreadsheet would make of an identifier: "a number", "a date", or "" where it stays."""
    if _BECOMES_DATE.fullmatch(identifier):
        return "a date"
    if _BECOMES_NUMBER.fullmatch(identifier) and not _STAYS.fullmatch(identifier):
        return "a number"
    return ""


def damaged_identifiers(register: Register, trials: pl.DataFrame) -> list[str]:
    """A sentence for each identifier of these trials (trial_id) that a spreadsheet would not give back."""
    sentences = []
    for noun, table, column in (
        ("trial", register.trials, "trial_id"),
        ("arm", register.arms, "arm_id"),
        ("vessel", register.vessels, "vessel_id"),
    ):
        own = table.join(trials.select("trial_id"), on="trial_id", how="semi")
        named = own.select("trial_id", pl.col(column).alias("named")).unique().sort("trial_id", "named")
        for trial, identifier in named.iter_rows():
            if damage := spreadsheet_damages(identifier):
                where = "" if noun == "trial" else f" of trial {trial}"
                sentences.append(f"A spreadsheet would turn the {noun} {identifier}{where} into {damage}.")
    return sentences


def check_tables(register: Register, contract: Contract, texts: Mapping[str, TextTable]) -> Iterator[str]:
    """Every reason to refuse this register, as a sentence."""
    yield from _keys(register, contract, texts)
    yield from _references(register, contract, texts)
    yield from _twins(register)
    yield from _arms(register)
    yield from _seasons(register)
    yield from _responses(register)
    # Blank sheets have yet to go out; identifiers that are in use already are warned of.
    yield from damaged_identifiers(register, register.trials.filter(pl.col("status") == "planned"))


def _keys(register: Register, contract: Contract, texts: Mapping[str, TextTable]) -> Iterator[str]:
    for name, table in contract.register_tables.items():
        frame = register.tables[name].with_row_index("at")
        twice = frame.filter(pl.struct(table.key).is_duplicated()).sort(*table.key, "at")
        for row in twice.filter(~pl.struct(table.key).is_first_distinct()).iter_rows(named=True):
            what = ", ".join(f"{column} {row[column]}" for column in table.key)
            yield f"{texts[name].place(row['at'])}: {what} stands here a second time."


def _references(register: Register, contract: Contract, texts: Mapping[str, TextTable]) -> Iterator[str]:
    for name, table in contract.register_tables.items():
        frame = register.tables[name].with_row_index("at")
        for column, other in table.points_to.items():
            known = register.tables[other][contract.register_tables[other].key[0]]
            strays = frame.filter(~pl.col(column).is_in(known.implode()) & pl.col(column).is_not_null())
            for row in strays.iter_rows(named=True):
                yield f"{texts[name].place(row['at'])}: {column} {row[column]} is not in the table {other}."
    arms = register.arms.select("trial_id", "arm_id")
    for name in ("vessels", "samples"):
        frame = register.tables[name].with_row_index("at")
        for row in frame.join(arms, on=["trial_id", "arm_id"], how="anti").sort("at").iter_rows(named=True):
            where = texts[name].place(row["at"])
            yield f"{where}: trial {row['trial_id']} has no arm {row['arm_id']}."
    if register.samples.height:
        vessels = register.vessels.select("trial_id", "arm_id", "vessel_id")
        frame = register.samples.with_row_index("at")
        for row in frame.join(vessels, on=vessels.columns, how="anti").sort("at").iter_rows(named=True):
            where = texts["samples"].place(row["at"])
            yield f"{where}: vessel {row['vessel_id']} is not in arm {row['arm_id']} of {row['trial_id']}."


def _twins(register: Register) -> Iterator[str]:
    whole = {
        "site": register.sites["site_id"].to_list(),
        "question": register.questions["question_id"].to_list(),
        "trial": register.trials["trial_id"].to_list(),
    }
    inside: dict[str, list[str]] = {}
    for noun, table, column in (("arm", register.arms, "arm_id"), ("vessel", register.vessels, "vessel_id")):
        for trial, identifier in table.select("trial_id", column).iter_rows():
            inside.setdefault(f"{noun} of {trial}", []).append(identifier)
    # Arms and vessels are called alike in many trials.
    looked: dict[str, str] = {}
    for noun, identifiers in {**whole, **inside}.items():
        seen: dict[str, str] = {}
        for identifier in identifiers:
            looks = looked.get(identifier) or looked.setdefault(identifier, skeleton(identifier))
            other = seen.setdefault(looks, identifier)
            if other != identifier:
                yield (
                    f"The {noun} identifiers {other} and {identifier} are too easily taken for each other. "
                    "Rename one."
                )


def _arms(register: Register) -> Iterator[str]:
    controls = (
        register.trials.select("trial_id")
        .join(
            register.arms.group_by("trial_id").agg(
                (pl.col("role") == "control").sum().alias("controls"), pl.len().alias("arms")
            ),
            on="trial_id",
            how="left",
        )
        .sort("trial_id")
    )
    for trial, controls_here, arms in controls.iter_rows():
        if not controls_here:
            yield f"Trial {trial} has no control arm. Give exactly one arm the role control."
        elif controls_here > 1:
            yield f"Trial {trial} has {controls_here} control arms. Exactly one arm is the control."
        elif arms == 1:
            yield f"Trial {trial} has no treatment arm."
    empty = register.arms.join(register.vessels, on=["trial_id", "arm_id"], how="anti")
    for trial, arm in empty.sort("trial_id", "arm_id").select("trial_id", "arm_id").iter_rows():
        yield f"Arm {arm} of trial {trial} has no vessel."


def _seasons(register: Register) -> Iterator[str]:
    strange = register.trials.filter(~pl.col("season").is_between(*_SEASONS))
    for trial, season in strange.select("trial_id", "season").iter_rows():
        yield f"Trial {trial}: the season {season} is not the year of a harvest."


def _responses(register: Register) -> Iterator[str]:
    treatments = register.arms.filter(pl.col("role") == "treatment").group_by("trial_id").len("arms")
    unclear = (
        register.responses.filter(pl.col("response") == "triangle")
        .join(treatments, on="trial_id")
        .filter(pl.col("arms") > 1)
        .sort("trial_id")
    )
    for trial in unclear["trial_id"].unique(maintain_order=True):
        yield (
            f"Trial {trial} plans a triangle test but has more than one treatment arm. "
            "Make it a trial of two arms, or plan one trial a pair."
        )


def warn_tables(register: Register, contract: Contract) -> Iterator[str]:
    """What is worth a look in a register that is taken in."""
    no_hemisphere = register.sites.filter(pl.col("hemisphere").is_null())["site_id"].to_list()
    if no_hemisphere:
        yield f"No hemisphere given for {_some(no_hemisphere)}: dates are checked as in the north."
    vessels = register.vessels.group_by("trial_id", "arm_id").len("vessels")
    single = sorted(vessels.filter(pl.col("vessels") == 1)["trial_id"].unique().to_list())
    if single:
        yield f"One vessel an arm in {_some(single)}: the variance of the effect will be borrowed."
    small = sorted(
        register.vessels.filter(pl.col("volume_l") < PRODUCTION_LITRES)["trial_id"].unique().to_list()
    )
    if small:
        yield (
            f"Vessels under {PRODUCTION_LITRES:g} L in {_some(small)}: below production scale by common "
            "practice (no source)."
        )
    frail = {
        identifier: damage
        for table, column in (
            (register.trials, "trial_id"),
            (register.arms, "arm_id"),
            (register.vessels, "vessel_id"),
        )
        for identifier in table[column].unique(maintain_order=True).to_list()
        if (damage := spreadsheet_damages(identifier))
    }
    if frail:
        shown = _some([f"{identifier} ({damage})" for identifier, damage in sorted(frail.items())])
        yield f"A spreadsheet would turn these identifiers into something else: {shown}."
    yield from _unanswered(register)


def _unanswered(register: Register) -> Iterator[str]:
    asked = register.trials.filter(pl.col("status").fill_null("running") != "lost").join(
        register.questions.select("question_id", "primary_response", "primary_stage"), on="question_id"
    )
    planned = register.responses.filter(pl.col("role") == "primary").select(
        "trial_id", pl.col("response").alias("primary_response")
    )
    without = sorted(
        asked.join(planned, on=["trial_id", "primary_response"], how="anti")["trial_id"].to_list()
    )
    if without:
        yield f"No primary response as the question has it is planned in {_some(without)}."


def _some(names: list[str], *, most: int = 6) -> str:
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"


def left_out(register: Register, readings: pl.DataFrame) -> tuple[str, ...]:
    """The vessels that have readings and are not in this register, a sentence each: they would be orphans."""
    vessel = ["trial_id", "arm_id", "vessel_id"]
    orphans = readings.select(vessel).unique().join(register.vessels, on=vessel, how="anti")
    now = register.vessels.select("trial_id", "vessel_id", pl.col("arm_id").alias("now"))
    placed = orphans.join(now, on=["trial_id", "vessel_id"], how="left")
    return tuple(
        f"Vessel {vessel_id} of arm {arm} of trial {trial} has readings in the store"
        + ("." if moved is None else f", and is in arm {moved} here.")
        for trial, arm, vessel_id, moved in placed.sort(vessel).select(*vessel, "now").iter_rows()
    )
