"""How far vessels of one arm differ: what trials showed, against the prior that they lend each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.contract import Contract, response_words
from crosscellar.effects import Scale
from crosscellar.effects.scale import two_digits
from crosscellar.report.content import Spread
from crosscellar.report.drawing import INK, MUST, PAPER, SLATE, STRAW, Sketch, shortened, write_figure
from crosscellar.report.numbers import NONE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Panels side by side at most; the width of one by how many there are, and its height, in inches.
_COLUMNS: Final = 3
_WIDE: Final = {1: 4.8, 2: 4.4, 3: 2.95}
_HIGH: Final = 2.3
#: The share of trials that the band holds if the prior fits.
_BAND: Final = 0.9
#: A spread this many times smaller than the usual one is drawn at the edge, hollow.
_SMALLEST: Final = 12.0

HOW_TO_READ: Final = (
    "Each dot is one trial with more than one vessel an arm: how far its vessels differ, by how many vessels "
    "it had beyond one an arm. The line is the usual spread, on which single-vessel trials lean; the band "
    "should hold 9 trials in 10. Dots far above it are trials whose vessels went their own ways."
)
#: A panel of more trials than this shows where they lie, and no dots.
MOST_DOTS: Final = 200
MANY_DOTS: Final = (
    f" In a panel of more than {MOST_DOTS} trials a line stands for the middle 9 in 10, a square for "
    "the middle one."
)
ALIKE: Final = " A hollow triangle at the edge is a trial whose vessels read (nearly) alike."


@dataclass(frozen=True, slots=True)
class VesselSpread:
    """The vessel variances of one response: the replicated trials' own, and the prior fitted to them.

    `variances` and `df` have one number a trial, in the order of the trials' identifiers; variances are of
    natural logarithms where `log`, else in squared `unit`. `prior_variance` and `prior_df` are NaN where
    fewer than three trials have more than one vessel an arm.
    """

    label: str
    log: bool
    unit: str
    variances: tuple[float, ...]
    df: tuple[float, ...]
    prior_variance: float
    prior_df: float

    def shown(self, variance: float) -> float:
        """The spread as it is read: a coefficient of variation in %, or a standard deviation in the unit."""
        return self.scale.spread(variance)

    @property
    def scale(self) -> Scale:
        """How the spread is read."""
        return Scale("log_ratio" if self.log else "difference", "" if self.log else self.unit)

    def band(self, df: float) -> tuple[float, float]:
        """The variances between which 9 trials in 10 of so many degrees of freedom are expected.

        Quantiles of s0^2 F(df, d0), the distribution of an observed variance under the prior (Smyth 2004,
        section 3).
        """
        from scipy.special import fdtri

        low, high = fdtri(df, self.prior_df, [(1.0 - _BAND) / 2.0, (1.0 + _BAND) / 2.0])
        return self.prior_variance * float(low), self.prior_variance * float(high)

    @property
    def known(self) -> bool:
        """Whether there is a prior to tell."""
        return math.isfinite(self.prior_variance)

    @property
    def inside(self) -> int:
        """How many trials lie in the band of their degrees of freedom."""
        bands = [self.band(df) for df in self.df]
        return sum(low <= v <= high for v, (low, high) in zip(self.variances, bands, strict=True))

    @property
    def alike(self) -> int:
        """How many trials lie so far below the usual spread that they are drawn at the edge."""
        if not math.isfinite(self.prior_variance):
            return 0
        floor = self.shown(self.prior_variance) / _SMALLEST
        return sum(self.shown(variance) < floor for variance in self.variances)

    @property
    def row(self) -> Spread:
        """The spread as a table shows it."""
        return _row_of(self)

    @property
    def words(self) -> str:
        """The usual spread in a sentence, and how many trials it rests on."""
        trials = len(self.df)
        if not math.isfinite(self.prior_variance):
            few = {0: "no trial tells", 1: "only 1 trial tells"}.get(trials, f"only {trials} trials tell")
            return (
                f"{self.label}: {few} how far vessels of one arm differ; it takes three that measured it, "
                "within the limits, in more than one vessel an arm."
            )
        amount = self.scale.spread_words(self.prior_variance)
        return (
            f"{self.label}: vessels of one arm usually differ by about {amount} ({self.scale.spread_name}). "
            f"That rests on {trials} trials with more than one vessel an arm, {self.inside} of them in the "
            "band."
        )


def _row_of(spread: VesselSpread) -> Spread:
    known = math.isfinite(spread.prior_variance)
    kind = f"{spread.scale.spread_name}, {'%' if spread.log else spread.unit}"
    df = spread.prior_df
    return Spread(
        spread.label,
        kind.removesuffix(", "),
        two_digits(spread.shown(spread.prior_variance)) if known else NONE,
        f"{spread.prior_variance:.3g}" if known else NONE,
        (f"{df:.3g}" if math.isfinite(df) else "no limit") if known else NONE,
        len(spread.df),
        str(spread.inside) if known else NONE,
    )


def vessel_spreads(
    effects: pl.DataFrame, priors: pl.DataFrame, observed: pl.DataFrame, contract: Contract
) -> tuple[VesselSpread, ...]:
    """The spreads behind these effects, one a response and stage, in the order they first come.

    Parameters
    ----------
    effects
        EFFECTS; responses that are no analyte, or were counted and not measured, are passed over.
    priors, observed
        The two frames of `variance_priors` for the same readings.

    Trials compared in blocks enter with the variance within arms, as they do in the prior of trials without
    blocks. The prior is that of the stage's group, else that of all stages.
    """
    from crosscellar.effects.measures import stage_groups

    groups = dict(stage_groups(contract).select("stage", "stage_group").iter_rows())
    asked = effects.select("response", "stage", (pl.col("measure") == "log_ratio").alias("log")).unique(
        maintain_order=True
    )
    found = []
    for response, stage, log in asked.iter_rows():
        if response not in contract.analytes:
            continue
        here = (pl.col("analyte") == response) & (pl.col("log") == log) & ~pl.col("paired")
        group = groups.get(stage, "other")
        prior = priors.filter(here & (pl.col("stage_group") == group))
        own = observed.filter(here & (pl.col("stage_group") == group))
        if prior.is_empty():
            wider = priors.filter(here & pl.col("stage_group").is_null())
            prior, own = (wider, observed.filter(here)) if wider.height else (prior, own)
        # One number a trial, as the prior was fitted: its stages share their vessels.
        trials = (
            own.group_by("trial_id")
            .agg(
                ((pl.col("df") * pl.col("variance")).sum() / pl.col("df").sum()).alias("variance"),
                pl.col("df").max(),
            )
            .sort("trial_id")
        )
        label = response_words(response, stage, contract)
        found.append(
            VesselSpread(
                label=label[:1].upper() + label[1:] if label[1:2].islower() else label,
                log=log,
                unit=contract.analytes[response].unit,
                variances=tuple(trials["variance"]),
                df=tuple(trials["df"]),
                prior_variance=prior["prior_variance"][0] if prior.height else math.nan,
                prior_df=prior["prior_df"][0] if prior.height else math.nan,
            )
        )
    return tuple(found)


def variances_figure(spreads: Sequence[VesselSpread]) -> Figure:
    """A panel a response: each trial's spread by its degrees of freedom, the usual one and its band.

    A response of which no trial tells a spread has no panel, unless there is no other.
    """
    from matplotlib.figure import Figure

    spreads = [spread for spread in spreads if spread.df] or spreads
    columns = min(_COLUMNS, len(spreads))
    lines = math.ceil(len(spreads) / columns)
    room = _WIDE[columns]
    wide, high = room * columns, _HIGH * lines + 0.2
    figure = Figure(figsize=(wide, high))
    for place, spread in enumerate(spreads):
        column, line = place % columns, place // columns
        axes = figure.add_axes(
            (
                (column * room + 0.52) / wide,
                1.0 - (line * _HIGH + _HIGH - 0.3) / high,
                (room - 0.72) / wide,
                (_HIGH - 0.82) / high,
            )
        )
        _panel(axes, spread, room)
        if place + columns >= len(spreads):
            axes.set_xlabel("vessels beyond one an arm", fontsize=8.0)
    return figure


def _panel(axes: Axes, spread: VesselSpread, room: float) -> None:
    import numpy as np
    from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

    known = math.isfinite(spread.prior_variance)
    most = max(spread.df, default=1.0)
    dots = [spread.shown(variance) for variance in spread.variances]
    usual = spread.shown(spread.prior_variance) if known else max(dots, default=1.0) or 1.0
    floor = usual / _SMALLEST
    ceiling = max([usual * 4.0, *(dot * 1.3 for dot in dots)])
    if known:
        across = np.linspace(0.4, most + 0.6, 60)
        bands = [spread.band(float(df)) for df in across]
        axes.fill_between(
            across,
            [max(spread.shown(low), floor / 2) for low, _ in bands],
            [min(spread.shown(min(high, 600.0) if spread.log else high), ceiling * 2) for _, high in bands],
            color=STRAW,
            alpha=0.35,
            linewidth=0,
        )
        axes.axhline(usual, color=INK, linewidth=1.0)
    if len(dots) > MOST_DOTS:
        _ranges(axes, spread.df, dots, floor)
    for df, dot in _aside(spread.df, dots) if len(dots) <= MOST_DOTS else ():
        small = dot < floor
        axes.plot(
            [df],
            [floor * 1.08 if small else dot],
            marker="v" if small else "o",
            markersize=4.6,
            markerfacecolor=PAPER if small else MUST,
            markeredgecolor=MUST,
            linestyle="none",
        )
    axes.set_yscale("log")
    axes.set_ylim(floor, ceiling)
    axes.set_xlim(0.4, most + 0.6)
    axes.xaxis.set_major_locator(MaxNLocator(5, integer=True))
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0), numticks=6))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.tick_params(labelsize=8.0)
    axes.tick_params(axis="y", which="minor", length=0)
    for side in ("right", "top"):
        axes.spines[side].set_color(SLATE)
        axes.spines[side].set_visible(False)
    unit = "%" if spread.log else spread.unit
    trials = "1 trial" if len(dots) == 1 else f"{len(dots)} trials"
    title = shortened(spread.label, room - 0.65)
    for text, up, weight in ((title, 1.13, "bold"), (f"spread of vessels, {unit}; {trials}", 1.03, "normal")):
        axes.text(
            -0.35 / (room - 0.72),
            up,
            text.replace("$", r"\$"),
            transform=axes.transAxes,
            fontsize=8.2 if weight == "bold" else 7.8,
            fontweight=weight,
        )


def _ranges(axes: Axes, df: Sequence[float], dots: Sequence[float], floor: float) -> None:
    """The middle 9 in 10 of the dots of each degrees of freedom as a line, their middle one as a square."""
    import numpy as np

    for value in sorted(set(df)):
        own = [max(dot, floor) for own_df, dot in zip(df, dots, strict=True) if own_df == value]
        low, middle, high = np.quantile(own, [(1.0 - _BAND) / 2.0, 0.5, (1.0 + _BAND) / 2.0])
        axes.plot([value, value], [low, high], color=SLATE, linewidth=1.3, solid_capstyle="butt")
        axes.plot([value], [middle], marker="s", markersize=4.6, color=MUST, linestyle="none")


def _aside(df: Sequence[float], dots: Sequence[float]) -> list[tuple[float, float]]:
    """The dots, those of the same degrees of freedom side by side in the order of their size."""
    placed = []
    for value in sorted(set(df)):
        own = sorted(dot for own_df, dot in zip(df, dots, strict=True) if own_df == value)
        step = min(0.12, 0.6 / max(len(own), 1))
        placed += [(value + step * (place - (len(own) - 1) / 2), dot) for place, dot in enumerate(own)]
    return placed


def variances_sketch(spreads: Sequence[VesselSpread], name: str) -> Sketch:
    """The figure for a page, with the words that stand in for it; `name` begins its identifiers."""
    return Sketch(
        partial(variances_figure, spreads),
        name,
        "Spread of vessels of one arm. " + " ".join(spread.words for spread in spreads),
        HOW_TO_READ
        + (MANY_DOTS if any(len(spread.df) > MOST_DOTS for spread in spreads) else "")
        + (ALIKE if any(spread.alike for spread in spreads if len(spread.df) <= MOST_DOTS) else ""),
        wide=len(spreads) > 1,
    )


def draw_variances(spreads: Sequence[VesselSpread], path: Path) -> Path:
    """The path of the figure, written as SVG, PNG or PDF by the name's ending."""
    return write_figure(partial(variances_figure, spreads), path)
