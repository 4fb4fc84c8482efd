"""A short text to paste into the reply to whoever sent a sheet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import polars as pl

_MOST: Final = 25
_PARTS: Final = (
    ("refuse", "Please mend these and send the correction sheet back:"),
    ("hold", "Please answer these; until then they are kept apart:"),
    ("remark", "Taken in; please have a look when you can:"),
)


_MORE: Final = r" \(and [0-9]+ more like it\)$"


def of_this_row(row: str) -> pl.Expr:
    """What a finding says, for a reading in the row that the column `row` names.

    One that speaks for several cells names the first of them: of another row that is told as such.
    """
    bare = pl.col("message").str.replace(_MORE, "")
    folded = pl.col("message").str.contains(_MORE) & (pl.col("cell") != "")
    other = folded & (pl.col("row") != pl.col(row))
    return pl.when(other).then(pl.format("As in {}: {}", "cell", bare)).otherwise(bare)


def reply_text(name: str, counts: Mapping[str, Any], findings: pl.DataFrame) -> str:
    """Plain sentences: what became of the readings of a file, and what is asked for, cell by cell.

    `counts` is the file's row of FILES.
    """
    lines = [f"Thank you for {name}.", "", _counted(counts)]
    for severity, words in _PARTS:
        # Where no reading was found there is no correction sheet to send back.
        if severity == "refuse" and not counts["readings_in"]:
            words = "What to do:"
        some = findings.filter(pl.col("severity") == severity)
        if some.is_empty():
            continue
        lines += ["", words]
        lines += [_line(found) for found in some.head(_MOST).iter_rows(named=True)]
        if some.height > _MOST:
            lines.append(f"- and {some.height - _MOST} more: see the marked copy of your sheet.")
    return "\n".join(lines) + "\n"


def _counted(counts: Mapping[str, Any]) -> str:
    total = counts["readings_in"]
    if not total:
        return str(counts["message"]) or "No reading was found in it."
    taken = counts["accepted"]
    parts = [f"{taken} of {total} readings {'was' if taken == 1 else 'were'} taken in"]
    for key, one, several in (
        ("already", "was there already", "were there already"),
        ("refused", "needs mending", "need mending"),
        ("held", "waits for an answer", "wait for an answer"),
        ("blank", "is blank", "are blank"),
    ):
        if counts[key]:
            parts.append(f"{counts[key]} {one if counts[key] == 1 else several}")
    return ", ".join(parts) + "."


def _line(found: Mapping[str, Any]) -> str:
    place = " ".join(part for part in (found["sheet"], found["cell"]) if part)
    said = " ".join(part for part in (found["message"], found["suggestion"]) if part)
    said = " ".join(said.split())
    return f"- {place}: {said}" if place else f"- {said}"
