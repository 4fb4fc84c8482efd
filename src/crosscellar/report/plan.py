"""What a plan buys, drawn: the interval expected and the chance of a verdict, by new sites and vessels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.effects.scale import two_digits
from crosscellar.report.content import PlanRow
from crosscellar.report.drawing import INK, MUST, PAPER, SLATE, STRAW, Sketch, write_figure
from crosscellar.report.numbers import NONE

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


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan as the summary takes it: the frame `PLAN`, how its half-widths read, the chance asked for.

    Figure and table are of new sites; rows of sites that try it again are told in words.

    Beside them what it rests on, on the scale of the effects: the true mean effect supposed, and the
    variances between sites, between trials of a site and between vessels.
    """

    plan: pl.DataFrame
    log_scale: bool
    unit: str
    chance: float
    supposed: float
    between_sites: float
    between_trials: float
    vessel_variance: float

    @property
    def measured(self) -> str:
        """What a half-width is measured in."""
        return "% upwards" if self.log_scale else self.unit

    def rows(self) -> tuple[PlanRow, ...]:
        """The plan as a table shows it."""
        return tuple(
            PlanRow(
                row["more_sites"],
                row["vessels"],
                self._half(row["half_width"]),
                _share(row["chance_decided"]),
            )
            for row in of_new_sites(self.plan).sort("vessels", "more_sites").iter_rows(named=True)
        )

    def _half(self, half: float) -> str:
        shown = half_shown(half, log_scale=self.log_scale)
        if not math.isfinite(shown):
            return NONE
        return two_digits(shown)


def of_new_sites(plan: pl.DataFrame) -> pl.DataFrame:
    """The rows of a plan in which no site tries it again."""
    return plan.filter(pl.col("again") == 0)


def _share(chance: float) -> str:
    # A share of so many simulated networks: 0.445 is 44.5 %, whatever the last bit says.
    return f"{round(100.0 * chance, 9):.0f} %"


def half_shown(half: float, *, log_scale: bool) -> float:
    """A half-width as it is read; NaN where it has no end."""
    if not math.isfinite(half) or (log_scale and half >= 300.0):
        return math.nan
    return 100.0 * math.expm1(half) if log_scale else half


def plan_sketch(planned: Planned, rows: Sequence[PlanRow], name: str) -> Sketch:
    """The figure of a plan for a page, with the words that stand in for it."""
    told = "; ".join(
        f"{_counted(row.more_sites, 'new site')} with {_counted(row.vessels, 'vessel')} an arm: half-width "
        f"{row.half_width}, chance {row.chance}"
        for row in rows
    )
    scale = f" (half-widths: {planned.measured})" if planned.measured else ""
    return Sketch(
        partial(
            plan_figure, planned.plan, log_scale=planned.log_scale, unit=planned.unit, chance=planned.chance
        ),
        name,
        f"What new sites would buy{scale}. {told}.",
        "What new sites would buy: the half of the interval expected, and the chance of a verdict; dashed is "
        f"{_share(planned.chance)}.",
        wide=True,
    )


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def plan_figure(plan: pl.DataFrame, *, log_scale: bool, unit: str, chance: float) -> Figure:
    """Expected half-width and chance of a verdict against new sites, a line a number of vessels an arm.

    Parameters
    ----------
    plan
        The frame `PLAN`; sites that try it again are not drawn.
    log_scale
        The half-widths are of log ratios, and shown as a change in % upwards.
    unit
        Of the half-widths, where they are not.
    chance
        The chance of a verdict that is asked for; dashed.
    """
    from matplotlib.figure import Figure

    plan = of_new_sites(plan)
    figure = Figure(figsize=(8.8, 3.5))
    width = figure.add_axes((0.08, 0.15, 0.38, 0.66))
    verdict = figure.add_axes((0.58, 0.15, 0.38, 0.66))
    for place, n in enumerate(plan["vessels"].unique().sort()):
        own = plan.filter(pl.col("vessels") == n).sort("more_sites")
        halves = [half_shown(half, log_scale=log_scale) for half in own["half_width"]]
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
    return write_figure(partial(plan_figure, plan, log_scale=log_scale, unit=unit, chance=chance), path)


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
