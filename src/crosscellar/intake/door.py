"""The last look before anything enters: typed items against the declared checks of their table."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from crosscellar.contract import Contract
from crosscellar.intake.findings import Faults


def look_again(typed: Mapping[str, pl.DataFrame], contract: Contract, faults: Faults) -> None:
    """Refuse whatever would enter and still fails a declared check of its table.

    `typed` has for each target its columns, `item_no`, and `enters`. Earlier steps judge with better words;
    this one stands behind them, so that a slip in any of them costs a reading and never lets a wrong number
    in. A reading below or above a limit is left out: its number is the limit's.
    """
    for target, items in typed.items():
        schema = contract.frame_schema(target)
        looked_at = pl.col("enters") & (pl.col("qualifier") == "" if target == "readings" else True)
        # Nearly always all fits: then what enters need not be copied apart from the rest.
        if items.is_empty() or schema.fits(items, where=looked_at):
            continue
        sound = items.filter(looked_at)
        failures = schema.failures(sound.drop("item_no", "enters"))
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
