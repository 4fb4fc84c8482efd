"""How long all effects of a store take, beside a bare polars group-by of the same readings, in one run.

python benchmarks/effects_speed.py [--readings 1000000] [--runs 7]

Two networks: every vessel measured in 40 ways with a repeat, so that eight readings make an effect; and every
vessel measured twenty times in eight ways, as where dates are many. Writes results/effects_speed.md.
"""

from __future__ import annotations

import argparse

import numpy as np
import polars as pl
from side_by_side import machine, medians, write

from crosscellar.contract import load_contract
from crosscellar.contract.frames import DESIGN, READINGS
from crosscellar.effects import effects_of_readings

ANALYTES = (
    "titratable_acidity",
    "malic_acid",
    "ph",
    "glycerol",
    "volatile_acidity",
    "ethanol",
    "so2_free",
    "yan",
)
STAGES = ("juice", "end_primary", "end_mlf", "ageing_6m", "pre_bottling")


def network(
    readings: int, seed: int, *, repeats: int = 2, stages: tuple[str, ...] = STAGES
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Readings, design and responses of trials with two arms of two vessels."""
    rng = np.random.default_rng(seed)
    trials = readings // (4 * repeats * len(ANALYTES) * len(stages))
    vessels = pl.DataFrame({"trial": range(trials)}).join(
        pl.DataFrame(
            {"arm_id": ["control", "control", "stirred", "stirred"], "vessel_id": ["1", "2", "3", "4"]}
        ),
        how="cross",
    )
    design = vessels.select(
        pl.format("T{}", "trial").alias("trial_id"),
        (2015 + pl.col("trial") % 10).alias("season"),
        pl.format("S{}", pl.col("trial") % 60).alias("site_id"),
        pl.format("Q{}", pl.col("trial") % 12).alias("question_id"),
        "arm_id",
        "vessel_id",
        pl.when(pl.col("arm_id") == "control")
        .then(pl.lit("control"))
        .otherwise(pl.lit("treatment"))
        .alias("role"),
    )
    full = (
        design.select("trial_id", "arm_id", "vessel_id")
        .join(pl.DataFrame({"analyte": ANALYTES}), how="cross")
        .join(pl.DataFrame({"stage": stages}), how="cross")
        .join(pl.DataFrame({"replicate": range(repeats)}), how="cross")
    )
    values = full.with_columns(
        pl.Series("value", 5.0 * np.exp(0.1 * rng.normal(size=full.height))),
        pl.lit("lab A").alias("lab"),
        pl.lit("").alias("qualifier"),
        pl.lit("g/L").alias("unit"),
    )
    responses = (
        design.select("trial_id")
        .unique(maintain_order=True)
        .join(pl.DataFrame({"response": ANALYTES}), how="cross")
        .join(pl.DataFrame({"stage": stages}), how="cross")
        .with_columns(pl.lit("monitored").alias("role"))
    )
    return _shaped(values, READINGS), _shaped(design, DESIGN), responses


def _shaped(frame: pl.DataFrame, columns: object) -> pl.DataFrame:
    kinds = dict(columns)  # type: ignore[call-overload]
    return frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(kind).alias(name)
        for name, kind in kinds.items()
    )


def main() -> None:
    """Measures both networks and writes the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--runs", type=int, default=7)
    options = parser.parse_args()
    contract = load_contract()
    keys = ["trial_id", "arm_id", "vessel_id", "analyte", "stage"]
    lines = [
        "# All effects of a store: speed",
        "",
        machine("polars", "numpy"),
        "",
        f"Medians of {options.runs} runs, in turn; `python benchmarks/effects_speed.py` repeats it. The bare",
        "group-by averages the repeats of each vessel, analyte and stage and does nothing else.",
        "",
        "| readings | vessel values | effects | bare group-by, s | effects, s | ratio |",
        "|---|---|---|---|---|---|",
    ]
    for repeats, stages in ((2, STAGES), (20, STAGES[:1])):
        readings, design, responses = network(options.readings, 5, repeats=repeats, stages=stages)

        def bare(readings: pl.DataFrame = readings) -> pl.DataFrame:
            return readings.group_by(keys).agg(pl.col("value").mean())

        def effects(
            readings: pl.DataFrame = readings,
            design: pl.DataFrame = design,
            responses: pl.DataFrame = responses,
        ) -> pl.DataFrame:
            return effects_of_readings(readings, design, responses, contract)

        took = medians({"bare": bare, "effects": effects}, runs=options.runs)
        lines.append(
            f"| {readings.height:,} | {bare().height:,} | {effects().height:,} | {took['bare']:.3f} "
            f"| {took['effects']:.3f} | {took['effects'] / took['bare']:.1f} |"
        )
    write("effects_speed", lines)


if __name__ == "__main__":
    main()
