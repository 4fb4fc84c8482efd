"""Results as a notebook shows them: the words and tables of the terminal, as HTML."""

from __future__ import annotations

import html
from typing import Any, Final

from crosscellar.console.parts import Table, parts_of

#: A cell of no more letters than this stands on one line.
_SHORT: Final = 24


def html_of(result: object) -> str:
    """A result as HTML: a paragraph a piece of text, a table a table; all text escaped."""
    return "".join(_part(part) for part in parts_of(result) if part != "")


def _part(part: Any) -> str:
    if isinstance(part, Table):
        return _table(part)
    own = getattr(part, "_repr_html_", None)
    if own is not None:
        return str(own())
    # Letters to sites and lists keep their lines.
    return f"<p style='white-space:pre-line'>{html.escape(str(part))}</p>"


def _table(table: Table) -> str:
    head = "".join(
        f"<th scope='col' style='{_side(table, number)}'>{html.escape(words)}</th>"
        for number, words in enumerate(table.headings)
    )
    body = "".join(
        "<tr>"
        + "".join(
            f"<td style='{_side(table, number)}{_whole(words)}'>{html.escape(words)}</td>"
            for number, words in enumerate(row)
        )
        + "</tr>"
        for row in table.rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _side(table: Table, number: int) -> str:
    return f"padding:.15em .6em;text-align:{'right' if number in table.right else 'left'}"


def _whole(words: str) -> str:
    """Names and ranges are not broken at a hyphen or a space."""
    return ";white-space:nowrap" if len(words) <= _SHORT else ""
