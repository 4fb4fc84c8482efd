"""The drawings of one question's page, with their text alternatives and captions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, Final, TypeVar

import polars as pl

from crosscellar.pooling import Pooled
from crosscellar.pooling.verdict import many
from crosscellar.report.content import ForestRow, QuestionPage, SiteRow
from crosscellar.report.crowded import MOST_DRAWN, crowd_figure, sites_figure, told_by_size
from crosscellar.report.drawing import Sketch
from crosscellar.report.forest import accumulated_figure, forest_figure, parts_of, smallest_lines
from crosscellar.report.levels import Leveled, leveled_rows, levels_figure
from crosscellar.report.numbers import Reading
from crosscellar.report.sensory import pooled_tasting_words, tasting_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: What figures of effects show, for their captions.
_FOREST: Final = "Each square is one effect, larger with its weight, with its 95 % interval."
_CROWD: Final = "Each square is one effect with its 95 % interval, from the lowest to the highest."
_SITES: Final = (
    "Each ring is one effect of a site, without its interval; the square is their mean. How many effects "
    "a site has stands in brackets."
)

_Row = TypeVar("_Row")


def question_sketches(
    page: QuestionPage, pooled: Pooled, reading: Reading, effects: pl.DataFrame
) -> tuple[Sketch, ...]:
    """The drawings of one question, each with the words that stand in for it."""
    sketches: list[Sketch] = []

    def add(build: Callable[[], Figure], alternative: str, caption: str, *, wide: bool = False) -> None:
        name = f"{page.anchor}-figure-{len(sketches) + 1}"
        sketches.append(Sketch(build, name, alternative, caption, wide))

    smallest = smallest_lines(pooled)
    shared: dict[str, Any] = {
        "pooled": (pooled.estimate, pooled.low, pooled.high) if page.interval else None,
        "prediction": (pooled.prediction_low, pooled.prediction_high) if page.prediction else None,
        "smallest": smallest,
    }
    if len(page.rows) > MOST_DRAWN:
        add(
            partial(crowd_figure, page.rows, reading, **shared),
            _crowd_alternative(page),
            _caption(page, _CROWD, smallest=bool(smallest)),
            wide=True,
        )
    for part, rows, first in _parts(page.rows if len(page.rows) <= MOST_DRAWN else ()):
        add(
            partial(forest_figure, rows, reading, everything=page.rows, **shared),
            _forest_alternative(page, rows, part),
            _caption(page, _FOREST, smallest=bool(smallest), part=part) if first else _as_the_first(part),
            wide=True,
        )
    for part, sites, first in _parts(page.sites):
        add(
            partial(sites_figure, sites, page.rows, reading, **shared),
            _sites_alternative(page, sites, part),
            _caption(page, _SITES, smallest=bool(smallest), part=part) if first else _as_the_first(part),
            wide=True,
        )
    leveled = leveled_rows(page.rows)
    if leveled:
        add(
            partial(levels_figure, leveled, reading, unit=page.level_unit),
            _levels_alternative(page, leveled),
            f"Effect by level, with{'out' if len(leveled) > MOST_DRAWN else ''} 95 % intervals; the arms of "
            "a trial are joined. No curve is fitted.",
        )
    if page.accumulated:
        add(
            partial(accumulated_figure, page.accumulated, reading),
            "The mean as it stood after each season: "
            + "; ".join(f"to {p.season}: {p.effect} ({p.interval})" for p in page.accumulated)
            + ".",
            "The mean and its 95 % interval as seasons add up.",
        )
    if page.tastings:
        together = pooled_tasting_words(effects)
        words = "Tasters who picked the odd glass, with exact 95 % intervals; the dashed line is guessing. "
        if len(page.tastings) > MOST_DRAWN:
            add(
                partial(tasting_figure, page.tastings, named=False),
                f"{len(page.tastings)} triangle tests by the share of right picks. {together}",
                words + together,
            )
        for part, tastings, first in _parts(page.tastings if len(page.tastings) <= MOST_DRAWN else ()):
            add(
                partial(tasting_figure, tastings),
                f"Triangle tests{_comma(part)}: "
                + "; ".join(f"{t.site} {t.season}: {t.correct} of {t.tasters}" for t in tastings)
                + f". {together}",
                f"{_sentence(part)}{words if first else 'To be read as the first. '}{together}",
            )
    return tuple(sketches)


def _parts(rows: Sequence[_Row]) -> list[tuple[str, Sequence[_Row], bool]]:
    """The rows in parts: which of how many ("" for the only one), the rows, whether it is the first."""
    parts = parts_of(rows)
    words = [
        f"part {number} of {len(parts)}" if len(parts) > 1 else "" for number in range(1, len(parts) + 1)
    ]
    return [(part, own, number == 0) for number, (part, own) in enumerate(zip(words, parts, strict=True))]


def _forest_alternative(page: QuestionPage, rows: Sequence[ForestRow], part: str) -> str:
    effects = "; ".join(f"{row.site} {row.season} {row.arm}: {row.effect} ({row.interval})" for row in rows)
    return f"Forest plot{_comma(part)}, {page.heading}. {effects}.{_totals_told(page)}"


def _crowd_alternative(page: QuestionPage) -> str:
    told = "; ".join(f"{words}: {row.effect} ({row.interval})" for words, row in told_by_size(page.rows))
    return f"{len(page.rows)} effects by size, {page.heading}: {told}.{_totals_told(page)}"


def _sites_alternative(page: QuestionPage, sites: Sequence[SiteRow], part: str) -> str:
    told = "; ".join(f"{site.site}: {site.effect}, {many(site.effects, 'effect')}" for site in sites)
    return f"Effects site by site{_comma(part)}, {page.heading}. {told}.{_totals_told(page)}"


def _levels_alternative(page: QuestionPage, rows: Sequence[Leveled]) -> str:
    if len(rows) > MOST_DRAWN:
        levels = sorted({level for level, _ in rows})
        return (
            f"{len(rows)} effects by level, {page.heading}, at levels from {levels[0]:g} to {levels[-1]:g}."
        )
    told = (f"{row.site} {row.season}, level {level:g}: {row.effect} ({row.interval})" for level, row in rows)
    return f"Effect by level, {page.heading}: {'; '.join(told)}."


def _sentence(part: str) -> str:
    return f"{part[:1].upper()}{part[1:]}. " if part else ""


def _totals_told(page: QuestionPage) -> str:
    mean = f" Mean {page.estimate} ({page.interval})." if page.interval else ""
    return mean + (f" Expected at a new site: {page.prediction}." if page.prediction else "")


def _comma(part: str) -> str:
    return f", {part}" if part else ""


def _as_the_first(part: str) -> str:
    return f"{part[:1].upper()}{part[1:]}, to be read as the first; the mean is that of all parts."


def _caption(page: QuestionPage, drawn: str, *, smallest: bool, part: str = "") -> str:
    words = _sentence(part) + drawn
    if drawn != _SITES and any(row.borrowed for row in page.rows):
        words = f"{words[:-1]}; a hollow square has a borrowed variance."
    if page.interval:
        words += " The diamond is the mean of the network with its interval."
    if page.prediction:
        words += " The bar is where the effect at a new site is expected."
    return words + (" Dashed: the smallest difference that matters." if smallest else "")
