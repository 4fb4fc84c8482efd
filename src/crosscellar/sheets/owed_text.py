"""The message that tells a site what is still missing, ready to paste into a mail."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any, Final

import polars as pl

from crosscellar.contract import Contract, response_words, stage_words

_SHEETS: Final = {
    "days_to_dry": "ferment log (days to dry)",
    "max_ferment_rate": "ferment log (fastest day)",
    "stuck": "ferment log (stuck or not)",
    "malolactic_complete": "malic acid (malolactic complete or not)",
    "triangle": "triangle test",
}
#: More reasons than this are for the marked-up copy, not for a message.
_MOST_REASONS: Final = 8
_MONTHS: Final = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def day_words(day: date) -> str:
    """A date that no country reads the other way round: `17 May 2026`."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def owed_words(response: str, contract: Contract) -> str:
    """What a response is called in a message: the sheet that it comes from, or the analyte's name."""
    return _SHEETS.get(response) or response_words(response, None, contract)


def text_of_site(
    site_name: str,
    rows: pl.DataFrame,
    reasons: pl.DataFrame,
    *,
    titles: Mapping[str, str],
    contract: Contract,
    today: date,
    came: bool,
) -> str:
    """A plain, kind text: what is missing by trial, when it was due, what was turned away and why.

    `came` says whether anything came from the site: only then is it thanked for that.
    """
    due = rows.filter(pl.col("due_date").fill_null(today) <= today)
    later = rows.filter(pl.col("due_date").fill_null(today) > today)
    lines = [f"Dear all at {site_name},", ""]
    if due.height:
        sent = "thank you for what you have sent. " if came else ""
        these = "These" if came else "these"
        lines += [f"{sent}{these} readings have not reached us yet:", ""]
        lines += _by_trial(due, titles, contract)
    else:
        lines += ["thank you: nothing is late.", ""]
    if reasons.height:
        lines += ["These came, but could not be used as they stand:", ""]
        lines += [*_why(reasons), ""]
    if later.height:
        lines += ["Not due yet:", "", *_by_trial(later, titles, contract)]
    lines += [
        "Any sheet will do, and a photograph of the page is better than nothing. If something was not",
        "measured or a vessel was lost, please tell us: that is a result too.",
        "",
        f"As of {day_words(today)}.",
    ]
    return "\n".join(lines)


def _by_trial(rows: pl.DataFrame, titles: Mapping[str, str], contract: Contract) -> Iterator[str]:
    for trial in rows["trial_id"].unique(maintain_order=True).to_list():
        some = rows.filter(pl.col("trial_id") == trial)
        title = titles.get(some["question_id"][0], "")
        yield f"{trial} ({title})" if title else trial
        for row in some.iter_rows(named=True):
            yield f"  - {_line(row, contract)}"
        yield ""


def _line(row: Mapping[str, Any], contract: Contract) -> str:
    what = owed_words(row["response"], contract)
    if row["response"] not in ("days_to_dry", "max_ferment_rate", "stuck"):
        what = f"{what}, {stage_words(row['stage'], contract)}"
    parts = [f"{what}: {row['received']} of {row['expected']} received"]
    if row["due_date"] is not None:
        late = row["days_overdue"]
        ago = "" if not late else f", {late} {'day' if late == 1 else 'days'} ago"
        parts.append(f"due {day_words(row['due_date'])}{ago}")
    if row["missing_vessels"] and row["received"]:
        parts.append(f"missing: {', '.join(row['missing_vessels'])}")
    if row["waiting"]:
        parts.append(f"{row['waiting']} came and could not be used yet, see below")
    return "; ".join(parts)


def _why(reasons: pl.DataFrame) -> Iterator[str]:
    """One line a cause: the places where the same thing is wrong in one file stand together."""
    causes = reasons.group_by("file", "sheet", "message", "suggestion", maintain_order=True).agg(
        pl.col("cell").filter(pl.col("cell") != "")
    )
    for row in causes.head(_MOST_REASONS).iter_rows(named=True):
        cells = row["cell"]
        shown = ", ".join(cells[:4]) + (f" and {len(cells) - 4} more" if len(cells) > 4 else "")
        where = " › ".join(part for part in (row["file"], row["sheet"], shown) if part)
        yield f"  - {where}: {row['message']} {row['suggestion']}".rstrip()
    if causes.height > _MOST_REASONS:
        yield f"  - and {causes.height - _MOST_REASONS} more: the marked-up copy shows each in its cell."
