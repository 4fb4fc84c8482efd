"""What figures of effects share: a plot between two columns of text, its axis, the mean and the new site."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from crosscellar.report.content import ForestRow
from crosscellar.report.drawing import INK, MUST, SLATE, STRAW, TEXT, bare
from crosscellar.report.numbers import Reading, number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Room for the label of a row, in inches.
LABEL_ROOM: Final = 2.85
#: The height of a line of text, in inches.
LINE: Final = 0.255
#: Changes in % at which a wide log axis is marked, the first first.
_CHANGES: Final = (0, -50, 100, -75, 300, -90, 900, -25, 50, -97.5, 3900, -99, 9900)
#: Marks stand at least this share of the axis apart, and wider log axes than this are marked by `_CHANGES`.
_APART: Final = 0.105
_WIDE_LOG: Final = 1.0


def canvas(
    count: float,
    rows: Sequence[ForestRow],
    reading: Reading,
    *,
    pooled: tuple[float, float, float] | None,
    prediction: tuple[float, float] | None,
    smallest: Sequence[float],
    first: str,
) -> tuple[Figure, Axes]:
    """A figure for so many lines of text, its axis wide enough for all `rows`, its columns with headings.

    Lines stand at 0.5 to `count` - 0.5, the headings above them; `first` heads the labels.
    """
    from matplotlib.figure import Figure

    height = 0.7 + LINE * (count + 1)
    figure = Figure(figsize=(8.8, height))
    axes = figure.add_axes((0.34, 0.55 / height, 0.34, (height - 0.6) / height))
    top = count + 0.5
    axes.set_ylim(-0.1, top + 0.6)
    low, high = limits_of(
        [0.0, *smallest, *(pooled or ()), *(row.estimate for row in rows)],
        [end for row in rows for end in (row.low, row.high)] + [*(prediction or ())],
        [row.high - row.low for row in rows],
    )
    axes.set_xlim(low, high)
    axes.axvline(0.0, color=INK, linewidth=0.9)
    for edge in smallest:
        if low < edge < high:
            axes.axvline(edge, color=SLATE, linewidth=0.8, linestyle=(0, (4, 3)))
    column(axes, -0.98, top, first, weight="bold")
    column(axes, 1.04, top, reading.heading, weight="bold")
    axes.set_yticks([])
    reading_axis(axes, reading)
    return figure, axes


def totals(pooled: object, prediction: object) -> int:
    """How many lines the mean and the range for a new site take."""
    return (2 if pooled else 0) + (1 if prediction and pooled else 0)


def draw_totals(
    axes: Axes,
    y: float,
    reading: Reading,
    *,
    pooled: tuple[float, float, float] | None,
    prediction: tuple[float, float] | None,
) -> None:
    """A line at `y`, then the diamond of the mean, then the bar for a new site; nothing without a mean."""
    from matplotlib.patches import Polygon, Rectangle

    if not pooled:
        return
    mean, low, high = pooled
    axes.axhline(y, color=SLATE, linewidth=0.6)
    y -= 1
    corners = [(low, y), (mean, y + 0.32), (high, y), (mean, y - 0.32)]
    axes.add_patch(Polygon(corners, closed=True, facecolor=MUST, edgecolor=INK, linewidth=0.8, zorder=2.5))
    column(axes, -0.98, y, "mean of the network", weight="bold")
    told = f"{reading.words(mean, unit=False)} ({reading.interval(low, high)})"
    column(axes, 1.04, y, told, weight="bold")
    if prediction:
        y -= 1
        width = prediction[1] - prediction[0]
        axes.add_patch(
            Rectangle((prediction[0], y - 0.16), width, 0.32, facecolor=STRAW, edgecolor=INK, linewidth=0.6)
        )
        column(axes, -0.98, y, "expected at a new site")
        column(axes, 1.04, y, f"({reading.interval(*prediction)})")


def column(axes: Axes, x: float, y: float, text: str, *, weight: str = "normal", align: str = "left") -> None:
    """Text beside the plot: `x` in widths of the plot, `y` in rows."""
    axes.text(
        x,
        y,
        text.replace("$", r"\$"),
        transform=axes.get_yaxis_transform(),
        ha=align,
        va="center",
        fontsize=TEXT,
        fontweight=weight,
        clip_on=False,
    )


def limits_of(
    centres: Iterable[float], ends: Iterable[float], widths: Iterable[float]
) -> tuple[float, float]:
    """Limits that hold every centre and the usual interval; an end far beyond them is cut at the edge."""
    usual = sorted(value for value in widths if math.isfinite(value))
    inner = [value for value in centres if math.isfinite(value)]
    outer = [value for value in ends if math.isfinite(value)]
    inner_low, inner_high = min(inner), max(inner)
    room = max(inner_high - inner_low, usual[(len(usual) - 1) // 2] if usual else 0.0, 1e-9)
    low = max(min([inner_low, *outer]), inner_low - 1.2 * room)
    high = min(max([inner_high, *outer]), inner_high + 1.2 * room)
    margin = 0.05 * (high - low)
    return low - margin, high + margin


def reading_axis(axes: Axes, reading: Reading) -> None:
    bare(axes, "left", "right", "top")
    values = marks(reading, *axes.get_xlim())
    decimals = 0
    while decimals < 4 and any(abs(round(value, decimals) - value) > 1e-9 for value in values):
        decimals += 1
    axes.set_xticks([reading.place(value) for value in values])
    axes.set_xticklabels([number(value, decimals) for value in values])
    axes.set_xlabel(reading.heading)


def marks(reading: Reading, low: float, high: float) -> list[float]:
    """The numbers, as shown, at which an axis between two places is marked; none too close to another."""
    from matplotlib.ticker import MaxNLocator

    first, last = reading.shown(low), reading.shown(high)
    wide = reading.is_log_ratio and high - low > _WIDE_LOG
    found = _CHANGES if wide else sorted(MaxNLocator(5).tick_values(first, last), key=abs)
    kept: list[float] = []
    for value in found:
        place = reading.place(value)
        near = any(abs(place - reading.place(other)) < _APART * (high - low) for other in kept)
        if first <= value <= last and not near:
            kept.append(float(value))
    return sorted(kept)
