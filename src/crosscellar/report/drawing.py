"""Figures as bytes: one palette, the same bytes for the same numbers, drawn on as many cores as help."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from crosscellar.errors import CrosscellarError
from crosscellar.report.content import Figure as Drawing

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Ink, must, straw and slate: told apart in grey print by lightness, and never by colour alone.
INK: Final = "#1f2a33"
MUST: Final = "#6a2346"
STRAW: Final = "#c79a3a"
SLATE: Final = "#7d8a94"
PAPER: Final = "#ffffff"

# matplotlib types the names of its settings one by one; a plain mapping is enough here.
_SETTINGS: Final[Any] = {
    "svg.hashsalt": "crosscellar",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.edgecolor": SLATE,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
}

#: What would differ from one run or version to the next.
_UNDATED: Final = {
    "svg": ("Date", "Creator"),
    "pdf": ("CreationDate", "Creator", "Producer"),
    "png": ("Software",),
}

#: Size of the text of labels, in points.
TEXT: Final = 8.2


@dataclass(frozen=True, slots=True)
class Sketch:
    """A figure that is not drawn yet: what builds it, and the words that stand in for it.

    `build` can be sent to another process: a function of a module with its arguments, no closure.
    """

    build: Callable[[], Figure]
    name: str
    alternative: str
    caption: str
    wide: bool = False

    def drawn(self, content: bytes) -> Drawing:
        """The figure for a page, from the bytes of its drawing."""
        return Drawing(svg_text(content, self.name), self.alternative, self.caption, self.wide)


def draw(build: Callable[[], Figure], *, form: str = "svg") -> bytes:
    """A figure's bytes, the same for the same numbers: no date, fixed identifiers."""
    import matplotlib

    with matplotlib.rc_context(_SETTINGS), warnings.catch_warnings():
        # A name in letters that the typeface lacks is drawn with boxes: no reason to stop or to alarm.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        figure = build()
        out = io.BytesIO()
        metadata = dict.fromkeys(_UNDATED.get(form, ()))
        figure.savefig(out, format=form, facecolor=PAPER, metadata=metadata, dpi=160)
    return out.getvalue()


def write_figure(build: Callable[[], Figure], path: Path) -> Path:
    """The path of a figure, written as SVG, PNG or PDF by the name's ending (none: SVG).

    Raises
    ------
    CrosscellarError
        For any other ending.
    """
    form = path.suffix.lower().lstrip(".") or "svg"
    if form not in _UNDATED:
        raise CrosscellarError(
            f"figures are not written as .{form}", where=path, next_step="End the name in .svg, .png or .pdf."
        )
    content = draw(build, form=form)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def svg_text(content: bytes, name: str) -> str:
    """The drawing alone, to stand inside a page: what it refers to begins with `name`, other ids are gone."""
    text = content.decode("utf-8")
    text = text[text.index("<svg") :]
    used = set(re.findall(r'(?:href="|url\()#([^")]+)', text))
    text = re.sub(
        r'\s+id="([^"]*)"', lambda found: f' id="{name}-{found[1]}"' if found[1] in used else "", text
    )
    return re.sub(r'(href="|url\()#', rf"\g<1>#{name}-", text)


def shortened(text: str, inches: float) -> str:
    """The text, or as much of its beginning and its end as is that wide with an ellipsis between.

    Names of a region's sites often begin alike: their ends tell them apart.
    """
    if width_of(text) <= inches:
        return text
    for kept in range(len(text) - 1, 0, -1):
        told = f"{text[: kept - kept // 2].rstrip()}…{text[len(text) - kept // 2 :].lstrip()}"
        if width_of(told) <= inches:
            return told
    return "…"


def width_of(text: str) -> float:
    """How wide a text is, in inches."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="DejaVu Sans", size=TEXT)
    width, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width) / 72.0


def bare(axes: Axes, *sides: str) -> None:
    """Takes the frame's lines on these sides away."""
    for side in sides:
        axes.spines[side].set_visible(False)
