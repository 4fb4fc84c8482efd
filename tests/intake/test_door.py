"""The last look: what slipped past every judgement and fails a declared check is refused, not stored."""

from __future__ import annotations

from typing import Any

import polars as pl

from crosscellar.intake.door import look_again
from crosscellar.intake.findings import Faults

LONG = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,lab\n"
ROWS = (
    "LS24-ORR,control,ORR-01,end_AF,2024-10-15,pH,3.31,,lab_north\n"
    "LS24-ORR,control,ORR-01,end_AF,2024-10-15,TA,<0.5,g/L,lab_north\n"
)


def _typed(judge: Any) -> pl.DataFrame:
    readings: pl.DataFrame = judge(("a.csv", LONG + ROWS)).readings
    return readings.with_columns(
        pl.int_range(pl.len(), dtype=pl.Int32).alias("item_no"), pl.lit(True).alias("enters")
    )


def test_sound_readings_pass_and_a_value_below_a_limit_is_not_judged_by_its_limit(
    judge: Any, contract: Any
) -> None:
    faults = Faults()
    look_again({"readings": _typed(judge)}, contract, faults)
    assert faults.frame().is_empty()


def test_each_kind_of_slip_is_refused_at_its_cell(judge: Any, contract: Any) -> None:
    sound = _typed(judge).head(1)
    for slip in (
        pl.lit(34.5).alias("value"),
        pl.lit(float("inf")).alias("value"),
        pl.lit("g/L").alias("unit"),
        pl.lit("p_h").alias("analyte"),
    ):
        faults = Faults()
        look_again({"readings": sound.with_columns(slip)}, contract, faults)
        told = faults.frame()
        assert told.select("code", "severity", "item_no", "row", "column").unique().rows() == [
            ("does_not_fit", "refuse", 0, 2, 7)
        ]


def test_what_does_not_enter_is_not_looked_at(judge: Any, contract: Any) -> None:
    wrong = _typed(judge).head(1).with_columns(pl.lit(34.5).alias("value"), pl.lit(False).alias("enters"))
    faults = Faults()
    look_again({"readings": wrong}, contract, faults)
    assert faults.frame().is_empty()
