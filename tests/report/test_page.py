"""The annual summary's page: safe, whole, accessible, the same every time, and silent about hidden names."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

from crosscellar.report.content import Monitored, Summary, Tasting, TurnedAway
from crosscellar.report.page import render_page

SummaryOf = Callable[..., Summary]

VOID = {"meta", "br", "hr", "img", "link", "input"}


class Outline(HTMLParser):
    """The elements of a page in order, its text, and whether every element is closed in turn."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, Any]]] = []
        self.text: list[str] = []
        self.open: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    def of(self, *tags: str) -> list[dict[str, Any]]:
        return [attributes for tag, attributes in self.elements if tag in tags]


HOSTILE = "\"><script>alert(1)</script><img src=x onerror=y>' {{ 7*7 }} &amp; </svg></td>"


def everywhere(summary: Summary, text: str) -> Summary:
    """The summary with every text of data replaced by `text`."""
    page = summary.questions[0]
    rows = tuple(
        replace(row, site=text, trial=text, arm=text, variance=text, effect=text, interval=text)
        for row in page.rows
    )
    drawings = tuple(replace(figure, alternative=text, caption=text) for figure in page.figures)
    hostile = replace(
        page,
        title=text,
        hypothesis=text,
        compared=text,
        response=text,
        heading=text,
        reason=text,
        evidence=text,
        method=text,
        chances=(text,),
        remarks=(text,),
        rows=rows,
        figures=drawings,
        monitored=(Monitored(text, 2, text, text, text),),
        tastings=(Tasting(text, text, text, 3, 9, text, text),),
    )
    return replace(
        summary,
        snapshot=text,
        counts=((text, text),),
        readings=((text, text),),
        page_one=((text, (("question-1", text),)),),
        questions=(hostile,),
        turned_away=(TurnedAway(text, text, text, text, text),),
        lost=(text,),
        cautions=((text, text),),
        files=(("effects.csv", text),),
        vessels=(text,),
        vessels_figure=drawings[0],
    )


def test_hostile_text_in_any_field_adds_no_element(summary_of: SummaryOf) -> None:
    summary = summary_of(["a", "b", "c"], seasons=2)
    harmless, hostile = (Outline(render_page(everywhere(summary, text))) for text in ("plain", HOSTILE))
    assert [tag for tag, _ in hostile.elements] == [tag for tag, _ in harmless.elements]
    assert [set(found) for _, found in hostile.elements] == [set(found) for _, found in harmless.elements]
    assert "".join(hostile.text).count("alert(1)") > 20


def test_hostile_names_in_the_register_reach_the_page_as_text(summary_of: SummaryOf) -> None:
    plain = Outline(render_page(summary_of(["a", "b", "c"])))
    names = [HOSTILE, "=cmd|' /C calc'!A0", "]]><x>"]
    hostile = Outline(
        render_page(summary_of(["a", "b", "c"], names=names, title=HOSTILE, hypothesis=HOSTILE))
    )
    outside = {"g", "path", "use", "defs", "clippath", "rect", "style", "metadata"}
    assert [tag for tag, _ in hostile.elements if tag not in outside] == [
        tag for tag, _ in plain.elements if tag not in outside
    ]


def test_the_same_summary_gives_the_same_bytes(summary_of: SummaryOf) -> None:
    first, second = (render_page(summary_of(["a", "b", "c", "d"], seasons=2)) for _ in range(2))
    assert first == second


def test_the_page_asks_nothing_of_the_network(summary_of: SummaryOf) -> None:
    page = render_page(summary_of(["a", "b", "c"]))
    outline = Outline(page)
    fetching = [
        attributes[name]
        for _, attributes in outline.elements
        for name in ("src", "href", "xlink:href", "action", "data", "poster", "srcset")
        if attributes.get(name) and not attributes[name].startswith("#")
    ]
    assert fetching == ["effects.csv"]
    assert not outline.of("link", "iframe", "object", "embed", "img", "form")
    styles = re.findall(r"url\(([^)]*)\)|@import", page)
    assert all(target.startswith("#") for target in styles)
    policy = next(meta["content"] for meta in outline.of("meta") if "http-equiv" in meta)
    assert "default-src 'none'" in policy


def test_the_one_script_of_the_page_is_the_one_whose_hash_the_policy_allows(summary_of: SummaryOf) -> None:
    page = render_page(everywhere(summary_of(["a", "b", "c"]), HOSTILE))
    scripts = re.findall(r"<script[^>]*>(.*?)</script>", page, flags=re.DOTALL)
    assert len(scripts) == 1
    sealed = base64.b64encode(hashlib.sha256(scripts[0].encode()).digest()).decode()
    policy = next(meta["content"] for meta in Outline(page).of("meta") if "http-equiv" in meta)
    assert f"script-src 'sha256-{sealed}';" in policy


def test_every_drawing_has_words_in_its_place_and_a_caption(summary_of: SummaryOf) -> None:
    summary = summary_of(["a", "b", "c", "d"], seasons=2)
    outline = Outline(render_page(summary))
    drawings = summary.questions[0].figures
    assert len(drawings) == 2
    assert len(outline.of("svg")) == len(outline.of("figcaption")) == len(drawings)
    told = [found["aria-label"] for _, found in outline.elements if found.get("role") == "img"]
    assert told == [drawing.alternative for drawing in drawings]
    for row in summary.questions[0].rows:
        assert f"{row.effect} ({row.interval})" in drawings[0].alternative


def test_headings_go_down_one_step_at_a_time(summary_of: SummaryOf) -> None:
    outline = Outline(render_page(summary_of(["a", "b", "c"], seasons=2)))
    steps = [int(tag[1]) for tag, _ in outline.elements if re.fullmatch("h[1-6]", tag)]
    assert steps[0] == 1
    assert steps.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(steps))
    assert outline.open == []


def test_every_table_has_a_caption_and_its_headings_a_scope(summary_of: SummaryOf) -> None:
    outline = Outline(
        render_page(summary_of(["a", "b", "c"], turned_away=(TurnedAway("f", "held", "m", "s", "open"),)))
    )
    assert len(outline.of("table")) == len(outline.of("caption")) >= 3
    assert all("scope" in heading for heading in outline.of("th"))
    boxes = [found for tag, found in outline.elements if found.get("role") == "region"]
    assert len(boxes) == len(outline.of("table"))
    assert all(found["tabindex"] == "0" and found["aria-label"] for found in boxes)


def test_every_anchor_that_is_linked_exists_once(summary_of: SummaryOf) -> None:
    outline = Outline(render_page(summary_of(["a", "b", "c"], seasons=2)))
    ids = [found["id"] for _, found in outline.elements if "id" in found]
    assert len(ids) == len(set(ids))
    targets = {link["href"][1:] for link in outline.of("a") if link["href"].startswith("#")}
    assert targets <= set(ids)


def test_an_anonymous_page_has_no_name_in_any_byte(summary_of: SummaryOf) -> None:
    sites = ["quillbend", "marrowfen", "tolverlea"]
    names = ["Quillbend Estate", "Marrowfen Old Cellars", "Tolverlea"]
    given = {
        "names": names,
        "seasons": 2,
        "title": "Does QUILLBEND's warm must lower volatile acidity?",
        "hypothesis": "Seen first at Marrowfen Old Cellars, in trial tolverlea-2020",
        "lost": (("marrowfen-2021", "marrowfen", "tank lost at Quillbend Estate, ask Ada Fenwright"),),
        "turned_away": (TurnedAway("marrowfen_lab.xlsx", "held", "from Ada Fenwright", "", "open"),),
    }
    hidden = [*sites, "Old Cellars", "Fenwright", "marrowfen_lab"]
    shown = render_page(summary_of(sites, **given))
    assert all(word.casefold() in shown.casefold() for word in hidden)
    page = render_page(summary_of(sites, anonymous=True, **given))
    assert [word for word in hidden if word.casefold() in page.casefold()] == []
    assert "Site 01" in page
    assert "T001" in page


def test_codes_stay_when_sites_are_added_behind(summary_of: SummaryOf) -> None:
    few = summary_of(["zeta", "eta", "theta"], anonymous=True).questions[0].rows
    more = summary_of(["zeta", "eta", "theta", "alpha"], anonymous=True).questions[0].rows
    codes = {row.site for row in few}
    assert codes == {"Site 01", "Site 02", "Site 03"}
    assert {row.site for row in more} == codes | {"Site 04"}


def test_one_trial_is_shown_and_not_pooled(summary_of: SummaryOf) -> None:
    summary = summary_of(["a"])
    page = summary.questions[0]
    assert page.verdict == "one site only"
    assert page.estimate == page.interval == page.prediction == ""
    assert "shown, not pooled" in render_page(summary)


def test_sixty_sites_each_have_their_row(summary_of: SummaryOf) -> None:
    sites = [f"site {place:02d}" for place in range(60)]
    page = render_page(summary_of(sites))
    assert all(f'<th scope="row">{site}</th>' in page for site in sites)


def test_page_one_tells_every_question_once_under_its_verdict(summary_of: SummaryOf) -> None:
    summary = summary_of(["a", "b", "c", "d"], seasons=2)
    told = [anchor for _, sentences in summary.page_one for anchor, _ in sentences]
    assert told == [page.anchor for page in summary.questions]


def test_a_warning_of_harm_and_the_local_code_stand_on_the_page(summary_of: SummaryOf) -> None:
    text = " ".join(Outline(render_page(summary_of(["a", "b"]))).text)
    assert "Nothing here is advice on dosing" in text
    assert "the local code and a licensed enologist decide" in text
    assert "asthma" in text
