"""The annual summary on paper, read back: text as text, the same bytes, no name where names are hidden."""

from __future__ import annotations

import hashlib
import io
import os
import pickle
import re
import subprocess
import sys
import zlib
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pypdf import PdfReader

from crosscellar.report.content import Summary, TurnedAway
from crosscellar.report.page import render_page
from crosscellar.report.paper import render_paper

SummaryOf = Callable[..., Summary]

#: Markup and code of the typesetter, of PDF and of pages.
HOSTILE = '#panic("x") $x^2$ *b* <a> @ref #read("/etc/hostname") \\ ) endobj "'


def text_of(paper: bytes) -> str:
    """The text of all pages, white space evened."""
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(paper)).pages).split())


def opened(paper: bytes) -> str:
    """Every byte of a PDF as letters, its streams unpacked."""
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", paper, flags=re.DOTALL)
    unpacked = []
    for stream in streams:
        try:
            unpacked.append(zlib.decompressobj().decompress(stream))
        except zlib.error:
            unpacked.append(stream)
    whole = b"\n".join([paper, *unpacked])
    return whole.decode("latin-1") + whole.replace(b"\0", b"").decode("latin-1")


def test_every_row_of_a_question_is_read_back_from_the_pdf(summary_of: SummaryOf) -> None:
    summary = summary_of(["a", "b", "c", "d"], names=["Ash", "Birch", "Cedar", "Date"], seasons=2)
    text = text_of(render_paper(summary))
    for row in summary.questions[0].rows:
        assert f"{row.site} {row.season} {row.trial} {row.arm} {row.effect} {row.interval}" in text
    assert summary.questions[0].reason in text


def test_the_headings_of_a_table_are_repeated_where_it_goes_over_to_a_new_page(summary_of: SummaryOf) -> None:
    paper = render_paper(summary_of([f"s{number:02}" for number in range(60)]))
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(paper)).pages]
    rows = [page for page in pages if re.search(r"s\d\d-2020", page) and "replicated trials" in page]
    assert len(rows) >= 2
    assert all("Where the variance is from" in page for page in rows)
    assert all(any(f"s{number:02}-2020" in page for page in rows) for number in range(60))


def test_hostile_text_is_set_as_text_and_never_run(summary_of: SummaryOf) -> None:
    summary = summary_of(["a", "b"], names=[HOSTILE, "b"], title=HOSTILE, hypothesis=HOSTILE)
    summary = replace(summary, turned_away=(TurnedAway(HOSTILE, "held", HOSTILE, HOSTILE, "open"),))
    text = text_of(render_paper(summary))
    assert '#panic("x") $x^2$ *b* <a> @ref' in text


def test_the_pdf_bears_the_date_of_the_data_and_is_tagged(summary_of: SummaryOf) -> None:
    reader = PdfReader(io.BytesIO(render_paper(summary_of(["a", "b", "c"]))))
    assert reader.metadata is not None
    assert reader.metadata.creation_date == datetime(2021, 3, 1, tzinfo=UTC)
    assert reader.metadata.title == "Trials of the 2020 season: annual summary"
    catalog = reader.trailer["/Root"].get_object()
    assert catalog["/MarkInfo"]["/Marked"]
    assert catalog["/Lang"].startswith("en")


def test_an_anonymous_pdf_has_no_name_in_any_byte(summary_of: SummaryOf) -> None:
    sites = ["quillbend", "marrowfen", "tolverlea"]
    given = {
        "names": ["Quillbend Estate", "Marrowfen Old Cellars", "Tolverlea"],
        "seasons": 2,
        "title": "Does QUILLBEND's warm must lower volatile acidity?",
        "lost": (("marrowfen-2021", "marrowfen", "tank lost at Quillbend Estate, ask Ada Fenwright"),),
    }
    hidden = [*sites, "Old Cellars", "Fenwright"]
    shown = text_of(render_paper(summary_of(sites, **given))).casefold()
    assert all(word.casefold() in shown for word in hidden)
    paper = render_paper(summary_of(sites, anonymous=True, **given))
    held = (opened(paper) + text_of(paper)).casefold()
    assert [word for word in hidden if word.casefold() in held] == []
    assert "Site 01" in text_of(paper)


SCRIPT = """
import hashlib, pickle, sys
from crosscellar.report.page import render_page
from crosscellar.report.paper import render_paper
summary = pickle.load(open(sys.argv[1], "rb"))
for content in (render_paper(summary), render_page(summary).encode()):
    print(hashlib.sha256(content).hexdigest())
"""


@pytest.mark.parametrize("zone", ["UTC", "Pacific/Auckland"])
def test_zone_language_hash_seed_and_folder_change_no_byte(
    summary_of: SummaryOf, tmp_path: Path, zone: str
) -> None:
    summary = summary_of(["a", "b", "c"])
    kept = tmp_path / "summary.pickle"
    kept.write_bytes(pickle.dumps(summary))
    seed = {"UTC": "1", "Pacific/Auckland": "77"}[zone]
    environment = os.environ | {"TZ": zone, "LC_ALL": "C", "PYTHONHASHSEED": seed}
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(kept)],
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
        env=environment,
    )
    here = [render_paper(summary), render_page(summary).encode()]
    assert done.stdout.split() == [hashlib.sha256(content).hexdigest() for content in here]
