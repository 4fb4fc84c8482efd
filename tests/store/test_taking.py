"""A sheet is in the store whole or not at all, once, and every number leads back to its cell."""

from __future__ import annotations

import stat
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from crosscellar.contract import Contract
from crosscellar.contract.frames import READINGS, Batch
from crosscellar.errors import StoreError
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.register import Register
from crosscellar.store import Store

#: Every point inside the transaction, and every point after it.
INSIDE = ("files_written", "items_written", "entry_written", "before_commit")
AFTER = ("committed", "journalled", "checkpointed")


class Stopped(Exception):
    """What the hook of a test raises at a named step."""


def stop_at(step: str) -> Callable[[str], None]:
    def hook(name: str) -> None:
        if name == step:
            raise Stopped(step)

    return hook


def test_what_is_taken_in_is_read_back_as_it_was_judged(path: Path, plain: Any) -> None:
    batch = plain(("a.csv", [("v1", "malic_acid", 2.5), ("v2", "malic_acid", 0.1 + 0.2)]))
    with Store.open(path) as store:
        taken = store.take_in(batch)
        assert (taken.readings, taken.picks, taken.scores) == (2, 0, 0)
    with Store.open(path, read_only=True) as store:
        assert_frame_equal(store.readings().select(list(READINGS)), batch.readings)


def test_a_batch_is_held_against_its_own_trials_and_the_newest_readings_alone(path: Path, plain: Any) -> None:
    def vessels(store: Store, trials: list[str], newest: int) -> list[tuple[str, str]]:
        peers = store.peers_of(trials, newest=newest)
        return list(peers.select("trial_id", "vessel_id").iter_rows())

    sheets = {
        trial: plain((f"{trial}.csv", [(f"v{n}", "malic_acid", n / 10) for n in (1, 2, 3)]), trial=trial)
        for trial in ("T-1", "T-2")
    }
    with Store.open(path) as store:
        for batch in sheets.values():
            store.take_in(batch)
        assert vessels(store, [], 0) == []
        assert vessels(store, [], 2) == [("T-2", "v2"), ("T-2", "v3")]
        assert vessels(store, ["T-1"], 1) == [("T-1", "v1"), ("T-1", "v2"), ("T-1", "v3"), ("T-2", "v3")]
        assert vessels(store, [], 100) == vessels(store, ["T-1", "T-2"], 0)


def test_the_same_sheet_twice_changes_nothing(path: Path, take: Any, ph: Any) -> None:
    sheet = ph(ORR_01="3.31", ORR_02="3.40")
    with Store.open(path) as store:
        take(store, sheet)
        before = (store.content_checksum(), store.facts())
        again = take(store, sheet, "renamed.csv")
        assert again.files["status"].to_list() == ["already_taken_in"]
        assert (store.content_checksum(), store.facts()) == before


def test_what_is_no_sheet_is_on_record_once_however_often_it_lies_in_the_folder(
    path: Path, tmp_path: Path, register: Register, contract: Contract
) -> None:
    given = tmp_path / "inbox"
    given.mkdir()
    (given / "~$a.xlsx").write_bytes(b"lock")
    (given / "b.csv").symlink_to(given / "~$a.xlsx")
    with Store.open(path) as store:

        def come() -> Batch:
            batch = check_documents(
                read_documents([given]), register, contract, stored=store, received=date(2026, 1, 5)
            )
            store.take_in(batch)
            return batch

        assert sorted(come().findings["code"].to_list()) == ["link", "lock_file"]
        facts = store.facts()
        assert facts["files"] == 2
        assert sorted(come().findings["code"].to_list()) == ["link", "lock_file"]
        assert store.facts() == facts


def test_the_same_rows_in_another_sheet_enter_once(path: Path, take: Any, ph: Any) -> None:
    with Store.open(path) as store:
        take(store, ph(ORR_01="3.31", ORR_02="3.40"))
        before = store.content_checksum()
        take(store, ph(ORR_02="3.40", ORR_01="3.31"), "b.csv")
        assert store.content_checksum() == before
        assert store.readings().height == 2


@pytest.mark.parametrize("step", INSIDE)
def test_a_taking_in_that_stops_inside_leaves_nothing_and_a_rerun_completes(
    step: str, path: Path, plain: Any
) -> None:
    first, second = plain(("a.csv", [("v1", "pH", 3.3)])), plain(("b.csv", [("v2", "pH", 3.4)]))
    with Store.open(path) as store:
        store.take_in(first)
    with Store.open(path, at_step=stop_at(step)) as store:
        before = (store.content_checksum(), store.facts(), store.files().rows())
        with pytest.raises(Stopped):
            store.take_in(second)
        assert (store.content_checksum(), store.facts(), store.files().rows()) == before
    with Store.open(path) as store:
        assert store.check() == []
        store.take_in(second)
        assert store.readings()["vessel_id"].to_list() == ["v1", "v2"]


@pytest.mark.parametrize("step", AFTER)
def test_a_taking_in_that_stops_after_its_commit_is_there_whole(step: str, path: Path, plain: Any) -> None:
    with Store.open(path, at_step=stop_at(step)) as store, pytest.raises(Stopped):
        store.take_in(plain(("a.csv", [("v1", "pH", 3.3), ("v2", "pH", 3.4)])))
    with Store.open(path) as store:
        assert store.readings().height == 2
        assert store.check() == []
    assert path.with_name("network.duckdb.journal").read_text("utf-8").count("a.csv") == 1


def test_a_batch_that_names_one_reading_twice_enters_not_at_all(path: Path, plain: Any) -> None:
    with Store.open(path) as store:
        store.take_in(plain(("a.csv", [("v1", "pH", 3.3)])))
        with pytest.raises(StoreError, match="another taking-in stored some of these readings first"):
            store.take_in(plain(("b.csv", [("v0", "pH", 3.2), ("v1", "pH", 3.4)])))
        assert store.readings()["value"].to_list() == [3.3]
        assert store.files().height == 1


@pytest.mark.parametrize("value", [float("nan"), float("inf"), None])
def test_a_value_that_is_no_number_is_stopped_at_the_stores_door(value: Any, path: Path, plain: Any) -> None:
    batch = plain(("a.csv", [("v1", "pH", 3.3), ("v2", "pH", 3.4)]))
    damaged = batch.readings.with_columns(
        pl.when(pl.col("vessel_id") == "v2")
        .then(pl.lit(value, dtype=pl.Float64))
        .otherwise("value")
        .alias("value")
    )
    with Store.open(path) as store:
        with pytest.raises(StoreError, match="nothing of this was stored"):
            store.take_in(replace(batch, readings=damaged))
        assert store.readings().is_empty()


def test_a_correction_replaces_and_the_replaced_value_stays_on_record(
    path: Path, take: Any, ph: Any, clock: Any
) -> None:
    with Store.open(path, clock=clock) as store:
        take(store, ph(ORR_01="3.31"))
        first = store.readings()["reading_id"].to_list()
        take(store, ph(ORR_01="3.41"), "b.csv", correction=True)
        assert store.readings()["value"].to_list() == [3.41]
        second = store.readings()["reading_id"].to_list()
        trace = store.trace("readings", first).row(0, named=True)
        assert (trace["file"], trace["cell"], trace["text_sent"]) == ("a.csv", "G2", "3.31")
        assert (trace["standing"], trace["replaced_by"]) == (False, second[0])
        both = store.stored_items("readings", store.readings())
        assert both.select("value", "standing").rows() == [(3.31, False), (3.41, True)]


def test_an_earlier_day_is_answered_as_it_was_then(path: Path, take: Any, ph: Any) -> None:
    from datetime import UTC, datetime

    days = iter([datetime(2026, 1, day, 12, tzinfo=UTC) for day in (1, 2, 3)])
    with Store.open(path, clock=lambda: next(days)) as store:
        take(store, ph(ORR_01="3.31"))
        early = store.snapshot()
        take(store, ph(ORR_01="3.41"), "b.csv", correction=True)
        assert store.snapshot() != early
        assert [store.readings(as_of=date(2026, 1, day))["value"].to_list() for day in (1, 2, 3)] == [
            [],
            [3.31],
            [3.41],
        ]
        assert store.snapshot(as_of=date(2026, 1, 2)) == early


def test_a_number_leads_back_to_the_bytes_of_its_cell(path: Path, take: Any, ph: Any) -> None:
    sheet = ph(ORR_01="3.31", ORR_02="3.40")
    with Store.open(path) as store:
        take(store, sheet)
        (wanted,) = store.readings().filter(pl.col("vessel_id") == "ORR-02")["reading_id"].to_list()
        found = store.trace("readings", [wanted]).row(0, named=True)
        kept = store.content_of_file(found["sha256"]).decode()
        assert kept == sheet
        assert (
            kept.splitlines()[found["row"] - 1].split(",")[found["column"] - 1]
            == "3.40"
            == found["text_sent"]
        )


NASTY = ["'; DROP TABLE readings; --", 'x" OR "1"="1', "$until", "%s", "{0}", "a\\'b", "Ω; SELECT 1"]


@pytest.mark.parametrize("text", NASTY)
def test_sql_in_an_identifier_is_only_text(text: str, path: Path, plain: Any) -> None:
    with Store.open(path) as store:
        store.take_in(plain((text, [(text, "pH", 3.3)]), trial=text, lab=text))
        found = store.readings(trials=[text]).row(0, named=True)
        assert (found["file"], found["trial_id"], found["vessel_id"], found["lab"]) == (text,) * 4
        assert store.known_files([text]).is_empty()
        assert store.check() == []


VALUES = st.dictionaries(
    st.tuples(st.sampled_from(["v1", "v2", "v3", "v4"]), st.sampled_from(["pH", "malic_acid"])),
    st.floats(-1e6, 1e6),
    min_size=2,
    max_size=8,
)


@given(values=VALUES, data=st.data())
@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
def test_the_checksum_does_not_depend_on_the_order_of_files_and_rows(
    values: dict[tuple[str, str], float], data: st.DataObject, tmp_path_factory: Any, plain: Any
) -> None:
    items = [(vessel, analyte, value) for (vessel, analyte), value in values.items()]
    shuffled = data.draw(st.permutations(items))
    cut = data.draw(st.integers(1, len(items) - 1))
    folder = tmp_path_factory.mktemp("order")
    with Store.open(folder / "one") as store:
        store.take_in(plain(("a", items)))
        one = store.content_checksum()
    with Store.open(folder / "two") as store:
        store.take_in(plain(("b", shuffled[cut:])))
        store.take_in(plain(("c", shuffled[:cut])))
        assert (
            store.content_checksum()
            == one
            == store._session.value("SELECT max_by(checksum, entry_id) FROM ledger")
        )
    vessel, analyte, value = items[0]
    with Store.open(folder / "three") as store:
        store.take_in(plain(("a", [(vessel, analyte, value + 1.0), *items[1:]])))
        assert store.content_checksum() != one


def test_minus_zero_and_zero_have_one_checksum(tmp_path: Path, plain: Any) -> None:
    sums = set()
    for number, value in enumerate((0.0, -0.0)):
        with Store.open(tmp_path / str(number)) as store:
            store.take_in(plain(("a", [("v", "pH", value)])))
            sums.add(store.content_checksum())
    assert len(sums) == 1


def test_store_log_journal_and_backup_are_readable_by_their_owner_only(path: Path, plain: Any) -> None:
    modes: dict[str, int] = {}

    def look(step: str) -> None:
        if step == "journalled":
            modes.update({file.name: stat.S_IMODE(file.stat().st_mode) for file in path.parent.iterdir()})

    with Store.open(path, at_step=look) as store:
        store.take_in(plain(("a.csv", [("v1", "pH", 3.3)])))
        store.backup(path.with_name("copy.duckdb"))
    modes.update({file.name: stat.S_IMODE(file.stat().st_mode) for file in path.parent.iterdir()})
    assert set(modes) == {
        "network.duckdb",
        "network.duckdb.wal",
        "network.duckdb.journal",
        "copy.duckdb",
        "copy.duckdb.journal",
    }
    assert set(modes.values()) == {0o600}
