"""Results show themselves in a notebook with the words of the terminal, all text escaped."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import polars as pl
import pytest

import crosscellar as cc
from crosscellar.console.parts import Table, parts_of
from crosscellar.contract.frames import FINDINGS, empty
from crosscellar.results import COUNTS, CheckReport, DecisionOutcome, IntakeOutcome, Outstanding, Written

Ask = Callable[[cc.Network], Any]


class Words(HTMLParser):
    """The text of a page, and whether every tag that was opened was closed in order."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.text: list[str] = []
        self.open: list[str] = []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


@pytest.fixture(scope="module")
def network(demo_store: Path) -> Any:
    clock = partial(datetime, 2026, 11, 20, tzinfo=UTC)
    with cc.Network.open(demo_store, read_only=True, clock=clock) as opened:
        yield opened


ASKED: dict[str, Ask] = {
    "findings": lambda network: network.findings(open_only=True),
    "outstanding": lambda network: network.outstanding(season=2025),
    "effects": lambda network: network.effects_answer("cold-soak", response="anthocyanins"),
    "answer": lambda network: network.answer("cold-soak", response="anthocyanins"),
    "plan": lambda network: network.plan("cold-soak", sites=(2,), vessels=(1,), effect="20%"),
    "vessels": lambda network: network.vessels("cold-soak"),
    "panel": lambda _: cc.panel_plan((0.3,)),
    "check": lambda _: CheckReport("n.duckdb", ("a reading <is> gone",), {}),
    "decision": lambda _: DecisionOutcome(7, "accept", "asked", 1, "On record. 1 reading entered."),
    "written": lambda _: Written("backup", ("a.duckdb",), "A copy that passes the check is in a.duckdb."),
}


@pytest.mark.parametrize("ask", ASKED.values(), ids=ASKED)
def test_a_notebook_shows_every_word_of_the_terminal_in_its_order(ask: Ask, network: cc.Network) -> None:
    result = ask(network)
    page = result._repr_html_()
    said = " ".join(" ".join(Words(page).text).split())
    place = 0
    for part in parts_of(result):
        words = (
            [*part.headings, *(cell for row in part.rows for cell in row)] if isinstance(part, Table) else []
        )
        if isinstance(part, str):
            words = [part]
        for word in words:
            found = said.find(" ".join(word.split()), place)
            assert found >= 0, word
            place = found


def test_an_answer_shows_the_verdict_with_its_effects_as_tables(network: cc.Network) -> None:
    page = network.answer("malolactic-timing", response="diacetyl")._repr_html_()
    assert page is not None
    assert "holds at new sites" in page
    assert page.count("<table") == 2
    assert len(re.findall("<tr><td[^>]*>[a-z]+-[a-z]+</td>", page)) == 8


def test_numbers_stand_to_the_right_under_headings_that_say_what_they_are(network: cc.Network) -> None:
    page = network.effects_answer("cold-soak", response="anthocyanins")._repr_html_()
    assert page is not None
    assert re.search(r"<th scope='col' style='[^']*text-align:right'>effect, %</th>", page)
    assert re.search(r"<td style='[^']*text-align:right;[^']*'>\+29</td>", page)


def test_what_a_contributor_wrote_cannot_become_part_of_the_page() -> None:
    counts = dict.fromkeys(COUNTS, 2)
    name = "<script>alert(1)</script>.xlsx"
    files = pl.DataFrame([{"file": name, "kind": "lab_long", **counts, "status": "taken_in"}])
    taken = IntakeOutcome(**counts, files=files, findings=empty(FINDINGS), stored=False)
    texts = {"a<b>": "Dear & <i>all</i>"}
    owed = pl.DataFrame(
        [
            {
                "site_id": "a<b>",
                "trial_id": "T",
                "response": "ph",
                "stage": "must",
                "received": 0,
                "expected": 1,
                "waiting": 0,
                "state": "nothing",
                "days_overdue": 3,
            }
        ]
    )
    for result in (taken, Outstanding(2025, owed, texts)):
        page = result._repr_html_()
        assert page is not None
        assert set(re.findall(r"<(\w+)", page)) <= {"p", "table", "thead", "tbody", "tr", "th", "td"}
    assert "&lt;script&gt;alert(1)&lt;/script&gt;.xlsx" in (taken._repr_html_() or "")
    assert "Nothing was stored: this was a dry run." in (taken._repr_html_() or "")
