"""The annual summary on paper: a tagged PDF, the same bytes for the same summary."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import asdict
from datetime import UTC, datetime, time
from functools import partial
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from crosscellar.report.content import Figure, QuestionPage, Summary
from crosscellar.report.crowded import MOST_DRAWN
from crosscellar.report.numbers import held
from crosscellar.report.wording import wording

#: What the typesetter says of a letter that its typeface lacks: PDF/UA allows none.
_LACKING: Final = re.compile(r'the text `?"(.+?)"`? could not be displayed', re.DOTALL)

#: Latin, Greek and Cyrillic letters, punctuation and the signs of mathematics.
_COMMON: Final = ((0x20, 0x52F), (0x1E00, 0x1EFF), (0x2010, 0x2027), (0x2030, 0x22FF))

_REPLACED: Final = (
    " Letters that the typeface of this paper lacks stand as ? here; the page and tables have them."
)


def render_paper(summary: Summary) -> bytes:
    """The PDF (PDF/UA-1: tagged, figures with their words) of a summary.

    Text of data goes in as JSON and is set as text. Fonts are those that come with the typesetter, its root
    is a folder that holds nothing else, and the only date is the summary's own. A letter that the typeface
    lacks is set as its plain form or as a question mark, and the last line says so.
    """
    document: dict[str, Any] = _each(_document(summary), _visible)
    lacking = ""
    while True:
        try:
            return _compile(document, summary)
        except RuntimeError as fault:
            found = _LACKING.search(str(fault))
            if found is None or found.group(1) == lacking:
                raise
            if not lacking:
                document = _each(document | {"made": document["made"] + _REPLACED}, _common)
            lacking = found.group(1)
            document = _each(document, partial(_without, lacking))


def _without(letters: str, text: str) -> str:
    """The text with `?` for these letters."""
    return text.translate(dict.fromkeys(map(ord, letters), "?"))


def _each(part: Any, change: Callable[[str], str]) -> Any:
    """The document with every text in it changed."""
    if isinstance(part, str):
        return change(part)
    if isinstance(part, dict):
        return {name: _each(value, change) for name, value in part.items()}
    if isinstance(part, list | tuple):
        return [_each(value, change) for value in part]
    return part


def _visible(text: str) -> str:
    """The text without letters that steer and do not show: control, direction, zero width."""
    return "".join(
        letter for letter in text if letter == "\n" or unicodedata.category(letter) not in ("Cc", "Cf")
    )


def _common(text: str) -> str:
    """The text in common letters: a full-width one in its plain form, one of another script as `?`."""
    plain = (unicodedata.normalize("NFKC", one) if ord(one) >= 0xFF00 else one for one in text)
    return "".join(
        one if one == "\n" or any(low <= ord(one) <= high for low, high in _COMMON) else "?"
        for one in "".join(plain)
    )


def _compile(document: dict[str, Any], summary: Summary) -> bytes:
    import typst

    template = resources.files("crosscellar.report").joinpath("templates", "summary.typ").read_bytes()
    with TemporaryDirectory() as folder:
        root = Path(folder)
        source = root / "summary.typ"
        source.write_bytes(template)
        return typst.compile(
            source,
            root=root,
            ignore_system_fonts=True,
            format="pdf",
            sys_inputs={"summary": json.dumps(document, ensure_ascii=False)},
            pdf_standards=["ua-1"],
            timestamp=datetime.combine(summary.as_of, time(), UTC),
        )


def write_paper(summary: Summary, path: Path) -> Path:
    """The path of the PDF, written."""
    path.write_bytes(render_paper(summary))
    return path


def _document(summary: Summary) -> dict[str, Any]:
    """The summary as the template reads it: tables as rows of texts."""
    title = f"Trials of the {summary.season} season: annual summary"
    store = f", store {summary.snapshot}" if summary.snapshot else ""
    codes = " Sites appear as codes." if summary.anonymous else ""
    said = wording()
    carried = sum(page.carried for page in summary.questions)
    return {
        "title": title,
        "heading": f"Trials of the {summary.season} season",
        "stands": f"Annual summary of the network. As of {summary.as_of.isoformat()}{store}.{codes}",
        "as_of": [summary.as_of.year, summary.as_of.month, summary.as_of.day],
        "carried": said.carried_many.format(carried=carried, asked=len(summary.questions)) if carried else "",
        "page_one": [
            (heading, [(anchor, held(words)) for anchor, words in told]) for heading, told in summary.page_one
        ],
        "counts": summary.counts,
        "readings": summary.readings,
        "lost": summary.lost,
        "questions": [_question(question) for question in summary.questions],
        "turned_away": [(row.place, row.message, row.suggestion, row.state) for row in summary.turned_away],
        "none_turned_away": said.none_told if summary.anonymous else "Nothing.",
        "methods": _held(said.methods),
        "vessels": _held(summary.vessels),
        "vessels_figure": _drawing(summary.vessels_figure) if summary.vessels_figure else None,
        "disclaimer": said.disclaimer,
        "poured": said.poured,
        "watched": said.watched,
        "cautions": summary.cautions,
        "glossary": said.glossary,
        "files": summary.files,
        "made": f"Made by crosscellar{store.replace(',', ' from')}. "
        "The same store and season give the same pages.",
    }


def _held(words: Iterable[str]) -> list[str]:
    return [held(text) for text in words]


def _drawing(figure: Figure) -> dict[str, Any]:
    return asdict(figure) | {"caption": held(figure.caption)}


def _in_rows(figures: Iterable[Figure]) -> list[list[Figure]]:
    """Figures in rows: two small ones that follow each other stand side by side."""
    rows: list[list[Figure]] = []
    for figure in figures:
        if rows and len(rows[-1]) == 1 and not (figure.wide or rows[-1][0].wide):
            rows[-1].append(figure)
        else:
            rows.append([figure])
    return rows


def _printed(rows: Iterable[tuple[str, ...]], *, carried: bool) -> list[tuple[str, ...]]:
    """The rows of a table; none where they would fill sheets of paper, or the question is carried forward."""
    found = list(rows)
    return [] if carried or len(found) > MOST_DRAWN else found


def _unprinted(page: QuestionPage) -> list[str]:
    """What the paper leaves out as too long, in a sentence; nothing where all is printed."""
    long = [
        f"{len(rows)} {what}"
        for rows, what in (
            (page.rows, "effects trial by trial"),
            (page.left_out, "effects that are not pooled"),
            (page.without_site, "answers without one site"),
            (page.tastings, "triangle tests"),
        )
        if len(rows) > MOST_DRAWN
    ]
    return (
        [f"Not printed: {', '.join(long)}. The page, the workbook and the open files have them."]
        if long
        else []
    )


def _question(page: QuestionPage) -> dict[str, Any]:
    weighed = any(row.weight_words for row in page.rows)
    table = partial(_printed, carried=page.carried)
    empty = [""] * (2 if weighed else 1)
    foot: list[list[str]] = []
    boxed: list[tuple[str, str]] = []
    if page.interval:
        foot.append(["Mean of the network", page.estimate, page.interval, *empty])
    if page.prediction:
        foot.append(["Expected at a new site", "", page.prediction, *empty])
    rows = table(
        (
            *(row.site, row.season, row.trial, row.arm, row.effect, row.interval),
            *([row.weight_words] if weighed else []),
            row.variance,
        )
        for row in page.rows
    )
    if page.interval and not rows:
        boxed.append((f"Mean of the network, {page.heading}", f"{page.estimate} ({page.interval})"))
        boxed += [("Expected at a new site", page.prediction)] if page.prediction else []
    return {
        "title": page.title,
        "hypothesis": page.hypothesis,
        "compared": held(page.compared),
        "said": f"{page.verdict[:1].upper()}{page.verdict[1:]}.",
        "reason": held(page.reason),
        "chances": _held(page.chances),
        "decide": _held(page.decide),
        "response": page.response,
        "heading": page.heading,
        "evidence": page.evidence,
        "method": page.method,
        "remarks": _held(page.remarks),
        "figures": [[_drawing(figure) for figure in row] for row in _in_rows(page.figures)],
        "plan_figure": _drawing(page.plan_figure) if page.plan_figure else None,
        "row_headings": [
            *("Site", "Season", "Trial", "Arm", "Effect", "Interval"),
            *(["Weight"] if weighed else []),
            "Where the variance is from",
        ],
        # Shares of the width: names and words wrap, numbers do not.
        "row_columns": [1.1, 0, 0, 0.8, 0, 0, *([0] if weighed else []), 1.9],
        "row_numbers": [4, 5, *([6] if weighed else [])],
        "carried": wording().carried if page.carried else "",
        "rows": rows,
        "boxed": boxed,
        "unprinted": [] if page.carried else _unprinted(page),
        "foot": foot if rows else [],
        "left_out": table(
            (row.site, row.season, row.trial, row.arm, row.effect, row.reason) for row in page.left_out
        ),
        "accumulated": table(
            (row.season, str(row.sites), row.effect, row.interval, row.verdict) for row in page.accumulated
        ),
        "without_site": table(
            (row.site, row.effect, row.interval, f"{row.verdict}{' (changes)' if row.changes else ''}")
            for row in page.without_site
        ),
        "monitored": [
            (row.response, str(row.sites), row.effect, row.interval, row.p_adjusted) for row in page.monitored
        ],
        "tastings": table(
            (row.site, row.season, row.trial, str(row.correct), str(row.tasters), row.needed, row.p)
            for row in page.tastings
        ),
    }
