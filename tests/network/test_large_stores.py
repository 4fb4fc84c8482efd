"""A question of a large store reads its own trials only, and no digit of its answer is another for it."""

from __future__ import annotations

import io
import json
import os
import shutil
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from crosscellar import lending
from crosscellar.contract import Contract
from crosscellar.effects import trial_variances
from crosscellar.errors import UnknownName
from crosscellar.network import Network
from crosscellar.store import Store, stretches
from crosscellar.store.beside import remembered_path

DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.fixture
def own_store(demo_store: Path, tmp_path: Path) -> Path:
    return Path(shutil.copyfile(demo_store, tmp_path / "network.duckdb"))


def opened(path: Path, *, large: bool) -> Network:
    network = Network.open(path, read_only=True)
    if large:
        network._kept.large = 0
    return network


# Laboratory readings with panels' scores and triangles; with ferment logs and events; with several doses.
@pytest.mark.parametrize("question", ["lees-stirring", "nutrient-timing", "bentonite-dose"])
def test_a_question_of_a_large_store_has_the_same_effects_and_answers(own_store: Path, question: str) -> None:
    with opened(own_store, large=False) as network:
        effects, answer = network.effects(question), network.answer(question)
        assert not remembered_path(own_store).exists()
    for _ in ("worked out", "remembered"):
        with opened(own_store, large=True) as network:
            assert_frame_equal(network.effects(question), effects, check_exact=True)
        # Asked first, it reads no more of the register than it needs.
        with opened(own_store, large=True) as network:
            again = network.answer(question)
            assert [str(one) for one in again.pooled] == [str(one) for one in answer.pooled]
            assert again.remarks == answer.remarks
        assert remembered_path(own_store).exists()


def test_a_question_or_response_that_there_is_not_is_told_alike_in_a_large_store(demo_store: Path) -> None:
    said = []
    for large in (False, True):
        with opened(demo_store, large=large) as network:
            for asked in ({"question": "lees"}, {"question": "lees-stirring", "response": "tannin"}):
                with pytest.raises(UnknownName) as told:
                    network.answer(**asked)
                said.append(told.value.sentence)
    assert said[:2] == said[2:]
    assert len({*said}) == 2


def test_what_is_remembered_is_used_and_holds_no_name_but_those_of_trials(own_store: Path) -> None:
    with opened(own_store, large=True) as network:
        plain = network.effects("lees-stirring", response="glycerol")
    place = remembered_path(own_store) / "glycerol-logarithms.zip"
    with zipfile.ZipFile(place) as kept:
        rows = pl.read_parquet(io.BytesIO(kept.read("rows.parquet")))
        found = json.loads(kept.read("told.json"))
    names = ["analyte", "log", "paired", "stage_group", "trial_id", "variance", "df"]
    assert rows.columns == names
    assert {word for row in found["told"] for word in row if isinstance(word, str)} <= {
        "glycerol",
        *rows["stage_group"].drop_nulls(),
    }
    for row in found["told"]:
        row[5] *= 100.0
    with zipfile.ZipFile(place, "w") as kept:
        kept.writestr("told.json", json.dumps(found))
    with opened(own_store, large=True) as network:
        wide = network.effects("lees-stirring", response="glycerol")
    assert (wide["variance"] > plain["variance"]).all()


def correction(network: Network, folder: Path) -> tuple[Path, str]:
    """A sheet that corrects one glycerol reading of lees stirring, and its trial."""
    standing = network._store.measured(analytes=["glycerol"])
    one = standing.filter(pl.col("trial_id").str.starts_with("LS") & (pl.col("stage") == "pre_bottling"))[:1]
    sheet = folder / "glycerol.csv"
    sheet.write_text(one.with_columns(pl.col("value") * 1.02).drop("time", "qualifier").write_csv(), "utf-8")
    return sheet, one["trial_id"][0]


@pytest.fixture
def worked_out(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, ...]]:
    """Of which trials it was worked out how far their vessels differ, each time that it was."""
    trials: list[tuple[str, ...]] = []

    def watched(readings: pl.DataFrame, design: pl.DataFrame, *rest: Contract, log: bool) -> pl.DataFrame:
        trials.append(tuple(design["trial_id"].unique()))
        return trial_variances(readings, design, *rest, log=log)

    monkeypatch.setattr(lending, "trial_variances", watched)
    return trials


def test_a_correction_works_out_the_trial_that_it_corrects_and_the_next_answer_none(
    own_store: Path, tmp_path: Path, worked_out: list[tuple[str, ...]]
) -> None:
    with Network.open(own_store) as network:
        network._kept.large = 0
        before = network.effects("lees-stirring")
        sheet, trial = correction(network, tmp_path)
        worked_out.clear()
        lent = everything_in(remembered_path(own_store))
        assert network.intake([sheet], correction=True, dry_run=True).files["accepted"].to_list() == [1]
        assert everything_in(remembered_path(own_store)) == lent
        assert network.intake([sheet], correction=True).files["accepted"].to_list() == [1]
        assert {*worked_out} == {(trial,)}
        worked_out.clear()
        after = network.effects("lees-stirring")
        assert worked_out == []
        assert network.intake([sheet], correction=True).files["already"].to_list() == [1]
        assert worked_out == []
    with opened(own_store, large=False) as network:
        assert_frame_equal(network.effects("lees-stirring"), after, check_exact=True)
    assert not before.equals(after)


def test_a_change_to_many_trials_is_left_to_the_question_that_asks_for_them(
    own_store: Path, tmp_path: Path, worked_out: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lending, "FEW", 0.0)
    with Network.open(own_store) as network:
        network._kept.large = 0
        network.effects("lees-stirring")
        sheet, _ = correction(network, tmp_path)
        lent = everything_in(remembered_path(own_store))
        worked_out.clear()
        network.intake([sheet], correction=True)
        assert worked_out == []
        assert everything_in(remembered_path(own_store)) == lent
        after = network.effects("lees-stirring")
        assert {len(trials) for trials in worked_out} == {network._register.trials.height}
    with opened(own_store, large=False) as network:
        assert_frame_equal(network.effects("lees-stirring"), after, check_exact=True)


def everything_in(folder: Path) -> dict[str, bytes]:
    return {place.name: place.read_bytes() for place in folder.iterdir()}


@pytest.mark.parametrize(
    ("where", "fault"),
    [
        ("recall", OSError("no such disk")),
        ("trial_variances", MemoryError()),
        ("priors_of_trials", ValueError("torn")),
        ("remember", KeyboardInterrupt()),
    ],
)
def test_where_what_lies_beside_cannot_follow_the_sheet_is_in_and_every_answer_right(
    own_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str, fault: BaseException
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise fault

    with Network.open(own_store) as network:
        network._kept.large = 0
        before = network.effects("lees-stirring")
        sheet, trial = correction(network, tmp_path)
        with monkeypatch.context() as broken:
            broken.setattr(lending if hasattr(lending, where) else Store, where, fail)
            if isinstance(fault, Exception):
                assert network.intake([sheet], correction=True).files["accepted"].to_list() == [1]
            else:
                with pytest.raises(KeyboardInterrupt):
                    network.intake([sheet], correction=True)
        assert network.check().problems == ()
    with opened(own_store, large=False) as network:
        whole = network.effects("lees-stirring")
    for _ in ("worked out", "remembered"):
        with opened(own_store, large=True) as network:
            assert_frame_equal(network.effects("lees-stirring"), whole, check_exact=True)
    changed = before.join(whole, on=["trial", "arm", "response", "stage", "estimate"], how="anti")
    assert changed["trial"].unique().to_list() == [trial]


def test_a_decision_and_a_register_are_followed_and_nothing_is_begun_where_no_one_asked(
    own_store: Path, tmp_path: Path, worked_out: list[tuple[str, ...]]
) -> None:
    folder = Path(shutil.copytree(DEMO / "register", tmp_path / "register"))
    vessels = pl.read_csv(folder / "vessels.csv", infer_schema=False)
    with Network.open(own_store) as network:
        network._kept.large = 0
        findings = network._store.findings(open_only=True)
        (waiting,) = findings.filter(pl.col("code") == "free_above_total")["finding_id"]
        network.decide(waiting, "refuse", reason="another bottle")
        assert not remembered_path(own_store).exists()
        network.effects("lees-stirring")
        worked_out.clear()
        assert network.decide(waiting, "accept", reason="so it stands").entered == 2
        assert {*worked_out} == {("BF25-LUN",)}
        worked_out.clear()
        of_trial = vessels["trial_id"] == "LS22-OND"
        vessels.with_columns(
            pl.when(of_trial).then(pl.lit("501")).otherwise("volume_l").alias("volume_l")
        ).write_csv(folder / "vessels.csv")
        network.register(folder)
        assert {*worked_out} == {("LS22-OND",)}
        worked_out.clear()
        after = network.effects("lees-stirring")
        assert worked_out == []
    with opened(own_store, large=False) as network:
        assert_frame_equal(network.effects("lees-stirring"), after, check_exact=True)


ROWS = pl.DataFrame({"trial_id": ["T1"], "variance": [0.5]})


def kept_file(path: Path) -> Path:
    """What was kept of `ph` by a program called p1."""
    with Store.open(path, create=False, read_only=True) as store:
        store.remember("ph", made_by="p1", told=[1.5, float("inf"), None], rows=ROWS)
        kept = store.recall("ph", made_by="p1")
        assert kept is not None
        assert kept.told == [1.5, float("inf"), None]
        assert store.recall("ph", made_by="p2") is None
    return remembered_path(path) / "ph.zip"


@pytest.mark.parametrize("damage", ["nothing", "half", "text", "number", "rows"])
def test_a_damaged_file_beside_the_store_is_passed_over(own_store: Path, damage: str) -> None:
    place = kept_file(own_store)
    whole = place.read_bytes()
    middle = whole.index(b"PAR1") + 20
    place.write_bytes(
        {
            "nothing": b"",
            "half": whole[: len(whole) // 2],
            "text": b"no zip at all",
            "number": whole.replace(b"1.5", b"2.5"),
            "rows": whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :],
        }[damage]
    )
    with Store.open(own_store, clock=lambda: datetime(2031, 1, 1, tzinfo=UTC)) as store:
        current = store.recall("ph", made_by="p1")
        # The rows are read for a change only.
        assert (current is not None) == (damage == "rows")
        assert current is None or current.rows() is None
        store.remember("ph", made_by="p1", told=[2.5], rows=ROWS)
        again = store.recall("ph", made_by="p1")
        assert again is not None
        assert again.told == [2.5]


def test_after_a_change_what_was_kept_still_has_its_rows(own_store: Path) -> None:
    kept_file(own_store)
    with Store.open(own_store, clock=lambda: datetime(2031, 1, 1, tzinfo=UTC)) as store:
        store.decide(open_finding(store), "refuse", reason="another bottle")
        kept = store.recall("ph", made_by="p1")
        assert kept is not None
        rows = kept.rows()
        assert rows is not None
        assert_frame_equal(rows, ROWS)


def test_what_a_killed_process_left_half_written_goes_when_it_is_written_again(own_store: Path) -> None:
    half = kept_file(own_store).with_name("ph.zip.4711")
    other = half.with_name("so2_free-logarithms.zip.4711")
    for part in (half, other):
        part.write_bytes(b"PK")
    with Store.open(own_store, create=False, read_only=True) as store:
        assert store.names_kept == ["ph"]
        store.remember("ph", made_by="p1", told=[2.5], rows=ROWS)
    assert [half.exists(), other.exists()] == [False, True]


def test_what_another_history_left_beside_the_store_is_passed_over(own_store: Path, tmp_path: Path) -> None:
    other = Path(shutil.copyfile(own_store, tmp_path / "other.duckdb"))
    for path, day in ((own_store, 1), (other, 2)):
        with Store.open(path, clock=lambda day=day: datetime(2031, 1, day, tzinfo=UTC)) as store:
            store.decide(open_finding(store), "refuse", reason="another bottle")
    kept_file(own_store)
    shutil.copytree(remembered_path(own_store), remembered_path(other))
    with Store.open(other, create=False, read_only=True) as store:
        assert store.recall("ph", made_by="p1") is None


def open_finding(store: Store) -> int:
    return int(store.findings(open_only=True)["finding_id"][0])


def test_where_nothing_can_be_written_nothing_is_kept(own_store: Path) -> None:
    remembered_path(own_store).write_text("in the way", "utf-8")
    with Store.open(own_store, create=False, read_only=True) as store:
        store.remember("ph", made_by="p1", told=[1.5], rows=ROWS)
        assert store.recall("ph", made_by="p1") is None
    assert remembered_path(own_store).read_text("utf-8") == "in the way"


@pytest.mark.parametrize("asked", ["by name", "by stretch", "too wide a stretch"])
def test_readings_of_some_trials_are_those_among_all(
    own_store: Path, monkeypatch: pytest.MonkeyPatch, asked: str
) -> None:
    monkeypatch.setattr(stretches, "LARGE", 300_000 if asked == "by name" else 0)
    monkeypatch.setattr(stretches, "_MOST", 10 if asked == "too wide a stretch" else 10_000)
    with Store.open(own_store, create=False, read_only=True) as store:
        everything = store.measured()
        trials = everything["trial_id"].unique().sort()[:3].to_list()
        some = everything.filter(pl.col("trial_id").is_in(trials))
        for _ in ("worked out", "remembered"):
            assert_frame_equal(store.measured(trials=trials), some)
            assert_frame_equal(
                store.measured(trials=trials, analytes=["ph"]), some.filter(pl.col("analyte") == "ph")
            )
            assert_frame_equal(
                store.measured(trials=trials, stages=["juice", "pre_bottling"]),
                some.filter(pl.col("stage").is_in(["juice", "pre_bottling"])),
            )
            for frame in (store.readings, store.picks, store.scores):
                among = frame().filter(pl.col("trial_id").is_in(trials))
                assert_frame_equal(frame(trials=trials), among)
        assert store.measured(trials=[]).is_empty()
    assert remembered_path(own_store).exists() == (asked != "by name")


def test_where_nothing_can_be_kept_trials_are_found_by_name(
    own_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stretches, "LARGE", 0)
    with Store.open(own_store, create=False, read_only=True) as store:
        monkeypatch.setattr(os, "access", lambda _path, _mode: False)
        assert stretches.stretches_of(store._session, ["T1"]) is None
        monkeypatch.undo()
        monkeypatch.setattr(stretches, "LARGE", 0)
        assert stretches.stretches_of(store._session, ["T1"]) == {"first": [], "last": []}


def test_stretches_hold_the_trials_asked_for_and_are_written_again_when_many_readings_are_newer(
    own_store: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(stretches, "LARGE", 0)
    monkeypatch.setattr(stretches, "NEWER", 1)
    with Network.open(own_store) as network:
        store = network._store
        one = store.measured(analytes=["glycerol"])[:3]
        trial = one["trial_id"][0]
        before = stretches.stretches_of(store._session, [trial])
        for count, written in ((1, False), (2, True)):
            kept = (remembered_path(own_store) / "stretches.zip").read_bytes()
            sheet = tmp_path / f"{count}.csv"
            sheet.write_text(
                one[:count]
                .with_columns(pl.col("sample_date").dt.offset_by(f"{count}d"))
                .drop("time", "qualifier")
                .write_csv(),
                "utf-8",
            )
            (taken,) = network.intake([sheet]).files.to_dicts()
            assert taken["accepted"] == count
            found = stretches.stretches_of(store._session, [trial])
            assert ((remembered_path(own_store) / "stretches.zip").read_bytes() != kept) == written
            everything = store.readings()
            assert found is not None
            lie_in = pl.any_horizontal(
                pl.col("reading_id").is_between(first, last)
                for first, last in zip(found["first"], found["last"], strict=True)
            )
            assert everything.filter(lie_in)["trial_id"].unique().to_list() == [trial]
            assert_frame_equal(everything.filter(lie_in), everything.filter(pl.col("trial_id") == trial))
    assert before is not None
    assert len(found["first"]) == len(before["first"]) + 2


def test_effects_of_tastings_are_computed_from_what_stands(demo_store: Path) -> None:
    with Store.open(demo_store, read_only=True) as store:
        for read, whole in ((store.picked(), store.picks()), (store.scored(), store.scores())):
            assert read.height > 100
            assert_frame_equal(read, whole.select(read.columns), check_exact=True)
