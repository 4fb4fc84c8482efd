"""How each item ends: accepted, refused, held, already or blank; and the frames that leave with it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

import polars as pl

from crosscellar.contract.frames import (
    FILES,
    PICKS,
    READINGS,
    SCORES,
    SET_ASIDE,
    Columns,
    empty,
)
from crosscellar.errors import CrosscellarError
from crosscellar.intake.beside import put_beside
from crosscellar.intake.findings import cell_of

SHAPES: Final[Mapping[str, Columns]] = {"readings": READINGS, "picks": PICKS, "scores": SCORES}
#: What a proposal must hold to enter by a yes alone; the rest of a target's columns may be empty.
_NEEDED: Final = {
    "readings": ("trial_id", "arm_id", "vessel_id", "stage", "analyte", "replicate", "unit"),
    "picks": ("trial_id", "session_id", "session_date", "assessor_id", "control_arm", "treatment_arm"),
    "scores": ("trial_id", "session_id", "session_date", "assessor_id", "arm_id", "attribute", "replicate"),
}
_SAID: Final = {
    "readings": ("value",),
    "picks": ("serving", "picked"),
    "scores": ("score", "scale_low", "scale_high"),
}
#: Said of a file that came in before and of which nothing could be used.
_UNUSED: Final = "Came in before, {}; none of it could be used, and that has not changed."
OUTCOMES: Final = ("accepted", "refused", "held", "already", "blank")


#: What is said of items once all of them are read; the rest served only to read them.
_KEPT: Final = (
    *dict.fromkeys(
        name
        for columns in (*SHAPES.values(), SET_ASIDE)
        for name in columns
        if name not in ("file", "supersedes", "outcome", "proposed", "current")
    ),
    "kind", "blank", "day_at", "sample_date_at", "day_first", "month_first",
)  # fmt: skip


def target_columns(items: pl.DataFrame) -> pl.DataFrame:
    """Items with the columns of every target in their own names, and what is still asked of them."""

    def text(name: str) -> pl.Expr:
        given = pl.col(name).str.strip_chars()
        return pl.when(given != "").then(given).fill_null("")

    note = pl.concat_str(
        [pl.when(pl.col("note_sent") != "").then("note_sent"), pl.format("[{}]", "comment")],
        separator=" ",
        ignore_nulls=True,
    )
    return items.with_columns(
        cell_of(pl.col("row"), pl.col("column")).alias("cell"),
        pl.col("day").alias("sample_date"),
        pl.col("day").alias("session_date"),
        pl.col("value").alias("score"),
        text("lab_sent").alias("lab"),
        text("method_sent").alias("method"),
        text("preferred_sent").alias("preferred"),
        note.fill_null("").alias("note"),
        pl.col("unit_text").fill_null("").alias("unit_sent"),
        pl.col("conversion").fill_null(""),
        pl.col("text_sent").fill_null(""),
        pl.col("qualifier").fill_null(""),
    ).select(_KEPT)


def complete(target: str) -> pl.Expr:
    """Whether an item has all it needs to enter. Only a sheet by label may come without a column of dates."""
    return pl.all_horizontal(_identified(target), *(pl.col(name).is_not_null() for name in _SAID[target]))


def _but_its_day(target: str) -> pl.Expr:
    """Whether an item has all it needs but a day, of which only the order of day and month is open."""
    there = (name for name in (*_NEEDED[target], *_SAID[target]) if name != "session_date")
    return pl.all_horizontal(pl.col(name).is_not_null() for name in (*there, "day_first", "month_first"))


def _identified(target: str) -> pl.Expr:
    """Whether it is known of what an item speaks, whatever it says of it."""
    there = [pl.col(name).is_not_null() for name in _NEEDED[target]]
    if target == "readings":
        undated = (pl.col("kind") == "lab_by_label") & pl.col("sample_date_at").is_null()
        there.append(pl.col("sample_date").is_not_null() | undated)
    return pl.all_horizontal(there)


def as_target(
    items: pl.DataFrame,
    target: str,
    *also: str | pl.Expr,
    where: pl.Expr | None = None,
    without: Collection[str] = (),
) -> pl.DataFrame:
    """The items of one target that are so (`where`, else all) in its columns, and `also` others.

    Only the columns asked for are copied, a batch has many that are mostly empty; and none where every item
    is so.
    """
    wanted = pl.col("target") == target
    shape = (pl.col(name).cast(dtype) for name, dtype in SHAPES[target].items() if name not in without)
    chosen = items.select((wanted if where is None else wanted & where).fill_null(False)).to_series()
    asked = items.select(*shape, *also)
    # What is put beside it later needs it in one piece: made so now, it is not held twice then.
    return (asked if chosen.all() else asked.filter(chosen)).rechunk()


def decide(items: pl.DataFrame, faults: pl.DataFrame) -> pl.DataFrame:
    """Items with `outcome`: blank, else the gravest of their faults, else already or accepted."""

    def spoken_of(severity: str) -> pl.Expr:
        some = faults.select("item_no", "severity").filter(pl.col("severity") == severity)["item_no"]
        return pl.col("item_no").is_in(some.drop_nulls().unique().implode())

    return items.with_columns(
        pl.when("blank")
        .then(pl.lit("blank"))
        .when(spoken_of("refuse"))
        .then(pl.lit("refused"))
        .when("already")
        .then(pl.lit("already"))
        .when(spoken_of("hold"))
        .then(pl.lit("held"))
        .otherwise(pl.lit("accepted"))
        .alias("outcome")
    )


def set_aside(items: pl.DataFrame) -> pl.DataFrame:
    """Every item that was refused, held or already there, with what would enter on a yes.

    A held reading or score of which all is known but its number is proposed without one: the coordinator may
    give it. An item of which all is known but whether day or month comes first carries both days beside its
    columns.
    """
    parts = []
    for target, shape in SHAPES.items():
        aside = pl.col("outcome").is_in(["refused", "held", "already"])
        some = items.filter((pl.col("target") == target) & aside)
        if some.is_empty():
            continue
        settled = complete(target)
        if target != "picks":
            number, *ends = _SAID[target]
            settled |= _identified(target) & pl.all_horizontal(
                pl.col(number).is_null(), *(pl.col(end).is_not_null() for end in ends)
            )
        columns = [pl.col(name).cast(dtype) for name, dtype in shape.items()]
        held = some.filter(pl.col("outcome") == "held")
        two_days = [*columns, pl.col("day_first"), pl.col("month_first")]
        proposals = [
            waiting.select("item_no", pl.struct(kept).struct.json_encode().alias("proposed"))
            for waiting, kept in (
                (held.filter(settled), columns),
                (held.filter(~settled & _but_its_day(target)), two_days),
            )
        ]
        parts.append(
            put_beside(some, pl.concat(proposals), "item_no").select(
                pl.col(name).cast(dtype) for name, dtype in SET_ASIDE.items()
            )
        )
    return pl.concat(parts).sort("item_no") if parts else empty(SET_ASIDE)


def count(items: pl.DataFrame, files: pl.DataFrame) -> pl.DataFrame:
    """The FILES frame of these files: how many items of each ended where, and the file's status.

    `files` has file_no, file, sha256, kind, refused_whole, known_message, message.
    Raises CrosscellarError if an item were lost or counted twice: nothing is stored then.
    """
    counted = items.group_by("file_no").agg(
        pl.len().cast(pl.Int64).alias("readings_in"),
        *((pl.col("outcome") == name).sum().cast(pl.Int64).alias(name) for name in OUTCOMES),
    )
    files = files.join(counted, on="file_no", how="left", maintain_order="left").with_columns(
        pl.col("readings_in", *OUTCOMES).fill_null(0)
    )
    lost = files.filter(pl.col("readings_in") != pl.sum_horizontal(OUTCOMES))
    if not lost.is_empty():
        raise CrosscellarError(
            "the readings of this file do not add up, so nothing was stored",
            where=lost["file"][0],
            next_step="Please report this with the file.",
        )
    open_items = pl.col("refused") + pl.col("held")
    status = (
        pl.when("refused_whole")
        .then(pl.lit("refused"))
        .when(pl.col("accepted") > 0)
        .then(pl.when(open_items > 0).then(pl.lit("taken_in_part")).otherwise(pl.lit("taken_in")))
        .when(pl.col("known_message").is_not_null() & ~pl.col("undoes"))
        .then(pl.lit("already_taken_in"))
        .when(pl.col("held") > 0)
        .then(pl.lit("held"))
        .when(pl.col("refused") > 0)
        .then(pl.lit("refused"))
        .otherwise(pl.lit("nothing_new"))
    )
    return files.with_columns(status.alias("status")).with_columns(
        pl.when(pl.col("status") == "already_taken_in")
        .then(
            pl.when(pl.col("already") > 0)
            .then(pl.format("Already taken in {}.", "known_message"))
            .otherwise(pl.format(_UNUSED, "known_message"))
        )
        .otherwise("message")
        .fill_null("")
        .alias("message")
    ).select(pl.col(name).cast(dtype) for name, dtype in FILES.items())  # fmt: skip
