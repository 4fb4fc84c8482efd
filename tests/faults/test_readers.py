"""Readers beside writers: a report sees a sheet whole or not at all, and a store that was swapped is seen."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from crosscellar.store import Store, session

#: Readers look, then leave the store alone for ten times as long: eight who look without a pause would keep
#: every writer out, the more so the slower the machine.
READERS = """
import sys, time
from crosscellar.errors import StoreBusy
from crosscellar.store import Store
seen = []
while not seen or seen[-1] < int(sys.argv[2]):
    began = time.monotonic()
    try:
        with Store.open(sys.argv[1], read_only=True, wait=60.0) as store:
            files, readings = store.files().height, store.readings()
            assert readings.group_by("file").len()["len"].to_list() == [5] * files, readings
            assert store.check() == []
            seen.append(files)
    except StoreBusy:
        continue
    time.sleep(10 * (time.monotonic() - began))
print(seen == sorted(seen))
"""

WRITER = """
import sys
sys.path.insert(0, sys.argv[3])
from store_rounds import sheet
from crosscellar.store import Store
for number in range(int(sys.argv[2])):
    with Store.open(sys.argv[1], wait=600.0) as store:
        store.take_in(sheet(number))
"""


@pytest.mark.parametrize(("readers", "sheets"), [(2, 4), pytest.param(8, 50, marks=pytest.mark.long)])
def test_readers_beside_a_writer_never_see_half_a_sheet(readers: int, sheets: int, tmp_path: Path) -> None:
    path = tmp_path / "store"
    Store.open(path).close()
    watching = [
        subprocess.Popen(
            [sys.executable, "-c", READERS, str(path), str(sheets)], stdout=subprocess.PIPE, text=True
        )
        for _ in range(readers)
    ]
    folder = str(Path(__file__).parent)
    try:
        subprocess.run(
            [sys.executable, "-c", WRITER, str(path), str(sheets), folder], check=True, timeout=3000
        )
        assert [child.communicate(timeout=900)[0] for child in watching] == ["True\n"] * readers
    finally:
        for child in watching:
            child.kill()
            child.wait()


def test_a_store_swapped_in_between_looking_and_locking_is_the_one_that_is_opened(tmp_path: Path) -> None:
    """The lock on the old file would let what is written to it be lost without a word."""
    path, new = tmp_path / "store", tmp_path / "new"
    Store.open(path).close()
    shutil.copyfile(path, new)
    opened: list[int] = []

    def connect() -> duckdb.DuckDBPyConnection:
        connection = duckdb.connect(str(path), config=session.CONFIG)
        opened.append(path.stat().st_ino)
        if new.exists():
            new.replace(path)
        return connection

    connection, inode = session.reach(path, connect, wait=1.0)
    connection.close()
    assert len(opened) == 2
    assert inode[1] == path.stat().st_ino != opened[0]
    session.release(inode)
    assert inode not in session._held
