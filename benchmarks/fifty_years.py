"""What a season's commands take in a store of fifty seasons, beside the same in a store of one.

    python benchmarks/fifty_years.py [--seasons 50] [--trials 400] [--runs 3] [--folder FOLDER]

Both stores are made by taking in register and sheets, ten laboratories a season; the last season is the same.
Every command is a process of its own; its processor time counts, on all cores. Writes results/fifty_years.md.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import polars as pl
from side_by_side import ENVIRONMENT, machine, write

LAST = 2025
SITES, LABORATORIES, ASKED = 60, 10, 40
#: A question is asked for so many seasons.
ASKED_FOR = 5
#: What is measured at each stage, about how much of it there is, and how far vessels differ.
MEASURED = {
    "juice": {"titratable_acidity": 6.8, "malic_acid": 2.5, "ph": 3.3, "yan": 45.0},
    "end_primary": {
        "titratable_acidity": 6.4,
        "malic_acid": 2.3,
        "ph": 3.38,
        "ethanol": 13.1,
        "volatile_acidity": 0.3,
    },
    "end_mlf": {
        "titratable_acidity": 5.6,
        "malic_acid": 0.12,
        "ph": 3.5,
        "ethanol": 13.1,
        "volatile_acidity": 0.38,
        "glycerol": 7.2,
    },
    "ageing_6m": {
        "titratable_acidity": 5.5,
        "ph": 3.52,
        "volatile_acidity": 0.42,
        "so2_free": 24.0,
        "so2_total": 75.0,
    },
    "pre_bottling": {
        "titratable_acidity": 5.5,
        "ph": 3.52,
        "ethanol": 13.1,
        "volatile_acidity": 0.45,
        "glycerol": 7.2,
        "so2_free": 27.0,
        "so2_total": 88.0,
    },
}
UNITS = {"ph": "", "ethanol": "% vol", "yan": "mg/L", "so2_free": "mg/L", "so2_total": "mg/L"}
SPREAD = 0.02
#: Month and day of a stage, and how many years after the harvest.
DATES = {
    "juice": (9, 5, 0),
    "end_primary": (9, 28, 0),
    "end_mlf": (11, 25, 0),
    "ageing_6m": (3, 20, 1),
    "pre_bottling": (6, 15, 1),
}
RESPONSES = ("glycerol", "volatile_acidity", "titratable_acidity", "so2_total")
#: Labels were given to the samples of so many seasons.
LABELLED = 10

WHAT = """\
Processor seconds of whole processes on all cores, medians of {runs} runs, and the largest resident set of
them; `python benchmarks/fifty_years.py` repeats it. Each store was made by `register` and `intake`. *A sheet*
has the {sheet:,} readings of one laboratory in a season; a dry run judges it and stores nothing. *Of trials
that are not there*: the same sheet with each trial's name misspelt. The register has {labels:,} labels.
"""


def tables(seasons: Sequence[int], trials: int) -> dict[str, pl.DataFrame]:
    """The register of these seasons, with so many trials in each."""
    each = pl.DataFrame({"season": seasons}).join(pl.DataFrame({"place": range(trials)}), how="cross")
    asked = (pl.col("season") // ASKED_FOR * ASKED + pl.col("place") % ASKED).alias("question")
    each = each.with_columns(asked).with_columns(
        trial_id=pl.format("T{}-{}", "season", pl.col("place").cast(pl.String).str.zfill(3)),
        question_id=pl.format("question-{}", "question"),
        site_id=pl.format("site-{}", pl.col("place") % SITES),
        response=pl.col("question").replace_strict(
            {one: RESPONSES[one % len(RESPONSES)] for one in each.select(asked)["question"].unique()}
        ),
    )
    arms = pl.DataFrame({"arm_id": ["usual", "practice"], "role": ["control", "treatment"]})
    vessels = pl.DataFrame({"arm_id": ["usual", "practice"] * 2, "number": [1, 2, 3, 4]})
    placed = each.join(vessels, how="cross").with_columns(
        vessel_id=pl.format("B{}-{}", "place", "number"),
        block=pl.format("pair {}", (pl.col("number") + 1) // 2),
    )
    stages = pl.DataFrame({"stage": list(MEASURED), "at": range(len(MEASURED))})
    labelled = placed.filter(pl.col("season") > seasons[-1] - LABELLED).join(stages, how="cross")
    questions = each.select("question", "question_id", "response").unique(maintain_order=True)
    sites = each.select("site_id").unique(maintain_order=True)
    return {
        "sites": sites.with_columns(site_name="site_id", hemisphere=pl.lit("north")),
        "questions": questions.select(
            "question_id",
            title=pl.format("Does practice {} change the wine?", "question"),
            hypothesis=pl.lit("If it is followed, the wine is another"),
            factor=pl.format("practice {}", "question"),
            primary_response="response",
            primary_stage=pl.lit("pre_bottling"),
            wanted=pl.lit("either"),
            smallest_difference=pl.lit(5),
            smallest_difference_unit=pl.lit("%"),
        ),
        "trials": each.select(
            "trial_id", "season", "site_id", "question_id", lot="trial_id", colour=pl.lit("white")
        ),
        "arms": each.select("trial_id").join(arms, how="cross"),
        "vessels": placed.select("trial_id", "arm_id", "vessel_id", "block", kind=pl.lit("barrel")),
        "responses": each.select(
            "trial_id", "response", stage=pl.lit("pre_bottling"), role=pl.lit("primary"), planned_readings=8
        ),
        "samples": labelled.select(
            "trial_id",
            "arm_id",
            "vessel_id",
            "stage",
            sample_id=pl.format("K{}-{}{}{}", "season", "place", "number", "at"),
        ),
    }


def sheet(register: dict[str, pl.DataFrame], season: int, laboratory: int) -> pl.DataFrame:
    """What one laboratory measured of its trials of one season: every analyte of each stage, twice."""
    trials = register["trials"].filter(season=season).gather_every(LABORATORIES, laboratory)
    plan = pl.DataFrame(
        [
            (stage, analyte, level, UNITS.get(analyte, "g/L"), *DATES[stage])
            for stage, levels in MEASURED.items()
            for analyte, level in levels.items()
        ],
        schema=["stage", "analyte", "level", "unit", "month", "day", "later"],
        orient="row",
    )
    vessels = register["vessels"].join(trials.select("trial_id", "season"), on="trial_id")
    rows = vessels.join(plan, how="cross").join(pl.DataFrame({"replicate": [1, 2]}), how="cross")
    chance = np.random.default_rng([season, laboratory])
    unlike = pl.Series(np.exp(chance.normal(0.0, SPREAD, rows.height)))
    decimals = pl.when(pl.col("level") < 1).then(3).otherwise(2)
    value = pl.col("level") * unlike
    return rows.select(
        "trial_id",
        "arm_id",
        "vessel_id",
        "stage",
        sample_date=pl.date(pl.col("season") + pl.col("later"), "month", "day"),
        analyte="analyte",
        value=(value * 10.0**decimals).round() / 10.0**decimals,
        unit="unit",
        replicate="replicate",
        lab=pl.lit(f"lab {laboratory}"),
    )


def spent(*words: str | Path) -> tuple[float, float]:
    """Processor seconds and largest resident set (MB) of one command."""
    line = [sys.executable, "-m", "crosscellar.cli", *map(str, words)]
    with Path(os.devnull).open("w") as nothing:
        process = subprocess.Popen(line, stdout=nothing, stderr=nothing, env=ENVIRONMENT)
        _, status, usage = os.wait4(process.pid, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1):
        raise SystemExit(f"{' '.join(line)} ended with {os.waitstatus_to_exitcode(status)}")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def made(folder: Path, seasons: Sequence[int], trials: int) -> tuple[int, int, dict[str, list[str | Path]]]:
    """A store of these seasons in `folder`: readings taken in, labels, and the commands to ask it with."""
    register = tables(seasons, trials)
    (folder / "register").mkdir(parents=True)
    (folder / "sheets").mkdir()
    for name, frame in register.items():
        frame.write_csv(folder / "register" / f"{name}.csv")
    readings = 0
    for season in seasons:
        for laboratory in range(LABORATORIES):
            rows = sheet(register, season, laboratory)
            rows.write_csv(folder / "sheets" / f"{season}-{laboratory}.csv")
            readings += rows.height
    store = folder / "network.duckdb"
    spent("--store", store, "register", folder / "register")
    spent("--store", store, "intake", folder / "sheets")
    (folder / "again").mkdir()
    (folder / "misspelt").mkdir()
    later = rows.with_columns(pl.col("sample_date") + pl.duration(days=1))
    later.write_csv(folder / "again" / "again.csv")
    later.with_columns("X" + pl.col("trial_id")).write_csv(folder / "misspelt" / "misspelt.csv")
    question = register["trials"]["question_id"][-1]
    asked: dict[str, list[str | Path]] = {
        "the register again": ["register", folder / "register"],
        "a sheet, dry run": ["intake", folder / "again", "--dry-run"],
        "a sheet of trials that are not there, dry run": ["intake", folder / "misspelt", "--dry-run"],
        "`findings --open`": ["findings", "--open"],
        "`outstanding` of the last season": ["outstanding", "--season", str(seasons[-1])],
        "`effects` of a question": ["effects", question],
        "`pool` of a question": ["pool", question],
        "`plan` of a question": ["plan", question],
        "`sheets` of one trial": ["sheets", "--trial", register["trials"]["trial_id"][-1]],
        "`check`, all of it": ["check"],
    }
    return readings, register["samples"].height, asked


def main() -> None:
    """Measures and writes the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=50)
    parser.add_argument("--trials", type=int, default=400)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as work:
        every = range(LAST - options.seasons + 1, LAST + 1)
        few, many = Path(work) / "few", Path(work) / "many"
        few_readings, _, small = made(few, every[-1:], options.trials)
        readings, labels, large = made(many, every, options.trials)
        took: dict[str, list[list[tuple[float, float]]]] = {name: [[], []] for name in large}
        for _ in range(options.runs):
            for name in large:
                for at, (folder, asked) in enumerate(((few, small), (many, large))):
                    words = asked[name]
                    out = ["--out", folder / "blank"] if "sheets" in words else []
                    shutil.rmtree(folder / "blank", ignore_errors=True)
                    took[name][at].append(spent("--store", folder / "network.duckdb", *words, *out))
        size = (many / "network.duckdb").stat().st_size / 1e6
    lines = [
        "# A season's commands after fifty years",
        "",
        machine("polars", "duckdb"),
        "",
        *WHAT.format(runs=options.runs, sheet=few_readings // LABORATORIES, labels=labels).splitlines(),
        "",
        f"| what | {few_readings:,} readings, s | {readings:,} readings ({size:.0f} MB), s | ratio | MB |",
        "|---|---|---|---|---|",
    ]
    for name, (once, often) in took.items():
        few_s, many_s = (statistics.median(seconds for seconds, _ in runs) for runs in (once, often))
        peak = max(memory for _, memory in often)
        lines.append(f"| {name} | {few_s:.1f} | {many_s:.1f} | {many_s / few_s:.1f} | {peak:.0f} |")
    write("fifty_years", lines)


if __name__ == "__main__":
    main()
