"""The summary on paper: read back as text, the same bytes each time, nothing of the data run as markup."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import replace

import pytest
from pypdf import PdfReader

from crosscellar.report.content import Summary
from crosscellar.report.paper import render_paper
from crosscellar.report.wording import wording

SummaryOf = Callable[..., Summary]


def text_of(paper: bytes) -> str:
    """All words of a PDF, hyphenation and line ends undone."""
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(paper)).pages]
    return " ".join(" ".join(pages).split())


def test_every_number_of_the_effects_can_be_read_back(summary_of: SummaryOf) -> None:
    summary = summary_of(["a", "b", "c"])
    text = text_of(render_paper(summary)).replace(" ", "")
    for question in summary.questions:
        for row in question.rows:
            assert row.effect in text
            assert row.interval.replace(" ", "") in text
        assert question.interval.replace(" ", "") in text


def test_the_words_of_the_page_stand_on_paper_too(summary_of: SummaryOf) -> None:
    text = text_of(render_paper(summary_of(["a", "b", "c"])))
    squeezed = text.replace(" ", "")
    assert wording().disclaimer.replace(" ", "") in squeezed
    for word, _ in wording().glossary:
        assert word.replace(" ", "") in squeezed


@pytest.mark.parametrize("hostile", ["#panic()", '#read("/etc/hostname")', "*bold* _it_ $x$ \\ @ref <label>"])
def test_text_that_looks_like_markup_is_set_as_it_stands(summary_of: SummaryOf, hostile: str) -> None:
    summary = summary_of(["a", "b"])
    hit = replace(summary, lost=(hostile,), questions=(replace(summary.questions[0], title=hostile),))
    assert hostile.replace(" ", "") in text_of(render_paper(hit)).replace(" ", "")


def test_the_same_summary_gives_the_same_paper(summary_of: SummaryOf) -> None:
    summary = summary_of(["a", "b", "c"])
    assert render_paper(summary) == render_paper(summary)


def test_the_paper_is_tagged_titled_and_dated_by_the_data(summary_of: SummaryOf) -> None:
    summary = summary_of(["a", "b", "c"])
    paper = render_paper(summary)
    reader = PdfReader(io.BytesIO(paper))
    assert reader.metadata is not None
    assert str(summary.season) in (reader.metadata.title or "")
    assert reader.metadata.creation_date is not None
    assert reader.metadata.creation_date.date() == summary.as_of
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert reader.trailer["/Root"]["/Lang"] == "en"


def test_an_anonymous_paper_has_no_name_in_any_byte(summary_of: SummaryOf) -> None:
    names = ["Quarrel Court", "Zephyr Barn", "Okapi Hill"]
    paper = render_paper(summary_of(names, anonymous=True))
    reader = PdfReader(io.BytesIO(paper))
    streams = b" ".join(
        found.get_object().get_data() for page in reader.pages for found in [page["/Contents"]]
    )
    everything = text_of(paper) + repr(reader.metadata) + streams.decode("latin-1") + paper.decode("latin-1")
    for name in names:
        assert name not in everything
        assert name.replace(" ", "") not in everything.replace(" ", "")


def test_one_trial_and_sixty_sites_are_each_a_paper(summary_of: SummaryOf) -> None:
    one = text_of(render_paper(summary_of(["lonely"])))
    assert "one site only" in one.lower()
    many = PdfReader(io.BytesIO(render_paper(summary_of([f"site {number:02}" for number in range(60)]))))
    pages = [" ".join(page.extract_text().split()) for page in many.pages]
    carried = [page for page in pages if re.search(r"Site Season Trial Arm Effect", page)]
    # A table of sixty rows goes over pages, and each repeats its headings.
    assert len(carried) > 1


def test_a_long_name_pushes_no_column_into_the_margin(summary_of: SummaryOf) -> None:
    """Text that begins to the right of where the widest line of the page ends stands in the margin."""
    name = "The Very Long-Named Cooperative Cellar of Upper and Lower Meadow"
    sites = [*"abcd"]
    summary = summary_of(sites, names=[f"{name} {letter}" for letter in sites], seasons=2)
    paper = PdfReader(io.BytesIO(render_paper(summary)))
    starts: list[tuple[float, str]] = []

    def seen(text: str, to_page: list[float], at: list[float], *_: object) -> None:
        if text.strip():
            starts.append((to_page[0] * at[4] + to_page[4], text.strip()))

    for page in paper.pages:
        page.extract_text(visitor_text=seen)
    width = float(paper.pages[0].mediabox.width)
    assert starts
    assert [
        (x, text) for x, text in starts if x > width - 70 and not text.endswith(f"of {len(paper.pages)}")
    ] == []


def test_names_in_letters_that_the_typeface_lacks_do_not_stop_the_paper_and_it_says_so(
    summary_of: SummaryOf,
) -> None:
    summary = summary_of(
        ["a", "b", "c"], names=["Κτήμα ＡＢＣ $\\no{$", "酒庄 \U0001f377 Nová", "\x1b[31mCave\u202e"]
    )
    text = text_of(render_paper(summary))
    assert "Κτήμα ABC $\\no{$" in text
    assert re.search(r"\?\? \? Nová", text)
    assert "[31mCave" in text
    assert "lacks stand as ?" in text
    assert "lacks stand as ?" not in text_of(render_paper(summary_of(["a", "b", "c"])))
