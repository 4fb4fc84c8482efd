"""The annual summary as a workbook: the tables of the page, with numbers that can be calculated with."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time
from pathlib import Path
from typing import Any, Final

from crosscellar.effects.scale import TOO_WIDE
from crosscellar.report.content import Monitored, Summary
from crosscellar.report.numbers import NONE
from crosscellar.workbooks import new_book, save

Cells = Sequence[str | int]

#: Headings under which a number is written as a number; a trial called 007 stays text.
_NUMERIC: Final = frozenset(
    {
        *("Mean", "Low", "High", "New site low", "New site high", "Effect", "Season", "To season", "Sites"),
        *("Picked it", "Of", "Needed at 5 %", "Chance by guessing", "p, adjusted"),
        *("Usual spread", "Prior variance", "Prior degrees of freedom"),
        *("Trials with several vessels", "Of these in the band"),
        *("Value", "Weight, %", "Mean effect", "New sites", "Vessels an arm", "Half-width", "Chance, %"),
    }
)
#: Columns of prose, wider than the rest: they wrap.
_PROSE: Final = 44
_WIDEST: Final = 34
#: A question is read on one line in a table of fewer columns than this.
_QUESTION: Final = 66
_MANY: Final = 9
#: A number as the page shows it: a sign, digits, perhaps decimals.
_NUMBER: Final = re.compile(r"[+−]?\d+(?:\.(\d+))?")
_LONGEST_CELL: Final = 32_767


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table of the workbook: its name, what it holds, its headings and rows of shown words."""

    name: str
    note: str
    headings: tuple[str, ...]
    rows: tuple[Cells, ...]


def sheets_of(summary: Summary) -> tuple[Sheet, ...]:
    """The tables of a summary, as its page shows them, in the order of the tabs.

    A table without rows has no tab, which would print as an empty page: the first one names it.
    """
    first, *others = _sheets(summary)
    empty = tuple(
        ("No tab", sheet.name, "Nothing to show in this edition.") for sheet in others if not sheet.rows
    )
    return (replace(first, rows=(*first.rows, *empty)), *(sheet for sheet in others if sheet.rows))


def _sheets(summary: Summary) -> tuple[Sheet, ...]:
    """Every table, those without rows too."""
    about = (
        *(("The season in numbers", name, _plain(value)) for name, value in summary.counts),
        *(("Readings that came in", name, _plain(value)) for name, value in summary.readings),
        *(("Lost trial", line, "") for line in summary.lost),
        *(("Caution", topic, caution) for topic, caution in summary.cautions),
    )
    return (
        Sheet(
            "Season",
            f"Trials of the {summary.season} season, as of {summary.as_of.isoformat()}, "
            f"store {summary.snapshot}. Nothing here is advice on dosing, on compliance or on health.",
            ("About", "What", "Value"),
            about,
        ),
        Sheet(
            "Answers",
            "One row a question; intervals are 95 %.",
            (
                *("Question", "Response", "Scale", "Verdict", "Mean", "Low", "High"),
                *("New site low", "New site high", "Evidence", "Reason", "Method"),
                "What would decide it",
            ),
            tuple(
                (
                    *(page.title, page.response, page.heading, page.verdict, page.estimate),
                    *_ends(page.interval),
                    *_ends(page.prediction),
                    *(page.evidence, page.reason, page.method),
                    " ".join(page.decide),
                )
                for page in summary.questions
            ),
        ),
        Sheet(
            "Effects",
            "Treatment minus control, trial by trial, on the scale named; intervals are 95 %.",
            (
                *(
                    "Question",
                    "Scale",
                    "Site",
                    "Season",
                    "Trial",
                    "Arm",
                    "Effect",
                    "Low",
                    "High",
                    "Weight, %",
                ),
                "Where the variance is from",
            ),
            tuple(
                (
                    *(page.title, page.heading, row.site, row.season, row.trial, row.arm, row.effect),
                    *_ends(row.interval),
                    *(row.weight_words.removesuffix(" %"), row.variance),
                )
                for page in summary.questions
                for row in page.rows
            ),
        ),
        Sheet(
            "Not pooled",
            "Single effects that are not part of a mean, and why.",
            ("Question", "Scale", "Site", "Season", "Trial", "Arm", "Effect", "Why"),
            tuple(
                (page.title, page.heading, row.site, row.season, row.trial, row.arm, row.effect, row.reason)
                for page in summary.questions
                for row in page.left_out
            ),
        ),
        Sheet(
            "As seasons add up",
            "The answer as it stood after each season.",
            ("Question", "Scale", "To season", "Sites", "Mean", "Low", "High", "Verdict"),
            tuple(
                (
                    page.title,
                    page.heading,
                    row.season,
                    row.sites,
                    row.effect,
                    *_ends(row.interval),
                    row.verdict,
                )
                for page in summary.questions
                for row in page.accumulated
            ),
        ),
        Sheet(
            "Without one site",
            "The answer if one site had not taken part.",
            ("Question", "Scale", "Without", "Mean", "Low", "High", "Verdict"),
            tuple(
                (page.title, page.heading, row.site, row.effect, *_ends(row.interval), row.verdict)
                for page in summary.questions
                for row in page.without_site
            ),
        ),
        Sheet(
            "Also watched",
            "Responses watched for unintended consequences; p adjusted together. They make no verdict.",
            ("Question", "Response", "Sites", "Mean effect", "Low", "High", "Unit", "p, adjusted"),
            tuple(_watched(page.title, row) for page in summary.questions for row in page.monitored),
        ),
        Sheet(
            "What would decide it",
            "What new sites would buy for each question that is open: half of the interval expected for the "
            "mean, and the chance of a verdict.",
            ("Question", "Scale", "New sites", "Vessels an arm", "Half-width", "Chance, %"),
            tuple(
                (
                    page.title,
                    page.heading,
                    row.more_sites,
                    row.vessels,
                    row.half_width,
                    row.chance.removesuffix(" %"),
                )
                for page in summary.questions
                for row in page.plan
            ),
        ),
        Sheet(
            "Triangle tests",
            "Tasters who picked the odd glass; one in three would by guessing.",
            ("Question", "Site", "Season", "Trial", "Picked it", "Of", "Needed at 5 %", "Chance by guessing"),
            tuple(
                (page.title, row.site, row.season, row.trial, row.correct, row.tasters, row.needed, row.p)
                for page in summary.questions
                for row in page.tastings
            ),
        ),
        Sheet(
            "Vessels of an arm",
            "How far vessels of one arm differ; a trial's own variance leans on the prior (Smyth 2004). "
            "Variances are of natural logarithms where the scale is a coefficient of variation.",
            (
                *("Response", "Scale", "Usual spread", "Prior variance", "Prior degrees of freedom"),
                *("Trials with several vessels", "Of these in the band"),
            ),
            tuple(
                (
                    row.response,
                    row.scale,
                    row.usual,
                    row.prior_variance,
                    row.prior_df,
                    row.trials,
                    row.in_band,
                )
                for row in summary.spreads
            ),
        ),
        Sheet(
            "Turned away",
            "Readings of this season that were refused, or held until somebody decides.",
            ("Where", "What", "What to do", "State"),
            tuple((row.place, row.message, row.suggestion, row.state) for row in summary.turned_away),
        ),
    )


def write_workbook(summary: Summary, path: Path) -> Path:
    """The path of the workbook written there: the same bytes for the same summary, and never a formula."""
    path.parent.mkdir(parents=True, exist_ok=True)
    book = new_book()
    book.set_properties(
        {
            "title": f"Trials of the {summary.season} season",
            "created": datetime.combine(summary.as_of, time()),
        }
    )
    formats = _Formats(book)
    for sheet in sheets_of(summary):
        _fill(book.add_worksheet(sheet.name), sheet, formats)
    save(book, path)
    return path


#: The number of A4 among the paper sizes of the open workbook standard (ECMA-376, `pageSetup`, `paperSize`).
_A4: Final = 9
#: How many characters across can still be read on a sheet of paper.
_PAPER: Final = 230.0
#: A text shorter than this among numbers is set as they are.
_SHORT: Final = 16
#: The height of one line of text, in points.
_LINE_POINTS: Final = 15.0


class _Formats:
    """The cell formats of one workbook, one for each number of decimals."""

    def __init__(self, book: Any) -> None:
        self._book = book
        self._numbers: dict[tuple[int, bool], Any] = {}
        heading = {"bold": True, "bottom": 2, "text_wrap": True, "valign": "bottom"}
        self.note = book.add_format({"italic": True})
        self.heading = book.add_format({**heading, "align": "left", "indent": 1})
        self.number_heading = book.add_format({**heading, "align": "right"})
        # Text stands clear of a number before it.
        self.text = book.add_format({"text_wrap": True, "valign": "top", "align": "left", "indent": 1})
        self.told = book.add_format({"valign": "top", "align": "right"})

    def number(self, decimals: int, *, signed: bool) -> Any:
        key = (decimals, signed)
        if key not in self._numbers:
            plain = f"0.{'0' * decimals}" if decimals else "0"
            shown = f"+{plain};−{plain};{plain}" if signed else plain
            self._numbers[key] = self._book.add_format({"num_format": shown, "valign": "top"})
        return self._numbers[key]


def _fill(page: Any, sheet: Sheet, formats: _Formats) -> None:
    page.write_string(0, 0, sheet.note, formats.note)
    widths = [_width(sheet, column) for column in range(len(sheet.headings))]
    for column, heading in enumerate(sheet.headings):
        shown = formats.number_heading if _is_numeric(sheet, column) else formats.heading
        page.write_string(2, column, heading, shown)
        page.set_column(column, column, widths[column])
    # A spreadsheet sizes rows for wrapped text only when it is typed there, so each row says its height.
    page.set_row(2, _LINE_POINTS * max(map(_lines, sheet.headings, widths)))
    for line, row in enumerate(sheet.rows, 3):
        page.set_row(line, _LINE_POINTS * max(map(_lines, row, widths)))
        for column, value in enumerate(row):
            _write(page, line, column, value, formats, numeric=_is_numeric(sheet, column))
    if sheet.rows:
        page.autofilter(2, 0, 2 + len(sheet.rows), len(sheet.headings) - 1)
    else:
        page.write_string(3, 0, "None.", formats.text)
    page.freeze_panes(3, 1)
    page.set_landscape()
    page.set_paper(_A4)
    page.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    page.set_footer("&L&A&RPage &P of &N")
    # A table too wide to be read on one sheet of paper goes over to a second, with its first column again.
    page.fit_to_pages(math.ceil(sum(widths) / _PAPER), 0)
    page.repeat_rows(2)
    page.repeat_columns(0)


def _write(page: Any, line: int, column: int, value: str | int, formats: _Formats, *, numeric: bool) -> None:
    text = str(value)
    found = _NUMBER.fullmatch(text) if numeric else None
    if text in ("", NONE):
        page.write_blank(line, column, None, formats.text)
    elif found is None:
        # Words among numbers (`< 0.001`, `one site only`) stand where the numbers do.
        beside = numeric and len(text) < _SHORT
        page.write_string(line, column, text[:_LONGEST_CELL], formats.told if beside else formats.text)
    else:
        shown = formats.number(len(found[1] or ""), signed=text[0] in "+−")
        page.write_number(line, column, float(text.replace("−", "-")), shown)


def _is_numeric(sheet: Sheet, column: int) -> bool:
    return sheet.headings[column] in _NUMERIC


def _watched(title: str, row: Monitored) -> Cells:
    """A monitored response with its number and its unit apart."""
    number, _, unit = row.effect.partition(" ")
    effect, unit = (number, unit) if _NUMBER.fullmatch(number) else (row.effect, "")
    return (title, row.response, row.sites, effect, *_ends(row.interval), unit, row.p_adjusted)


def _plain(count: str) -> str:
    """A count without the spaces between its thousands, so that it can be calculated with."""
    joined = count.replace(" ", "")
    return joined if joined.isdigit() else count


def _ends(interval: str) -> tuple[str, str]:
    """The two ends of an interval as shown; the first says so where it is too wide to say."""
    if interval == TOO_WIDE:
        return interval, ""
    low, found, high = interval.partition(" to ")
    return (low, high) if found else ("", "")


def _lines(value: str | int, width: float) -> int:
    """How many lines a cell needs, its words wrapped."""
    text, room = str(value), max(4, math.floor(1.1 * (width - 2)))
    return 1 if len(text) <= room else max(1, len(textwrap.wrap(text, room)))


def _width(sheet: Sheet, column: int) -> float:
    """A column as wide as its longest word needs, within reason; headings may take two lines."""
    longest = max((len(str(row[column])) for row in sheet.rows), default=0)
    widest = _PROSE if longest > 2 * _WIDEST else _WIDEST
    heading = sheet.headings[column]
    if heading == "Question" and len(sheet.headings) < _MANY:
        widest = _QUESTION
    # The button of the filter covers the end of a heading.
    words = max(len(word) for word in heading.split()) if len(heading) > _SHORT else len(heading)
    return float(max(8, words + 4, min(widest, longest + 3)))
