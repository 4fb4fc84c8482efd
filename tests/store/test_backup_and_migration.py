"""A backup is a whole store; an older store is brought up to date on a copy, or left as it was."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from crosscellar.errors import CrosscellarError, StoreError
from crosscellar.store import Store, migrations, store
from crosscellar.store.journal import journal_path
from crosscellar.store.migrations import Migration, known_migrations

#: A step that no version of this program has: it adds a column, and a row to be sure that it is there.
LATER = Migration(
    9001,
    "made up",
    "ALTER TABLE files ADD COLUMN made_up VARCHAR; UPDATE files SET made_up = 'seen';",
)
STEPS = ("copied_backup", "copied_copy", "applied", "verified", "swapped")


@pytest.fixture
def filled(path: Path, plain: Any) -> Path:
    with Store.open(path) as opened:
        opened.take_in(plain(("a.csv", [("v1", "pH", 3.3), ("v2", "pH", 3.4)])))
    return path


@pytest.fixture
def later(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The program knows a step that the filled store has not seen."""
    assert filled.is_file()
    monkeypatch.setattr(store, "known_migrations", lambda: (*known_migrations(), LATER))


def version(opened: Store) -> int:
    return migrations.version_of(opened._session)


def test_a_backup_passes_the_check_and_holds_the_same(filled: Path, plain: Any) -> None:
    out = filled.with_name("backup.duckdb")
    with Store.open(filled) as opened:
        want = (opened.content_checksum(), opened.facts(), opened.files().rows(), opened.readings().rows())
        assert opened.backup(out) == out
        # The store goes on after its backup, and the backup does not follow.
        opened.take_in(plain(("b.csv", [("v3", "pH", 3.5)])))
        assert opened.readings().height == 3
    with Store.open(out) as copy:
        assert (copy.content_checksum(), copy.facts(), copy.files().rows(), copy.readings().rows()) == want
        assert copy.check() == []
        copy.take_in(plain(("b.csv", [("v3", "pH", 3.5)])))
        assert copy.check() == []


def test_a_backups_journal_is_on_the_disk_before_it_is_told_of(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced, fsync = [], os.fsync

    def kept(handle: int) -> None:
        fsync(handle)
        synced.append(os.fstat(handle).st_ino)

    monkeypatch.setattr(os, "fsync", kept)
    out = filled.parent / "copies" / "copy.duckdb"
    out.parent.mkdir()
    with Store.open(filled) as opened:
        opened.backup(out)
    written = synced.index(journal_path(out).stat().st_ino)
    # Its name as well: the folder is on the disk after it.
    assert out.parent.stat().st_ino in synced[written:]
    assert journal_path(out).read_bytes() == journal_path(filled).read_bytes()


def test_a_backup_overwrites_nothing_and_a_failed_one_leaves_nothing(filled: Path) -> None:
    taken = filled.with_name("taken")
    taken.write_text("mine", encoding="utf-8")
    with Store.open(filled) as opened:
        with pytest.raises(CrosscellarError, match="there is a file of this name already") as there:
            opened.backup(taken)
        with pytest.raises(CrosscellarError) as nowhere:
            opened.backup(filled.with_name("nowhere") / "copy")
        assert nowhere.value.sentence == (
            f"{filled.with_name('nowhere')}: there is no folder of this name. "
            "Make it, or name a file in a folder that is there."
        )
        with pytest.raises(CrosscellarError) as folder:
            opened.backup(filled.parent)
        assert folder.value.sentence == (
            f"{filled.parent}: this is a folder. Name a file in it, such as {filled.parent / filled.name}."
        )
        # 3 would say that something is wrong with the store
        assert {told.value.exit_status for told in (there, nowhere, folder)} == {2}
        assert opened.readings().height == 2
    assert taken.read_text(encoding="utf-8") == "mine"
    assert sorted(file.name for file in filled.parent.iterdir()) == [
        "network.duckdb",
        "network.duckdb.journal",
        "taken",
    ]


def test_a_backup_into_a_folder_of_somebody_else_says_so(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.access", lambda *_: False)
    with Store.open(filled) as opened, pytest.raises(CrosscellarError, match="may not write to") as told:
        opened.backup(filled.with_name("copy"))
    assert told.value.exit_status == 2


def test_a_name_with_quotes_in_it_can_be_backed_up(tmp_path: Path, plain: Any) -> None:
    path = tmp_path / "it's; DROP TABLE.duckdb"
    with Store.open(path) as opened:
        opened.take_in(plain(("a.csv", [("v1", "pH", 3.3)])))
        opened.backup(tmp_path / "a 'quoted' copy.duckdb")
    with Store.open(tmp_path / "a 'quoted' copy.duckdb", create=False) as copy:
        assert copy.readings().height == 1


@pytest.mark.usefixtures("later")
def test_an_older_store_is_upgraded_on_a_copy_and_the_store_as_it_was_is_kept(filled: Path) -> None:
    before = filled.read_bytes()
    with Store.open(filled) as opened:
        assert version(opened) == LATER.number
        assert opened._session.rows("SELECT DISTINCT made_up FROM files") == [("seen",)]
        assert opened.check() == []
        assert opened.readings()["value"].to_list() == [3.3, 3.4]
    assert filled.with_name("network.duckdb.before-9001").read_bytes() == before
    assert (
        oct(filled.stat().st_mode)[-3:]
        == oct(filled.with_name("network.duckdb.before-9001").stat().st_mode)[-3:]
        == "600"
    )


@pytest.mark.usefixtures("later")
def test_an_older_store_opened_for_reading_is_not_upgraded(filled: Path) -> None:
    before = filled.read_bytes()
    with Store.open(filled, read_only=True) as opened:
        assert version(opened) == LATER.number
        assert opened.readings()["value"].to_list() == [3.3, 3.4]
    assert filled.read_bytes() == before


@pytest.mark.usefixtures("later")
@pytest.mark.parametrize("step", STEPS)
def test_an_upgrade_that_stops_leaves_the_old_store_or_the_new_one_and_a_rerun_completes(
    step: str, filled: Path
) -> None:
    def stop(name: str) -> None:
        if name == step:
            raise InterruptedError(name)

    before = filled.read_bytes()
    with pytest.raises((InterruptedError, StoreError)):
        Store.open(filled, at_step=stop)
    assert (filled.read_bytes() == before) is (step != "swapped")
    with Store.open(filled) as opened:
        assert version(opened) == LATER.number
        assert opened.check() == []
        assert opened.readings()["value"].to_list() == [3.3, 3.4]


KILLED = """
import os, signal, sys
from crosscellar.store import Store, store
from crosscellar.store.journal import journal_path
from crosscellar.store.migrations import Migration, known_migrations
later = Migration(9001, "made up", sys.argv[3])
store.known_migrations = lambda: (*known_migrations(), later)
def die(name):
    if name == sys.argv[2]:
        os.kill(os.getpid(), signal.SIGKILL)
Store.open(sys.argv[1], at_step=die)
"""


@pytest.mark.usefixtures("later")
@pytest.mark.parametrize("step", STEPS)
def test_an_upgrade_that_is_killed_leaves_the_old_store_or_the_new_one_and_a_rerun_completes(
    step: str, filled: Path
) -> None:
    before = filled.read_bytes()
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(filled), step, LATER.statements], timeout=120, check=False
    )
    assert done.returncode == -9
    assert (filled.read_bytes() == before) is (step != "swapped")
    with Store.open(filled) as opened:
        assert version(opened) == LATER.number
        assert opened.check() == []
        assert opened.readings()["value"].to_list() == [3.3, 3.4]


def test_a_step_that_fails_or_changes_the_content_leaves_the_store_as_it_was(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = filled.read_bytes()
    for statements in ("ALTER TABLE no_such_table ADD COLUMN x INTEGER", "UPDATE readings SET value = 3.0"):
        step = Migration(9002, "bad", statements)
        monkeypatch.setattr(store, "known_migrations", lambda step=step: (*known_migrations(), step))
        with pytest.raises(CrosscellarError):
            Store.open(filled)
        assert filled.read_bytes() == before
    monkeypatch.undo()
    with Store.open(filled) as opened:
        assert opened.readings()["value"].to_list() == [3.3, 3.4]


def test_the_known_steps_are_numbered_from_one_without_a_gap() -> None:
    assert [step.number for step in known_migrations()] == list(range(1, len(known_migrations()) + 1))


def test_two_that_make_a_store_at_one_moment_get_one_store(path: Path, clock: Any) -> None:
    first, second = path.with_name("first"), path.with_name("second")
    steps = known_migrations()
    migrations.make_new(first, moment=clock(), steps=steps)
    os.link(first, path)
    inode = path.stat().st_ino
    migrations.make_new(path, moment=clock(), steps=steps)
    assert path.stat().st_ino == inode
    assert not second.exists()
