"""The drawings of one question's page, with their text alternatives and captions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

import polars as pl

from crosscellar.pooling import Pooled
from crosscellar.report.content import ForestRow, QuestionPage
from crosscellar.report.drawing import Sketch
from crosscellar.report.forest import accumulated_figure, forest_figure, parts_of, smallest_lines
from crosscellar.report.levels import leveled_rows, levels_figure
from crosscellar.report.numbers import Reading
from crosscellar.report.sensory import pooled_tasting_words, tasting_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def question_sketches(
    page: QuestionPage, pooled: Pooled, reading: Reading, effects: pl.DataFrame
) -> tuple[Sketch, ...]:
    """The drawings of one question, each with the words that stand in for it."""
    sketches: list[Sketch] = []

    def add(build: Callable[[], Figure], alternative: str, caption: str, *, wide: bool = False) -> None:
        name = f"{page.anchor}-figure-{len(sketches) + 1}"
        sketches.append(Sketch(build, name, alternative, caption, wide))

    known = bool(page.interval)
    parts = parts_of(page.rows)
    for number, rows in enumerate(parts, 1):
        part = f", part {number} of {len(parts)}" if len(parts) > 1 else ""
        smallest = smallest_lines(pooled)
        add(
            partial(
                forest_figure,
                rows,
                reading,
                pooled=(pooled.estimate, pooled.low, pooled.high) if known else None,
                prediction=(pooled.prediction_low, pooled.prediction_high) if page.prediction else None,
                smallest=smallest,
                everything=page.rows,
            ),
            _forest_alternative(page, rows, part),
            _forest_caption(page, smallest=bool(smallest), part=part.removeprefix(", "), first=number == 1),
            wide=True,
        )
    leveled = leveled_rows(page.rows)
    if leveled:
        add(
            partial(levels_figure, leveled, reading, unit=page.level_unit),
            f"Effect by level, {page.heading}: "
            + "; ".join(
                f"{row.site} {row.season}, level {level:g}: {row.effect} ({row.interval})"
                for level, row in leveled
            )
            + ".",
            "Effect by level, with 95 % intervals; the arms of a trial are joined. No curve is fitted.",
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
        add(
            partial(tasting_figure, page.tastings),
            "Triangle tests: "
            + "; ".join(f"{t.site} {t.season}: {t.correct} of {t.tasters}" for t in page.tastings)
            + ". "
            + together,
            "Tasters who picked the odd glass, with exact 95 % intervals; the dashed line is guessing. "
            + together,
        )
    return tuple(sketches)


def _forest_alternative(page: QuestionPage, rows: Sequence[ForestRow], part: str) -> str:
    effects = "; ".join(f"{row.site} {row.season} {row.arm}: {row.effect} ({row.interval})" for row in rows)
    mean = f" Mean {page.estimate} ({page.interval})." if page.interval else ""
    new = f" Expected at a new site: {page.prediction}." if page.prediction else ""
    return f"Forest plot{part}, {page.heading}. {effects}.{mean}{new}"


def _forest_caption(page: QuestionPage, *, smallest: bool, part: str, first: bool) -> str:
    if not first:
        return f"{part[:1].upper()}{part[1:]}, to be read as the first; the mean is that of all parts."
    words = f"{part[:1].upper()}{part[1:]}. " if part else ""
    words += "Each square is one effect, larger with its weight, with its 95 % interval"
    if any(row.borrowed for row in page.rows):
        words += "; a hollow square has a borrowed variance"
    words += "."
    if page.interval:
        words += " The diamond is the mean of the network with its interval."
    if page.prediction:
        words += " The bar is where the effect at a new site is expected."
    return words + (" Dashed: the smallest difference that matters." if smallest else "")
