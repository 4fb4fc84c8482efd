"""The drawings of one question's page, with their text alternatives and captions."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from crosscellar.pooling import Pooled
from crosscellar.report.content import Figure, QuestionPage
from crosscellar.report.forest import accumulated_figure, draw, forest_figure, smallest_lines, svg_text
from crosscellar.report.levels import leveled_rows, levels_figure
from crosscellar.report.numbers import Reading
from crosscellar.report.sensory import pooled_tasting_words, tasting_figure


def question_figures(
    page: QuestionPage, pooled: Pooled, reading: Reading, effects: pl.DataFrame
) -> tuple[Figure, ...]:
    """The drawings of one question, each with the words that stand in for it."""
    drawings: list[Figure] = []

    def add(build: Callable[[], Any], alternative: str, caption: str) -> None:
        name = f"{page.anchor}-figure-{len(drawings) + 1}"
        drawings.append(Figure(svg_text(draw(build), name), alternative, caption))

    if page.rows:
        known = bool(page.interval)
        mean = (pooled.estimate, pooled.low, pooled.high) if known else None
        foreseen = (pooled.prediction_low, pooled.prediction_high) if page.prediction else None
        add(
            lambda: forest_figure(
                page.rows, reading, pooled=mean, prediction=foreseen, smallest=smallest_lines(pooled)
            ),
            _forest_alternative(page),
            _forest_caption(page, smallest=bool(smallest_lines(pooled))),
        )
    leveled = leveled_rows(page.rows)
    if leveled:
        add(
            lambda: levels_figure(leveled, reading),
            f"Effect by level, {page.heading}: "
            + "; ".join(f"{r.site} {r.season}, level {x:g}: {r.effect} ({r.interval})" for x, r in leveled)
            + ".",
            "Effect by level, with 95 % intervals; the arms of a trial are joined. No curve is fitted.",
        )
    if page.accumulated:
        add(
            lambda: accumulated_figure(page.accumulated, reading),
            "The mean as it stood after each season: "
            + "; ".join(f"to {p.season}: {p.effect} ({p.interval})" for p in page.accumulated)
            + ".",
            "The mean and its 95 % interval as seasons add up.",
        )
    if page.tastings:
        together = pooled_tasting_words(effects)
        add(
            lambda: tasting_figure(page.tastings),
            "Triangle tests: "
            + "; ".join(f"{t.site} {t.season}: {t.correct} of {t.tasters}" for t in page.tastings)
            + ". "
            + together,
            "Tasters who picked the odd glass, with exact 95 % intervals; the dashed line is guessing. "
            + together,
        )
    return tuple(drawings)


def _forest_alternative(page: QuestionPage) -> str:
    effects = "; ".join(
        f"{row.site} {row.season} {row.arm}: {row.effect} ({row.interval})" for row in page.rows
    )
    mean = f" Mean {page.estimate} ({page.interval})." if page.interval else ""
    new = f" Expected at a new site: {page.prediction}." if page.prediction else ""
    return f"Forest plot, {page.heading}. {effects}.{mean}{new}"


def _forest_caption(page: QuestionPage, *, smallest: bool) -> str:
    words = "Each square is one effect, larger with its weight, with its 95 % interval"
    if any(row.borrowed for row in page.rows):
        words += "; a hollow square has a borrowed variance"
    words += "."
    if page.interval:
        words += " The diamond is the mean of the network with its interval."
    if page.prediction:
        words += " The bar is where the effect at a new site is expected."
    return words + (" Dashed: the smallest difference that matters." if smallest else "")
