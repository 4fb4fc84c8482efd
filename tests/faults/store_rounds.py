"""Children that are killed while they take sheets in: run as a program, one line of JSON comes back.

    python store_rounds.py kill FOLDER ROUNDS SEED
    python store_rounds.py crowd FOLDER PROCESSES SHEETS
    python store_rounds.py full FOLDER LIMIT

This process never connects to a store itself; each child is forked before its first connection.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import resource
import shutil
import signal
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import duckdb  # noqa: F401  (loaded once here, so that no child spends its time on it)
import polars as pl

from crosscellar.contract.frames import (
    FILES,
    FINDINGS,
    LINES,
    PICKS,
    READINGS,
    SCORES,
    SET_ASIDE,
    Batch,
    empty,
)
from crosscellar.errors import StoreError
from crosscellar.store import Store

SHEETS, READINGS_EACH = 3, 5


def sheet(number: int, *, readings: int = READINGS_EACH, weight: int = 0) -> Batch:
    """Sheet `number`: so many readings of vessels of its own, and a file of at least `weight` bytes."""
    content = f"sheet {number}".encode() + random.Random(number).randbytes(weight)
    sha256 = hashlib.sha256(content).hexdigest()
    files = {
        "file_no": 0,
        "file": f"{number}.csv",
        "sha256": sha256,
        "kind": "lab_long",
        "readings_in": readings,
        "accepted": readings,
        **dict.fromkeys(("refused", "held", "already", "blank"), 0),
        "status": "taken_in",
        "message": "",
    }
    rows = [
        {
            "file_no": 0,
            "file": f"{number}.csv",
            "trial_id": "T-1",
            "arm_id": "control",
            "vessel_id": f"v{number}-{row}",
            "stage": "end_primary",
            "sample_date": date(2025, 10, 1),
            "analyte": "pH",
            "replicate": 1,
            "value": 3.0 + number / 1000 + row / 10,
            "qualifier": "",
            "unit": "pH",
            "text_sent": "",
            "conversion": "",
            "supersedes": False,
        }
        for row in range(readings)
    ]
    return Batch(
        files=pl.DataFrame([files], schema=dict(FILES)),
        content={sha256: content},
        readings=pl.DataFrame(rows, schema=dict(READINGS)),
        picks=empty(PICKS),
        scores=empty(SCORES),
        set_aside=empty(SET_ASIDE),
        findings=empty(FINDINGS),
        lines=empty(LINES),
    )


def in_child(work: Callable[[int], None]) -> tuple[int, int]:
    """The child's number, and the end of a pipe that what it writes comes out of."""
    out, into = os.pipe()
    child = os.fork()
    if child:
        os.close(into)
        return child, out
    try:
        os.close(out)
        work(into)
        os._exit(0)
    except BaseException as fault:
        os.write(2, f"{type(fault).__name__}: {fault}\n".encode())
        os._exit(1)


def answer_of(work: Callable[[], Any]) -> Any:
    """What `work` gives, done in a child of its own."""
    child, out = in_child(lambda into: _write(into, json.dumps(work()).encode()))
    with os.fdopen(out, "rb") as pipe:
        text = pipe.read()
    _, status = os.waitpid(child, 0)
    if status:
        raise RuntimeError(f"the child ended with {status}")
    return json.loads(text)


def _write(into: int, content: bytes) -> None:
    while content:
        content = content[os.write(into, content) :]


def take_missing(path: Path, numbers: range, tell: Callable[[int], None] = lambda _: None) -> None:
    """Nothing; each sheet that is not there yet was taken in, and told after `take_in` returned."""
    with Store.open(path) as store:
        there = set(store.files()["file"].to_list())
        for number in numbers:
            if f"{number}.csv" not in there:
                store.take_in(sheet(number))
                tell(number)


def state(path: Path) -> dict[str, Any]:
    """What a store holds: sheets, readings of each, checksum, problems."""
    with Store.open(path, create=False) as store:
        each = store.readings().group_by("file").len().sort("file").rows()
        return {
            "sheets": sorted(store.files()["file"].to_list()),
            "each": dict(each),
            "checksum": store.content_checksum(),
            "problems": store.check(),
        }


def kill(folder: Path, rounds: int, seed: int) -> dict[str, int]:
    """Counts over so many kills at random moments: all must be 0 but `kills` and `acknowledged`."""
    chance = random.Random(seed)

    def undisturbed() -> Any:
        began = time.monotonic()
        take_missing(folder / "whole", range(SHEETS))
        return [state(folder / "whole")["checksum"], time.monotonic() - began]

    checksum, seconds = answer_of(undisturbed)
    counts = dict.fromkeys(
        ("kills", "acknowledged", "lost", "half", "not_opened", "problems", "other_in_the_end"), 0
    )

    def tell(into: int) -> Callable[[int], None]:
        return lambda number: _write(into, bytes([number]))

    for number in range(rounds):
        path = folder / f"{number}" / "store"
        path.parent.mkdir()
        child, out = in_child(lambda into, path=path: take_missing(path, range(SHEETS), tell(into)))  # type: ignore[misc]
        time.sleep(chance.uniform(0, 0.8 * seconds))
        os.kill(child, signal.SIGKILL)
        with os.fdopen(out, "rb") as pipe:
            told = list(pipe.read())
        _, status = os.waitpid(child, 0)
        counts["kills"] += os.WIFSIGNALED(status)
        counts["acknowledged"] += len(told)

        def look_and_go_on(path: Path = path) -> Any:
            before = state(path) if path.exists() else {"sheets": [], "each": {}, "problems": []}
            take_missing(path, range(SHEETS))
            return [before, state(path)["checksum"]]

        try:
            found, in_the_end = answer_of(look_and_go_on)
        except RuntimeError:
            counts["not_opened"] += 1
            continue
        counts["lost"] += len({f"{one}.csv" for one in told} - set(found["sheets"]))
        counts["half"] += sum(found["each"].get(name) != READINGS_EACH for name in found["sheets"])
        counts["problems"] += len(found["problems"])
        counts["other_in_the_end"] += in_the_end != checksum
        shutil.rmtree(path.parent)
    return counts


def crowd(folder: Path, processes: int, sheets: int) -> dict[str, int]:
    """What so many processes left in one store, each with sheets of its own, opening it for each."""
    path = folder / "store"

    def one(first: int) -> Callable[[int], None]:
        def work(into: int) -> None:
            for number in range(first, first + sheets):
                with Store.open(path, wait=120.0) as store:
                    store.take_in(sheet(number))

        return work

    children = [in_child(one(1000 * number)) for number in range(processes)]
    failed = sum(os.waitpid(child, 0)[1] != 0 for child, _ in children)
    found = answer_of(lambda: state(path))
    return {
        "failed": failed,
        "sheets": len(set(found["sheets"])),
        "twice": len(found["sheets"]) - len(set(found["sheets"])),
        "readings": sum(found["each"].values()),
        "problems": len(found["problems"]),
    }


def full(folder: Path, limit: int) -> dict[str, Any]:
    """What is left after sheets came until no file might grow beyond `limit` bytes, and after a rerun."""
    path = folder / "store"

    def fill() -> Any:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        told = []
        try:
            for number in range(200):
                with Store.open(path) as store:
                    store.take_in(sheet(number, weight=100_000))
                told.append(f"{number}.csv")
        except StoreError as fault:
            return {"told": told, "sentence": fault.sentence, "status": fault.exit_status}
        return {"told": told, "sentence": "", "status": 0}

    filled = answer_of(fill)
    found = answer_of(lambda: state(path))

    def rerun() -> Any:
        with Store.open(path) as store:
            for number in range(len(found["sheets"]), len(found["sheets"]) + 2):
                store.take_in(sheet(number, weight=100_000))
        return len(state(path)["sheets"])

    return {
        **filled,
        "lost": sorted(set(filled["told"]) - set(found["sheets"])),
        "unannounced": len(set(found["sheets"]) - set(filled["told"])),
        "half": sum(found["each"].get(name) != READINGS_EACH for name in found["sheets"]),
        "problems": found["problems"],
        "more_after_rerun": answer_of(rerun) - len(found["sheets"]),
    }


def main() -> None:
    what, folder, *numbers = sys.argv[1:]
    works: dict[str, Callable[..., dict[str, Any]]] = {"kill": kill, "crowd": crowd, "full": full}
    print(json.dumps(works[what](Path(folder), *map(int, numbers))))


if __name__ == "__main__":
    main()
