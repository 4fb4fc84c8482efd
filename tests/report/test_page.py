"""The summary's page: harmless, self-contained, the same each time, readable with one site and with sixty."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

import crosscellar as cc
from crosscellar.report.content import Summary
from crosscellar.report.page import render_page

MakeSummary = Callable[..., Summary]

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><b>bold</b>",
    '=HYPERLINK("http://x")',
    "{{ 7*7 }}",
    "$\\frac{1}{2}$ & <b>",
)


class Elements(HTMLParser):
    """Counts elements, keeps identifiers, links and text."""

    def __init__(self) -> None:
        super().__init__()
        self.counts: Counter[str] = Counter()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.headings: list[int] = []
        self.unnamed = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.counts[tag] += 1
        given = dict(attrs)
        if given.get("id") and tag in {"h2", "main", "section"}:
            self.ids.append(str(given["id"]))
        if tag == "a":
            self.links.append(str(given.get("href")))
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if given.get("role") == "img" and not given.get("aria-label"):
            self.unnamed += 1


def parsed(page: str) -> Elements:
    found = Elements()
    found.feed(page)
    return found


@pytest.mark.parametrize("text", HOSTILE)
def test_text_of_data_adds_no_element(make_summary: MakeSummary, text: str) -> None:
    plain, hostile = (parsed(render_page(make_summary(4, say=say))) for say in ("plain", text))
    kept = {
        "script",
        "img",
        "b",
        "style",
        "a",
        "h1",
        "h2",
        "h3",
        "table",
        "tr",
        "td",
        "p",
        "iframe",
        "object",
    }
    assert {tag: hostile.counts[tag] for tag in kept} == {tag: plain.counts[tag] for tag in kept}
    assert hostile.counts["script"] == 0


def test_the_same_records_give_the_same_bytes(make_summary: MakeSummary) -> None:
    assert render_page(make_summary(5)) == render_page(make_summary(5))


@pytest.mark.parametrize("sites", [1, 2, 3, 60])
def test_the_page_stands_with_any_number_of_sites(make_summary: MakeSummary, sites: int) -> None:
    page = render_page(make_summary(sites))
    found = parsed(page)
    assert found.unnamed == 0
    assert found.counts["svg"] >= 1
    assert len(found.ids) == len(set(found.ids))
    assert {link[1:] for link in found.links if link.startswith("#")} <= set(found.ids)
    assert all(after - before <= 1 for before, after in zip(found.headings, found.headings[1:], strict=False))


def test_nothing_is_fetched(make_summary: MakeSummary) -> None:
    page = render_page(make_summary(4))
    outside = re.findall(r'(?:src|href)="(?!#)([^"]*)"', page)
    assert [link for link in outside if "//" in link] == []
    assert re.findall(r"url\((?!#)", page) == []
    # Names of XML vocabularies are no addresses; nothing else may look like one.
    assert set(re.findall(r"https?://[^\"'< ]+", page)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
        "http://purl.org/dc/elements/1.1/",
        "http://creativecommons.org/ns#",
        "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
        "http://purl.org/dc/dcmitype/StillImage",
    }


def test_one_site_is_shown_and_never_pooled(make_summary: MakeSummary) -> None:
    summary = make_summary(1)
    assert summary.questions[0].verdict == "one site only"
    assert summary.questions[0].interval == ""
    assert "Mean of the network" not in render_page(summary)


def test_every_figure_number_stands_in_the_table_too(make_summary: MakeSummary) -> None:
    page = make_summary(6).questions[0]
    for row in page.rows:
        assert row.effect in page.figures[0].alternative
    assert f"{page.estimate} ({page.interval})" in page.figures[0].alternative


def test_an_anonymous_edition_names_no_site_trial_or_reason(make_summary: MakeSummary) -> None:
    page = render_page(make_summary(12, say="plain", anonymous=True))
    assert "Winery" not in page
    assert not re.search(r"site-\d\d", page)
    assert "LS-" not in page
    assert "Site 01" in page


def test_no_name_of_the_demo_leaks_into_any_file_of_an_anonymous_summary(
    demo_store: Path, tmp_path: Path
) -> None:
    with cc.Network.open(demo_store, read_only=True) as network:
        network.summary(2025, out=tmp_path, anonymous=True)
        register = network._register
    names = [
        *register.sites["site_id"],
        *register.sites["site_name"],
        *register.sites["contact"].drop_nulls(),
        *register.trials["trial_id"],
    ]
    for file in tmp_path.iterdir():
        content = file.read_bytes()
        assert [name for name in names if name.encode() in content] == [], file.name


def test_the_same_store_gives_the_same_files(demo_store: Path, tmp_path: Path) -> None:
    with cc.Network.open(demo_store, read_only=True) as network:
        for name in ("one", "two"):
            network.summary(2025, out=tmp_path / name)
    for file in sorted((tmp_path / "one").iterdir()):
        assert file.read_bytes() == (tmp_path / "two" / file.name).read_bytes(), file.name
