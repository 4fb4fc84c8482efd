"""A store that version 1 of the format wrote is opened, upgraded on a copy, and answers as it did."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest

from crosscellar import cli
from crosscellar.errors import StoreError
from crosscellar.store import Circumstances, Store, kept_files, migrations

#: Written once by the program as it was before schema step 2, and never anew. From its sheets, by hand:
#: a.csv (ORR-01 3.31, ORR-02 3.35), b.csv (ORR-01 3.41 held, ORR-03 3.30), the held one accepted, c.csv a
#: correction (ORR-02 3.36), d.csv (ORR-04 33.5, which no pH is). Version 2 was written by the program before
#: step 3; version 3 is that store, brought up to date by the program before step 4, and so is version 4.
STORES = Path(__file__).with_name("stores")
STANDING = {"ORR-01": 3.41, "ORR-02": 3.36, "ORR-03": 3.30}
BEFORE_THE_DECISION = {"ORR-01": 3.31, "ORR-02": 3.35, "ORR-03": 3.30}
LAST = migrations.known_migrations()[-1].number
STEPS = ("copied_backup", "copied_copy", "applied", "verified", "swapped")


def lay(folder: Path, version: int) -> Path:
    path = folder / "network.duckdb"
    path.write_bytes(gzip.decompress((STORES / f"version_{version}.duckdb.gz").read_bytes()))
    journal = (STORES / f"version_{version}.journal.txt").read_bytes()
    path.with_name("network.duckdb.journal").write_bytes(journal)
    return path


@pytest.fixture
def old(tmp_path: Path) -> Path:
    return lay(tmp_path, 1)


def standing(store: Store, **when: Any) -> dict[str, float]:
    return dict(store.readings(**when).select("vessel_id", "value").rows())


def test_a_store_of_version_1_opens_passes_the_check_and_answers_as_it_did(old: Path) -> None:
    with Store.open(old) as store:
        assert migrations.version_of(store._session) == migrations.known_migrations()[-1].number
        assert store.check() == []
        assert standing(store) == STANDING
        decided = next(step.moment for step in store.history().steps() if step.kind == "decision")
        assert standing(store, as_of=decided.replace(hour=decided.hour - 1)) == BEFORE_THE_DECISION
        assert standing(store, as_of=date(2025, 12, 31)) == {}


@pytest.mark.parametrize("version", [1, 2, 3, 4])
def test_an_older_store_answers_readers_from_an_upgraded_copy_and_stays_as_it_is(
    version: int, tmp_path: Path, plain: Any
) -> None:
    path = lay(tmp_path, version)
    before = path.read_bytes()
    with Store.open(path, read_only=True) as store:
        assert store.check() == []
        assert standing(store) == STANDING
        assert [step.kind for step in store.history().steps()].count("decision") == 1
        with pytest.raises(StoreError, match="open for reading only"):
            store.take_in(plain(("a.csv", [("v1", "pH", 3.3)])))
        assert standing(store) == STANDING
    assert path.read_bytes() == before
    assert sorted(file.name for file in tmp_path.iterdir()) == ["network.duckdb", "network.duckdb.journal"]


@pytest.mark.parametrize("version", [1, 2, 3])
def test_the_bytes_that_an_older_store_keeps_whole_are_the_same_in_pieces(
    version: int, tmp_path: Path
) -> None:
    path = lay(tmp_path, version)
    with duckdb.connect(str(path), read_only=True) as connection:
        kept = connection.execute("SELECT sha256, content, entry_id FROM contents ORDER BY ALL").fetchall()
    assert len(kept) == 4
    with Store.open(path) as store:
        assert [(sha256, store.content_of_file(sha256)) for sha256, _, _ in kept] == [
            (sha256, content) for sha256, content, _ in kept
        ]
        entries = store._session.rows("SELECT DISTINCT sha256, entry_id FROM contents ORDER BY ALL")
        assert entries == [(sha256, entry) for sha256, _, entry in kept]
        assert store.facts()["kept_contents"] == 4


def test_a_check_brings_an_older_store_up_to_date_only_where_it_is_told_to(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = old.read_bytes()
    assert cli.main(["--store", str(old), "check"]) == 0
    assert old.read_bytes() == before
    assert cli.main(["--store", str(old), "check", "--upgrade"]) == 0
    assert old.with_name(f"network.duckdb.before-{LAST:04d}").read_bytes() == before
    assert capsys.readouterr().out.count("is sound: 3 readings") == 2


def test_an_upgrade_tells_how_far_it_is(old: Path) -> None:
    told: list[str] = []
    with Store.open(old, tell=told.append) as store:
        assert store.check() == []
    assert told == [
        "The store was written by an older version and is brought up to date, on a copy.",
        "1 of 4  what it holds is added up",
        f"2 of 4  it is copied; as it was it stays in {old.name}.before-{LAST:04d}",
        "3 of 4  the copy is brought up to date",
        *(f"        {done} of 4 portions of its kept files" for done in (1, 2, 3, 4)),
        "4 of 4  what the copy holds is added up",
    ]
    with Store.open(old, tell=told.append):
        assert len(told) == 9


@pytest.mark.parametrize(("of", "told"), [(1, [1]), (3, [1, 2, 3]), (120, list(range(12, 121, 12)))])
def test_of_many_portions_of_kept_files_ten_are_told_of(of: int, told: list[int]) -> None:
    assert [done for done in range(1, of + 1) if kept_files.worth_telling(done, of)] == told


@pytest.mark.parametrize("terminal", [True, False])
def test_progress_is_for_a_person_at_a_terminal(
    terminal: bool, old: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal)
    assert cli.main(["--store", str(old), "check"]) == 0
    copied = "The store was written by an older version and is brought up to date in memory, each time anew;"
    assert (copied in capsys.readouterr().err) is terminal
    assert cli.main(["--store", str(old), "check", "--upgrade"]) == 0
    read = capsys.readouterr()
    assert ("3 of 4  the copy is brought up to date" in read.err) is terminal
    assert "of 4" not in read.out


def test_a_store_of_version_1_takes_in_decides_and_is_backed_up(old: Path, take: Any, ph: Any) -> None:
    with Store.open(old) as store:
        take(store, ph(ORR_04="3.40"), "e.csv")
        assert standing(store) == STANDING | {"ORR-04": 3.40}
        store.backup(old.with_name("copy.duckdb"))
        assert store.check() == []


KILLED = """
import os, signal, sys
from crosscellar.store import Store
def die(name):
    if name == sys.argv[2]:
        os.kill(os.getpid(), signal.SIGKILL)
Store.open(sys.argv[1], at_step=die)
"""


@pytest.mark.parametrize("step", STEPS)
def test_the_upgrade_of_version_1_killed_at_a_step_leaves_one_whole_store_and_a_rerun_sweeps(
    step: str, old: Path
) -> None:
    before = old.read_bytes()
    done = subprocess.run([sys.executable, "-c", KILLED, str(old), step], timeout=120, check=False)
    assert done.returncode == -9
    assert (old.read_bytes() == before) is (step != "swapped")
    with Store.open(old) as store:
        assert store.check() == []
        assert standing(store) == STANDING
    names = {file.name for file in old.parent.iterdir()} - {".network.duckdb.upgrading"}
    assert names == {"network.duckdb", "network.duckdb.journal", f"network.duckdb.before-{LAST:04d}"}
    assert {
        file.stat().st_mode & 0o077 for file in old.parent.glob("*.duckdb*") if "journal" not in file.name
    }


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_of_processes_that_upgrade_at_one_moment_none_undoes_what_another_took_in(old: Path) -> None:
    """Each opens the old store and adds a register of its own: all must be there in the end."""
    adding = """
import sys
import polars as pl
from crosscellar.store import Store
with Store.open(sys.argv[1], wait=60.0) as store:
    name = sys.argv[2]
    store.keep_register({name: pl.DataFrame({"k": [name]})}, {name: ["k"]})
"""
    children = [
        subprocess.Popen([sys.executable, "-c", adding, str(old), f"table_{number}"]) for number in range(4)
    ]
    assert [child.wait(timeout=120) for child in children] == [0, 0, 0, 0]
    with Store.open(old) as store:
        assert store.check() == []
        assert standing(store) == STANDING
        assert {f"table_{number}" for number in range(4)} <= set(store.register_frames())


def test_a_store_written_to_by_an_older_program_during_its_upgrade_is_left_as_it_is(old: Path) -> None:
    def write(step: str) -> None:
        if step == "verified":
            with old.open("ab") as file:
                file.write(bytes(16))

    with pytest.raises(StoreError, match="another program wrote to the store while it was upgraded"):
        Store.open(old, at_step=write)
    assert old.read_bytes()[-16:] == bytes(16)


def test_how_a_taking_in_was_done_is_on_record(path: Path, plain: Any) -> None:
    how = Circumstances(date(2025, 10, 9), True, {"sugar_rises": {"on": 0.0}}, "0.1.0")
    with Store.open(path, clock=lambda: datetime(2026, 1, 1, tzinfo=UTC)) as store:
        store.take_in(plain(("a.csv", [("v1", "pH", 3.3)])), how=how)
        store.take_in(plain(("b.csv", [("v2", "pH", 3.3)])))
        first, second = store.history().steps()
    assert first.how == how
    assert [file.name for file in first.files] == ["a.csv"]
    assert second.how is None


def test_bytes_that_no_sheet_can_be_read_from_change_nothing_when_they_come_again(
    path: Path, judge: Any
) -> None:
    broken = ("broken.xlsx", "PK\x03\x04 this is no workbook")
    with Store.open(path) as store:
        first = store.take_in(judge(store, broken))
        assert first is not None
        facts, findings = store.facts(), store.findings().rows()
        assert store.take_in(judge(store, broken)) is None
        assert store.take_in(judge(store, ("other name.xlsx", broken[1]))) is None
        assert (store.facts(), store.findings().rows()) == (facts, findings)
        # beside a sheet that is new, too
        sheet = ("new.csv", "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit\n")
        store.take_in(judge(store, broken, sheet))
        assert store.files()["file"].to_list().count("broken.xlsx") == 1
