"""Who may open a store, from where, and what is refused before anything is touched."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from crosscellar.errors import CrosscellarError, NotOurStore, StoreBusy, StoreDamaged, StoreError
from crosscellar.store import Store, session

HOLDER = """
import sys
from crosscellar.store import Store
with Store.open(sys.argv[1]):
    print("open", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def held_elsewhere(path: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the store until its standard input ends."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "open\n"
        yield holder


def test_the_second_process_waits_and_then_says_who_holds_the_store(
    path: Path, held_elsewhere: subprocess.Popen[str]
) -> None:
    began = time.monotonic()
    with pytest.raises(StoreBusy, match=f"in use by process {held_elsewhere.pid}"):
        Store.open(path, wait=0.4)
    assert time.monotonic() - began >= 0.4
    with pytest.raises(StoreBusy):
        Store.open(path, read_only=True, wait=0.0)


def test_the_second_process_goes_on_as_soon_as_the_first_is_done(
    path: Path, held_elsewhere: subprocess.Popen[str]
) -> None:
    assert held_elsewhere.stdin is not None
    held_elsewhere.stdin.close()
    with Store.open(path, wait=30.0) as store:
        assert store.check() == []


def test_a_second_name_of_one_file_is_refused(path: Path) -> None:
    with Store.open(path):
        os.link(path, path.with_name("other.duckdb"))
        path.with_name("third.duckdb").symlink_to(path)
        for name in ("network.duckdb", "other.duckdb", "third.duckdb"):
            with pytest.raises(StoreBusy, match="already has this store open, perhaps under another name"):
                Store.open(path.with_name(name))


def test_a_store_that_is_closed_or_failed_to_open_can_be_opened_again(path: Path) -> None:
    before = dict(session._held)
    for _ in range(2):
        store = Store.open(path)
        store.close()
        store.close()
        with pytest.raises(StoreError, match="the store is closed"):
            store.readings()
    path.write_bytes(path.read_bytes()[:4000])
    for _ in range(2):
        with pytest.raises(StoreError):
            Store.open(path)
    assert session._held == before


def test_a_forked_child_can_neither_use_nor_open_the_store_of_its_parent(path: Path) -> None:
    forked = """
import os, sys
from crosscellar.errors import StoreError
from crosscellar.store import Store
store = Store.open(sys.argv[1])
child = os.fork()
if child == 0:
    refused = 0
    for attempt in (store.readings, lambda: Store.open(sys.argv[1])):
        try:
            attempt()
        except StoreError as fault:
            refused += "process" in fault.sentence
    os._exit(refused)
print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), store.check())
store.close()
"""
    done = subprocess.run(
        [sys.executable, "-c", forked, str(path)], capture_output=True, text=True, timeout=120, check=True
    )
    assert done.stdout == "2 []\n"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty, so it is not a store"),
        (b"trial_id,arm_id\nT-1,control\n", "this file is not a store of crosscellar"),
        (b"DUCK", "this file is not a store of crosscellar"),
        (b"PK\x03\x04" + bytes(5000), "this file is not a store of crosscellar"),
    ],
)
def test_a_file_of_another_kind_is_refused_and_left_as_it_is(content: bytes, words: str, path: Path) -> None:
    path.write_bytes(content)
    with pytest.raises(NotOurStore, match=words):
        Store.open(path)
    assert path.read_bytes() == content


@pytest.mark.parametrize(
    "tables",
    [
        (),
        ("store_info (application VARCHAR)",),
        ("store_info (name VARCHAR)", "migrations (number INTEGER)"),
        ("store_info (application VARCHAR)", "migrations (step INTEGER)"),
        ("store_info (application VARCHAR)", "migrations (number INTEGER)"),
    ],
)
def test_a_database_of_another_program_is_refused(tables: tuple[str, ...], path: Path) -> None:
    import duckdb

    with duckdb.connect(str(path)) as other:
        for table in tables:
            other.execute(f"CREATE TABLE {table}")
    with pytest.raises(NotOurStore, match="not made by crosscellar"):
        Store.open(path)


def test_a_folder_and_a_store_that_is_not_there_are_refused(tmp_path: Path) -> None:
    with pytest.raises(NotOurStore, match="this is not a file"):
        Store.open(tmp_path)
    with pytest.raises(CrosscellarError, match="there is no store here"):
        Store.open(tmp_path / "none", create=False)
    with pytest.raises(CrosscellarError, match="there is no store here"):
        Store.open(tmp_path / "none", read_only=True)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_or_may_not_be_written_makes_no_store(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store can be made here"):
        Store.open(tmp_path / "nowhere" / "store")


def test_a_store_written_by_a_newer_program_is_refused_and_left_as_it_is(path: Path) -> None:
    with Store.open(path) as store:
        store._session.run("INSERT INTO migrations SELECT 9999, 'later', applied FROM migrations LIMIT 1")
        store._session.checkpoint()
    before = path.read_bytes()
    with pytest.raises(NotOurStore, match="written by a newer crosscellar"):
        Store.open(path)
    assert path.read_bytes() == before


def test_readers_share_a_store_and_change_nothing(path: Path, plain: Any) -> None:
    with Store.open(path) as store:
        store.take_in(plain(("a.csv", [("v1", "pH", 3.3)])))
    before = path.read_bytes()
    reader = [sys.executable, "-c", HOLDER.replace("argv[1])", "argv[1], read_only=True)"), str(path)]
    with subprocess.Popen(reader, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None and other.stdout.readline() == "open\n"
        with Store.open(path, read_only=True, wait=0.0) as store:
            assert store.readings().height == 1
            with pytest.raises(StoreError, match="open for reading only"):
                store.take_in(plain(("b.csv", [("v2", "pH", 3.3)])))
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "statement",
    [
        "SELECT * FROM read_csv('/etc/hostname')",
        "COPY (SELECT 1) TO 'never'",
        "ATTACH 'never' AS other",
        "INSTALL httpfs",
        "SET threads = 1",
        "SET enable_external_access = true",
    ],
)
def test_a_store_reaches_nothing_outside_and_its_settings_are_locked(
    statement: str, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(path.parent)
    with Store.open(path) as store, pytest.raises(StoreError):
        store._session.run(statement)
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_new_stores_can_be_read_by_the_older_duckdb_they_promise(path: Path) -> None:
    with Store.open(path) as store:
        # What DuckDB itself says of the open file (`duckdb_databases()`).
        found = store._session.rows("SELECT tags FROM duckdb_databases() WHERE database_name = 'network'")
        tags = found[0][0]
        assert tags["storage_version"].startswith("v1.4.0")


def test_a_damaged_log_is_told_as_the_log_and_not_as_the_store(path: Path, plain: Any) -> None:
    logs: list[bytes] = []

    def keep_log(step: str) -> None:
        if step == "journalled":
            logs.append(path.with_name("network.duckdb.wal").read_bytes())
            path.with_name("before").write_bytes(path.read_bytes())

    with Store.open(path, at_step=keep_log) as store:
        store.take_in(plain(("a.csv", [("v1", "pH", 3.3)])))
    path.with_name("before").replace(path)
    damaged = bytearray(logs[0])
    damaged[len(damaged) // 2] ^= 8
    path.with_name("network.duckdb.wal").write_bytes(damaged)
    with pytest.raises(StoreDamaged, match="log beside the store cannot be read"):
        Store.open(path)
