"""Effects by level of treatment: what a little and a lot did, trial by trial."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from crosscellar.report.content import ForestRow
from crosscellar.report.crowded import MOST_DRAWN
from crosscellar.report.drawing import INK, MUST, SLATE, STRAW, shortened
from crosscellar.report.numbers import Reading, number

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Shapes and shades by turns: no two of twelve trials share both, and shapes alone tell six apart.
_SHAPES: Final = ("o", "s", "^", "D", "v", "P")
_SHADES: Final = (MUST, INK, STRAW, SLATE)
#: More trials than this are drawn alike, without a key.
_MOST_IN_KEY: Final = 12
#: How far apart trials of one level stand, and all of them together, as shares of the range of levels.
_ASIDE, _ALL_ASIDE = 0.012, 0.132

Leveled = tuple[float, ForestRow]


def leveled_rows(rows: Sequence[ForestRow]) -> tuple[Leveled, ...]:
    """The rows whose arm has a level, with it, by trial and level; none unless a trial has two levels."""
    found = [(row.level, row) for row in rows if row.level is not None]
    trials = [row.trial for _, row in found]
    if len(trials) == len(set(trials)):
        return ()
    return tuple(sorted(found, key=lambda pair: (pair[1].site, pair[1].season, pair[1].trial, pair[0])))


def levels_figure(rows: Sequence[Leveled], reading: Reading, *, unit: str = "") -> Figure:
    """Effect against level, in `unit` if all levels share one; the arms of a trial are joined.

    More effects than can be read one by one stand without their intervals.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    trials = list(dict.fromkeys(row.trial for _, row in rows))
    keyed = len(trials) <= _MOST_IN_KEY
    key = 0.19 * math.ceil(len(trials) / 2) + 0.1 if keyed else 0.0
    height = 3.0 + key
    figure = Figure(figsize=(4.8, height))
    axes = figure.add_axes((0.15, (0.5 + key) / height, 0.82, 2.4 / height))
    axes.axhline(0.0, color=INK, linewidth=0.9)
    spread = max(level for level, _ in rows) - min(level for level, _ in rows) or 1.0
    step = spread * min(_ASIDE, _ALL_ASIDE / max(len(trials) - 1, 1))
    of_trial: dict[str, list[Leveled]] = {trial: [] for trial in trials}
    for level, row in rows:
        of_trial[row.trial].append((level, row))
    for place, own in enumerate(of_trial.values()):
        # Trials of the same level stand side by side.
        aside = step * (place - (len(trials) - 1) / 2)
        across = [level + aside for level, _ in own]
        shade = _SHADES[place % len(_SHADES)] if keyed else SLATE
        for x, (_, row) in zip(across, own, strict=True):
            if len(rows) <= MOST_DRAWN and math.isfinite(row.low) and math.isfinite(row.high):
                axes.plot([x, x], [row.low, row.high], color=shade, linewidth=1.0 if keyed else 0.5)
        axes.plot(
            across,
            [row.estimate for _, row in own],
            color=shade,
            linewidth=0.9 if keyed else 0.4,
            marker=_SHAPES[place % len(_SHAPES)] if keyed else "o",
            markersize=5.5 if keyed else 2.5,
            label=f"{shortened(own[0][1].site, 1.45)} {own[0][1].season}".replace("$", r"\$"),
        )
    for side in ("right", "top"):
        axes.spines[side].set_visible(False)
    low, high = axes.get_ylim()
    first, last = reading.shown(low), reading.shown(high)
    values = [value for value in MaxNLocator(5).tick_values(first, last) if first <= value <= last]
    axes.set_yticks([reading.place(value) for value in values])
    axes.set_yticklabels([number(value, 0 if float(value).is_integer() else 2) for value in values])
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_xlabel(f"level, {unit}".replace("$", r"\$") if unit else "level, each in its own unit")
    axes.set_ylabel(reading.heading)
    if keyed:
        figure.legend(loc="lower left", bbox_to_anchor=(0.02, 0.0), ncols=2, frameon=False, fontsize=8.0)
    return figure
