"""A held cell without a number takes the one the coordinator gives, as a value or as a limit."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from crosscellar.errors import CrosscellarError, NotComputable
from crosscellar.store import Store

Take = Callable[..., Any]


@pytest.fixture
def waiting(path: Path, take: Take, ph: Any) -> Any:
    """A store in which `n.d.` waits as the malic acid of a vessel."""
    with Store.open(path) as store:
        take(store, ph(ORR_01="n.d.").replace("pH,n.d.,", "malic,n.d.,g/L"))
        assert store.findings().select("severity", "state").rows() == [("hold", "open")]
        yield store
        assert store.check() == []


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


@pytest.mark.parametrize("given", ["<", "<>1", "< nan", "=0.1", "<0,1"])
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
