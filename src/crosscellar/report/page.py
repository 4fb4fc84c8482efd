"""The annual summary as one self-contained page: opens offline, prints well, light and dark."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from importlib import resources
from typing import Any, Final

from crosscellar.report.content import VERDICTS, Summary
from crosscellar.report.crowded import MOST_DRAWN
from crosscellar.report.drawing import INK, MUST, PAPER
from crosscellar.report.numbers import held
from crosscellar.report.wording import wording

#: Colours of drawings that follow the page's own, so that figures are dark where the page is.
_THEMED: Final = {INK: "var(--ink)", MUST: "var(--must)", PAPER: "var(--card)"}


def themed(svg: str) -> str:
    """A drawing whose ink, must and paper are the page's."""
    return re.sub("|".join(_THEMED), lambda found: _THEMED[found[0]], svg)


@cache
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("crosscellar.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Only our own drawings, style sheet and script pass unescaped: letters in a drawing are shapes, not text.
    environment.filters["drawing"] = Markup
    environment.filters["themed"] = lambda svg: Markup(themed(svg))  # noqa: S704
    environment.filters["held"] = held
    templates = resources.files("crosscellar.report").joinpath("templates")
    script = templates.joinpath("sorting.js").read_text(encoding="utf-8").strip()
    sealed = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    environment.globals |= {
        "style": templates.joinpath("summary.css").read_text(encoding="utf-8"),
        "script": script,
        # The one script that the page may run.
        "script_hash": f"sha256-{sealed}",
        "verdicts": VERDICTS,
        "wording": wording(),
        "most_shown": MOST_DRAWN,
    }
    return environment.get_template("summary.html")


def render_page(summary: Summary) -> str:
    """The page's HTML; the same for the same summary. Text of data is escaped, only our drawings are not."""
    return str(_template().render(summary=summary))
