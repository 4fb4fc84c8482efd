"""A question of a large store reads its own trials only, and no digit of its answer is another for it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from crosscellar.network import Network
from crosscellar.store import Store
from crosscellar.store.beside import remembered_path


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
            again = network.answer(question)
            assert [str(one) for one in again.pooled] == [str(one) for one in answer.pooled]
            assert again.remarks == answer.remarks
        assert remembered_path(own_store).exists()


def test_what_is_remembered_is_used_and_holds_no_name_of_a_trial(own_store: Path) -> None:
    with opened(own_store, large=True) as network:
        plain = network.effects("lees-stirring", response="glycerol")
        trials = network._register.trials["trial_id"].to_list()
    kept = remembered_path(own_store).read_text("utf-8")
    assert not [name for name in trials if name in kept]
    with Store.open(own_store, create=False, read_only=True) as store:
        state = json.loads(kept)["state"]
        known = store.recall(state)
        for row in known["glycerol"]:
            row[5] *= 100.0
        store.remember(state, known)
    with opened(own_store, large=True) as network:
        wide = network.effects("lees-stirring", response="glycerol")
    assert (wide["variance"] > plain["variance"]).all()


def test_a_correction_makes_what_was_worked_out_worth_nothing(own_store: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "glycerol.csv"
    with Network.open(own_store) as network:
        network._kept.large = 0
        before = network.effects("lees-stirring")
        state = json.loads(remembered_path(own_store).read_text("utf-8"))["state"]
        standing = network._store.measured(analytes=["glycerol"])
        one = standing.filter(pl.col("trial_id").str.starts_with("LS") & (pl.col("stage") == "pre_bottling"))
        sheet.write_text(
            one[:1].with_columns(pl.col("value") * 1.02).drop("time", "qualifier").write_csv(), "utf-8"
        )
        (taken,) = network.intake([sheet], correction=True).files.to_dicts()
        assert taken["accepted"] == 1
        after = network.effects("lees-stirring")
    with opened(own_store, large=False) as network:
        assert_frame_equal(network.effects("lees-stirring"), after, check_exact=True)
    assert not before.equals(after)
    assert json.loads(remembered_path(own_store).read_text("utf-8"))["state"] != state


@pytest.mark.parametrize("text", ["", "{", "[]", '{"state": 1}', "null", "\udcff"])
def test_a_torn_file_beside_the_store_is_passed_over(own_store: Path, text: str) -> None:
    remembered_path(own_store).write_bytes(text.encode("utf-8", "surrogateescape"))
    with Store.open(own_store, create=False, read_only=True) as store:
        state = store.state()
        assert store.recall(state) == {}
        store.remember(state, {"ph": [1.5, float("inf"), None]})
        assert store.recall(state) == {"ph": [1.5, float("inf"), None]}
        assert store.recall(f"{state}x") == {}


def test_a_value_changed_in_the_file_beside_the_store_is_passed_over(own_store: Path) -> None:
    with Store.open(own_store, create=False, read_only=True) as store:
        state = store.state()
        store.remember(state, {"ph": [1.5]})
        place = remembered_path(own_store)
        place.write_text(place.read_text("utf-8").replace("1.5", "2.5"), "utf-8")
        assert store.recall(state) == {}


def test_where_nothing_can_be_written_nothing_is_kept(own_store: Path) -> None:
    remembered_path(own_store).mkdir()
    with Store.open(own_store, create=False, read_only=True) as store:
        store.remember(store.state(), {"ph": [1.5]})
        assert store.recall(store.state()) == {}
    assert [path.name for path in own_store.parent.iterdir() if path.is_file()] == ["network.duckdb"]


def test_readings_of_some_trials_are_those_among_all(demo_store: Path) -> None:
    with Store.open(demo_store, create=False, read_only=True) as store:
        everything = store.measured()
        trials = everything["trial_id"].unique().sort()[:3].to_list()
        some = everything.filter(pl.col("trial_id").is_in(trials))
        assert_frame_equal(store.measured(trials=trials), some)
        assert_frame_equal(
            store.measured(trials=trials, analytes=["ph"]), some.filter(pl.col("analyte") == "ph")
        )
        for frame in (store.readings, store.picks, store.scores):
            among = frame().filter(pl.col("trial_id").is_in(trials))
            assert_frame_equal(frame(trials=trials), among)
        assert store.measured(trials=[]).is_empty()
