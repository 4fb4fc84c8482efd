"""How long all effects of a store take, beside a bare polars group-by of the same readings.

python benchmarks/effects_speed.py [--readings 100000]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
import polars as pl

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


def network(readings: int, seed: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    rng = np.random.default_rng(seed)
    trials = readings // (4 * 2 * len(ANALYTES) * len(STAGES))
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
        .join(pl.DataFrame({"stage": STAGES}), how="cross")
        .join(pl.DataFrame({"replicate": [1, 2]}), how="cross")
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
        .join(pl.DataFrame({"stage": STAGES}), how="cross")
        .with_columns(pl.lit("monitored").alias("role"))
    )
    return _shaped(values, READINGS), _shaped(design, DESIGN), responses


def _shaped(frame: pl.DataFrame, columns: object) -> pl.DataFrame:
    kinds = dict(columns)  # type: ignore[call-overload]
    return frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(kind).alias(name)
        for name, kind in kinds.items()
    )


def best_of(times: int, work: Callable[[], object]) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--readings", type=int, default=100_000)
    options = parser.parse_args()
    readings, design, responses = network(options.readings, 5)
    contract = load_contract()
    keys = ["trial_id", "arm_id", "vessel_id", "analyte", "stage"]
    floor = best_of(5, lambda: readings.group_by(keys).agg(pl.col("value").mean()))
    effects = effects_of_readings(readings, design, responses, contract)
    whole = best_of(3, lambda: effects_of_readings(readings, design, responses, contract))
    print(
        f"{readings.height} readings, {effects.height} effects: {whole:.3f} s; "
        f"bare group-by {floor:.3f} s; ratio {whole / floor:.1f}"
    )


if __name__ == "__main__":
    main()
