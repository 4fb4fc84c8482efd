"""What a held cell leaves open is settled with the yes: number, limit, or which of day and month is first."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from crosscellar.contract.frames import Batch
from crosscellar.errors import CrosscellarError, NotComputable
from crosscellar.store import Store

Take = Callable[..., Any]


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory, judge: Callable[..., Batch], ph: Any) -> Path:
    """A folder with a store in which a value waits, and one in which days wait."""
    folder = tmp_path_factory.mktemp("prepared")
    with Store.open(folder / "valueless") as store:
        sheet = ph(ORR_01="n.d.").replace("pH,n.d.,", "malic,n.d.,g/L")
        store.take_in(judge(store, ("a.csv", sheet)))
        assert store.findings().select("severity", "state").rows() == [("hold", "open")]
    with Store.open(folder / "undated") as store:
        first, second = ph(ORR_01="3.31", ORR_02="3.41").rsplit("2024-10-15", 1)
        sheet = first.replace("2024-10-15", "9/11/2024") + "10/11/2024" + second
        store.take_in(judge(store, ("a.csv", sheet)))
        assert store.findings().select("code", "state").rows() == [("date_ambiguous", "open")]
    return folder


@contextmanager
def copied(store: Path, path: Path) -> Iterator[Store]:
    """A copy of a store, open; sound when it is closed."""
    for end in ("", ".journal"):
        shutil.copyfile(f"{store}{end}", f"{path}{end}")
    with Store.open(path) as opened:
        yield opened
        assert opened.check() == []


@pytest.fixture
def waiting(path: Path, prepared: Path) -> Iterator[Store]:
    """A store in which `n.d.` waits as the malic acid of a vessel."""
    with copied(prepared / "valueless", path) as store:
        yield store


@pytest.mark.parametrize(
    ("given", "value", "qualifier"), [("0.12", 0.12, ""), ("<0.1", 0.1, "<"), (" > 5", 5.0, ">")]
)
def test_a_value_given_with_the_yes_stands_as_that_of_the_cell(
    waiting: Store, given: str, value: float, qualifier: str
) -> None:
    assert waiting.decide(1, "accept", reason="the lab's limit", value=given).entered == 1
    found = waiting.readings().row(0, named=True)
    assert (found["value"], found["qualifier"], found["unit"]) == (value, qualifier, "g/L")
    assert (found["vessel_id"], found["analyte"], found["text_sent"]) == ("ORR-01", "malic_acid", "n.d.")
    assert found["conversion"] == f"{given.strip()} g/L by decision"
    assert waiting.findings()["state"].to_list() == ["accepted"]


def test_a_yes_without_a_value_is_asked_for_one(waiting: Store) -> None:
    with pytest.raises(NotComputable, match="has no number that could enter") as fault:
        waiting.decide(1, "accept", reason="yes")
    assert "--value" in fault.value.sentence
    assert waiting.readings().is_empty()
    assert waiting.findings()["state"].to_list() == ["open"]


@pytest.mark.parametrize("given", ["<", "<>1", "< nan", "=0.1", "<0,1", "1_000", "٠.١", "1e999", "0x1"])
def test_what_is_no_number_and_no_limit_decides_nothing(waiting: Store, given: str) -> None:
    with pytest.raises(CrosscellarError, match=re.escape(f"{given!r} is not a number")):
        waiting.decide(1, "accept", reason="yes", value=given)
    assert waiting.readings().is_empty()


def test_a_no_after_the_value_withdraws_it(waiting: Store) -> None:
    waiting.decide(1, "accept", reason="yes", value="0.12")
    assert waiting.decide(1, "refuse", reason="another vessel").withdrawn == 1
    assert waiting.readings().is_empty()


def test_a_mended_sheet_answers_what_waited_without_a_number(waiting: Store, take: Take, ph: Any) -> None:
    take(waiting, ph(ORR_01="0.12").replace("pH,0.12,", "malic,0.12,g/L"), "b.csv")
    assert waiting.readings()["value"].to_list() == [0.12]
    assert waiting.findings()["state"].to_list() == ["mended"]


@pytest.fixture
def undated(path: Path, prepared: Path) -> Iterator[Store]:
    """A store in which two readings of one column wait: 9/11/2024 and 10/11/2024, day or month first."""
    with copied(prepared / "undated", path) as store:
        yield store


@pytest.mark.parametrize(("value", "state"), [("3.31", "mended"), ("3.37", "open")])
def test_a_sheet_with_the_days_written_out_answers_which_of_day_and_month_is_first(
    undated: Store, take: Take, ph: Any, value: str, state: str
) -> None:
    """Another number on one of the days is no answer: it may be another reading."""
    first, second = ph(ORR_01=value, ORR_02="3.41").rsplit("2024-10-15", 1)
    take(undated, first.replace("2024-10-15", "2024-11-09") + "2024-11-10" + second, "b.csv")
    assert undated.findings().select("finding_id", "state").row(0) == (1, state)


@pytest.mark.parametrize(
    ("said", "days"),
    [
        ("day-first", [date(2024, 11, 9), date(2024, 11, 10)]),
        ("month-first", [date(2024, 9, 11), date(2024, 10, 11)]),
    ],
)
def test_the_order_of_day_and_month_is_said_once_for_the_column(
    undated: Store, said: str, days: list[date]
) -> None:
    assert undated.decide(1, "accept", reason="asked the lab", value=said).entered == 2
    found = undated.readings().sort("sample_date")
    assert found["sample_date"].to_list() == days
    assert found["value"].to_list() == [3.31, 3.41]
    assert undated.findings()["state"].to_list() == ["accepted"]


@pytest.mark.parametrize("said", [None, "3.36", "first", "2024-11-09"])
def test_without_the_order_the_two_days_are_named(undated: Store, said: str | None) -> None:
    with pytest.raises(NotComputable, match="2024-11-09 or 2024-09-11") as fault:
        undated.decide(1, "accept", reason="yes", value=said)
    assert "--value day-first or --value month-first" in fault.value.sentence
    assert undated.readings().is_empty()


def test_a_refused_reading_beside_it_does_not_keep_out_what_the_order_settles(
    path: Path, judge: Callable[..., Batch], ph: Any
) -> None:
    sheet = ph(ORR_01="3.31", ORR_02="36.2").replace("2024-10-15", "9/11/2024")
    with Store.open(path) as store:
        store.take_in(judge(store, ("a.csv", sheet)))
        found = store.findings().select("code", "finding_id").rows()
        number = dict(found)["date_ambiguous"]
        assert len(found) > 1
        assert store.decide(number, "accept", reason="asked the lab", value="day-first").entered == 1
        assert store.readings()["value"].to_list() == [3.31]
        assert store.check() == []


def test_an_order_is_no_number_elsewhere(waiting: Store) -> None:
    with pytest.raises(CrosscellarError, match="'day-first' is not a number"):
        waiting.decide(1, "accept", reason="yes", value="day-first")


def test_a_day_on_which_another_value_stands_decides_nothing(undated: Store, take: Take, ph: Any) -> None:
    take(undated, ph(ORR_01="3.99").replace("2024-10-15", "2024-11-09"), "b.csv")
    with pytest.raises(CrosscellarError, match=re.escape("3.99 stands by now")):
        undated.decide(1, "accept", reason="yes", value="day-first")
    assert undated.readings()["value"].to_list() == [3.99]
    assert undated.decide(1, "accept", reason="yes", value="month-first").entered == 2


def test_a_no_withdraws_what_came_in_on_its_day(undated: Store) -> None:
    undated.decide(1, "accept", reason="yes", value="day-first")
    assert undated.decide(1, "refuse", reason="month first after all").withdrawn == 2
    assert undated.decide(1, "accept", reason="month first", value="month-first").entered == 2
    assert undated.readings()["sample_date"].to_list() == [date(2024, 9, 11), date(2024, 10, 11)]


TRIANGLE = "trial_id,session_id,session_date,assessor_id,serving,picked,preferred,note\n"
SCORES = "trial_id,session_id,session_date,assessor_id,arm_id,attribute,score,scale_low,scale_high\n"


@pytest.fixture
def tasted(path: Path, take: Take) -> Any:
    """A store in which a pick of glass 1 stands, a score of 6, and others of the same assessor wait."""
    with Store.open(path) as store:
        for number, (pick, score) in enumerate((("1", "6"), ("3", "7"))):
            take(store, f"{TRIANGLE}LS24-ORR,t1,2024-11-20,ASR-1,ABA,{pick},,\n", f"triangle {number}.csv")
            take(
                store, f"{SCORES}LS24-ORR,s1,2024-11-21,ASR-1,control,fruit,{score},0,10\n", f"s{number}.csv"
            )
        assert store.findings(open_only=True)["code"].to_list() == ["value_conflict", "value_conflict"]
        yield store
        assert store.check() == []


@pytest.mark.parametrize(("given", "correct"), [("2", True), (" 2.0 ", True), ("3", False), (None, False)])
def test_a_pick_given_with_the_yes_is_right_or_wrong_by_the_order_that_was_served(
    tasted: Store, given: str | None, correct: bool
) -> None:
    """Of A, B and A the second glass is the odd one (ISO 4120)."""
    assert tasted.decide(1, "accept", reason="from the ballot", value=given).entered == 1
    found = tasted.picks().row(0, named=True)
    assert (found["picked"], found["correct"]) == (int(float(given or "3")), correct)


@pytest.mark.parametrize("given", ["0", "4", "1.5", "-2", "2e3"])
def test_there_is_no_fourth_glass(tasted: Store, given: str) -> None:
    with pytest.raises(CrosscellarError, match="none of the three glasses"):
        tasted.decide(1, "accept", reason="from the ballot", value=given)
    assert tasted.picks()["picked"].to_list() == [1]


def test_a_score_given_with_the_yes_stands_within_its_scale(tasted: Store) -> None:
    for given in ("-0.5", "10.5"):
        with pytest.raises(CrosscellarError, match=re.escape("outside its scale (0 to 10)")):
            tasted.decide(2, "accept", reason="from the ballot", value=given)
    assert tasted.scores()["score"].to_list() == [6]
    assert tasted.decide(2, "accept", reason="from the ballot", value="10").entered == 1
    assert tasted.scores()["score"].to_list() == [10]
