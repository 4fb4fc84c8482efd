"""One large sheet taken in, against the bare work anyone would have, and what a user would do instead.

    python benchmarks/intake_large.py [--rows 1000000] [--dirty 0.01 0.2] [--runs 5] [--ten] [--folder FOLDER]

Every run is a process of its own: wall time is the whole process, memory its largest resident set. A sheet
has 40 analytes and 15 unit spellings. `--ten` adds ten million readings in ten sheets, once. Writes
results/intake_large.md.

- floor: polars reads all as text, casts, converts by join, eleven checks as expressions, rechunks, DuckDB
  stores the rows that pass and the rows that fail.
- ours: `crosscellar intake` on a store that knows the register: located findings, names, units, rules,
  provenance, the bytes of the sheet.
- instead: pandas reads, pandera's pandas backend checks range and unit alone, lazily, DuckDB stores what
  passes.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import lab_sheets
from side_by_side import ENVIRONMENT, machine, write

#: How the first sheet and every further one is stored.
_STORE = {
    "readings": (
        "CREATE TABLE readings AS SELECT * FROM incoming",
        "INSERT INTO readings SELECT * FROM incoming",
    ),
    "failed": ("CREATE TABLE failed AS SELECT * FROM incoming", "INSERT INTO failed SELECT * FROM incoming"),
}
CONTESTANTS = ("floor", "ours", "instead")


def known_units() -> list[tuple[str, str, str, float, float, float]]:
    """Analyte and unit as written, the canonical name, the factor, and the bounds of what is possible."""
    from crosscellar.contract import load_contract

    contract = load_contract()
    rows = []
    for written, _, _, first, second, _ in lab_sheets.ANALYTES:
        analyte = contract.name_analyte(written).id
        assert analyte is not None
        record = contract.analytes[analyte]
        for unit in dict.fromkeys((first, second)):
            reading = contract.read_unit(analyte, unit)
            assert reading.usable, (written, unit)
            rows.append((written, unit, analyte, reading.factor, record.refuse_low, record.refuse_high))
    return rows


def take_floor(work: Path) -> dict[str, Any]:
    """What was stored by polars and DuckDB alone."""
    import duckdb
    import polars as pl

    units = pl.read_csv(work / "units.csv")
    vessels = pl.read_csv(work / "register" / "vessels.csv", columns=["trial_id", "arm_id", "vessel_id"])
    vessels = vessels.rename({"trial_id": "trial", "arm_id": "arm", "vessel_id": "vessel"})
    vessels = vessels.with_columns(pl.lit(True).alias("known"))
    stored = failed = 0
    with duckdb.connect(str(work / "floor.duckdb")) as connection:
        connection.execute("BEGIN")
        for number, path in enumerate(sorted((work / "sheets").iterdir())):
            sheet = pl.read_csv(path, infer_schema=False).with_row_index("row", offset=2)
            sheet = (
                sheet.with_columns(
                    pl.col("value").cast(pl.Float64, strict=False).alias("number"),
                    pl.col("date").str.to_date("%Y-%m-%d", strict=False).alias("day"),
                )
                .join(units, left_on=["analyte", "unit"], right_on=["written", "unit"], how="left")
                .join(vessels, on=["trial", "arm", "vessel"], how="left")
                .with_columns((pl.col("number") * pl.col("factor")).alias("canonical"))
            )
            key = ["trial", "arm", "vessel", "stage", "day", "canonical_name", "lab"]
            stages = [name for name, _ in lab_sheets.STAGES]
            sheet = sheet.with_columns(
                pl.all_horizontal(
                    pl.col("trial").is_not_null(),
                    pl.col("arm").is_not_null(),
                    pl.col("vessel").is_not_null(),
                    pl.col("number").is_finite().fill_null(False),
                    pl.col("day").is_not_null(),
                    pl.col("factor").is_not_null(),
                    pl.col("known").fill_null(False),
                    pl.col("stage").is_in(stages).fill_null(False),
                    (pl.col("canonical") >= pl.col("low")).fill_null(False),
                    (pl.col("canonical") <= pl.col("high")).fill_null(False),
                    ~pl.struct(key).is_duplicated(),
                ).alias("fits")
            ).rechunk()
            good, bad = sheet.filter("fits").rechunk(), sheet.filter(~pl.col("fits")).rechunk()
            for name, frame in (("readings", good), ("failed", bad)):
                connection.register("incoming", frame)
                connection.execute(_STORE[name][min(number, 1)])
                connection.unregister("incoming")
            stored, failed = stored + good.height, failed + bad.height
        connection.execute("COMMIT")
    return {"stored": stored, "rest": failed}


def take_instead(work: Path) -> dict[str, Any]:
    """What was stored by pandas, pandera's pandas backend and DuckDB: range and unit checks alone."""
    import duckdb
    import pandas as pd
    import pandera.pandas as pa

    units = pd.read_csv(work / "units.csv")
    schema = pa.DataFrameSchema(
        {
            "number": pa.Column(float, nullable=False),
            "unit": pa.Column(str, pa.Check.isin(sorted(set(units["unit"])))),
            "factor": pa.Column(float, nullable=False),
        },
        checks=[
            pa.Check(lambda frame: frame["canonical"] >= frame["low"], name="low"),
            pa.Check(lambda frame: frame["canonical"] <= frame["high"], name="high"),
        ],
    )
    stored = failed = 0
    with duckdb.connect(str(work / "instead.duckdb")) as connection:
        for number, path in enumerate(sorted((work / "sheets").iterdir())):
            sheet = pd.read_csv(path, dtype=str, keep_default_na=False)
            sheet["number"] = pd.to_numeric(sheet["value"], errors="coerce")
            sheet = sheet.merge(units, left_on=["analyte", "unit"], right_on=["written", "unit"], how="left")
            sheet["canonical"] = sheet["number"] * sheet["factor"]
            bad: set[int] = set()
            try:
                schema.validate(sheet, lazy=True)
            except pa.errors.SchemaErrors as faults:
                bad = set(faults.failure_cases["index"].dropna().astype(int))
            good = sheet.drop(index=sorted(bad))
            connection.register("incoming", good)
            connection.execute(_STORE["readings"][min(number, 1)])
            connection.unregister("incoming")
            stored, failed = stored + len(good), failed + len(bad)
    return {"stored": stored, "rest": failed}


def prepare(work: Path, rows: int, dirty: float) -> None:
    """Register, sheets, units and a store that knows the register, in `work`."""
    import polars as pl

    from crosscellar import Network

    lab_sheets.write_register(work / "register", rows // lab_sheets.A_TRIAL)
    (work / "sheets").mkdir()
    for number, sheet in enumerate(lab_sheets.pieces(rows, dirty=dirty)):
        lab_sheets.write_sheet(sheet, work / "sheets" / f"sheet_{number:02d}.csv")
    names = ["written", "unit", "canonical_name", "factor", "low", "high"]
    pl.DataFrame(known_units(), schema=names, orient="row").write_csv(work / "units.csv")
    with Network.open(work / "fresh.duckdb", clock=lambda: lab_sheets.RECEIVED) as network:
        network.register(work / "register")


def run(contestant: str, work: Path, *, script: str = __file__) -> dict[str, Any]:
    """Seconds, processor seconds and largest resident set in MB of a whole process, and what it stored."""
    for suffix in ("", ".wal", ".journal"):
        for name in ("ours.duckdb", "floor.duckdb", "instead.duckdb"):
            (work / f"{name}{suffix}").unlink(missing_ok=True)
    command = [sys.executable, script, "--only", contestant, "--folder", str(work)]
    if contestant == "ours":
        for suffix in ("", ".journal"):
            shutil.copy(work / f"fresh.duckdb{suffix}", work / f"ours.duckdb{suffix}")
        store, sheets = str(work / "ours.duckdb"), str(work / "sheets")
        command = [sys.executable, "-m", "crosscellar.cli", "--store", store, "intake", sheets]
    # What was copied or left by the one before is on the disk: nobody waits for it who did not write it.
    os.sync()
    said = work / "said.txt"
    with said.open("w") as output:
        begun = time.perf_counter()
        process = subprocess.Popen(command, stdout=output, env=ENVIRONMENT)
        _, status, used = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - begun
    process.returncode = os.waitstatus_to_exitcode(status)
    # 1 is said where some readings were refused or held.
    if process.returncode not in ((0, 1) if contestant == "ours" else (0,)):
        raise subprocess.CalledProcessError(process.returncode, command)
    stored = counted(work) if contestant == "ours" else json.loads(said.read_text().splitlines()[-1])
    processor = used.ru_utime + used.ru_stime
    return {**stored, "seconds": seconds, "megabytes": used.ru_maxrss / 1024, "processor": processor}


def counted(work: Path) -> dict[str, Any]:
    """How many readings our store accepted, and how many it set aside or found blank."""
    import duckdb

    with duckdb.connect(str(work / "ours.duckdb"), read_only=True) as connection:
        accepted, given = connection.sql("SELECT sum(accepted), sum(readings_in) FROM files").fetchall()[0]
    return {"stored": int(accepted), "rest": int(given - accepted)}


def measured(
    rows: int, dirty: float, *, runs: int, folder: Path | None, contestants: tuple[str, ...]
) -> list[str]:
    """The lines of the table for one size and one share of dirty rows."""
    with tempfile.TemporaryDirectory(dir=folder) as name:
        work = Path(name)
        prepare(work, rows, dirty)
        taken: dict[str, list[dict[str, Any]]] = {contestant: [] for contestant in contestants}
        for turn in range(runs + (runs > 1)):
            for contestant in contestants:
                result = run(contestant, work)
                print(rows, dirty, contestant, result, flush=True)
                if turn or runs == 1:
                    taken[contestant].append(result)
    seconds = {who: statistics.median(one["seconds"] for one in results) for who, results in taken.items()}
    memory = {who: statistics.median(one["megabytes"] for one in results) for who, results in taken.items()}
    return [
        f"| {rows:,} | {dirty:.0%} | {who} | {seconds[who]:.1f} | {seconds[who] / seconds['floor']:.2f} "
        f"| {memory[who]:,.0f} | {memory[who] / memory['floor']:.2f} "
        f"| {taken[who][0]['stored']:,} | {taken[who][0]['rest']:,} |"
        for who in contestants
    ]


def main() -> None:
    """Measures each size and share, and writes the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, nargs="+", default=[1_000_000])
    parser.add_argument("--dirty", type=float, nargs="+", default=[0.01, 0.2])
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--ten", action="store_true")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--only", choices=("floor", "instead"))
    options = parser.parse_args()
    if options.only:
        print(json.dumps((take_floor if options.only == "floor" else take_instead)(options.folder)))
        return
    lines = [
        "# One large sheet taken in",
        "",
        machine("polars", "duckdb", "pandera", "pandas"),
        "",
        f"Medians of {options.runs} runs (ten million: one), whole processes in turn;",
        "`python benchmarks/intake_large.py --ten` repeats it. Ratios are to the floor of the same rows.",
        "*Stored* and *rest* count rows: the three do not judge alike, only ours reads limits such as <0.05,",
        "misspelt names, and rules over several cells.",
        "",
        "| rows | dirty | who | seconds | ratio | peak MB | ratio | stored | rest |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for rows in options.rows:
        for dirty in options.dirty:
            lines += measured(rows, dirty, runs=options.runs, folder=options.folder, contestants=CONTESTANTS)
    if options.ten:
        lines += measured(10_000_000, 0.01, runs=1, folder=options.folder, contestants=("floor", "ours"))
    write("intake_large", lines)


if __name__ == "__main__":
    main()
