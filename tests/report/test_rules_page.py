"""The page for contributors says what the checks do: its figures are read back against the contract."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest

from crosscellar.contract import Contract, load_contract, schema_folder
from crosscellar.intake.rules import RULES
from crosscellar.report.rules_page import OUTCOMES, render_rules

JUDGEMENT = "judgement, to be changed by the network"


class Rows(HTMLParser):
    """The cells of every table row, and the id of the row."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[tuple[str, list[str]]] = []
        self._inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "tr":
            self.rows.append((dict(attrs).get("id") or "", []))
        elif tag in ("td", "th"):
            self.rows[-1][1].append("")
            self._inside = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._inside = False

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.rows[-1][1][-1] += data


@pytest.fixture(scope="module")
def contract() -> Contract:
    return load_contract()


@pytest.fixture(scope="module")
def page(contract: Contract) -> str:
    return render_rules(contract)


def rows_of(html: str) -> list[tuple[str, list[str]]]:
    parser = Rows()
    parser.feed(html)
    return parser.rows


def bounds(cell: str) -> tuple[float, float]:
    low, high = cell.replace("\u202f", "").replace("\u2212", "-").split(" to ")
    return float(low), float(high)


def test_every_analyte_stands_once_with_the_unit_and_limits_of_the_contract(
    page: str, contract: Contract
) -> None:
    found = {anchor: cells for anchor, cells in rows_of(page) if anchor}
    assert set(found) == set(contract.analytes)
    assert len(found) == sum(bool(anchor) for anchor, _ in rows_of(page))
    for id_, (_, spellings, unit, _, refused, remarked, figures) in found.items():
        analyte = contract.analytes[id_]
        assert unit == ("none" if analyte.unit == "1" else analyte.unit)
        assert bounds(refused) == (analyte.refuse_low, analyte.refuse_high)
        assert bounds(remarked) == (analyte.unusual_low, analyte.unusual_high)
        assert (JUDGEMENT in figures) is (analyte.figures != "published")
        assert ("published" in figures) is (analyte.figures != "memory")
        for spelling in spellings.split(", "):
            assert contract.name_analyte(spelling).id in (id_, None)


def test_every_limit_of_a_stage_stands_under_its_analyte(page: str, contract: Contract) -> None:
    told = {cells[0]: cells[1:] for anchor, cells in rows_of(page) if not anchor and len(cells) == 4}
    count = 0
    for analyte in contract.analytes.values():
        for stage in set(analyte.stages) & set(contract.stages):
            limits = contract.limits(analyte.id, stage)
            refused, remarked, figures = told[f"{analyte.name}: {contract.stages[stage].name}"]
            assert bounds(refused) == (limits.refuse_low, limits.refuse_high)
            assert bounds(remarked) == (limits.unusual_low, limits.unusual_high)
            assert (JUDGEMENT in figures) is (limits.figures != "published")
            count += 1
    assert (
        count == sum(len(set(one.stages) & set(contract.stages)) for one in contract.analytes.values()) > 40
    )


def test_every_column_of_every_kind_of_sheet_is_explained(page: str, contract: Contract) -> None:
    assert len(contract.sheet_kinds) == 6
    for kind in contract.sheet_kinds.values():
        part = page.partition(f'aria-label="{kind.name}"')[2].partition("</table>")[0]
        told = [cells for _, cells in rows_of(part)][1:]
        assert [cells[0] for cells in told] == [column.name for column in kind.columns]
        for column, (_, needed, goes_in, _) in zip(kind.columns, told, strict=True):
            assert (needed == "yes") is column.required
            assert column.help in goes_in
            assert all(word in goes_in for word in column.allowed)


def test_the_checks_listed_are_those_that_run(page: str) -> None:
    compared = page.partition('id="compared"')[2].partition('id="told"')[0]
    assert sorted(re.findall(r"<code>([a-z_0-9]+)</code>", compared)) == sorted(RULES)


def test_whatever_a_sheet_may_hear_is_listed_once_in_its_words(page: str, contract: Contract) -> None:
    codes = re.findall(r"<code>([a-z_0-9]+)</code>", page)
    assert sorted(codes) == sorted(contract.rules)
    told = page.partition('id="told"')[2]
    outcomes = [cells[3] for _, cells in rows_of(told) if len(cells) == 5][1:]
    assert outcomes == sorted(outcomes, key=list(OUTCOMES.values()).index)
    assert set(outcomes) == set(OUTCOMES.values())


def test_the_page_fetches_nothing_and_runs_nothing(page: str) -> None:
    assert not re.search(r"https?://|<script|<link|<img|url\(|@import|\son[a-z]+=", page)
    assert "default-src 'none'" in page


def test_words_of_the_tables_are_escaped(contract: Contract) -> None:
    class Spoilt(Contract):
        """The contract with one analyte whose words are mark-up."""

        @property
        def analytes(self) -> Any:
            ph = contract.analytes["ph"]._replace(name="<b>pH</b>", aliases=("<script>x()</script>",))
            return MappingProxyType({**contract.analytes, "ph": ph})

    html = render_rules(Spoilt(Path(schema_folder())))
    assert "<b>pH" not in html
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_the_same_tables_give_the_same_page(page: str, contract: Contract) -> None:
    assert render_rules(contract) == page
