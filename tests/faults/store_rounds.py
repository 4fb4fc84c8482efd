"""Children that are killed while they take sheets in: run as a program, one line of JSON comes back.

    python store_rounds.py kill FOLDER ROUNDS SEED
    python store_rounds.py steps FOLDER
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
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import duckdb  # noqa: F401  (loaded once here, so that no child spends its time on it)
import polars as pl
import pyarrow as pa  # noqa: F401

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

#: What a child says when its store is open, before it names sheets.
OPEN = 255


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


def fill(store: Store, numbers: range, tell: Callable[[int], None] = lambda _: None) -> None:
    """Nothing; each sheet that is not there yet was taken in, and told after `take_in` returned."""
    there = set(store.files()["file"].to_list())
    for number in numbers:
        if f"{number}.csv" not in there:
            store.take_in(sheet(number))
            tell(number)


def state_of(store: Store) -> dict[str, Any]:
    """What a store holds: sheets, readings of each, checksum, problems."""
    return {
        "sheets": sorted(store.files()["file"].to_list()),
        "each": dict(store.readings().group_by("file").len().sort("file").rows()),
        "checksum": store.content_checksum(),
        "problems": store.check(),
    }


def state(path: Path) -> dict[str, Any]:
    """What the store at `path` holds."""
    with Store.open(path, create=False) as store:
        return state_of(store)


def kill(folder: Path, rounds: int, seed: int) -> dict[str, int]:
    """Counts over so many kills at random moments: all must be 0 but `kills` and `acknowledged`."""
    chance = random.Random(seed)

    def undisturbed() -> Any:
        began = time.monotonic()
        with Store.open(folder / "whole") as store:
            opened = time.monotonic()
            fill(store, range(SHEETS))
            return [store.content_checksum(), opened - began, time.monotonic() - opened]

    checksum, opening, taking = answer_of(undisturbed)
    counts = dict.fromkeys(
        ("kills", "acknowledged", "lost", "half", "not_opened", "problems", "other_in_the_end"), 0
    )

    def take(into: int, path: Path) -> None:
        with Store.open(path) as store:
            _write(into, bytes([OPEN]))
            fill(store, range(SHEETS), lambda number: _write(into, bytes([number])))

    for number in range(rounds):
        path = folder / f"{number}" / "store"
        path.parent.mkdir()
        child, out = in_child(lambda into, path=path: take(into, path))  # type: ignore[misc]
        # One kill in four comes while the store is made, the others while sheets are taken in.
        if number % 4:
            os.read(out, 1)
            time.sleep(chance.uniform(0, 0.9 * taking))
        else:
            time.sleep(chance.uniform(0, opening))
        os.kill(child, signal.SIGKILL)
        with os.fdopen(out, "rb") as pipe:
            told = [one for one in pipe.read() if one != OPEN]
        _, status = os.waitpid(child, 0)
        counts["kills"] += os.WIFSIGNALED(status)
        counts["acknowledged"] += len(told)

        def look_and_go_on(path: Path = path) -> Any:
            with Store.open(path) as store:
                before = state_of(store)
                fill(store, range(SHEETS))
                return [before, store.content_checksum()]

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


def with_question(number: int) -> Batch:
    """Sheet `number` with one more reading, which waits for a decision."""
    batch = sheet(number)
    proposed = batch.readings.row(0, named=True) | {"vessel_id": f"v{number}-waiting"}
    aside = {"file_no": 0, "item_no": 0, "outcome": "held", "target": "readings"}
    asked = {"file_no": 0, "code": "odd", "severity": "hold", "message": "odd", "items": [0]}
    return replace(
        batch,
        files=batch.files.with_columns(pl.col("readings_in") + 1, held=pl.lit(1, dtype=pl.Int64)),
        set_aside=pl.DataFrame(
            [aside | {"proposed": json.dumps(proposed, default=str)}], schema=dict(SET_ASIDE)
        ),
        findings=pl.DataFrame([asked], schema=dict(FINDINGS)),
    )


#: Every kind of entry: what is done, and what can be seen of it.
WORKS: dict[str, Callable[[Store], object]] = {
    "register": lambda store: store.keep_register(
        {"sites": pl.DataFrame({"site_id": ["b"], "site_name": ["Brackwell"]})}, {"sites": ["site_id"]}
    ),
    "intake": lambda store: store.take_in(with_question(1)),
    "decision": lambda store: store.decide(1, "accept", reason="yes"),
}


def entries(store: Store) -> list[Any]:
    """All that the three kinds of entry leave to be seen."""
    return [
        sorted(store.register_frames()),
        store.files()["file"].to_list(),
        store.readings()["vessel_id"].to_list(),
        store.findings()["state"].to_list(),
        store.content_checksum(),
    ]


def steps(folder: Path) -> dict[str, list[str]]:
    """Which steps were killed at, and at which of them the store was neither as before nor as after."""
    killed: list[str] = []
    mixed: list[str] = []
    for kind in WORKS:
        path = folder / kind / "store"
        path.parent.mkdir()

        def prepare(kind: str = kind, path: Path = path) -> Any:
            names: list[str] = []
            with Store.open(path, at_step=names.append) as store:
                store.take_in(sheet(0))
                if kind == "decision":
                    store.take_in(with_question(1))
                before = entries(store)
                store.backup(path.with_name("before"))
                names.clear()
                WORKS[kind](store)
                return [before, entries(store), names]

        before, after, names = answer_of(prepare)
        for step in names:
            here = path.with_name(step) / "store"
            here.parent.mkdir()
            for end in ("", ".journal"):
                shutil.copyfile(path.with_name(f"before{end}"), here.with_name(f"store{end}"))

            def die(name: str, step: str = step) -> None:
                if name == step:
                    os.kill(os.getpid(), signal.SIGKILL)

            def work(into: int, kind: str = kind, here: Path = here, die: Any = die) -> None:
                with Store.open(here, at_step=die) as store:
                    WORKS[kind](store)

            child, out = in_child(work)
            os.close(out)
            if os.WIFSIGNALED(os.waitpid(child, 0)[1]):
                killed.append(f"{kind} {step}")

            def look(kind: str = kind, here: Path = here, before: Any = before) -> Any:
                with Store.open(here) as store:
                    found = entries(store)
                    problems = store.check()
                    if found == before:
                        WORKS[kind](store)
                    return [found, entries(store), problems]

            found, in_the_end, problems = answer_of(look)
            inside = step not in {"committed", "journalled", "checkpointed"}
            if found != (before if inside else after) or in_the_end != after or problems:
                mixed.append(f"{kind} {step}")
    return {"killed": killed, "mixed": mixed}


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

    def fill_up() -> Any:
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

    filled = answer_of(fill_up)
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
    works: dict[str, Callable[..., dict[str, Any]]] = {
        "kill": kill,
        "steps": steps,
        "crowd": crowd,
        "full": full,
    }
    print(json.dumps(works[what](Path(folder), *map(int, numbers))))


if __name__ == "__main__":
    main()
