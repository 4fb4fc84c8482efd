"""A store is made again from its kept files, register history and decisions, to the same content."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from crosscellar import cli
from crosscellar.errors import CrosscellarError
from crosscellar.network import Network

MESSY = Path(__file__).parents[1] / "faults" / "messy"
HEADING = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note\n"
ARMS = {"ORR-01": "control", "ORR-02": "stir_weekly", "ORR-03": "control", "ORR-04": "stir_weekly"}


def write_sheet(folder: Path, name: str, **values: str) -> Path:
    """A sheet of pH readings: vessel to value as written."""
    rows = [
        f"LS24-ORR,{ARMS[vessel.replace('_', '-')]},{vessel.replace('_', '-')},"
        f"end_AF,2024-10-15,pH,{value},,1,lab_north,\n"
        for vessel, value in values.items()
    ]
    (folder / name).write_text(HEADING + "".join(rows), encoding="utf-8")
    return folder / name


@pytest.fixture(scope="module")
def lived_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a conflict decided and undone, a correction, a refused value and an unreadable file."""
    inbox = tmp_path_factory.mktemp("inbox")
    path = tmp_path_factory.mktemp("lived") / "network.duckdb"
    hours = iter(range(1000))
    start = datetime(2026, 1, 1, 12, tzinfo=UTC)
    with Network.open(path, clock=lambda: start + timedelta(hours=next(hours))) as network:
        network.register(MESSY / "register")
        network.intake([write_sheet(inbox, "a.csv", ORR_01="3.31", ORR_02="3.35")])
        network.intake([write_sheet(inbox, "b.csv", ORR_01="3.41", ORR_03="3.30")])
        network.decide(1, "accept", reason="by telephone")
        network.intake([write_sheet(inbox, "c.csv", ORR_02="3.36")], correction=True)
        network.decide(1, "refuse", reason="the laboratory took it back")
        network.intake([write_sheet(inbox, "d.csv", ORR_04="33.5")])
        broken = inbox / "broken.xlsx"
        broken.write_bytes(b"PK\x03\x04 no workbook")
        link = inbox / "link.csv"
        link.symlink_to(broken)
        network.intake([broken, link])
        network.decide(1, "accept", reason="and sent it again", value="3.42")
    return path


@pytest.fixture
def lived(lived_store: Path, tmp_path: Path) -> Iterator[Network]:
    """A copy of that store, open."""
    path = tmp_path / "network.duckdb"
    shutil.copyfile(lived_store, path)
    shutil.copyfile(f"{lived_store}.journal", f"{path}.journal")
    with Network.open(path) as network:
        yield network


def standing(network: Network) -> list[tuple[object, ...]]:
    return network._store.readings().drop("reading_id", "file_no").rows()


def past(network: Network) -> list[tuple[object, ...]]:
    return network._store.findings().drop("finding_id").rows()


def test_a_store_made_again_holds_the_same_readings_findings_and_history(
    lived: Network, tmp_path: Path
) -> None:
    rebuilt = lived.rebuild(tmp_path / "again.duckdb")
    assert rebuilt.differences == ()
    assert rebuilt.same
    assert rebuilt.content == lived._store.content_checksum()
    with Network.open(tmp_path / "again.duckdb", create=False) as again:
        assert again.check().problems == ()
        assert standing(again) == standing(lived)
        assert past(again) == past(lived)
        steps, before = again._store.history().steps(), lived._store.history().steps()
        assert [(step.moment, step.kind, step.checksum) for step in steps] == [
            (step.moment, step.kind, step.checksum) for step in before
        ]
        for step in before:
            then = standing_as_of(lived, step.moment)
            assert standing_as_of(again, step.moment) == then
    assert {file.name for file in tmp_path.iterdir()} == {
        "network.duckdb",
        "network.duckdb.journal",
        "again.duckdb",
        "again.duckdb.journal",
    }


def standing_as_of(network: Network, moment: datetime) -> list[tuple[object, ...]]:
    return network._store.readings(as_of=moment).select("vessel_id", "value", "cell", "file").rows()


#: Done to the rows that stand, behind the program's back.
CHANGES = (
    "UPDATE readings SET value = value + 0.5",
    "DELETE FROM readings WHERE vessel_id = 'ORR-03'",
    "UPDATE supersessions SET stands = NOT stands",
    "DELETE FROM set_aside",
    "INSERT INTO readings SELECT * REPLACE (99 AS reading_id, 'X' AS vessel_id) FROM readings LIMIT 1",
)


@pytest.mark.parametrize(
    "damages", [CHANGES, *(pytest.param((one,), marks=pytest.mark.long) for one in CHANGES)]
)
def test_rows_that_were_changed_behind_the_programs_back_come_back_as_they_were(
    damages: tuple[str, ...], lived: Network, tmp_path: Path
) -> None:
    sound, checksum = standing(lived), lived._store.content_checksum()
    for damage in damages:
        lived._store._session.run(damage)
    assert standing(lived) != sound or damages == ("DELETE FROM set_aside",)
    rebuilt = lived.rebuild(tmp_path / "again.duckdb")
    assert rebuilt.same
    assert rebuilt.content == checksum
    with Network.open(tmp_path / "again.duckdb", read_only=True) as again:
        assert standing(again) == sound
        assert again.check().sound


#: What cannot be made again, and how it is named.
LOSSES = {
    "UPDATE contents SET content = 'x'::BLOB WHERE entry_id = 2": "kept bytes of a.csv are damaged",
    "DELETE FROM contents WHERE entry_id = 3": "bytes of b.csv are not in the store",
    "DELETE FROM decisions WHERE entry_id <> 4": "what was decided is lost",
    "UPDATE decisions SET finding_id = 77": "finding 77, which was not found again",
}
SHEETS, DECISIONS = (tuple(words for words in LOSSES if word in words) for word in ("contents", "decisions"))


@pytest.mark.parametrize(
    "losses", [SHEETS, DECISIONS, *(pytest.param((one,), marks=pytest.mark.long) for one in LOSSES)]
)
def test_what_cannot_be_made_again_is_named_and_nothing_is_called_the_same(
    losses: tuple[str, ...], lived: Network, tmp_path: Path
) -> None:
    for loss in losses:
        lived._store._session.run(loss)
    rebuilt = lived.rebuild(tmp_path / "again.duckdb")
    assert not rebuilt.same
    told = " ".join(rebuilt.differences)
    assert [words for loss in losses if (words := LOSSES[loss]) not in told] == []
    assert any("came out otherwise" in difference for difference in rebuilt.differences)


def test_settings_of_a_taking_in_are_those_of_then(tmp_path: Path) -> None:
    rows = [
        f"LS24-ORR,control,ORR-01,end_AF,2024-10-15,{analyte},{value},mg/L,1,lab_north,\n"
        for analyte, value in (("FSO2", 40), ("TSO2", 30))
    ]
    odd = tmp_path / "a.csv"
    odd.write_text(HEADING + "".join(rows), encoding="utf-8")
    with Network.open(tmp_path / "network.duckdb") as network:
        network.register(MESSY / "register")
        assert network.intake([odd], dry_run=True).findings["code"].to_list() == ["free_above_total"]
        network.intake([odd], settings={"free_above_total": {"on": 0}})
        assert network._store.findings().height == 0
        rebuilt = network.rebuild(tmp_path / "again.duckdb")
        assert rebuilt.same
        with Network.open(tmp_path / "again.duckdb", read_only=True) as again:
            assert past(again) == past(network)


def test_a_register_that_changed_and_rows_that_ended_are_made_again(lived: Network, tmp_path: Path) -> None:
    changed = tmp_path / "register"
    shutil.copytree(MESSY / "register", changed)
    aliases = changed / "aliases.csv"
    text = aliases.read_text(encoding="utf-8") if aliases.exists() else "written,means\n"
    aliases.write_text(text + "made up name,pH\n", encoding="utf-8")
    lived.register(changed)
    lived.register(MESSY / "register")
    assert lived.rebuild(tmp_path / "again.duckdb").same
    with Network.open(tmp_path / "again.duckdb", read_only=True) as again:
        for entry in (step.entry_id for step in lived._store.history().steps()):
            then, now = (each._store.history().register_after(entry) for each in (lived, again))
            assert {name: frame.rows() for name, frame in then.items()} == {
                name: frame.rows() for name, frame in now.items()
            }


def test_a_file_that_is_there_or_a_folder_that_is_not_stops_it_before_anything_is_written(
    lived: Network, tmp_path: Path
) -> None:
    taken = tmp_path / "taken"
    taken.write_text("mine", encoding="utf-8")
    with pytest.raises(CrosscellarError, match="there is a file of this name already") as fault:
        lived.rebuild(taken)
    assert fault.value.exit_status == 2
    with pytest.raises(CrosscellarError, match="nowhere: there is no folder of this name") as nowhere:
        lived.rebuild(tmp_path / "nowhere" / "again.duckdb")
    assert nowhere.value.exit_status == 2
    with (
        Network.open(tmp_path / "empty.duckdb") as empty,
        pytest.raises(CrosscellarError, match="nothing to make again"),
    ):
        empty.rebuild(tmp_path / "again.duckdb")
    assert taken.read_text(encoding="utf-8") == "mine"


def test_the_demo_is_made_again_from_the_command_line(
    demo_store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "network.duckdb"
    shutil.copyfile(demo_store, store)
    shutil.copyfile(f"{demo_store}.journal", f"{store}.journal")
    assert cli.main(["--store", str(store), "rebuild", "--out", str(tmp_path / "again.duckdb")]) == 0
    assert "They are those of the ledger" in " ".join(capsys.readouterr().out.split())


def test_a_lost_decision_is_named_until_its_own_finding_is_decided_again(
    lived: Network, tmp_path: Path
) -> None:
    """The store lost three decisions with its end; one on another finding makes none of them good."""
    store = lived._store
    inbox = tmp_path / "more"
    inbox.mkdir()
    lived.intake([write_sheet(inbox, "e.csv", ORR_02="3.50", ORR_03="3.60")])
    first, second = store.findings(open_only=True)["finding_id"].to_list()[-2:]
    path, journal = store.path, store.path.with_name("network.duckdb.journal")
    kept = tmp_path / "kept"
    store._session.checkpoint()
    store.close()
    shutil.copyfile(path, kept)
    with Network.open(path) as network:
        network.decide(first, "accept", reason="yes")
        network.decide(first, "refuse", reason="no")
        network.decide(second, "refuse", reason="no")
    assert journal.exists()
    shutil.copyfile(kept, path)
    with Network.open(path) as network:
        told = network.check().problems
        assert len(told) == 3
        assert f"(accept finding {first}, " in told[0] and "e.csv G2)" in told[0]
        assert f"(refuse finding {second}, " in told[2] and "e.csv G3)" in told[2]
        network.decide(second, "refuse", reason="no")
        assert network.check().problems == told[:2]
        network.decide(first, "refuse", reason="no")
        assert network.check().problems == ()
