"""Triangle tests as a figure, and in a sentence for the network."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.report.content import Tasting
from crosscellar.report.drawing import INK, MUST, SLATE, TEXT, shortened, width_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: An interval that comes this near to both ends leaves every share open.
_NOTHING: Final = 0.005
#: How high sessions without names are together, in inches.
_UNNAMED_HIGH: Final = 4.0
#: The width of the figure, the room for its labels, and what lies between them and the axis, in inches.
_WIDTH, _LEFT, _GAP = 4.8, 2.33, 0.13


def tasting_figure(tastings: Sequence[Tasting], *, named: bool = True) -> Figure:
    """Share of correct picks a session with exact limits, against one in three.

    Sessions that are not `named` stand by their share, the highest on top.
    """
    from matplotlib.figure import Figure

    from crosscellar.effects import triangle_result

    if not named:
        tastings = sorted(tastings, key=lambda tasting: tasting.correct / tasting.tasters, reverse=True)
    line = 0.3 if named else min(0.3, _UNNAMED_HIGH / len(tastings))
    height = 0.75 + line * len(tastings)
    figure = Figure(figsize=(_WIDTH, height))
    axes = figure.add_axes((_LEFT / _WIDTH, 0.5 / height, 0.485, (height - 0.6) / height))
    axes.axvline(100.0 / 3.0, color=INK, linewidth=0.9, linestyle=(0, (4, 3)))
    for place, tasting in enumerate(tastings):
        y = len(tastings) - place
        result = triangle_result(tasting.correct, tasting.tasters)
        axes.plot([100 * result.low, 100 * result.high], [y, y], color=SLATE, linewidth=min(1.3, 36.0 * line))
        axes.plot(
            [100 * result.proportion_correct],
            [y],
            marker="o",
            markersize=6 if named else 2.5,
            color=MUST,
            linestyle="none",
            clip_on=False,
        )
    labels = [_label(tasting).replace("$", r"\$") for tasting in tastings] if named else []
    axes.set_yticks(range(len(labels), 0, -1), labels)
    if not named:
        axes.set_ylabel(f"{len(tastings)} sessions")
    axes.tick_params(axis="y", length=0, labelsize=TEXT)
    axes.set_ylim(0.4, len(tastings) + 0.6)
    axes.set_xlim(0, 100)
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    axes.set_xlabel("picked the odd glass, % of tasters")
    return figure


def _label(tasting: Tasting) -> str:
    """Site, season and counts of a session; of a long name as much as there is room for."""
    counts = f" {tasting.season}: {tasting.correct} of {tasting.tasters}"
    return f"{shortened(tasting.site, _LEFT - _GAP - width_of(counts))}{counts}"


def pooled_tasting_words(effects: pl.DataFrame) -> str:
    """What the sessions of several sites say together, on their exact counts; "" for one site."""
    from crosscellar.pooling.triangles import pool_triangles

    sessions = effects.filter(pl.col("correct").is_not_null()).sort("site", "trial", "arm")
    if sessions["site"].n_unique() < 2:
        return ""
    pooled = pool_triangles(
        sessions["correct"].to_numpy(), sessions["tasters"].to_numpy(), site=sessions["site"].to_list()
    )
    if pooled.low < _NOTHING and pooled.high > 1.0 - _NOTHING:
        return f"Over {pooled.n_sites} sites it cannot be said yet how many tasters can tell them apart."
    return (
        f"Over {pooled.n_sites} sites about {100 * pooled.discriminators:.0f} % of tasters can tell them "
        f"apart (95 % interval {100 * pooled.low:.0f} to {100 * pooled.high:.0f} %)."
    )
