"""Figures of one answer: the forest plot, and the answer as seasons add up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

from crosscellar.effects.measures import FURTHEST
from crosscellar.report.canvas import LABEL_ROOM, canvas, column, draw_totals, limits_of, reading_axis, totals
from crosscellar.report.content import Accumulated, ForestRow
from crosscellar.report.crowded import MOST_DRAWN, crowd_figure
from crosscellar.report.drawing import (
    INK,
    MUST,
    PAPER,
    SLATE,
    shortened,
    width_of,
    write_figure,
)
from crosscellar.report.numbers import Reading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from crosscellar.pooling import Pooled

_Row = TypeVar("_Row")

#: The longest arm in a label; the table has it whole.
_LONGEST_ARM: Final = 22
#: More rows than this are drawn in parts, each with the mean.
MOST_ROWS: Final = 25
#: All seasons of an answer are no higher than this, and the name of one takes so much, in inches.
_SEASONS_HIGH, _NAME_HIGH = 7.5, 0.14
#: A part has no more rows than this: it fits under the words of a page of paper, and two fit on the next.
PART_ROWS: Final = 17


def forest_figure(
    rows: Sequence[ForestRow],
    reading: Reading,
    *,
    pooled: tuple[float, float, float] | None,
    prediction: tuple[float, float] | None,
    smallest: Sequence[float] = (),
    everything: Sequence[ForestRow] = (),
) -> Figure:
    """The forest plot: a row an effect, then the mean with its interval, then where a new site may lie.

    Squares grow with weight; a hollow square has a borrowed variance; an interval that goes on beyond the
    edge ends in an arrow. Numbers are on the scale of the estimates; the axis shows them as `reading` does.
    `rows` may be a part of `everything`, whose axis and weights all parts share.
    """
    everything = everything or rows
    count = len(rows) + totals(pooled, prediction)
    figure, axes = canvas(
        count,
        everything,
        reading,
        pooled=pooled,
        prediction=prediction,
        smallest=smallest,
        first="site, season",
    )
    top = count + 0.5
    # An arm that all share is not said again in every row.
    several = len({row.arm for row in everything}) > 1
    if any(row.weight_words for row in rows):
        column(axes, 1.89, top, "weight", weight="bold", align="right")
    largest = max((row.weight for row in everything if math.isfinite(row.weight)), default=1.0) or 1.0
    for place, row in enumerate(rows):
        y = top - 1 - place
        _line(axes, row.low, row.high, y)
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
        column(axes, -0.98, y, _label(row, arm=several))
        column(axes, 1.04, y, f"{row.effect} ({row.interval})")
        column(axes, 1.89, y, row.weight_words, align="right")
    draw_totals(axes, top - 1 - len(rows), reading, pooled=pooled, prediction=prediction)
    return figure


def parts_of(rows: Sequence[_Row]) -> list[Sequence[_Row]]:
    """The rows in one part, or in as few of about the same length as go on paper well."""
    count = math.ceil(len(rows) / (MOST_ROWS if len(rows) <= MOST_ROWS else PART_ROWS))
    size = math.ceil(len(rows) / count) if count else 0
    return [rows[start : start + size] for start in range(0, len(rows), size or 1)]


def accumulated_figure(points: Sequence[Accumulated], reading: Reading) -> Figure:
    """The mean and its interval as it stood after each season, with arrows as in the forest plot."""
    from matplotlib.figure import Figure

    line = min(0.3, _SEASONS_HIGH / len(points))
    height = 0.75 + line * len(points)
    figure = Figure(figsize=(4.8, height))
    axes = figure.add_axes((0.285, 0.5 / height, 0.69, (height - 0.6) / height))
    axes.axvline(0.0, color=INK, linewidth=0.9)
    last = points[-1]
    ends = [end for point in points for end in (point.low, point.high)]
    centres = [0.0, last.low, last.high, *(point.estimate for point in points)]
    axes.set_xlim(*limits_of(centres, ends, [point.high - point.low for point in points]))
    for place, point in enumerate(points):
        y = len(points) - place
        _line(axes, point.low, point.high, y)
        axes.plot(
            [point.estimate], [y], marker="D", markersize=min(6.0, 40.0 * line), color=MUST, linestyle="none"
        )
    # Of many seasons every second, third ... is named, the last one always.
    named = math.ceil(_NAME_HIGH / line)
    sites = ["1 site" if point.sites == 1 else f"{point.sites} sites" for point in points]
    labels = [f"to {point.season} ({words})" for point, words in zip(points, sites, strict=True)]
    axes.set_yticks(range(1, len(points) + 1, named), labels[::-1][::named])
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(0.4, len(points) + 0.6)
    reading_axis(axes, reading)
    return figure


def forest_rows(pooled: Pooled, reading: Reading) -> tuple[ForestRow, ...]:
    """The pooled effects as rows, by site and season, each with its own 95 % interval.

    That of a triangle session is the exact one of its counts.
    """
    from scipy.special import stdtrit

    most = FURTHEST.get(pooled.measure, math.inf)
    rows = []
    for row in pooled.effects.sort("site", "season", "trial", "arm").iter_rows(named=True):
        df = row.get("df")
        spread = float(stdtrit(df if df and math.isfinite(df) else 1e9, 0.5 + pooled.level / 2))
        error = math.sqrt(row["variance"]) if row["variance"] else math.nan
        estimate = row["estimate"]
        low, high = estimate - spread * error, estimate + spread * error
        if reading.is_share and row.get("low") is not None:
            # The exact limits of the counts: a share of tasters lies between none and all.
            low, high = row["low"], row["high"]
            # Fewer right picks than guessing gives stand where nobody can tell, as in words.
            estimate = max(estimate, 0.0)
        low, high = max(low, -most), min(high, most)
        weight = row["weight"]
        rows.append(
            ForestRow(
                site=str(row["site"] or ""),
                season=str(row["season"] or ""),
                trial=str(row["trial"] or ""),
                arm=arm_words(row["arm"]),
                estimate=estimate,
                low=low,
                high=high,
                weight=weight,
                effect=reading.words(estimate, unit=False),
                interval=reading.interval(low, high),
                weight_words="" if pooled.n_sites < 2 else share_words(weight),
                variance=str(row.get("variance_source") or ""),
                borrowed=row.get("variance_source") == "borrowed",
                level=row.get("level"),
            )
        )
    return tuple(rows)


def share_words(share: float) -> str:
    """A weight in %, with a decimal where it is less than one; "" where it is not known."""
    if math.isnan(share):
        return ""
    percent = 100.0 * share
    if 0.0 < percent < 0.05:
        return "< 0.1 %"
    return f"{percent:.1f} %" if percent < 0.95 else f"{percent:.0f} %"


def arm_words(arm: str | None) -> str:
    """An arm's identifier as it is read."""
    return (arm or "").replace("_", " ")


def reading_of(pooled: Pooled) -> Reading:
    """How this answer's numbers are read on a page."""
    scale = pooled.scale
    return Reading(scale.measure, scale.unit, scale.decimals)


def smallest_lines(pooled: Pooled) -> tuple[float, ...]:
    """Where the smallest difference that matters stands on the axis: in the wanted direction, or both.

    A verdict of no difference rests on both. No share of tasters lies below 0.
    """
    d = pooled.smallest_difference
    if d is None:
        return ()
    if pooled.scale.is_share:
        return (d,)
    if pooled.wanted == "increase" and pooled.verdict != "no difference that matters":
        return (d,)
    one_way = pooled.wanted == "decrease" and pooled.verdict != "no difference that matters"
    return (-d,) if one_way else (-d, d)


def draw_forest(pooled: Pooled, path: Path) -> Path:
    """The path of the forest plot of one answer, written as SVG, PNG or PDF by the name's ending."""
    return write_figure(partial(pooled_figure, pooled), path)


def pooled_figure(pooled: Pooled) -> Figure:
    """The forest plot of one answer; of more effects than can be read one by one, all of them by size."""
    reading = reading_of(pooled)
    known = pooled.n_sites > 1 and math.isfinite(pooled.low)
    foreseen = known and math.isfinite(pooled.prediction_low)
    rows = forest_rows(pooled, reading)
    build = forest_figure if len(rows) <= MOST_DRAWN else crowd_figure
    return build(
        rows,
        reading,
        pooled=(pooled.estimate, pooled.low, pooled.high) if known else None,
        prediction=(pooled.prediction_low, pooled.prediction_high) if foreseen else None,
        smallest=smallest_lines(pooled),
    )


def _line(axes: Axes, low: float, high: float, y: float) -> None:
    """An interval, with an arrow where it goes on beyond the edge of the plot."""
    if math.isnan(low) or math.isnan(high):
        return
    left, right = axes.get_xlim()
    shown = (max(low, left), min(high, right))
    axes.plot(shown, [y, y], color=SLATE, linewidth=1.3, solid_capstyle="butt")
    inside = 0.012 * (right - left)
    for cut, x, marker in ((low < left, left + inside, "<"), (high > right, right - inside, ">")):
        if cut:
            axes.plot([x], [y], marker=marker, markersize=4.5, color=SLATE, linestyle="none")


def _label(row: ForestRow, *, arm: bool) -> str:
    """Site, season and arm in the room there is: a long site name ends in an ellipsis."""
    name = row.arm if len(row.arm) <= _LONGEST_ARM else f"{row.arm[: _LONGEST_ARM - 1]}…"
    rest = f" {row.season} · {name}" if arm and name else f" {row.season}"
    return shortened(row.site, LABEL_ROOM - width_of(rest)) + rest
