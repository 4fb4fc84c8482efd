"""What the numbers of an effect mean, in words a winemaker uses."""

from __future__ import annotations

import math
from collections.abc import Mapping

import polars as pl

from crosscellar.effects.measures import NOTHING_LENT
from crosscellar.effects.scale import Scale


def variance_words(row: Mapping[str, object]) -> str:
    """Where an effect's variance came from, in one sentence without a full stop.

    `row` is a row of EFFECTS (`frame.row(i, named=True)`).
    """
    source = str(row.get("variance_source") or "none")
    n_t, n_c = _count(row.get("n_treatment")), _count(row.get("n_control"))
    trials = _count(row.get("prior_trials"))
    vessels = _vessels(n_t, n_c)
    if row.get("measure") == "discriminators":
        return f"exact counts of {n_t} tasters, no vessel variance in it: it speaks for the wines poured"
    if str(row.get("unit") or "").startswith("points"):
        error = f"{vessels} tasted, tasting error of {_count(row.get('assessors'))} assessors"
        if source == "borrowed":
            return f"{error} plus the vessel variance of {trials} trials"
        return f"{error} only: speaks for the wines poured"
    if row.get("measure") in ("risk_difference", "log_odds", "log_risk_ratio"):
        return f"counts of {vessels}"
    if source == "own":
        return f"{vessels}: variance from these vessels alone"
    if source == "moderated":
        return f"{vessels}: their own variance, leaning on that of {trials} replicated trials"
    if source == "borrowed":
        return f"{vessels}: variance borrowed from {trials} replicated trials"
    if NOTHING_LENT in str(row.get("remark") or ""):
        return NOTHING_LENT
    return f"{vessels}, and too few replicated trials to borrow a variance from"


def prior_words(effects: pl.DataFrame) -> list[str]:
    """What was lent to these effects, a sentence a prior: vessels' spread, its worth, from how many trials.

    On the log scale it is told as a coefficient of variation, else as a standard deviation.
    """
    lent = effects.filter(
        pl.col("prior_variance").is_not_null() & pl.col("variance_source").is_in(["moderated", "borrowed"])
    )
    kept = ("measure", "unit", "prior_df", "prior_variance", "prior_trials", "in_blocks")
    blocks = pl.col("n_blocks").is_not_null() if "n_blocks" in lent.columns else pl.lit(False)
    priors = lent.with_columns(blocks.alias("in_blocks")).select(kept).unique().sort(kept)
    both = priors["in_blocks"].n_unique() > 1
    sentences = []
    for row in priors.iter_rows(named=True):
        # The unit of a slope is "g/L per kg/t": its vessels differ in g/L.
        unit = str(row["unit"] or "").split(" per ")[0]
        in_logs = row["measure"] == "log_ratio" or unit == "log ratio"
        scale = Scale("log_ratio" if in_logs else "difference", unit)
        shown = scale.spread_words(row["prior_variance"])
        worth = (
            "without limit" if math.isinf(row["prior_df"]) else f"{row['prior_df']:.3g} degrees of freedom"
        )
        whom = " to trials in blocks" if row["in_blocks"] else " to trials without blocks"
        who = "vessels of one arm, blocks set aside," if row["in_blocks"] else "vessels of one arm"
        what = f"{who} differ by {shown} ({scale.spread_name}, "
        if row["measure"] == "standardized":
            what = "the standard deviation that effects are divided by ("
        sentences.append(
            f"Lent by the network{whom if both else ''}: {what}from {row['prior_trials']} replicated trials, "
            f"worth {worth})."
        )
    return sentences


def with_variance_words(effects: pl.DataFrame) -> pl.DataFrame:
    """The effects with a column `variance_words` behind."""
    words = [variance_words(row) for row in effects.iter_rows(named=True)]
    return effects.with_columns(pl.Series("variance_words", words, dtype=pl.String))


def _vessels(n_t: int, n_c: int) -> str:
    if n_t == n_c:
        return "one vessel an arm" if n_t == 1 else f"{n_t} vessels an arm"
    return f"{n_t} against {n_c} vessels"


def _count(value: object) -> int:
    return int(value) if isinstance(value, int | float) else 0
