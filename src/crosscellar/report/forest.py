"""Figures of one answer: the forest plot, and the answer as seasons add up."""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from crosscellar.errors import CrosscellarError
from crosscellar.report.content import Accumulated, ForestRow
from crosscellar.report.numbers import Reading, number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from crosscellar.pooling import Pooled

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

#: Size of the text beside the plot, in points, and room for the label of a row, in inches.
_TEXT: Final = 8.2
_LABEL_ROOM: Final = 2.85
#: The longest arm in a label; the table has it whole.
_LONGEST_ARM: Final = 22


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


def forest_figure(
    rows: Sequence[ForestRow],
    reading: Reading,
    *,
    pooled: tuple[float, float, float] | None,
    prediction: tuple[float, float] | None,
    smallest: Sequence[float] = (),
) -> Figure:
    """The forest plot: a row an effect, then the mean with its interval, then where a new site may lie.

    Squares grow with weight; a hollow square has a borrowed variance. Numbers are on the scale of the
    estimates; the axis shows them as `reading` does.
    """
    from matplotlib.figure import Figure
    from matplotlib.patches import Polygon, Rectangle

    count = len(rows) + (2 if pooled else 0) + (1 if prediction and pooled else 0)
    height = 0.7 + 0.255 * (count + 1)
    figure = Figure(figsize=(8.8, height))
    axes = figure.add_axes((0.34, 0.55 / height, 0.34, (height - 0.6) / height))
    top = count + 0.5
    axes.set_ylim(-0.1, top + 0.6)
    low, high = _limits(rows, pooled, prediction, smallest)
    axes.set_xlim(low, high)
    axes.axvline(0.0, color=INK, linewidth=0.9)
    for edge in smallest:
        if low < edge < high:
            axes.axvline(edge, color=SLATE, linewidth=0.8, linestyle=(0, (4, 3)))
    _column(axes, -0.98, top, "site, season", weight="bold")
    _column(axes, 1.04, top, reading.heading, weight="bold")
    largest = max((row.weight for row in rows if math.isfinite(row.weight)), default=1.0) or 1.0
    for place, row in enumerate(rows):
        y = top - 1 - place
        _line(axes, max(row.low, low), min(row.high, high), y, color=SLATE)
        share = row.weight / largest if math.isfinite(row.weight) else 0.5
        axes.plot(
            [row.estimate],
            [y],
            marker="s",
            markersize=3.0 + 4.5 * math.sqrt(max(share, 0.0)),
            markerfacecolor=PAPER if row.borrowed else MUST,
            markeredgecolor=MUST,
            markeredgewidth=1.1,
            linestyle="none",
        )
        _column(axes, -0.98, y, _label(row))
        _column(axes, 1.04, y, f"{row.effect} ({row.interval})")
        _column(axes, 1.89, y, row.weight_words, align="right")
    if pooled:
        mean, mean_low, mean_high = pooled
        y = top - 2 - len(rows)
        axes.axhline(y + 1, color=SLATE, linewidth=0.6)
        corners = [(mean_low, y), (mean, y + 0.32), (mean_high, y), (mean, y - 0.32)]
        axes.add_patch(Polygon(corners, closed=True, facecolor=MUST, edgecolor=INK, linewidth=0.8))
        _column(axes, -0.98, y, "mean of the network", weight="bold")
        _column(
            axes,
            1.04,
            y,
            f"{reading.words(mean, unit=False)} ({reading.interval(mean_low, mean_high)})",
            weight="bold",
        )
        if prediction:
            y -= 1
            width = prediction[1] - prediction[0]
            axes.add_patch(
                Rectangle(
                    (prediction[0], y - 0.16), width, 0.32, facecolor=STRAW, edgecolor=INK, linewidth=0.6
                )
            )
            _column(axes, -0.98, y, "expected at a new site")
            _column(axes, 1.04, y, f"({reading.interval(*prediction)})")
    axes.set_yticks([])
    _axis(axes, reading)
    return figure


def accumulated_figure(points: Sequence[Accumulated], reading: Reading) -> Figure:
    """The mean and its interval as it stood after each season."""
    from matplotlib.figure import Figure

    height = 1.1 + 0.32 * len(points)
    figure = Figure(figsize=(6.4, height))
    axes = figure.add_axes((0.2, 0.62 / height, 0.76, (height - 0.72) / height))
    axes.axvline(0.0, color=INK, linewidth=0.9)
    for place, point in enumerate(points):
        y = len(points) - place
        if math.isfinite(point.low) and math.isfinite(point.high):
            _line(axes, point.low, point.high, y, color=SLATE)
        axes.plot([point.estimate], [y], marker="D", markersize=6, color=MUST, linestyle="none")
    axes.set_yticks(range(len(points), 0, -1))
    sites = ["1 site" if point.sites == 1 else f"{point.sites} sites" for point in points]
    labels = [f"to {point.season} ({words})" for point, words in zip(points, sites, strict=True)]
    axes.set_yticklabels(labels)
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(0.4, len(points) + 0.6)
    _axis(axes, reading)
    return figure


def forest_rows(pooled: Pooled, reading: Reading) -> tuple[ForestRow, ...]:
    """The pooled effects as rows, by site and season, each with its own 95 % interval."""
    from scipy.special import stdtrit

    rows = []
    for row in pooled.effects.sort("site", "season", "trial", "arm").iter_rows(named=True):
        df = row.get("df")
        spread = float(stdtrit(df if df and math.isfinite(df) else 1e9, 0.5 + pooled.level / 2))
        error = math.sqrt(row["variance"]) if row["variance"] else math.nan
        low, high = row["estimate"] - spread * error, row["estimate"] + spread * error
        weight = row["weight"]
        rows.append(
            ForestRow(
                site=str(row["site"] or ""),
                season=str(row["season"] or ""),
                trial=str(row["trial"] or ""),
                arm=arm_words(row["arm"]),
                estimate=row["estimate"],
                low=low,
                high=high,
                weight=weight,
                effect=reading.words(row["estimate"], unit=False),
                interval=reading.interval(low, high),
                weight_words="" if math.isnan(weight) or pooled.n_sites < 2 else f"{100 * weight:.0f} %",
                variance=str(row.get("variance_source") or ""),
                borrowed=row.get("variance_source") == "borrowed",
                level=row.get("level"),
            )
        )
    return tuple(rows)


def arm_words(arm: str | None) -> str:
    """An arm's identifier as it is read."""
    return (arm or "").replace("_", " ")


def reading_of(pooled: Pooled) -> Reading:
    """How this answer's numbers are read on a page."""
    scale = pooled.scale
    return Reading(scale.measure, scale.unit, scale.decimals)


def smallest_lines(pooled: Pooled) -> tuple[float, ...]:
    """Where the smallest difference that matters stands on the axis: in the wanted direction, or both.

    A verdict of no difference rests on both.
    """
    d = pooled.smallest_difference
    if d is None:
        return ()
    if pooled.wanted == "increase" and pooled.verdict != "no difference that matters":
        return (d,)
    one_way = pooled.wanted == "decrease" and pooled.verdict != "no difference that matters"
    return (-d,) if one_way else (-d, d)


def draw_forest(pooled: Pooled, path: Path) -> Path:
    """The path of the forest plot of one answer, written as SVG, PNG or PDF by the name's ending."""
    return write_figure(lambda: pooled_figure(pooled), path)


def pooled_figure(pooled: Pooled) -> Figure:
    """The forest plot of one answer."""
    reading = reading_of(pooled)
    known = pooled.n_sites > 1 and math.isfinite(pooled.low)
    foreseen = known and math.isfinite(pooled.prediction_low)
    return forest_figure(
        forest_rows(pooled, reading),
        reading,
        pooled=(pooled.estimate, pooled.low, pooled.high) if known else None,
        prediction=(pooled.prediction_low, pooled.prediction_high) if foreseen else None,
        smallest=smallest_lines(pooled),
    )


def _limits(
    rows: Sequence[ForestRow],
    pooled: tuple[float, float, float] | None,
    prediction: tuple[float, float] | None,
    smallest: Sequence[float],
) -> tuple[float, float]:
    """Limits that hold every estimate; an interval that runs on far beyond is cut at the edge."""
    centres = [row.estimate for row in rows] + [0.0, *smallest]
    if pooled:
        centres += pooled
    ends = [end for row in rows for end in (row.low, row.high) if math.isfinite(end)]
    if prediction:
        ends += prediction
    inner_low, inner_high = min(centres), max(centres)
    room = max(inner_high - inner_low, 1e-9)
    low = max(min([inner_low, *ends]), inner_low - 1.2 * room)
    high = min(max([inner_high, *ends]), inner_high + 1.2 * room)
    margin = 0.05 * (high - low)
    return low - margin, high + margin


def _line(axes: Axes, low: float, high: float, y: float, *, color: str) -> None:
    axes.plot([low, high], [y, y], color=color, linewidth=1.3, solid_capstyle="butt")


def _column(
    axes: Axes, x: float, y: float, text: str, *, weight: str = "normal", align: str = "left"
) -> None:
    """Text beside the plot: `x` in widths of the plot, `y` in rows."""
    axes.text(
        x,
        y,
        text.replace("$", r"\$"),
        transform=axes.get_yaxis_transform(),
        ha=align,
        va="center",
        fontsize=_TEXT,
        fontweight=weight,
        clip_on=False,
    )


def _label(row: ForestRow) -> str:
    """Site, season and arm in the room there is: a long site name ends in an ellipsis."""
    arm = row.arm if len(row.arm) <= _LONGEST_ARM else f"{row.arm[: _LONGEST_ARM - 1]}…"
    rest = f" {row.season} · {arm}" if arm else f" {row.season}"
    return shortened(row.site, _LABEL_ROOM - _width(rest)) + rest


def shortened(text: str, inches: float) -> str:
    """The text, or as much of it as is that wide with an ellipsis."""
    if _width(text) <= inches:
        return text
    while text and _width(f"{text}…") > inches:
        text = text[:-1]
    return f"{text.rstrip()}…"


def _width(text: str) -> float:
    """How wide a text is, in inches."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="DejaVu Sans", size=_TEXT)
    width, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width) / 72.0


def _axis(axes: Axes, reading: Reading) -> None:
    from matplotlib.ticker import MaxNLocator

    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    low, high = axes.get_xlim()
    first, last = reading.shown(low), reading.shown(high)
    values = [value for value in MaxNLocator(5).tick_values(first, last) if first <= value <= last]
    decimals = 0
    while decimals < 4 and any(abs(round(value, decimals) - value) > 1e-9 for value in values):
        decimals += 1
    axes.set_xticks([reading.place(value) for value in values])
    axes.set_xticklabels([number(value, decimals) for value in values])
    axes.set_xlabel(reading.heading)
