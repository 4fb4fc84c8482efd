"""Many small sheets taken in, against opening, hashing and reading the same files and one insert of all rows.

    python benchmarks/intake_many.py [--csv 2000] [--xlsx 200] [--runs 5] [--folder FOLDER]

A sheet has 60 readings, 1 % dirty, of one trial or two. Every run is a process of its own. The floor reads
CSV with polars and workbooks with openpyxl, and judges nothing. Then one sheet more is taken in by stores
that keep the bytes of more and more sheets. Writes results/intake_many.md.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import statistics
import tempfile
from pathlib import Path
from typing import Any

import lab_sheets
import numpy as np
from intake_large import run
from side_by_side import machine, write

ROWS = 60
#: How many sheets the stores keep that take in one more, and how long each is: a workbook's bytes are packed.
KEPT = (0, 1_999, 20_000)
KEPT_BYTES = 30_000


def take_floor(work: Path) -> dict[str, Any]:
    """What was stored by opening, hashing and reading each file, and one insert of all rows."""
    import duckdb
    import polars as pl

    parts = []
    for path in sorted((work / "sheets").iterdir()):
        content = path.read_bytes()
        digest = hashlib.sha256(content).hexdigest()
        if path.suffix == ".csv":
            part = pl.read_csv(content, infer_schema=False)
        else:
            import openpyxl

            book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
            head, *rows = book.worksheets[0].iter_rows(values_only=True)
            book.close()
            part = pl.DataFrame(rows, schema=[str(name) for name in head], orient="row")
        parts.append(part.with_columns(pl.lit(digest).alias("sheet")))
    incoming = pl.concat(parts).rechunk()
    with duckdb.connect(str(work / "floor.duckdb")) as connection:
        connection.register("incoming", incoming)
        connection.execute("CREATE TABLE readings AS SELECT * FROM incoming")
    return {"stored": incoming.height, "rest": 0}


def prepare(work: Path, files: int, suffix: str) -> None:
    """Register, that many sheets and a store that knows the register, in `work`."""
    from crosscellar import Network

    trials = -(-files * ROWS // lab_sheets.A_TRIAL)
    lab_sheets.write_register(work / "register", trials)
    (work / "sheets").mkdir()
    rows = lab_sheets.readings(0, trials, dirty=0.01)
    for number in range(files):
        sheet = rows.slice(number * ROWS, ROWS)
        path = work / "sheets" / f"sheet_{number:04d}{suffix}"
        if suffix == ".csv":
            lab_sheets.write_sheet(sheet, path)
        else:
            sheet.write_excel(path)
    with Network.open(work / "fresh.duckdb", clock=lambda: lab_sheets.RECEIVED) as network:
        network.register(work / "register")


def keep(store: Path, sheets: int) -> None:
    """Nothing; the store keeps the bytes of so many sheets that came in one taking-in each five hundred."""
    import duckdb

    from crosscellar.store.kept_files import in_pieces
    from crosscellar.store.session import CONFIG

    random = np.random.default_rng(1)
    with duckdb.connect(str(store), config=CONFIG) as connection:
        for entry, first in enumerate(range(0, sheets, 500)):
            contents = [random.bytes(KEPT_BYTES) for _ in range(min(500, sheets - first))]
            shas = [hashlib.sha256(content).hexdigest() for content in contents]
            connection.register("incoming", in_pieces(shas, contents, entry))
            connection.execute("INSERT INTO contents BY NAME SELECT * FROM incoming")
            connection.unregister("incoming")
            connection.execute("CHECKPOINT")


def one_more(*, runs: int, folder: Path | None) -> list[str]:
    """The lines of the table for one sheet more beside those that are kept."""
    taken: dict[int, list[dict[str, Any]]] = {kept: [] for kept in KEPT}
    with tempfile.TemporaryDirectory(dir=folder) as name:
        for kept in KEPT:
            (Path(name) / str(kept)).mkdir()
            prepare(Path(name) / str(kept), 1, ".csv")
            keep(Path(name) / str(kept) / "fresh.duckdb", kept)
        for turn in range(runs + (runs > 1)):
            for kept, results in taken.items():
                result = run("ours", Path(name) / str(kept))
                print(kept, result, flush=True)
                if turn or runs == 1:
                    results.append(result)
    seconds, processor = (
        {kept: statistics.median(one[of] for one in results) for kept, results in taken.items()}
        for of in ("seconds", "processor")
    )
    return [
        f"| {kept:,} | {kept * KEPT_BYTES / 1e6:,.0f} "
        f"| {seconds[kept]:.2f} | {seconds[kept] / seconds[0]:.2f} "
        f"| {processor[kept]:.2f} | {processor[kept] / processor[0]:.2f} | {results[0]['stored']} |"
        for kept, results in taken.items()
    ]


def measured(files: int, suffix: str, *, runs: int, folder: Path | None) -> list[str]:
    """The lines of the table for that many files of one kind."""
    taken: dict[str, list[dict[str, Any]]] = {"floor": [], "ours": []}
    with tempfile.TemporaryDirectory(dir=folder) as name:
        prepare(Path(name), files, suffix)
        for turn in range(runs + (runs > 1)):
            for who, results in taken.items():
                result = run(who, Path(name), script=__file__)
                print(files, suffix, who, result, flush=True)
                if turn or runs == 1:
                    results.append(result)
    lines = []
    for who, results in taken.items():
        seconds, processor, memory = (
            {key: statistics.median(one[of] for one in all_of) for key, all_of in taken.items()}
            for of in ("seconds", "processor", "megabytes")
        )
        lines.append(
            f"| {files:,} {suffix} | {who} | {seconds[who]:.1f} | {seconds[who] / seconds['floor']:.2f} "
            f"| {processor[who]:.1f} | {processor[who] / processor['floor']:.2f} "
            f"| {memory[who]:,.0f} | {memory[who] / memory['floor']:.2f} "
            f"| {results[0]['stored']:,} | {results[0]['rest']:,} |"
        )
    return lines


def main() -> None:
    """Measures both kinds of files, and writes the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--csv", type=int, default=2000)
    parser.add_argument("--xlsx", type=int, default=200)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--only", choices=("floor",))
    asked = parser.parse_args()
    if asked.only:
        print(json.dumps(take_floor(asked.folder)))
        return
    lines = [
        "# Many small sheets taken in",
        "",
        machine("polars", "duckdb", "openpyxl"),
        "",
        f"Sheets of {ROWS} readings, 1 % dirty. Medians of {asked.runs} runs, whole processes in turn;",
        "`python benchmarks/intake_many.py` repeats it. The floor judges nothing: it opens, hashes and reads",
        "each file and stores all rows in one insert. Processor seconds tell more on a busy machine.",
        "",
        "| files | who | seconds | ratio | processor seconds | ratio | peak MB | ratio | stored | rest |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    lines += measured(asked.csv, ".csv", runs=asked.runs, folder=asked.folder)
    lines += measured(asked.xlsx, ".xlsx", runs=asked.runs, folder=asked.folder)
    lines += [
        "",
        f"One sheet more, taken in by a store that keeps the bytes of others ({KEPT_BYTES:,} each); the",
        "ratio is to a store that keeps none.",
        "",
        "| sheets kept | MB kept | seconds | ratio | processor seconds | ratio | stored |",
        "|---|---|---|---|---|---|---|",
        *one_more(runs=asked.runs, folder=asked.folder),
    ]
    write("intake_many", lines)


if __name__ == "__main__":
    main()
