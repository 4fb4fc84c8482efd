"""The last look before anything enters: typed items against the declared checks of their table."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from crosscellar.contract import Contract
from crosscellar.intake.findings import Faults


def look_again(typed: Mapping[str, pl.DataFrame], contract: Contract, faults: Faults) -> None:
    """Refuse whatever would enter and still fails a declared check of its table.

    `typed` has for each target its columns and `item_no`. Earlier steps judge with better words; this one
    stands behind them, so that a slip in any of them costs a reading and never lets a wrong number in. A
    reading below or above a limit is left out: its number is the limit's.
    """
    for target, items in typed.items():
        schema = contract.frame_schema(target)
        # Nearly always all fits, limits too: then they need not be told apart.
        if items.is_empty() or schema.fits(items.drop("item_no")):
            continue
        sound = items.filter(pl.col("qualifier") == "") if target == "readings" else items
        failures = schema.failures(sound.drop("item_no"))
        failing = (
            failures.drop_nulls("index").group_by("index").agg(pl.col("check").unique().sort().str.join(", "))
        )
        if failures.is_empty():
            continue
        rows = sound.with_row_index("index").with_columns(pl.col("index").cast(pl.Int64))
        told = rows.join(failing, on="index", how="inner").sort("index")
        faults.add(
            told,
            "does_not_fit",
            pl.format(
                "The reading does not fit what is declared ({}).", pl.col("check").str.replace_all("_", " ")
            ),
            "Check the row against the laboratory's report.",
        )
