"""What a store weighs and how long one question takes, as the readings grow from one million to fifty.

    python benchmarks/store_growth.py [--millions 1 10 50] [--runs 5] [--folder FOLDER]

Stores are filled by SQL in the order in which seasons bring readings in, and deleted afterwards. A question
has 40 trials whatever the size, spread over all seasons. Writes results/store_growth.md.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
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
TRIALS_OF_A_QUESTION = 40

_FILL = """
    INSERT INTO readings
    SELECT i AS reading_id, 1 AS entry_id, (i // 60)::INTEGER AS file_id, i AS item_id, '' AS sheet,
        (i % 60 + 2)::INTEGER AS "row", 7 AS "column", 'G' || (i % 60 + 2) AS cell,
        'T' || lpad((i // 320)::VARCHAR, 7, '0') AS trial_id,
        CASE WHEN i // 80 % 4 < 2 THEN 'control' ELSE 'stirred' END AS arm_id,
        (i // 80 % 4 + 1)::VARCHAR AS vessel_id,
        ['juice', 'end_primary', 'end_mlf', 'ageing_6m', 'pre_bottling'][i // 16 % 5 + 1] AS stage,
        DATE '1976-09-01' + (i // 320 * 18250 // $trials)::INTEGER + (i // 16 % 5 * 40)::INTEGER
            AS sample_date,
        NULL AS "time",
        ['titratable_acidity', 'malic_acid', 'ph', 'glycerol', 'volatile_acidity', 'ethanol', 'so2_free',
            'yan'][i // 2 % 8 + 1] AS analyte,
        (i % 2 + 1)::INTEGER AS replicate, round(4 + random(), 2) AS value, '' AS qualifier,
        'g/L' AS unit, 'lab ' || (i // 320 % 7) AS lab, '' AS method, NULL AS note,
        round(4 + random(), 2)::VARCHAR AS text_sent, 'g/L' AS unit_sent, '' AS conversion
    FROM range($first::BIGINT, $last::BIGINT) AS t(i)
"""


def fill(path: Path, readings: int) -> float:
    """Seconds to fill a new store."""
    Store.open(path).close()
    begun = time.perf_counter()
    trials = readings // A_TRIAL
    with duckdb.connect(str(path)) as connection:
        connection.execute(
            "INSERT INTO ledger VALUES (1, now(), 'intake', $n, '0', '0')", {"n": trials * A_TRIAL}
        )
        step = 5_000_000 // A_TRIAL * A_TRIAL
        for first in range(0, trials * A_TRIAL, step):
            last = min(first + step, trials * A_TRIAL)
            connection.execute(_FILL, {"trials": trials, "first": first, "last": last})
        connection.execute(
            """
            INSERT INTO files SELECT i::INTEGER, 1, i::INTEGER, 'sheet ' || i || '.csv', NULL, 'lab_long',
                60, 60, 0, 0, 0, 0, 'taken_in', ''
            FROM range($files::BIGINT) AS t(i)
            """,
            {"files": trials * A_TRIAL // 60 + 1},
        )
        connection.execute("CHECKPOINT")
    return time.perf_counter() - begun


def register(readings: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The design of every vessel, and what is planned: the analyte of the question asked about."""
    trials = readings // A_TRIAL
    questions = max(1, trials // TRIALS_OF_A_QUESTION)
    rows = pl.DataFrame({"trial": np.arange(trials)}).join(
        pl.DataFrame(
            {"arm_id": ["control", "control", "stirred", "stirred"], "vessel_id": ["1", "2", "3", "4"]}
        ),
        how="cross",
    )
    known = rows.select(
        (pl.lit("T") + pl.col("trial").cast(pl.String).str.zfill(7)).alias("trial_id"),
        (1976 + pl.col("trial") * 50 // trials).alias("season"),
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


def main() -> None:
    """Measures each size and writes the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--millions", type=int, nargs="+", default=[1, 10, 50])
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    contract = load_contract()
    lines = [
        "# Growth of the store",
        "",
        machine("duckdb", "polars"),
        "",
        f"Medians of {options.runs} runs; `python benchmarks/store_growth.py` repeats it. A question has",
        "40 trials at any size, and every trial lends it its variance. *Own readings*: `Store.readings`",
        "of its trials, 12,800 rows. *Answer*: its effects on one response (`effects_of_one`), pooled; what",
        "the network lends lies beside the store. *First answer*: the same after a change of the store, when",
        "that is worked out anew from the analyte's readings of all trials. The design is given as a frame;",
        "`crosscellar pool` reads the register as well.",
        "",
        "| readings | bytes a reading | own readings, ms | answer, s | first answer, s |",
        "|---|---|---|---|---|",
    ]
    for millions in options.millions:
        with tempfile.TemporaryDirectory(dir=options.folder) as folder:
            path = Path(folder) / "network.duckdb"
            readings = millions * 1_000_000
            fill(path, readings)
            design, planned = register(readings)
            own = design.filter(pl.col("question_id") == "Q0")["trial_id"].unique().sort().to_list()
            with Store.open(path, create=False, read_only=True) as store:
                assert store.readings(trials=own).height == len(own) * A_TRIAL

                def answered(
                    store: Store = store, design: pl.DataFrame = design, planned: pl.DataFrame = planned
                ) -> object:
                    effects = effects_of_one(store, design, planned, contract, question="Q0")
                    return pool(effects, smallest_difference=None)

                def first(path: Path = path, answered: Callable[[], object] = answered) -> object:
                    remembered_path(path).unlink(missing_ok=True)
                    return answered()

                took = medians(
                    {
                        "first": first,
                        "answer": answered,
                        "own": lambda store=store, own=own: store.readings(trials=own),
                    },
                    runs=options.runs,
                )
            size = path.stat().st_size / readings
            lines.append(
                f"| {readings:,} | {size:.1f} | {1000 * took['own']:.0f} | {took['answer']:.2f} "
                f"| {took['first']:.2f} |"
            )
            print(lines[-1], flush=True)
    write("store_growth", lines)


if __name__ == "__main__":
    main()
