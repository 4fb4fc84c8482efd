"""Rules about ferment logs: sugar falls, not too fast; a ferment that sticks is a result, not a fault."""

from __future__ import annotations

import polars as pl

from crosscellar.contract import formulas
from crosscellar.contract.records import Rule
from crosscellar.intake.rules.hits import exact, hits, num
from crosscellar.intake.rules.view import LOG, VESSEL, View, curve

_SUGARS = ("brix", "specific_gravity", "density_20")
_SERIES = [*VESSEL, "analyte"]
#: Mixing of a red must may bring sugar out in the first days: so much more may rise then (E048, from memory).
_EARLY_RISE = 2.0
#: A ferment is under way once it has lost so much; before, it only has not begun.
_BEGUN = 2.0
_HOUR = 3600.0


def _log(view: View) -> pl.DataFrame:
    """Readings of sugar in ferment logs as °Bx in order of time, with those before and after each."""
    value = pl.col("value")
    brix = (
        pl.when(pl.col("analyte") == "brix")
        .then(value)
        .when(pl.col("analyte") == "specific_gravity")
        .then(curve(formulas.brix_from_sg, value))
        .otherwise(curve(lambda density: formulas.brix_from_sg(formulas.sg_from_density(density)), value))
    )
    moment = pl.col("sample_date").cast(pl.Datetime) + pl.duration(
        minutes=pl.col("time").str.slice(0, 2).cast(pl.Int64, strict=False).fill_null(12) * 60
        + pl.col("time").str.slice(3, 2).cast(pl.Int64, strict=False).fill_null(0)
    )
    rows = view.of(*_SUGARS).filter((pl.col("stage") == LOG) & pl.col("sample_date").is_not_null())
    rows = rows.with_columns(brix.alias("bx"), moment.alias("at")).sort(*_SERIES, "at", "replicate")
    rows = rows.with_columns(
        pl.col("bx").shift(1).over(_SERIES).alias("before"),
        pl.col("bx").shift(2).over(_SERIES).alias("two_before"),
        pl.col("bx").shift(-1).over(_SERIES).alias("after"),
        pl.col("at").shift(1).over(_SERIES).alias("at_before"),
        pl.col("item_no").shift(1).over(_SERIES).alias("item_before"),
        pl.col("sample_date").shift(1).over(_SERIES).alias("date_before"),
        pl.col("at").min().over(_SERIES).alias("begun"),
        pl.col("bx").cum_max().over(_SERIES).alias("highest"),
    )
    hours = (pl.col("at") - pl.col("at_before")).dt.total_seconds() / _HOUR
    return rows.with_columns(
        hours.alias("hours"),
        ((pl.col("at") - pl.col("begun")).dt.total_seconds() / _HOUR).alias("elapsed"),
        (pl.col("bx") - pl.col("before")).alias("rise"),
    ).filter(pl.col("before").is_not_null())


def _said(rows: pl.DataFrame, rule: Rule, items: tuple[str, ...] = ("item_no",)) -> pl.DataFrame:
    return hits(
        rows,
        rule,
        items=items,
        difference=num(pl.col("rise").abs()),
        value=num(pl.col("bx")),
        other_value=num(pl.col("before")),
        date=pl.col("sample_date"),
        other_date=pl.col("date_before"),
        high=exact(pl.lit(rule.settings.get("hold_per_day", 0.0))),
    )


def sugar_rises(view: View, rule: Rule) -> pl.DataFrame:
    """Sugar that rose by more than readings differ, and not by so much that it waits."""
    rows = _log(view).filter((pl.col("rise") > rule.settings["remark_brix"]) & ~_early(rule))
    return _said(rows.filter(pl.col("rise") <= rule.settings["hold_brix"]), rule)


def sugar_rises_far(view: View, rule: Rule) -> pl.DataFrame:
    """Sugar that rose far: the reading out of line with its neighbours waits, both where none stands out."""
    rows = _log(view).filter((pl.col("rise") > rule.settings["hold_brix"]) & ~_early(rule))
    peak = (pl.col("after") <= pl.col("before") + 0.5).fill_null(False)
    dip = ~peak & (pl.col("bx") <= pl.col("two_before") + 0.5).fill_null(False)
    rows = rows.with_columns(
        pl.when(~dip).then("item_no").alias("this"), pl.when(~peak).then("item_before").alias("other")
    )
    return _said(rows, rule, ("this", "other"))


def _early(rule: Rule) -> pl.Expr:
    return (pl.col("elapsed") <= rule.settings["first_hours"]) & (pl.col("rise") <= _EARLY_RISE)


def _fall_per_day() -> pl.Expr:
    return -pl.col("rise") / (pl.max_horizontal(pl.col("hours"), 24.0) / 24)


def brix_falls_fast(view: View, rule: Rule) -> pl.DataFrame:
    """Sugar that fell faster in a day than most ferments do."""
    low, high = rule.settings["remark_per_day"], rule.settings["hold_per_day"]
    rows = _log(view).filter((_fall_per_day() > low) & (_fall_per_day() <= high))
    return _said(rows.with_columns((-_fall_per_day()).alias("rise")), rule)


def brix_falls_too_fast(view: View, rule: Rule) -> pl.DataFrame:
    """Sugar that fell faster than yeast can take it: one of the two readings is wrong."""
    rows = _log(view).filter(_fall_per_day() > rule.settings["hold_per_day"])
    back = (pl.col("after") > pl.col("bx") + 0.5).fill_null(False)
    rows = rows.with_columns(
        (-_fall_per_day()).alias("rise"), pl.when(~back).then("item_before").alias("other")
    )
    return _said(rows, rule, ("item_no", "other"))


def ferment_stalls(view: View, rule: Rule) -> pl.DataFrame:
    """A ferment under way that fell by little in a day with sugar left: the longest time of a vessel."""
    floor = pl.when(pl.col("bx") > 1).then(rule.settings["fall_above_one"]).otherwise(
        rule.settings["fall_below_one"]
    )  # fmt: skip
    begun = pl.col("highest") - pl.col("before") >= _BEGUN
    rows = _log(view).filter(
        begun
        & (pl.col("hours") >= rule.settings["hours"])
        & (-pl.col("rise") < floor)
        & (pl.col("rise") <= 0.5)
        & (pl.col("bx") > rule.settings["dry_brix"])
    )
    longest = rows.sort("hours", descending=True).unique(list(VESSEL), keep="first", maintain_order=True)
    return _said(longest, rule)
