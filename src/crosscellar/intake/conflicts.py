"""The same item twice: in one batch, or in the batch and in the store."""

from __future__ import annotations

from typing import Final

import polars as pl

from crosscellar.intake.beside import perhaps_twice
from crosscellar.intake.findings import Faults, column_letters
from crosscellar.intake.lookup import KEYS, StoredLookup

#: What is compared between two items of one key, besides the key.
_SAID: Final = {
    "readings": ("value", "qualifier"),
    "picks": ("picked", "serving"),
    "scores": ("score", "scale_low", "scale_high"),
}
_NUMBERS: Final = ("value", "picked", "score", "scale_low", "scale_high")
#: Two stored numbers are the same when they agree to 9 digits: a workbook keeps about 15.
_CLOSE: Final = 1e-9

#: Of so many rivals the places are told; of more, how many they are.
_MOST_PLACES: Final = 6


def _agree(target: str, other: str) -> pl.Expr:
    agreeing = []
    for name in _SAID[target]:
        here, there = pl.col(name), pl.col(f"{name}{other}")
        if name in _NUMBERS:
            gap = (here.cast(pl.Float64) - there.cast(pl.Float64)).abs()
            agreeing.append(gap <= _CLOSE * pl.max_horizontal(1.0, here.cast(pl.Float64).abs()))
        else:
            agreeing.append(here == there)
    return pl.all_horizontal(agreeing).fill_null(False)


def _shown(target: str, suffix: str = "") -> pl.Expr:
    main = pl.col(f"{_SAID[target][0]}{suffix}").cast(pl.String).str.replace(r"\.0$", "")
    if target == "readings":
        return pl.concat_str([pl.col(f"qualifier{suffix}"), main])
    return main


def compared(target: str) -> tuple[str, ...]:
    """The columns of a target by which items are told to be the same, and where they stand."""
    return (*KEYS[target], *_SAID[target], "file_no", "sheet", "row", "column", "text_sent")


def compare(
    candidates: pl.DataFrame, target: str, stored: StoredLookup, *, correction: bool, faults: Faults
) -> pl.DataFrame:
    """`item_no`, `already`, `supersedes`, `current` (the stored item, JSON) and `since`.

    Candidates without a row meet nothing: they are neither in the store nor twice in the batch.

    Candidates have the columns `compared`, item_no, and `open` (would enter by itself). An item that is in
    the store with the same value is `already`; with another value it is held, or replaces it in a correction;
    a value that a correction has replaced is always held. Two values in one batch are held; a copy counts
    once.
    """
    key = list(KEYS[target])
    held = stored.stored_items(target, candidates.select(key))
    # A season's first sheets meet nothing: their keys need not be looked up.
    asked = candidates if held.height else candidates.clear()
    met = asked.join(held.select(key), on=key, how="semi", nulls_equal=True)["item_no"]
    twice = perhaps_twice(candidates, key)["item_no"]
    answers = candidates.filter(pl.col("item_no").is_in(pl.concat([met, twice]).unique().implode()))
    current = held.filter(pl.col("standing"))
    place = [name for name in ("file", "cell") if name in held.columns]
    now = current.select(
        *key,
        *(pl.col(name).alias(f"{name}_standing") for name in (*_SAID[target], *place)),
        pl.struct(current.columns).struct.json_encode().alias("current_json"),
        _instant(current).alias("since"),
    ).unique(key, keep="first", maintain_order=True)
    answers = answers.join(now, on=key, how="left", nulls_equal=True, maintain_order="left")
    answers = answers.with_columns(
        pl.col("current_json").is_not_null().alias("known"), _agree(target, "_standing").alias("already")
    )
    replaced = held.filter(~pl.col("standing")).select(
        *key, *(pl.col(name).alias(f"{name}_before") for name in _SAID[target])
    )
    undone = (
        answers.filter(pl.col("known") & ~pl.col("already"))
        .join(replaced, on=key, how="inner", nulls_equal=True)
        .filter(_agree(target, "_before"))["item_no"]
        .unique()
    )
    answers = answers.with_columns(pl.col("item_no").is_in(undone.to_list()).alias("undoes"))
    differs = pl.col("open") & pl.col("known") & ~pl.col("already")
    origin = (
        pl.format(", taken in from {} {}", pl.col("file_standing"), pl.col("cell_standing"))
        if len(place) == 2
        else pl.lit("")
    )
    faults.add(
        answers.filter(differs & pl.col("undoes")),
        "would_undo_correction",
        pl.format(
            "{} was corrected to {} before: an old version?", _shown(target), _shown(target, "_standing")
        ),
        "Leave it, unless the earlier value is right after all.",
    )
    against = answers.filter(differs & ~pl.col("undoes"))
    faults.add(
        against,
        "correction" if correction else "value_conflict",
        pl.format(
            "{} replaces {}{}." if correction else "{} differs from {}{}.",
            _shown(target),
            _shown(target, "_standing"),
            origin,
        ),
        "The earlier value stays in the history."
        if correction
        else "Decide which stands, or take the file in as a correction.",
    )
    superseding = pl.lit(correction) & differs & ~pl.col("undoes")
    answers = answers.with_columns(superseding.alias("supersedes"))
    return _among_themselves(answers, target, key, faults)


def _instant(current: pl.DataFrame) -> pl.Expr:
    """When an item was taken in, as text that sorts by time; null where the store does not say."""
    if "taken_at" not in current.columns:
        return pl.lit(None, dtype=pl.String)
    if current.schema["taken_at"].is_temporal():
        return pl.col("taken_at").dt.to_string("%Y-%m-%dT%H:%M:%SZ")
    return pl.col("taken_at").cast(pl.String)


def _way_out(target: str, key: list[str]) -> pl.Expr:
    right = "Say which is right"
    if target == "readings":
        return pl.lit(f"{right}, or number repeat readings 1 and 2.")
    if target == "scores":
        return pl.lit(f"{right}, or number repeat servings 1 and 2 in a column replicate.")
    two = pl.lit(f"{right}; a second triangle of one assessor needs a session_id of its own.")
    return pl.when(pl.col("serving").n_unique().over(key) > 1).then(two).otherwise(pl.lit(f"{right}."))


def _rivals(key: list[str]) -> pl.Expr:
    """Where they stand: `rows 3 and 18`, `columns F and G`, or in how many sheets."""
    rows = _some(pl.col("row").unique().sort().cast(pl.String), key)
    columns = _some(column_letters(pl.col("column")), key)
    one_row = pl.col("row").n_unique().over(key) == 1
    sheets = pl.struct("file_no", "sheet").n_unique().over(key)
    within = pl.when(one_row).then(pl.format("columns {}", columns)).otherwise(pl.format("rows {}", rows))
    return pl.when(sheets == 1).then(within).otherwise(pl.format("{} sheets give it", sheets))


def _some(places: pl.Expr, key: list[str]) -> pl.Expr:
    """The first of the places of one key in words, and how many more there are."""
    more = (places.len().cast(pl.Int64) - _MOST_PLACES).over(key)
    told = places.head(_MOST_PLACES).str.join(" and ").over(key)
    return pl.when(more > 0).then(pl.format("{} and {} more", told, more)).otherwise(told)


def _among_themselves(answers: pl.DataFrame, target: str, key: list[str], faults: Faults) -> pl.DataFrame:
    """Copies within the batch are taken once; two values for one key are all held."""
    rivals = answers.filter(
        pl.col("open") & ~pl.col("already") & (~pl.col("known") | pl.col("supersedes"))
    ).sort("file_no", "sheet", "row", "column")
    first = {name: f"{name}_first" for name in _SAID[target]}
    if not rivals.is_empty():
        rivals = rivals.with_columns(
            pl.len().over(key).alias("times"),
            *(pl.col(name).first().over(key).alias(other) for name, other in first.items()),
            pl.int_range(pl.len()).over(key).alias("turn"),
        )
        several = rivals.filter(pl.col("times") > 1).with_columns(_agree(target, "_first").alias("copy"))
        several = several.with_columns(pl.col("copy").all().over(key).alias("all_same"))
        quarrel = several.filter(~pl.col("all_same")).with_columns(
            _rivals(key).alias("rivals"),
        )
        faults.add(
            quarrel,
            "conflicting_duplicate",
            pl.format("{} and another value are given for the same item ({}).", _shown(target), "rivals"),
            _way_out(target, key),
        )
        copies = several.filter(pl.col("all_same") & (pl.col("turn") > 0))
        faults.add(
            copies,
            "duplicate_taken_once",
            pl.format("{} is given twice with the same value; it was taken once.", _shown(target)),
        )
        answers = answers.with_columns(
            (pl.col("already") | pl.col("item_no").is_in(copies["item_no"].to_list())).alias("already")
        )
    return answers.select(
        "item_no", "already", "supersedes", pl.col("current_json").alias("current"), "since"
    )
