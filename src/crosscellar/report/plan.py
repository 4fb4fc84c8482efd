"""What a plan buys, drawn: the interval expected and the chance of a verdict, by new sites and vessels."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.report.forest import INK, MUST, PAPER, SLATE, STRAW, write_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Shade, dash and shape of the line of each number of vessels an arm; told apart without colour.
_LINES: Final = (
    (SLATE, (0, (1, 1.5)), "o"),
    (STRAW, (0, (5, 2)), "s"),
    (MUST, "solid", "^"),
    (INK, (0, (5, 1.5, 1, 1.5)), "D"),
)


def plan_figure(plan: pl.DataFrame, *, log_scale: bool, unit: str, chance: float) -> Figure:
    """Expected half-width and chance of a verdict against new sites, a line a number of vessels an arm.

    Parameters
    ----------
    plan
        The frame `PLAN`.
    log_scale
        The half-widths are of log ratios, and shown as a change in % upwards.
    unit
        Of the half-widths, where they are not.
    chance
        The chance of a verdict that is asked for; dashed.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.8, 3.5))
    width = figure.add_axes((0.08, 0.15, 0.38, 0.66))
    verdict = figure.add_axes((0.58, 0.15, 0.38, 0.66))
    for place, n in enumerate(plan["vessels"].unique().sort()):
        own = plan.filter(pl.col("vessels") == n).sort("more_sites")
        halves = [half if math.isfinite(half) else math.nan for half in own["half_width"]]
        if log_scale:
            halves = [100.0 * math.expm1(half) if half < 300.0 else math.nan for half in halves]
        label = "1 vessel an arm" if n == 1 else f"{n} vessels an arm"
        _line(width, own["more_sites"], halves, place, label)
        _line(verdict, own["more_sites"], [100.0 * share for share in own["chance_decided"]], place, label)
    verdict.axhline(100.0 * chance, color=SLATE, linewidth=0.8, linestyle=(0, (4, 3)))
    verdict.set_ylim(0.0, 104.0)
    width.set_ylim(bottom=0.0)
    measured = "% upwards" if log_scale else unit
    _named(width, f"half-width of the interval expected{f', {measured}' if measured else ''}")
    _named(verdict, "chance of a verdict, %")
    handles, labels = width.get_legend_handles_labels()
    figure.legend(handles, labels, loc="upper center", ncols=4, frameon=False, fontsize=8.2)
    return figure


def draw_plan(plan: pl.DataFrame, path: Path, *, log_scale: bool, unit: str, chance: float) -> Path:
    """The path of the figure of a plan, written as SVG, PNG or PDF by the name's ending."""
    return write_figure(lambda: plan_figure(plan, log_scale=log_scale, unit=unit, chance=chance), path)


def _line(axes: Axes, sites: pl.Series, values: list[float], place: int, label: str) -> None:
    shade, dash, shape = _LINES[place % len(_LINES)]
    axes.plot(
        sites.to_list(),
        values,
        color=shade,
        linestyle=dash,
        linewidth=1.3,
        marker=shape,
        markersize=5.0,
        markerfacecolor=shade if place < len(_LINES) else PAPER,
        label=label,
    )


def _named(axes: Axes, title: str) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.set_title(title.replace("$", r"\$"), fontsize=8.6, fontweight="bold", loc="left")
    axes.set_xlabel("new sites")
    axes.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    for side in ("right", "top"):
        axes.spines[side].set_visible(False)
