"""What a store weighs and how long one question takes, as the readings grow from one million to fifty.

    python benchmarks/store_growth.py [--millions 1 10 50] [--runs 5] [--folder FOLDER]

Stores are filled by SQL as fifty seasons bring readings in, five entries a season, one for each stage, and
deleted afterwards. A question has 40 trials whatever the size, spread over all seasons. Processor time is
measured. Writes results/store_growth.md.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import tempfile
import time
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from side_by_side import machine, medians, write

from crosscellar.contract import load_contract
from crosscellar.contract.frames import DESIGN
from crosscellar.lending import effects_of_one
from crosscellar.pooling import pool
from crosscellar.store import Store
from crosscellar.store.beside import remembered_path

#: 4 vessels, 8 analytes, 5 stages and a repeat of each.
A_TRIAL = 320
SEASONS = 50
TRIALS_OF_A_QUESTION = 40

#: `here` counts the readings of one stage of one season: 64 a trial.
_FILL = """
    INSERT INTO readings
    SELECT i AS reading_id, (i // ($trials * 64) + 1)::INTEGER AS entry_id, (i // 60)::INTEGER AS file_id,
        i AS item_id, '' AS sheet, (i % 60 + 2)::INTEGER AS "row", 7 AS "column",
        'G' || (i % 60 + 2) AS cell,
        'T' || lpad((i // ($trials * 320) * $trials + here // 64)::VARCHAR, 7, '0') AS trial_id,
        CASE WHEN here // 16 % 4 < 2 THEN 'control' ELSE 'stirred' END AS arm_id,
        (here // 16 % 4 + 1)::VARCHAR AS vessel_id,
        ['juice', 'end_primary', 'end_mlf', 'ageing_6m', 'pre_bottling'][stage + 1] AS stage,
        DATE '1976-09-01' + (i // ($trials * 320) * 365 + stage * 40)::INTEGER AS sample_date, NULL AS "time",
        ['titratable_acidity', 'malic_acid', 'ph', 'glycerol', 'volatile_acidity', 'ethanol', 'so2_free',
            'yan'][here // 2 % 8 + 1] AS analyte,
        (i % 2 + 1)::INTEGER AS replicate, round(4 + random(), 2) AS value, '' AS qualifier,
        'g/L' AS unit, 'lab ' || (here // 64 % 7) AS lab, '' AS method, NULL AS note,
        round(4 + random(), 2)::VARCHAR AS text_sent, 'g/L' AS unit_sent, '' AS conversion
    FROM (SELECT i, i // ($trials * 64) % 5 AS stage, i % ($trials * 64) AS here
        FROM range($first::BIGINT, $last::BIGINT) AS t(i))
"""

_ENTRIES = """
    INSERT INTO ledger SELECT n, now(), 'intake', n * $trials * 64, '0', '0' FROM range(1, 251) AS t(n)
"""

_NEXT_ENTRY = """
    INSERT INTO ledger SELECT max(entry_id) + 1, now(), 'intake', max(standing) + 128, '0', '0' FROM ledger
"""

#: One date more of every vessel and analyte of four trials.
_SHEET = """
    INSERT INTO readings BY NAME
    SELECT * REPLACE (reading_id + (SELECT max(reading_id) FROM readings) AS reading_id,
        (SELECT max(entry_id) FROM ledger) AS entry_id, sample_date + 1 AS sample_date)
    FROM readings
    WHERE trial_id IN (SELECT unnest($trials)) AND stage = 'pre_bottling' AND replicate = 1
    ORDER BY trial_id, analyte LIMIT 128
"""


def fill(path: Path, trials: int) -> None:
    """Nothing; a new store holds the readings of so many trials a season."""
    Store.open(path).close()
    readings = trials * SEASONS * A_TRIAL
    with duckdb.connect(str(path)) as connection:
        connection.execute(_ENTRIES, {"trials": trials})
        for first in range(0, readings, 5_000_000):
            last = min(first + 5_000_000, readings)
            connection.execute(_FILL, {"trials": trials, "first": first, "last": last})
        connection.execute(
            """
            INSERT INTO files SELECT i::INTEGER, 1, i::INTEGER, 'sheet ' || i || '.csv', NULL, 'lab_long',
                60, 60, 0, 0, 0, 0, 'taken_in', ''
            FROM range($files::BIGINT) AS t(i)
            """,
            {"files": readings // 60 + 1},
        )
        connection.execute("CHECKPOINT")


def one_more_sheet(path: Path, trials: list[str]) -> None:
    """Nothing; an entry of 128 readings came in."""
    with duckdb.connect(str(path)) as connection:
        connection.execute(_NEXT_ENTRY)
        connection.execute(_SHEET, {"trials": trials})
        connection.execute("CHECKPOINT")


def register(trials_a_season: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The design of every vessel, and what is planned: the analyte of the question asked about."""
    trials = trials_a_season * SEASONS
    questions = max(1, trials // TRIALS_OF_A_QUESTION)
    rows = pl.DataFrame({"trial": np.arange(trials)}).join(
        pl.DataFrame(
            {"arm_id": ["control", "control", "stirred", "stirred"], "vessel_id": ["1", "2", "3", "4"]}
        ),
        how="cross",
    )
    known = rows.select(
        (pl.lit("T") + pl.col("trial").cast(pl.String).str.zfill(7)).alias("trial_id"),
        (1976 + pl.col("trial") // trials_a_season).alias("season"),
        pl.format("S{}", pl.col("trial") % 60).alias("site_id"),
        pl.format("Q{}", pl.col("trial") % questions).alias("question_id"),
        "arm_id",
        "vessel_id",
        pl.when(pl.col("arm_id") == "control")
        .then(pl.lit("control"))
        .otherwise(pl.lit("treatment"))
        .alias("role"),
    )
    design = known.select(
        (pl.col(name) if name in known.columns else pl.lit(None)).cast(kind).alias(name)
        for name, kind in DESIGN.items()
    )
    planned = design.select("trial_id").unique(maintain_order=True)
    return design, planned.with_columns(
        pl.lit("glycerol").alias("response"),
        pl.lit("pre_bottling").alias("stage"),
        pl.lit("primary").alias("role"),
        pl.lit(None, dtype=pl.String).alias("measure"),
    )


def measured(path: Path, trials: int, *, runs: int) -> str:
    """The row of a filled store."""
    contract = load_contract()
    design, planned = register(trials)
    own = design.filter(pl.col("question_id") == "Q0")["trial_id"].unique().sort().to_list()
    readings = trials * SEASONS * A_TRIAL
    size = path.stat().st_size / readings

    def opened() -> Store:
        return Store.open(path, create=False, read_only=True)

    def answer() -> None:
        with opened() as store:
            effects = effects_of_one(store, design, planned, contract, question="Q0")
            pool(effects, smallest_difference=None)

    def first() -> None:
        shutil.rmtree(remembered_path(path), ignore_errors=True)
        answer()

    def places() -> None:
        with opened() as store:
            assert store.readings(trials=own).height == len(own) * A_TRIAL

    def own_readings() -> None:
        with opened() as store:
            found = store.measured(trials=own, stages=["pre_bottling"])
            assert found.height >= len(own) * A_TRIAL // 5

    took = medians(
        {"first": first, "answer": answer, "own": own_readings, "places": places},
        runs=runs,
        clock=time.process_time,
    )
    after = []
    for _ in range(runs + 1):
        one_more_sheet(path, design["trial_id"].unique().sort()[-4:].to_list())
        begun = time.process_time()
        answer()
        after.append(time.process_time() - begun)
    beside = sum(file.stat().st_size for file in remembered_path(path).iterdir()) / readings
    return (
        f"| {readings:,} | {size:.1f} | {beside:.2f} "
        f"| {1000 * took['places']:.0f} | {1000 * took['own']:.0f} "
        f"| {took['answer']:.2f} | {statistics.median(after[1:]):.2f} | {took['first']:.2f} |"
    )


def main() -> None:
    """Measures each size and writes the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--millions", type=int, nargs="+", default=[1, 10, 50])
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    lines = [
        "# Growth of the store",
        "",
        machine("duckdb", "polars"),
        "",
        f"Medians of {options.runs} runs, processor time; `python benchmarks/store_growth.py` repeats it.",
        "A question has 40 trials at any size, spread over fifty seasons of five entries, and every trial",
        "lends it its variance. The store is opened anew each time. *Beside*: bytes a reading in the folder",
        "beside the store, one analyte asked about. *With places*: the readings of a question's trials,",
        "12,800 rows, with where each came from (`Store.readings`). *Own*: those that an answer reads,",
        "2,560 of one stage (`Store.measured`). *Answer*: the question's effects on one response",
        "(`effects_of_one`), pooled. *After*: the first answer after a sheet of 128 readings of four trials.",
        "*First*: with nothing beside the store, when the readings of all trials on the analyte are read.",
        "The design is given as a frame; `crosscellar pool` reads the register as well.",
        "",
        "| readings | bytes each | beside | with places, ms | own, ms | answer, s | after, s | first, s |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for millions in options.millions:
        with tempfile.TemporaryDirectory(dir=options.folder) as folder:
            path = Path(folder) / "network.duckdb"
            trials = millions * 1_000_000 // (SEASONS * A_TRIAL)
            fill(path, trials)
            lines.append(measured(path, trials, runs=options.runs))
            print(lines[-1], flush=True)
    write("store_growth", lines)


if __name__ == "__main__":
    main()
