"""Ferment curves of a season's trials: how the sugar fell in each vessel, arm beside arm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.report.drawing import INK, MUST, PAPER, SLATE, STRAW, Sketch, shortened
from crosscellar.report.forest import arm_words
from crosscellar.report.numbers import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: More trials than this are not drawn on one page.
MOST_TRIALS: Final = 6
_COLUMNS: Final = 3
_WIDE: Final = {1: 4.8, 2: 4.4, 3: 2.95}
_HIGH: Final = 2.35
#: Shade, dash, shape and filling of an arm's curves: the control first, told apart without colour.
_CURVES: Final = (
    (SLATE, (0, (4, 2)), "s", PAPER),
    (MUST, "solid", "o", MUST),
    (STRAW, (0, (5, 1.5, 1, 1.5)), "^", STRAW),
    (INK, (0, (1, 1.5)), "D", INK),
)


@dataclass(frozen=True, slots=True)
class ArmCurves:
    """The curves of one arm: for each vessel its days since the first reading, and degrees Brix."""

    arm: str
    vessels: tuple[tuple[tuple[float, ...], tuple[float, ...]], ...]

    @property
    def words(self) -> str:
        """From where to where, in how many days."""
        first = sum(brix[0] for _, brix in self.vessels) / len(self.vessels)
        last = sum(brix[-1] for _, brix in self.vessels) / len(self.vessels)
        days = max(day[-1] for day, _ in self.vessels)
        vessels = "" if len(self.vessels) == 1 else f" (mean of {len(self.vessels)} vessels)"
        return f"{self.arm} from {number(first, 1)} to {number(last, 1)} °Bx in {days:.0f} days{vessels}"


@dataclass(frozen=True, slots=True)
class FermentLog:
    """The ferment curves of one trial, the control arm first."""

    site: str
    season: str
    trial: str
    arms: tuple[ArmCurves, ...]


def ferment_logs(readings: pl.DataFrame, design: pl.DataFrame) -> tuple[FermentLog, ...]:
    """The trials of `design` that kept ferment logs, by site and trial.

    Parameters
    ----------
    readings
        READINGS-like; those of other trials are passed over.
    design
        DESIGN of the trials wanted.
    """
    from crosscellar.effects import ferment_curves

    arms = design.select("trial_id", "site_id", "season", "arm_id", "role").unique()
    curves = (
        ferment_curves(readings.join(arms.select("trial_id").unique(), on="trial_id", how="semi"))
        .group_by("trial_id", "arm_id", "vessel_id", maintain_order=True)
        .agg("day", "brix")
        .join(arms, on=["trial_id", "arm_id"], how="inner")
        .sort("site_id", "trial_id", pl.col("role") != "control", "arm_id", "vessel_id")
    )
    found = []
    for (site, trial, season), own in curves.group_by("site_id", "trial_id", "season", maintain_order=True):
        by_arm = [
            ArmCurves(
                arm_words(str(arm)),
                tuple((tuple(days), tuple(brix)) for days, brix in rows.select("day", "brix").iter_rows()),
            )
            for (arm,), rows in own.group_by("arm_id", maintain_order=True)
        ]
        found.append(FermentLog(str(site), str(season), str(trial), tuple(by_arm)))
    return tuple(found)


def ferments_figure(logs: Sequence[FermentLog], *, dry: float) -> Figure:
    """A panel a trial, a curve a vessel; panels share axes. `dry` is where dryness is drawn, in °Bx."""
    from matplotlib.figure import Figure

    columns = min(_COLUMNS, len(logs))
    lines = math.ceil(len(logs) / columns)
    room = _WIDE[columns]
    wide, high = room * columns, _HIGH * lines + 0.15
    figure = Figure(figsize=(wide, high))
    vessels = [vessel for log in logs for arm in log.arms for vessel in arm.vessels]
    longest = max(max(days) for days, _ in vessels) or 1.0
    lowest = min([dry, *(min(brix) for _, brix in vessels)])
    highest = max([dry, *(max(brix) for _, brix in vessels)])
    margin = 0.06 * (highest - lowest or 1.0)
    for place, log in enumerate(logs):
        column, line = place % columns, place // columns
        axes = figure.add_axes(
            (
                (column * room + 0.52) / wide,
                1.0 - (line * _HIGH + _HIGH - 0.32) / high,
                (room - 0.72) / wide,
                (_HIGH - 0.65) / high,
            )
        )
        axes.set_xlim(-0.03 * longest, 1.03 * longest)
        axes.set_ylim(lowest - margin, highest + margin)
        axes.axhline(dry, color=INK, linewidth=0.7, linestyle=(0, (1, 2)))
        _curves(axes, log)
        title = f"{shortened(log.site, room - 1.2)} {log.season}"
        axes.set_title(title.replace("$", r"\$"), fontsize=8.2, fontweight="bold", loc="left")
        if column == 0:
            axes.set_ylabel("°Bx", fontsize=8.0)
        if place + columns >= len(logs):
            axes.set_xlabel("days from the first reading", fontsize=8.0)
    return figure


def _curves(axes: Axes, log: FermentLog) -> None:
    for place, arm in enumerate(log.arms):
        shade, dash, shape, filling = _CURVES[place % len(_CURVES)]
        for count, (days, brix) in enumerate(arm.vessels):
            axes.plot(
                days,
                brix,
                color=shade,
                linestyle=dash,
                linewidth=1.0,
                marker=shape,
                markersize=3.0,
                markerfacecolor=filling,
                markeredgecolor=shade,
                label=None if count else shortened(arm.arm, 1.1).replace("$", r"\$"),
            )
    axes.tick_params(labelsize=8.0)
    for side in ("right", "top"):
        axes.spines[side].set_visible(False)
    if log.arms:
        axes.legend(loc="upper right", frameon=False, fontsize=7.2, handlelength=2.6)


def ferments_sketch(logs: Sequence[FermentLog], name: str) -> Sketch:
    """The figure for a page, of the first six trials at most, with the words that stand in for it."""
    from crosscellar.effects.ferments import FERMENT_RULES

    shown = logs[:MOST_TRIALS]
    dry = FERMENT_RULES.dry_brix
    words = "; ".join(
        f"{log.site} {log.season}: " + ", ".join(arm.words for arm in log.arms) for log in shown
    )
    caption = (
        "Ferments of the season, a curve a vessel; the control is dashed with hollow squares. Dotted: dry, "
        f"{number(dry, 0)} °Bx."
    )
    if len(shown) < len(logs):
        caption += f" The first {len(shown)} of {len(logs)} trials with a log."
    return Sketch(
        partial(ferments_figure, shown, dry=dry),
        name,
        f"Ferment curves. {words}.",
        caption,
        wide=len(shown) > 1,
    )
