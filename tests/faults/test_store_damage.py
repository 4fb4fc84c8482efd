"""A log or a store cut, flipped or zeroed: never a wrong number, and what is missing is named."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

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
from crosscellar.store.journal import read as read_journal

SHEETS = 4


def sheet(number: int) -> Batch:
    content = f"sheet {number}".encode()
    sha256 = hashlib.sha256(content).hexdigest()
    counts = {"readings_in": 3, "accepted": 3, **dict.fromkeys(("refused", "held", "already", "blank"), 0)}
    file = {"file_no": 0, "file": f"{number}.csv", "sha256": sha256, "status": "taken_in", **counts}
    rows = [
        {
            "file_no": 0,
            "file": f"{number}.csv",
            "trial_id": "T-1",
            "vessel_id": f"v{number}-{row}",
            "sample_date": date(2025, 10, 1),
            "analyte": "pH",
            "value": 3.0 + number / 100 + row / 10,
            "qualifier": "",
            "supersedes": False,
        }
        for row in range(3)
    ]
    return Batch(
        files=pl.DataFrame([file], schema=dict(FILES)),
        content={sha256: content},
        readings=pl.DataFrame(rows, schema=dict(READINGS)),
        picks=empty(PICKS),
        scores=empty(SCORES),
        set_aside=empty(SET_ASIDE),
        findings=empty(FINDINGS),
        lines=empty(LINES),
    )


@dataclass(frozen=True)
class Left:
    """The files of a store whose log was never folded in, and what it held after each sheet."""

    store: bytes
    log: bytes
    journal: bytes
    folded: bytes
    readings: list[list[tuple[str, float]]]


def standing(store: Store) -> list[tuple[str, float]]:
    return store.readings().select("vessel_id", "value").rows()


@pytest.fixture(scope="module")
def left(tmp_path_factory: pytest.TempPathFactory) -> Left:
    path = tmp_path_factory.mktemp("left") / "store"
    with Store.open(path) as store:
        session, fold = store._session, store._session.checkpoint
        session.checkpoint = lambda: None  # type: ignore[method-assign]
        held = [standing(store)]
        for number in range(SHEETS):
            store.take_in(sheet(number))
            held.append(standing(store))
        files = [path.with_name(name).read_bytes() for name in ("store", "store.wal", "store.journal")]
        fold()
        return Left(*files, folded=path.read_bytes(), readings=held)


def cut(content: bytearray, chance: random.Random) -> None:
    del content[chance.randrange(1, len(content)) :]


def flip(content: bytearray, chance: random.Random) -> None:
    content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)


def zero_tail(content: bytearray, chance: random.Random) -> None:
    start = chance.randrange(1, len(content))
    content[start:] = bytes(len(content) - start)


def hole(content: bytearray, chance: random.Random) -> None:
    start = chance.randrange(len(content))
    content[start : start + 512] = bytes(len(content[start : start + 512]))


def lay(folder: Path, store: bytes, log: bytes | None, journal: bytes) -> Path:
    path = folder / "store"
    path.write_bytes(store)
    path.with_name("store.wal").unlink(missing_ok=True)
    if log is not None:
        path.with_name("store.wal").write_bytes(log)
    path.with_name("store.journal").write_bytes(journal)
    return path


def count_of(quick: int, long: int) -> list[Any]:
    return [quick, pytest.param(long, marks=pytest.mark.long)]


@pytest.mark.parametrize("count", count_of(10, 100))
@pytest.mark.parametrize("damage", [cut, flip, zero_tail, hole], ids=lambda damage: damage.__name__)
def test_of_a_damaged_log_only_whole_sheets_are_read_and_check_names_the_rest(
    damage: Callable[[bytearray, random.Random], None], count: int, left: Left, tmp_path: Path
) -> None:
    seen = {"refused": 0, "read": 0}
    for seed in range(count):
        log = bytearray(left.log)
        damage(log, random.Random(seed))
        path = lay(tmp_path, left.store, bytes(log), left.journal)
        try:
            with Store.open(path) as store:
                found = standing(store)
                told = " ".join(store.check())
        except StoreError as fault:
            assert "log beside the store" in fault.sentence or "damaged" in fault.sentence, fault.sentence
            seen["refused"] += 1
            continue
        seen["read"] += 1
        assert found in left.readings
        for number in range(SHEETS):
            there = len(found) > 3 * number
            assert (f"({number}.csv) is in the journal but not in the store" in told) is not there
    if damage is cut:
        assert seen["read"] > 0
    else:
        assert seen["refused"] > 0


@pytest.mark.parametrize("count", count_of(40, 400))
def test_a_store_with_a_flipped_bit_or_cut_short_is_refused_or_reads_the_same(
    count: int, left: Left, tmp_path: Path
) -> None:
    refused = 0
    for seed in range(count):
        content = bytearray(left.folded)
        (cut if seed % 4 == 0 else flip)(content, random.Random(seed))
        path = lay(tmp_path, bytes(content), None, left.journal)
        try:
            with Store.open(path) as store:
                assert standing(store) == left.readings[-1]
                assert store.check() == []
        except StoreError:
            refused += 1
    assert refused >= count // 4


def test_sheets_lost_with_the_log_are_named_until_they_are_taken_in_again(left: Left, tmp_path: Path) -> None:
    path = lay(tmp_path, left.store, None, left.journal)
    with Store.open(path) as store:
        assert len(store.check()) == SHEETS
        # Another sheet takes the number of a lost entry: the lost one is still missed.
        store.take_in(sheet(9))
        assert len(store.check()) == SHEETS
        for number in range(SHEETS):
            store.take_in(sheet(number))
            assert len(store.check()) == SHEETS - 1 - number


def test_a_journal_line_cut_short_swallows_neither_itself_nor_the_next(left: Left, tmp_path: Path) -> None:
    path = lay(tmp_path, left.folded, None, left.journal[:-20])
    with Store.open(path) as store:
        store.take_in(sheet(9))
        assert store.check() == []
    lines = read_journal(path)
    assert [line.files[0][0] for line in lines] == ["0.csv", "1.csv", "2.csv", "3.csv", "9.csv"]


def test_a_journal_that_is_gone_is_told(left: Left, tmp_path: Path) -> None:
    path = lay(tmp_path, left.folded, None, left.journal)
    path.with_name("store.journal").unlink()
    with Store.open(path) as store:
        (told,) = store.check()
    assert told.startswith("The journal store.journal is missing")


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE readings SET value = value + 1e-9 WHERE reading_id = 2", "some were changed or lost"),
        ("DELETE FROM readings WHERE reading_id = 2", "some were changed or lost"),
        (
            "UPDATE readings SET file_id = 99 WHERE reading_id = 2",
            "1 readings point to a file that",
        ),
        ("DELETE FROM contents WHERE sha256 = (SELECT min(sha256) FROM contents)", "are not in the store"),
        ("UPDATE contents SET content = 'x'::BLOB", "The kept bytes of 0.csv are damaged"),
        ("UPDATE readings SET vessel_id = 'v0-0' WHERE vessel_id = 'v0-1'", "stand twice under one key"),
    ],
)
def test_a_row_changed_behind_the_programs_back_is_found(
    statement: str, words: str, left: Left, tmp_path: Path
) -> None:
    path = lay(tmp_path, left.folded, None, left.journal)
    with Store.open(path) as store:
        assert store.check() == []
        store._session.run(statement)
        assert words in " ".join(store.check())
