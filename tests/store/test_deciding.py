"""Decisions and later sheets answer what waits; everything stays on record and can be undone."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from crosscellar.errors import CrosscellarError, NotComputable, UnknownName
from crosscellar.store import Store

Take = Callable[..., Any]


def values(store: Store) -> list[float]:
    found: list[float] = store.readings()["value"].to_list()
    return found


def states(store: Store) -> list[tuple[int, str, str]]:
    return store.findings().select("finding_id", "severity", "state").rows()


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory, judge: Any, ph: Any) -> Path:
    """A pH of 3.31 taken in on 2 January, and 3.41 for the same reading waiting since the 3rd."""
    days = iter([datetime(2026, 1, day, 12, tzinfo=UTC) for day in (1, 2, 3)])
    path = tmp_path_factory.mktemp("prepared") / "network.duckdb"
    with Store.open(path, clock=lambda: next(days)) as store:
        store.take_in(judge(store, ("a.csv", ph(ORR_01="3.31"))))
        store.take_in(judge(store, ("b.csv", ph(ORR_01="3.41"))))
        assert states(store) == [(1, "hold", "open")]
    return path


@pytest.fixture
def conflict(path: Path, prepared: Path) -> Any:
    """A copy of the prepared store, on 4 January; it must be sound in the end."""
    for name in ("network.duckdb", "network.duckdb.journal"):
        shutil.copyfile(prepared.with_name(name), path.with_name(name))
    days = iter([datetime(2026, 1, day, 12, tzinfo=UTC) for day in range(4, 20)])
    with Store.open(path, clock=lambda: next(days)) as store:
        yield store
        assert store.check() == []


def test_a_yes_brings_the_waiting_reading_in_and_replaces_what_stood(conflict: Store) -> None:
    decided = conflict.decide(1, "accept", reason="the lab confirmed")
    assert (decided.entered, decided.withdrawn, decided.waiting_for) == (1, 0, ())
    assert values(conflict) == [3.41]
    assert states(conflict) == [(1, "hold", "accepted")]
    (number,) = conflict.readings()["reading_id"]
    assert conflict.trace("readings", [number])["decision"].to_list() == ["the lab confirmed"]


def test_a_yes_said_twice_brings_the_reading_in_once(conflict: Store) -> None:
    conflict.decide(1, "accept", reason="yes")
    with pytest.raises(CrosscellarError, match="finding 1 was decided so before"):
        conflict.decide(1, "accept", reason="yes again")
    assert values(conflict) == [3.41]


def test_a_no_leaves_what_stood(conflict: Store) -> None:
    before = conflict.content_checksum()
    decided = conflict.decide(1, "refuse", reason="a slip")
    assert (decided.entered, decided.withdrawn) == (0, 0)
    assert (values(conflict), conflict.content_checksum()) == ([3.31], before)
    assert states(conflict) == [(1, "hold", "refused")]


def test_a_no_after_a_yes_puts_back_what_stood_and_both_stay_on_record(conflict: Store) -> None:
    before = conflict.content_checksum()
    conflict.decide(1, "accept", reason="yes")
    decided = conflict.decide(1, "refuse", reason="it was a slip after all")
    assert (decided.entered, decided.withdrawn) == (0, 1)
    assert (values(conflict), conflict.content_checksum()) == ([3.31], before)
    assert conflict._session.rows("SELECT verdict, reason FROM decisions ORDER BY decision_id") == [
        ("accept", "yes"),
        ("refuse", "it was a slip after all"),
    ]
    conflict.decide(1, "accept", reason="no, it was right")
    assert values(conflict) == [3.41]


def test_what_was_decided_later_is_not_seen_from_an_earlier_day(conflict: Store) -> None:
    conflict.decide(1, "accept", reason="yes")
    seen = [conflict.readings(as_of=date(2026, 1, day))["value"].to_list() for day in (2, 3, 4)]
    assert seen == [[3.31], [3.31], [3.41]]
    assert conflict.findings(as_of=date(2026, 1, 3))["state"].to_list() == ["open"]


def test_a_yes_with_a_value_brings_that_value_in_and_says_so(conflict: Store) -> None:
    conflict.decide(1, "accept", reason="read again", value="3.36")
    found = conflict.readings().row(0, named=True)
    assert (found["value"], found["conversion"]) == (3.36, "3.36 pH by decision")
    assert (found["text_sent"], found["file"]) == ("3.41", "b.csv")


@pytest.mark.parametrize("value", ["", "many", "nan", "inf", "3,36"])
def test_a_value_that_is_no_number_decides_nothing(value: str, conflict: Store) -> None:
    with pytest.raises(CrosscellarError, match="is not a number"):
        conflict.decide(1, "accept", reason="read again", value=value)
    assert states(conflict) == [(1, "hold", "open")]
    assert values(conflict) == [3.31]


@pytest.mark.parametrize(
    ("finding", "verdict", "reason", "fault", "words"),
    [
        (7, "accept", "yes", UnknownName, "there is no finding number 7"),
        (1, "maybe", "yes", UnknownName, "'maybe' is not a decision"),
        (1, "accept", " ", CrosscellarError, "a decision needs a reason"),
    ],
)
def test_a_decision_that_cannot_be_is_refused_in_a_sentence(
    finding: int, verdict: str, reason: str, fault: type[Exception], words: str, conflict: Store
) -> None:
    with pytest.raises(fault, match=re.escape(words)):
        conflict.decide(finding, verdict, reason=reason)
    assert conflict._session.value("SELECT count(*) FROM decisions") == 0


def test_a_decision_that_stops_before_its_commit_leaves_nothing(conflict: Store) -> None:
    def stop(step: str) -> None:
        raise InterruptedError(step)

    conflict._at_step = stop
    before = (conflict.content_checksum(), states(conflict), conflict.snapshot())
    with pytest.raises(InterruptedError, match="before_commit"):
        conflict.decide(1, "accept", reason="yes")
    assert (conflict.content_checksum(), states(conflict), conflict.snapshot()) == before


def test_a_refused_reading_and_a_remark_wait_for_no_decision(path: Path, take: Take, ph: Any) -> None:
    with Store.open(path) as store:
        take(store, ph(ORR_01="33.1"))
        take(store, ph(ORR_02="3.31") + ph(ORR_02="3.31").splitlines(keepends=True)[1], "b.csv")
        for number, severity, state in states(store):
            assert state == {"refuse": "refused", "remark": "remark"}[severity]
            with pytest.raises(CrosscellarError, match="nothing waits for your decision"):
                store.decide(number, "accept", reason="yes")
        assert {severity for _, severity, _ in states(store)} == {"refuse", "remark"}


def test_a_reading_with_two_questions_enters_after_the_second_yes(path: Path, judge: Any, ph: Any) -> None:
    from dataclasses import replace

    import polars as pl

    with Store.open(path) as store:
        store.take_in(judge(store, ("a.csv", ph(ORR_01="3.31"))))
        batch = judge(store, ("b.csv", ph(ORR_01="3.41")))
        twice = pl.concat([batch.findings, batch.findings.with_columns(pl.lit("second").alias("message"))])
        store.take_in(replace(batch, findings=twice))
        first = store.decide(1, "accept", reason="yes")
        assert (first.entered, first.waiting_for, values(store)) == (0, (2,), [3.31])
        second = store.decide(2, "accept", reason="yes")
        assert (second.entered, second.waiting_for, values(store)) == (1, (), [3.41])


def test_a_held_cell_that_says_nothing_settled_cannot_be_accepted(path: Path, judge: Any, ph: Any) -> None:
    from dataclasses import replace

    import polars as pl

    with Store.open(path) as store:
        store.take_in(judge(store, ("a.csv", ph(ORR_01="3.31"))))
        batch = judge(store, ("b.csv", ph(ORR_01="3.41")))
        aside = batch.set_aside.with_columns(pl.lit(None, dtype=pl.String).alias("proposed"))
        store.take_in(replace(batch, set_aside=aside))
        with pytest.raises(NotComputable, match="what it says is not settled"):
            store.decide(1, "accept", reason="yes")
        assert states(store) == [(1, "hold", "open")]


def test_a_reading_that_waited_and_came_by_a_later_sheet_waits_no_more(
    conflict: Store, take: Take, ph: Any
) -> None:
    take(conflict, ph(ORR_01="3.36"), "c.csv", correction=True)
    assert values(conflict) == [3.36]
    assert states(conflict)[0] == (1, "hold", "mended")
    assert conflict.findings(open_only=True).is_empty()
    assert conflict.findings(as_of=date(2026, 1, 3))["state"].to_list() == ["open"]
    with pytest.raises(CrosscellarError, match="finding 1 waits no more: a later sheet brought its readings"):
        conflict.decide(1, "accept", reason="yes")


def test_another_reading_that_comes_answers_no_question_but_its_own(
    conflict: Store, take: Take, ph: Any
) -> None:
    take(conflict, ph(ORR_02="3.36"), "c.csv")
    assert states(conflict)[0] == (1, "hold", "open")


def test_a_yes_to_one_of_two_questions_about_a_reading_leaves_the_other_open_whatever_comes_later(
    conflict: Store, take: Take, ph: Any
) -> None:
    take(conflict, ph(ORR_01="3.51"), "c.csv")
    conflict.decide(1, "accept", reason="the lab confirmed")
    take(conflict, ph(ORR_02="3.36"), "d.csv")
    assert states(conflict) == [(1, "hold", "accepted"), (2, "hold", "open")]
    with pytest.raises(CrosscellarError, match=r"3\.41 stands by now, which this finding did not show"):
        conflict.decide(2, "accept", reason="yes")


def test_another_value_for_a_reading_that_entered_is_not_passed_over(conflict: Store) -> None:
    conflict.decide(1, "accept", reason="the lab confirmed")
    with pytest.raises(CrosscellarError, match="finding 1 was accepted before, and its reading stands"):
        conflict.decide(1, "accept", reason="read again", value="3.36")
    assert values(conflict) == [3.41]
    conflict.decide(1, "refuse", reason="to read it again")
    conflict.decide(1, "accept", reason="read again", value="3.36")
    assert values(conflict) == [3.36]


def test_one_sheet_under_two_names_in_a_batch_asks_each_question_once(
    path: Path, judge: Any, ph: Any
) -> None:
    sheet = ph(ORR_01="3.31", ORR_02="n.d.", ORR_03="33.5")
    with Store.open(path) as store:
        batch = judge(store, ("a.csv", sheet), ("copy of a.csv", sheet))
        assert batch.files["status"].to_list() == ["taken_in_part", "already_taken_in"]
        assert batch.files["message"][1] == "Already taken in with this batch as a.csv."
        counts = batch.files.select("readings_in", "accepted", "refused", "held", "already", "blank").rows()
        assert counts[1] == (3, 0, counts[0][2], counts[0][3], 1, 0)
        assert sum(counts[0][1:]) == sum(counts[1][1:]) == 3
        told = batch.findings.filter(pl.col("file") == "copy of a.csv").select("code", "message").rows()
        assert told == [("already_taken_in", "Already taken in with this batch as a.csv.")]
        store.take_in(batch)
        assert store.findings(open_only=True)["file"].unique().to_list() == ["a.csv"]
        assert store.files()["file"].to_list() == ["a.csv"]
        assert store.check() == []


def test_a_held_sheet_under_two_names_in_a_batch_is_held_once(path: Path, judge: Any, ph: Any) -> None:
    sheet = ph(ORR_02="n.d.")
    with Store.open(path) as store:
        batch = judge(store, ("a.csv", sheet), ("copy of a.csv", sheet))
        assert batch.files["status"].to_list() == ["held", "already_taken_in"]
        store.take_in(batch)
        assert store.findings(open_only=True)["file"].to_list() == ["a.csv"]
        # The copy alone asks again what waits already, and leaves it open once.
        assert store.take_in(judge(store, ("copy of a.csv", sheet))) is None
        assert store.findings(open_only=True)["file"].to_list() == ["a.csv"]


def test_the_same_bytes_again_leave_each_question_open_once(conflict: Store, take: Take, ph: Any) -> None:
    for _ in range(2):
        take(conflict, ph(ORR_01="3.41"), "b.csv")
    assert conflict.findings(open_only=True).height == 1
    assert values(conflict) == [3.31]


def test_a_yes_to_what_another_sheet_brought_since_changes_nothing_and_is_on_record(
    path: Path, take: Take, ph: Any
) -> None:
    """Two sheets wait with one value: once the first is accepted, the other says what stands."""
    waiting = ph(ORR_01="3.31").replace("ORR-01", "ORR 01")
    with Store.open(path) as store:
        take(store, waiting, "a.csv")
        take(store, waiting + "\n", "b.csv")
        take(store, waiting.replace("3.31", "3.41"), "c.csv")
        first, second, other = store.findings().filter(pl.col("severity") == "hold")["finding_id"].to_list()
        assert store.decide(first, "accept", reason="asked").entered == 1
        assert store.decide(second, "accept", reason="asked").entered == 0
        assert values(store) == [3.31]
        assert [state for _, severity, state in states(store) if severity == "hold"] == [
            "accepted",
            "accepted",
            "open",
        ]
        with pytest.raises(CrosscellarError, match=r"3\.31 stands by now"):
            store.decide(other, "accept", reason="asked")
        assert store.check() == []
