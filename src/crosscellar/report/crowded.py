"""Figures of more effects than can be read one by one: all of them by size, and site by site."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from crosscellar.report.canvas import LABEL_ROOM, LINE, canvas, column, draw_totals, totals
from crosscellar.report.content import ForestRow, SiteRow
from crosscellar.report.drawing import MUST, PAPER, SLATE, shortened, width_of
from crosscellar.report.numbers import Reading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: More effects than this are drawn by size, without names; so many sites at most have a row of their own.
MOST_DRAWN: Final = 68
#: The height of all effects by size: so much for each, within these bounds, in inches.
_EACH: Final = 0.02
_LOWEST, _HIGHEST = 2.4, 4.6
#: Which of the effects by size are told in numbers, as a share of those below, and what stands beside each.
_TOLD: Final = (
    (1.0, "the highest"),
    (0.75, "a quarter of them are higher"),
    (0.5, "the middle one"),
    (0.25, "a quarter of them are lower"),
    (0.0, "the lowest"),
)


def crowd_figure(
    rows: Sequence[ForestRow],
    reading: Reading,
    *,
    pooled: tuple[float, float, float] | None,
    prediction: tuple[float, float] | None,
    smallest: Sequence[float] = (),
) -> Figure:
    """All effects with their intervals, the highest on top, five of them told; then as `forest_figure`.

    A hollow square has a borrowed variance; an interval that goes on beyond the edge ends in an arrow.
    """
    lines = min(max(_EACH * len(rows), _LOWEST), _HIGHEST) / LINE
    figure, axes = canvas(
        lines + totals(pooled, prediction),
        rows,
        reading,
        pooled=pooled,
        prediction=prediction,
        smallest=smallest,
        first=f"{len(rows)} effects by size",
    )
    bottom = axes.get_ylim()[1] - 1.1 - lines
    ordered = by_size(rows)
    y = bottom + lines * (np.arange(len(rows)) + 0.5) / len(rows)
    _intervals(axes, ordered, y)
    for borrowed in (False, True):
        own = np.array([row.borrowed is borrowed for row in ordered])
        axes.plot(
            np.array([row.estimate for row in ordered])[own],
            y[own],
            marker="s",
            markersize=2.4,
            markerfacecolor=PAPER if borrowed else MUST,
            markeredgecolor=MUST,
            markeredgewidth=0.6,
            linestyle="none",
        )
    for (share, _), (words, row) in zip(_TOLD, told_by_size(rows), strict=True):
        at = bottom + 0.5 + share * (lines - 1)
        column(axes, -0.98, at, words)
        column(axes, 1.04, at, f"{row.effect} ({row.interval})")
    draw_totals(axes, bottom, reading, pooled=pooled, prediction=prediction)
    return figure


def sites_figure(
    sites: Sequence[SiteRow],
    rows: Sequence[ForestRow],
    reading: Reading,
    *,
    pooled: tuple[float, float, float] | None,
    prediction: tuple[float, float] | None,
    smallest: Sequence[float] = (),
) -> Figure:
    """A row a site: a ring for each of its effects and a square for their mean; then as `forest_figure`.

    `sites` may be some of those of `rows`, whose axis all parts share; intervals have no place here.
    """
    count = len(sites) + totals(pooled, prediction)
    figure, axes = canvas(
        count,
        [replace(row, low=row.estimate, high=row.estimate) for row in rows],
        reading,
        pooled=pooled,
        prediction=prediction,
        smallest=smallest,
        first="site, its effects",
    )
    top = count + 0.5
    y_of = [top - 1 - place for place in range(len(sites))]
    place_of = dict(zip((site.site for site in sites), y_of, strict=True))
    own = [(row.estimate, place_of[row.site]) for row in rows if row.site in place_of]
    axes.plot(
        *zip(*own, strict=True),
        marker="o",
        markersize=3.6,
        markerfacecolor="none",
        markeredgecolor=SLATE,
        markeredgewidth=0.7,
        linestyle="none",
    )
    axes.plot(
        [site.estimate for site in sites],
        y_of,
        marker="s",
        markersize=6,
        color=MUST,
        linestyle="none",
    )
    for site, y in zip(sites, y_of, strict=True):
        rest = f" ({site.effects})"
        column(axes, -0.98, y, shortened(site.site, LABEL_ROOM - width_of(rest)) + rest)
        column(axes, 1.04, y, site.effect)
    draw_totals(axes, top - 1 - len(sites), reading, pooled=pooled, prediction=prediction)
    return figure


def by_size(rows: Sequence[ForestRow]) -> list[ForestRow]:
    """The rows from the lowest effect to the highest."""
    return sorted(rows, key=lambda row: row.estimate)


def told_by_size(rows: Sequence[ForestRow]) -> list[tuple[str, ForestRow]]:
    """The effects that `crowd_figure` tells in numbers, and what each is among them, the highest first."""
    ordered = by_size(rows)
    return [(words, ordered[round(share * (len(rows) - 1))]) for share, words in _TOLD]


def _intervals(axes: Axes, rows: Sequence[ForestRow], y: np.ndarray) -> None:
    """The intervals as one line with gaps, and an arrow at each end that goes on beyond the edge."""
    left, right = axes.get_xlim()
    low, high = (np.array([getattr(row, end) for row in rows]) for end in ("low", "high"))
    known = np.isfinite(y) & ~np.isnan(low) & ~np.isnan(high)
    gap = np.full(known.sum(), math.nan)
    x = np.column_stack([np.maximum(low, left)[known], np.minimum(high, right)[known], gap])
    axes.plot(
        x.ravel(), np.column_stack([y[known], y[known], gap]).ravel(), color=SLATE, linewidth=0.6, zorder=1.9
    )
    inside = 0.008 * (right - left)
    for cut, x_cut, marker in ((low < left, left + inside, "<"), (high > right, right - inside, ">")):
        axes.plot(
            np.full(cut.sum(), x_cut), y[cut], marker=marker, markersize=2.6, color=SLATE, linestyle="none"
        )
