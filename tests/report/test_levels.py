"""Effects by level: the arms of a trial are joined, and nothing is fitted."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from crosscellar.pooling import pool
from crosscellar.report.drawing import draw
from crosscellar.report.forest import forest_rows, reading_of
from crosscellar.report.levels import leveled_rows, levels_figure

EffectsOf = Callable[..., pl.DataFrame]


def three_levels(effects_of: EffectsOf, sites: list[str]) -> pl.DataFrame:
    arms = [
        effects_of(sites, arm=f"dose_{level:g}", centre=-0.1 * level).with_columns(level=pl.lit(level))
        for level in (3.0, 1.0, 2.0)
    ]
    return pl.concat(arms)


def test_a_trial_of_three_arms_is_one_line_in_the_order_of_levels(effects_of: EffectsOf) -> None:
    pooled = pool(three_levels(effects_of, ["a", "b", "c"]))
    reading = reading_of(pooled)
    leveled = leveled_rows(forest_rows(pooled, reading))
    assert [level for level, _ in leveled] == [1.0, 2.0, 3.0] * 3
    figure = levels_figure(leveled, reading)
    axes = figure.axes[0]
    lines = [line for line in axes.lines if line.get_marker() not in ("None", "", None)]
    assert len(lines) == 3
    for line, site in zip(lines, ("a", "b", "c"), strict=True):
        assert list(line.get_ydata()) == [row.estimate for _, row in leveled if row.site == site]
    assert len({line.get_marker() for line in lines}) == 3
    (legend,) = figure.legends
    assert [text.get_text() for text in legend.get_texts()] == ["a 2020", "b 2020", "c 2020"]


def test_one_level_a_trial_is_no_figure(effects_of: EffectsOf) -> None:
    frame = effects_of(["a", "b", "c"]).with_columns(level=pl.lit(20.0))
    pooled = pool(frame)
    assert leveled_rows(forest_rows(pooled, reading_of(pooled))) == ()


def test_twenty_trials_are_drawn_without_a_key(effects_of: EffectsOf) -> None:
    pooled = pool(three_levels(effects_of, [f"s{place:02d}" for place in range(20)]))
    reading = reading_of(pooled)
    rows = leveled_rows(forest_rows(pooled, reading))
    assert levels_figure(rows, reading).legends == []
    assert draw(lambda: levels_figure(rows, reading)).endswith(b"</svg>\n")


def test_forty_trials_stay_beside_their_levels_and_their_lines_alone_are_drawn(effects_of: EffectsOf) -> None:
    pooled = pool(three_levels(effects_of, [f"s{place:02d}" for place in range(40)]))
    reading = reading_of(pooled)
    axes = levels_figure(leveled_rows(forest_rows(pooled, reading)), reading).axes[0]
    lines = [line.get_xdata() for line in axes.lines if line.get_marker() == "o"]
    assert len(lines) == 40
    assert max(abs(x - level) for line in lines for x, level in zip(line, (1.0, 2.0, 3.0), strict=True)) < 0.2
    # No effect has a line of its own beside that of zero.
    assert len(axes.lines) == 41
