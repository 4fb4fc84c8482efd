"""The annual summary as one self-contained page: opens offline, prints well, light and dark."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any

from crosscellar.report.content import VERDICTS, Summary


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
    # Only our own drawings and style sheet pass unescaped: letters in a drawing are shapes, not text.
    environment.filters["drawing"] = Markup
    environment.globals["style"] = (
        resources.files("crosscellar.report").joinpath("templates", "summary.css").read_text(encoding="utf-8")
    )
    environment.globals["verdicts"] = VERDICTS
    return environment.get_template("summary.html")


def render_page(summary: Summary) -> str:
    """The page's HTML; the same for the same summary. Text of data is escaped, only our drawings are not."""
    return str(_template().render(summary=summary))
