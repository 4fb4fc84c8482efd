"""What a store weighs and how long one question takes, as the readings grow from one million to fifty.

    python benchmarks/store_growth.py [--millions 1 10 50] [--runs 5] [--folder FOLDER]

Stores are filled by SQL as fifty seasons bring readings in, five entries a season, one for each stage, and
deleted afterwards: half a gigabyte for fifty million readings. A question has 40 trials whatever the size,
spread over all seasons. Processor time is measured. Writes results/store_growth.md.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from side_by_side import ENVIRONMENT, machine, medians, write

from crosscellar.contract import Contract, load_contract
from crosscellar.contract.frames import DESIGN
from crosscellar.lending import effects_of_one, keep_up
from crosscellar.network import Network
from crosscellar.pooling import pool
from crosscellar.store import Store
from crosscellar.store.beside import remembered_path

#: What is done after a sheet came in; the last is timed.
AFTER_A_SHEET = {"kept_up": ("kept_up",), "after": ("kept_up", "answer"), "not_kept_up": ("answer",)}

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

#: One date more of every vessel and analyte of four trials: 128 readings.
_SHEET = """
    INSERT INTO readings BY NAME
    SELECT * REPLACE (reading_id + (SELECT max(reading_id) FROM readings) AS reading_id,
        (SELECT max(entry_id) FROM ledger) AS entry_id, sample_date + 1 AS sample_date)
    FROM readings
    WHERE trial_id IN (SELECT unnest($trials)) AND stage = 'pre_bottling' AND replicate = 1
        AND entry_id <= 250
"""


WHAT = """\
Medians of {runs} runs, processor time, load {load:.0f} at the end; `python benchmarks/store_growth.py`
repeats it. A question has 40 trials at any size, spread over fifty seasons of five entries; every trial
lends it its variance. The store is opened anew each time. *Beside*: bytes a reading in the folder beside
the store, one analyte asked about. *With places*: the readings of a question's trials, 12,800 rows, with
where each came from (`Store.readings`). *Own*: those that an answer reads, 2,560 of one stage
(`Store.measured`). *Answer*: the question's effects on one response (`effects_of_one`), pooled. *Keeping
up*: what taking in a sheet of 128 readings of four trials does at its end to what lies beside the store.
*After*: the first answer after that. *Not kept up*: the same where that was left undone. *First*: with
nothing beside the store, when the readings of all trials on the analyte are read. In all these the design
is given as a frame; *whole* is `Network.pool`, which reads the register too, and *process* what a person
waits for, `crosscellar pool`.
"""

COLUMNS = (
    *("readings", "bytes each", "beside", "with places, ms", "own, ms", "answer, s", "keeping up, s"),
    *("after, s", "not kept up, s", "first, s", "whole, s", "process, s"),
)


def spent() -> float:
    """Processor seconds of this process and of those that it started and saw end."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


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


def registered(path: Path, design: pl.DataFrame, planned: pl.DataFrame, contract: Contract) -> None:
    """Nothing; the store has a register of this design."""
    trials = design.select("trial_id", "season", "site_id", "question_id").unique(maintain_order=True)
    tables = {
        "sites": design.select("site_id", pl.col("site_id").alias("name")).unique(maintain_order=True),
        "questions": trials.select(
            pl.col("question_id").unique(maintain_order=True),
            title=pl.lit("Does it raise glycerol?"),
            primary_response=pl.lit("glycerol"),
            primary_stage=pl.lit("pre_bottling"),
            wanted=pl.lit("increase"),
            smallest_difference=pl.lit("5"),
            smallest_difference_unit=pl.lit("%"),
        ),
        "trials": trials.with_columns(pl.lit("complete").alias("status")),
        "arms": design.select("trial_id", "arm_id", "role").unique(maintain_order=True),
        "vessels": design.select("trial_id", "arm_id", "vessel_id", pl.lit("barrel").alias("kind")),
        "responses": planned.select("trial_id", "response", "stage", "role"),
    }
    with Store.open(path) as store:
        store.keep_register(
            {name: frame.cast(pl.String) for name, frame in tables.items()},
            {name: tuple(table.key) for name, table in contract.register_tables.items()},
        )


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


@dataclass(frozen=True)
class Growing:
    """A filled store of so many trials a season, and what a question of it is asked with."""

    path: Path
    trials: int
    contract: Contract = field(hash=False, compare=False)

    @property
    def readings(self) -> int:
        return self.trials * SEASONS * A_TRIAL

    @cached_property
    def register(self) -> tuple[pl.DataFrame, pl.DataFrame]:
        return register(self.trials)

    @cached_property
    def own(self) -> list[str]:
        """The trials of the question."""
        return self.question[0]["trial_id"].unique().sort().to_list()

    @cached_property
    def question(self) -> tuple[pl.DataFrame, pl.DataFrame]:
        """The design and plan of its own trials."""
        design, planned = self.register
        own = design.filter(pl.col("question_id") == "Q0")
        return own, planned.join(own, on="trial_id", how="semi", maintain_order="left")

    def opened(self) -> Store:
        return Store.open(self.path, create=False, read_only=True)

    def answer(self) -> None:
        design, planned = self.question
        with self.opened() as store:
            effects = effects_of_one(
                store, design, planned, self.contract, question="Q0", network=lambda: self.register
            )
            pool(effects, smallest_difference=None)

    def whole(self) -> None:
        with Network.open(self.path, create=False, read_only=True) as network:
            assert network.pool("Q0")[0].n_effects >= TRIALS_OF_A_QUESTION

    def process(self) -> None:
        command = [Path(sys.executable).with_name("crosscellar"), "--store", self.path, "pool", "Q0"]
        subprocess.run(command, check=True, capture_output=True, env=ENVIRONMENT)

    def kept_up(self) -> None:
        design, _ = self.register
        with self.opened() as store:
            keep_up(store, lambda: design, self.contract)

    def first(self) -> None:
        shutil.rmtree(remembered_path(self.path), ignore_errors=True)
        self.answer()

    def with_places(self) -> None:
        with self.opened() as store:
            assert store.readings(trials=self.own).height >= len(self.own) * A_TRIAL

    def own_readings(self) -> None:
        with self.opened() as store:
            found = store.measured(trials=self.own, stages=["pre_bottling"])
            assert found.height >= len(self.own) * A_TRIAL // 5

    def beside(self) -> int:
        """Bytes in the folder beside the store."""
        return sum(file.stat().st_size for file in remembered_path(self.path).iterdir())

    def one_more_sheet(self) -> None:
        """Nothing; an entry of 128 readings of the last four trials came in."""
        design, _ = self.register
        with duckdb.connect(str(self.path)) as connection:
            connection.execute(_NEXT_ENTRY)
            connection.execute(_SHEET, {"trials": design["trial_id"].unique().sort()[-4:].to_list()})
            connection.execute("CHECKPOINT")


def rows(stores: Sequence[Growing], *, runs: int) -> list[str]:
    """A row of the table for each store; they take turns, so that a busy machine slows all alike."""
    sizes = {store: store.path.stat().st_size for store in stores}
    for store in stores:
        registered(store.path, *store.register, store.contract)
    took = medians(
        {
            f"{store.trials} {name}": work
            for name in ("first", "answer", "own_readings", "with_places", "whole", "process")
            for store in stores
            for work in [getattr(store, name)]
        },
        runs=runs,
        clock=spent,
    )
    for name, works in AFTER_A_SHEET.items():
        taken: dict[Growing, list[float]] = {store: [] for store in stores}
        for _ in range(runs + 1):
            for store in stores:
                store.one_more_sheet()
                for work in works:
                    begun = time.process_time()
                    getattr(store, work)()
                # The last of them is what is asked about.
                taken[store].append(time.process_time() - begun)
        took |= {f"{store.trials} {name}": statistics.median(taken[store][1:]) for store in stores}
    return [
        f"| {store.readings:,} | {sizes[store] / store.readings:.1f} | {store.beside() / store.readings:.2f} "
        + "".join(
            f"| {1000 * took[f'{store.trials} {name}']:.0f} " for name in ("with_places", "own_readings")
        )
        + "".join(
            f"| {took[f'{store.trials} {name}']:.2f} "
            for name in ("answer", *AFTER_A_SHEET, "first", "whole", "process")
        )
        + "|"
        for store in stores
    ]


def main() -> None:
    """Measures each size and writes the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--millions", type=int, nargs="+", default=[1, 10, 50])
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    lines = ["# Growth of the store", "", machine("duckdb", "polars"), ""]
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        contract, stores = load_contract(), []
        for millions in options.millions:
            path = Path(folder) / f"network{millions}.duckdb"
            stores.append(Growing(path, millions * 1_000_000 // (SEASONS * A_TRIAL), contract))
            fill(path, stores[-1].trials)
        found = rows(stores, runs=options.runs)
    lines += [
        WHAT.format(runs=options.runs, load=os.getloadavg()[0]),
        f"| {' | '.join(COLUMNS)} |",
        "|---" * len(COLUMNS) + "|",
        *found,
    ]
    write("store_growth", lines)


if __name__ == "__main__":
    main()
