"""Triangle picks and scores: servings, forced choices, assessors' codes, scales."""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.contract.frames import PICKS, SCORES
from crosscellar.intake.beside import put_beside
from crosscellar.intake.findings import Faults
from crosscellar.intake.identity import IdentifierMatcher
from crosscellar.intake.values import shown_number

if TYPE_CHECKING:
    from crosscellar.register import Register

#: The six orders of two glasses of one wine and one of the other (ISO 4120), and where the odd one stands.
ODD_PLACE: Final = {"AAB": 3, "ABA": 2, "BAA": 1, "BBA": 3, "BAB": 2, "ABB": 1}
#: What is read off sheets of a tasting alone; a batch without one has it nowhere.
_OF_PICKS: Final = (
    "session_id", "assessor_id", "serving", "picked", "correct", "control_arm", "treatment_arm",
)  # fmt: skip
_OF_SCORES: Final = ("attribute", "scale_low", "scale_high")
_PAIR: Final = re.compile(r"\s*(?:/|\||,|;|\+|&|\bvs?\b\.?|\bversus\b|\bagainst\b|\band\b)\s*", re.IGNORECASE)
#: A mail address, two words, a word beside an initial, or one written as a first name is: not a code.
_LOOKS_NAMED: Final = (
    r"@|\p{L}{2,}[ ,]+\p{L}{2,}|^\p{Lu}(?:\.\s*(?:\p{Lu}\.\s*)*|\s+)\p{Lu}\p{Ll}{2,}"
    r"|^\p{Lu}\p{Ll}+[ ,]+\p{Lu}\.$|^\p{Lu}(?:['’]\p{Lu})?\p{Ll}{2,}(?:-\p{Lu}?\p{Ll}{2,})?$"
    r"|^\+?[0-9][0-9 /()-]{6,}$"
)
#: So alike an attribute must be to one that is planned to be proposed as it.
_NEAR: Final = 0.8
#: A glass's code, not its place.
_GLASS_CODE: Final = r"^\s*[0-9]{2,4}(?:\.0)?\s*$"


def judge_picks(items: pl.DataFrame, register: Register, faults: Faults) -> pl.DataFrame:
    """Items of triangle tests with session, assessor, pair of arms, serving, picked and correct."""
    if items["target"].eq("readings").all():
        return items.with_columns(pl.lit(None, dtype=PICKS[name]).alias(name) for name in _OF_PICKS)
    picks = pl.col("target") == "picks"
    serving = pl.col("serving_sent").fill_null("").str.to_uppercase().str.replace_all(r"[^A-Z0-9]", "")
    items = _assessors(items, faults).with_columns(
        pl.when(picks & serving.is_in(list(ODD_PLACE))).then(serving).alias("serving"),
        pl.when(picks & (pl.col("problem") == "") & pl.col("value").is_in([1.0, 2.0, 3.0]))
        .then(pl.col("value").cast(pl.Int32, strict=False))
        .alias("picked"),
    )
    odd = pl.col("serving").replace_strict(ODD_PLACE, default=None, return_dtype=pl.Int32)
    items = items.with_columns((odd == pl.col("picked")).alias("correct"))
    filled = items.filter(picks & ~pl.col("blank") & ~pl.col("stopped"))
    faults.add(
        filled.filter(pl.col("serving").is_null()),
        "no_serving_order",
        pl.format("Serving {} is not one of AAB, ABA, BAA, BBA, BAB, ABB.", _shown("serving_sent")),
        "Write the order that was served; A is the control.",
        value=pl.col("serving_sent").fill_null(""),
        column="serving_at",
    )
    faults.add(
        filled.filter(pl.col("picked").is_null()),
        "no_pick",
        pl.format("{} is not one of the three glasses.", _shown("text_sent")),
        pl.when(pl.col("text_sent").str.contains(_GLASS_CODE))
        .then(pl.lit("A code of a glass says not where it stood: write its place, 1, 2 or 3 from the left."))
        .otherwise(pl.lit("Write 1, 2 or 3: the choice is forced, a guess counts.")),
    )
    return _arm_pairs(items, register, faults)


def _shown(column: str) -> pl.Expr:
    text = pl.col(column).fill_null("").str.strip_chars().str.slice(0, 40)
    return pl.when(text == "").then(pl.lit("(empty)")).otherwise(text)


def _assessors(items: pl.DataFrame, faults: Faults) -> pl.DataFrame:
    """Items with session_id and assessor_id; a name in place of a code is refused and not repeated."""
    tasted = pl.col("target") != "readings"
    items = items.with_columns(
        *(
            pl.when(pl.col(f"{name}_sent").fill_null("").str.strip_chars() != "")
            .then(pl.col(f"{name}_sent").str.strip_chars())
            .alias(name)
            for name in ("session_id", "assessor_id")
        )
    )
    filled = items.filter(tasted & ~pl.col("blank"))
    for name, noun in (("session_id", "session"), ("assessor_id", "assessor")):
        faults.add(
            filled.filter(pl.col(name).is_null()),
            "empty_identifier",
            pl.lit(f"The {noun} is empty."),
            f"Write the {noun} in every row.",
            value=pl.lit(""),
            column=f"{name}_at",
        )
    faults.add(
        filled.filter(pl.col("assessor_id").str.contains(_LOOKS_NAMED)),
        "assessor_named",
        pl.lit("The assessor seems to be named; only a code may be kept."),
        "Give each assessor a code such as P07, and keep the list of names elsewhere.",
        value=pl.lit(""),
        column="assessor_id_at",
    )
    return items


def _arm_pairs(items: pl.DataFrame, register: Register, faults: Faults) -> pl.DataFrame:
    """Adds control_arm and treatment_arm: as written in either order, or the only pair that the trial has."""
    roles: dict[str, dict[str, list[str]]] = {}
    for trial, arm, role in register.arms.select("trial_id", "arm_id", "role").iter_rows():
        roles.setdefault(trial, {"control": [], "treatment": []}).setdefault(role, []).append(arm)
    keys = ["trial_id", "arm_pair_sent"]
    distinct = (
        items.filter((pl.col("target") == "picks") & pl.col("trial_id").is_not_null()).select(keys).unique()
    )
    rows = []
    for trial, text in distinct.sort(keys, nulls_last=True).iter_rows():
        rows.append((trial, text, *_pair(text, roles.get(trial, {}))))
    answers = pl.DataFrame(
        rows,
        schema=dict.fromkeys([*keys, "control_arm", "treatment_arm", "pair_message"], pl.String),
        orient="row",
    )
    items = put_beside(items, answers, keys)
    wrong = items.filter((pl.col("target") == "picks") & (pl.col("pair_message") != "") & ~pl.col("blank"))
    faults.add(
        wrong.filter(~pl.col("stopped")),
        "not_an_arm_pair",
        pl.col("pair_message"),
        "Write the control and the treatment arm, as control/treatment.",
        value=pl.col("arm_pair_sent").fill_null(""),
        column="arm_pair_at",
    )
    return items.drop("pair_message")


def _pair(text: str | None, roles: dict[str, list[str]]) -> tuple[str | None, str | None, str]:
    controls, treatments = roles.get("control", []), roles.get("treatment", [])
    if not (text or "").strip():
        if len(controls) == 1 and len(treatments) == 1:
            return controls[0], treatments[0], ""
        return None, None, "The pair of arms is empty, and the trial has more than one treatment arm."
    parts = [part for part in _PAIR.split((text or "").strip()) if part]
    shown = (text or "").strip()[:60]
    if len(parts) != 2:
        return None, None, f"{shown} does not name two arms."
    matcher = IdentifierMatcher(parts)
    found = [matcher.match(part, [*controls, *treatments], "arm") for part in parts]
    ids = [match.id for match in found if match.id and not match.stops]
    control = [arm for arm in ids if arm in controls]
    treatment = [arm for arm in ids if arm in treatments]
    if len(control) == 1 and len(treatment) == 1:
        return control[0], treatment[0], ""
    return None, None, f"{shown} is not the control and a treatment arm of the trial."


def judge_scores(items: pl.DataFrame, register: Register, faults: Faults) -> pl.DataFrame:
    """Items of score sheets with attribute and scale; a score outside its scale is refused."""
    if items["target"].ne("scores").all():
        return items.with_columns(pl.lit(None, dtype=SCORES[name]).alias(name) for name in _OF_SCORES)
    scores = pl.col("target") == "scores"

    def number(column: str) -> pl.Expr:
        return (
            pl.col(column)
            .str.strip_chars()
            .str.replace(",", ".", literal=True)
            .cast(pl.Float64, strict=False)
        )

    items = items.with_columns(
        pl.col("attribute_sent")
        .str.strip_chars()
        .str.to_lowercase()
        .str.replace_all(r"\s+", " ")
        .alias("attribute"),
        number("scale_low_sent").alias("scale_low"),
        number("scale_high_sent").alias("scale_high"),
    )
    items = _attributes(items, register, faults)
    filled = items.filter(scores & ~pl.col("blank") & ~pl.col("stopped"))
    faults.add(
        filled.filter(pl.col("attribute").fill_null("") == ""),
        "empty_identifier",
        pl.lit("The attribute is empty."),
        "Write what was scored in every row.",
        value=pl.lit(""),
        column="attribute_at",
    )
    scaled = pl.col("scale_low").is_finite() & pl.col("scale_high").is_finite()
    faults.add(
        filled.filter(~(scaled & (pl.col("scale_low") != pl.col("scale_high"))).fill_null(False)),
        "scale_missing",
        pl.lit("The ends of the scale are missing."),
        "Write the lowest and highest score that could be given.",
        value=pl.col("scale_low_sent").fill_null(""),
        column="scale_low_at",
    )
    low, high = shown_number(pl.col("scale_low")), shown_number(pl.col("scale_high"))
    exchanged = pl.col("scale_low") > pl.col("scale_high")
    faults.add(
        filled.filter(exchanged),
        "scale_reversed",
        pl.format("The scale runs from {} to {}: are its ends exchanged?", low, high),
        "Confirm, or say that a low score means much.",
        value=pl.col("scale_low_sent"),
        column="scale_low_at",
    )
    ends = [
        pl.min_horizontal("scale_low", "scale_high").alias("scale_low"),
        pl.max_horizontal("scale_low", "scale_high").alias("scale_high"),
    ]
    items, filled = items.with_columns(ends), filled.with_columns(ends)
    outside = (pl.col("value") < pl.col("scale_low")) | (pl.col("value") > pl.col("scale_high"))
    faults.add(
        filled.filter(outside),
        "out_of_scale",
        pl.format("Score {} is outside its scale ({} to {}).", shown_number(pl.col("value")), low, high),
        "Check the score, or the ends of the scale.",
    )
    return items


def _attributes(items: pl.DataFrame, register: Register, faults: Faults) -> pl.DataFrame:
    """Items with attributes as the register plans them for their trial.

    Another spelling of one is proposed; so is a column of its own that no response of the trial names.
    """
    planned: dict[str, dict[str, str]] = {}
    for trial, response in register.responses.select("trial_id", "response").iter_rows():
        if response.startswith("score:"):
            planned.setdefault(trial, {})[_bare(response[6:])] = response[6:]
    keys = ["trial_id", "attribute", "by_column"]
    by_column = pl.col("attribute_at").is_null().alias("by_column")
    items = items.with_columns(by_column)
    different = items.filter(pl.col("target") == "scores").select(keys).unique().sort(keys, nulls_last=True)
    rows = []
    for trial, attribute, column in different.drop_nulls("attribute").iter_rows():
        asked = planned.get(trial or "", {})
        meant, code = asked.get(_bare(attribute)), ""
        if meant is None and (near := get_close_matches(_bare(attribute), asked, n=1, cutoff=_NEAR)):
            meant, code = asked[near[0]], "attribute_misspelt"
        elif meant is None and column:
            code = "attribute_unplanned"
        rows.append((trial, attribute, column, meant or attribute, code))
    answers = pl.DataFrame(
        rows,
        schema={
            **dict.fromkeys(keys, pl.String),
            "by_column": pl.Boolean,
            "meant": pl.String,
            "code": pl.String,
        },
        orient="row",
    )
    items = put_beside(items, answers, keys)
    asked_of = items.filter((pl.col("code") != "") & ~pl.col("blank") & ~pl.col("stopped"))
    unplanned = pl.col("code") == "attribute_unplanned"
    for part, at in (
        (asked_of.filter("by_column"), {"row": "heading_row", "column": "column"}),
        (asked_of.filter(~pl.col("by_column")), {"column": "attribute_at"}),
    ):
        faults.add(
            part,
            pl.col("code"),
            pl.when(unplanned)
            .then(pl.format("{} is no attribute planned for {}. Was it scored?", "attribute", "trial_id"))
            .otherwise(
                pl.format("{} is not an attribute of {}. Is {} meant?", "attribute", "trial_id", "meant")
            ),
            pl.when(unplanned)
            .then(pl.lit("Confirm, or refuse it where the column holds something else."))
            .otherwise(pl.lit("Confirm, or send it as the register has it.")),
            value=pl.col("attribute_sent").str.strip_chars(),
            **at,
        )
    named = pl.coalesce("meant", "attribute").alias("attribute")
    return items.with_columns(named).drop("by_column", "meant", "code")


def _bare(attribute: str) -> str:
    return re.sub(r"[\W_]+", "", attribute.casefold())
