"""Which of day and month comes first, where only season and stages can tell: suggested, never assumed."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.intake.lookup import StoredLookup
from crosscellar.intake.outcomes import as_target
from crosscellar.intake.rules import date_objections

if TYPE_CHECKING:
    from crosscellar.register import Register

_WAYS: Final = {"day_first": "day", "month_first": "month"}
_COLUMN: Final = ["file_no", "sheet", "column"]


def suggest_order(
    faults: pl.DataFrame,
    items: pl.DataFrame,
    stored: StoredLookup,
    register: Register,
    contract: Contract,
    *,
    received: date,
) -> pl.DataFrame:
    """Faults; a column of dates that fits season and stages under one order only has that order suggested.

    `items` have `outcome`, `day_first` and `month_first`. An order fits if none of the column's days lies
    after `received`, and the rules on season and order of stages object to none of its readings.
    """
    known = pl.all_horizontal(pl.col("vessel_id", "stage", "analyte", "value").is_not_null())
    readings = (pl.col("target") == "readings") & known & ~pl.col("blank")
    two_ways = pl.col("day_first").is_not_null() & pl.col("month_first").is_not_null()
    open_days = items.filter(two_ways & readings)
    if open_days.is_empty():
        return faults
    standing = stored.stored_readings_of(open_days["trial_id"].unique().sort().to_list())
    dated = items.filter((pl.col("outcome") == "accepted") & readings)
    columns = open_days.select("item_no", "file_no", "sheet", pl.col("day_at").cast(pl.Int32).alias("column"))
    for way in _WAYS:
        supposed = open_days.with_columns(pl.col(way).str.to_date("%Y-%m-%d").alias("sample_date"))
        typed = pl.concat([supposed, dated]).with_columns(pl.lit(False).alias("supersedes"))
        typed = as_target(typed, "readings", "item_no", pl.lit(True).alias("entering"))
        late = supposed.filter(pl.col("sample_date") > received)["item_no"].to_list()
        objected = [*late, *date_objections(typed, standing, register, contract)]
        columns = columns.with_columns(pl.col("item_no").is_in(objected).alias(way))
    fits = columns.group_by(_COLUMN).agg(*(~pl.col(way).any() for way in _WAYS))
    only = pl.col("day_first") != pl.col("month_first")
    first = pl.when("day_first").then(pl.lit("day")).otherwise(pl.lit("month"))
    fits = fits.filter(only).select(*_COLUMN, first.alias("first"))
    told = faults.join(fits, on=_COLUMN, how="left", nulls_equal=True, maintain_order="left")
    suggestion = pl.format(
        "Season and stages fit only with the {} first. Confirm that once for the whole file.", "first"
    )
    settled = (pl.col("code") == "date_ambiguous") & pl.col("first").is_not_null()
    return told.with_columns(
        pl.when(settled).then(suggestion).otherwise("suggestion").alias("suggestion")
    ).drop("first")
