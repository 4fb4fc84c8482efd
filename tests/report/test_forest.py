"""Figures: what they draw, and the same bytes for the same numbers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle

from crosscellar.pooling import pool
from crosscellar.report.drawing import draw, shortened, width_of
from crosscellar.report.forest import (
    MOST_ROWS,
    PART_ROWS,
    draw_forest,
    forest_figure,
    forest_rows,
    parts_of,
    pooled_figure,
    reading_of,
    smallest_lines,
)

EffectsOf = Callable[..., pl.DataFrame]


def squares(figure: object) -> list[Line2D]:
    axes = figure.axes[0]  # type: ignore[attr-defined]
    return [line for line in axes.lines if line.get_marker() == "s"]


def test_every_effect_has_a_square_and_borrowed_ones_are_hollow(effects_of: EffectsOf) -> None:
    pooled = pool(effects_of(["a", "b", "c", "d"]))
    drawn = squares(pooled_figure(pooled))
    rows = forest_rows(pooled, reading_of(pooled))
    assert [line.get_xdata()[0] for line in drawn] == [row.estimate for row in rows]  # type: ignore[index]
    hollow = [line.get_markerfacecolor() == "#ffffff" for line in drawn]
    assert hollow == [row.borrowed for row in rows]
    assert any(hollow)
    assert not all(hollow)


def test_a_difference_of_shares_is_drawn_within_100_percentage_points(effects_of: EffectsOf) -> None:
    counted = {"estimate": pl.Series([1.0, -1.0, 0.0]), "variance": pl.Series([0.1, 0.1, 0.1])}
    frame = effects_of(["a", "b", "c"]).with_columns(measure=pl.lit("risk_difference"), **counted)
    rows = forest_rows(pooled := pool(frame), reading_of(pooled))
    assert max(abs(end) for row in rows for end in (row.low, row.high)) == 1.0
    assert rows[0].low > -1.0


def test_a_square_is_larger_where_the_weight_is(effects_of: EffectsOf) -> None:
    frame = effects_of(["a", "b", "c"]).with_columns(variance=pl.Series([0.001, 0.01, 0.1]))
    sizes = [line.get_markersize() for line in squares(pooled_figure(pool(frame, method="common")))]
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[0] > sizes[1]


def test_the_diamond_and_the_bar_stand_at_the_pooled_numbers(effects_of: EffectsOf) -> None:
    pooled = pool(effects_of(["a", "b", "c", "d", "e"]))
    axes = pooled_figure(pooled).axes[0]
    diamond = next(patch for patch in axes.patches if isinstance(patch, Polygon))
    corners = diamond.get_xy()[:, 0]
    assert corners.min() == pooled.low
    assert corners.max() == pooled.high
    bar = next(patch for patch in axes.patches if isinstance(patch, Rectangle))
    assert bar.get_x() == pooled.prediction_low
    assert bar.get_x() + bar.get_width() == pytest.approx(pooled.prediction_high)


def test_one_site_is_shown_without_a_mean(effects_of: EffectsOf) -> None:
    axes = pooled_figure(pool(effects_of(["a"], seasons=2))).axes[0]
    assert not [patch for patch in axes.patches if isinstance(patch, Polygon)]
    assert len(squares(axes.figure)) == 2


@pytest.mark.parametrize(
    ("wanted", "lines"), [("increase", (0.1,)), ("decrease", (-0.1,)), ("either", (-0.1, 0.1))]
)
def test_the_smallest_difference_stands_on_the_wanted_side(
    effects_of: EffectsOf, wanted: str, lines: tuple[float, ...]
) -> None:
    pooled = pool(effects_of(["a", "b", "c"]), wanted=wanted, smallest_difference=0.1)
    assert smallest_lines(pooled) == pytest.approx(lines)


@pytest.mark.parametrize("count", [2, 40])
def test_no_two_rows_of_text_overlap_and_none_leaves_the_picture(effects_of: EffectsOf, count: int) -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    sites = [f"The Old Cooperage at Long Upper Meadow {place:02d}" for place in range(count)]
    figure = pooled_figure(pool(effects_of(sites, arm="a_rather_long_arm_name")))
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    boxes = [text.get_window_extent() for text in figure.axes[0].texts]
    width, height = figure.bbox.width, figure.bbox.height
    assert all(box.x0 >= 0 and box.x1 <= width and box.y0 >= 0 and box.y1 <= height for box in boxes)
    clashes = [
        (one, other) for place, one in enumerate(boxes) for other in boxes[place + 1 :] if one.overlaps(other)
    ]
    assert clashes == []
    plot = figure.axes[0].get_window_extent()
    assert not [box for box in boxes if box.x0 < plot.x0 < box.x1 or box.x0 < plot.x1 < box.x1]


@pytest.mark.parametrize(("ending", "start"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")])
def test_a_plot_is_written_by_its_ending(
    effects_of: EffectsOf, tmp_path: Path, ending: str, start: bytes
) -> None:
    written = draw_forest(pool(effects_of(["a", "b", "c"])), tmp_path / "new" / f"forest.{ending}")
    assert written.read_bytes().startswith(start)


@pytest.mark.parametrize("form", ["svg", "png", "pdf"])
def test_the_same_answer_gives_the_same_bytes(effects_of: EffectsOf, form: str) -> None:
    pooled = pool(effects_of(["a", "b", "c"]))
    first, second = (draw(lambda: pooled_figure(pooled), form=form) for _ in range(2))
    assert first == second


def test_a_site_name_with_dollars_is_text_and_no_formula(effects_of: EffectsOf) -> None:
    frame = effects_of(["$x^2$ $\\frac{", "b_{", "c"])
    assert draw(lambda: pooled_figure(pool(frame))).endswith(b"</svg>\n")


@pytest.mark.parametrize(("count", "parts"), [(1, 1), (MOST_ROWS, 1), (MOST_ROWS + 1, 2), (60, 4), (103, 7)])
def test_many_rows_are_drawn_in_parts_of_about_one_length_and_none_is_lost(
    effects_of: EffectsOf, count: int, parts: int
) -> None:
    pooled = pool(effects_of([f"s{place:03d}" for place in range(count)]))
    rows = forest_rows(pooled, reading_of(pooled))
    found = parts_of(rows)
    assert len(found) == parts
    assert [row for part in found for row in part] == list(rows)
    sizes = [len(part) for part in found]
    assert max(sizes) <= (MOST_ROWS if parts == 1 else PART_ROWS)
    assert max(sizes) - min(sizes) < parts


def test_all_parts_share_their_axis_their_weights_and_the_mean(effects_of: EffectsOf) -> None:
    sites = [f"s{place:02d}" for place in range(30)]
    # One precise effect and one vague one, in different parts.
    own = pl.when(pl.col("site") == "s02").then(0.0001).when(pl.col("site") == "s28").then(0.2)
    effects = effects_of(sites).with_columns(own.otherwise(pl.col("variance")).alias("variance"))
    pooled = pool(effects, method="common")
    rows = forest_rows(pooled, reading_of(pooled))
    mean = (pooled.estimate, pooled.low, pooled.high)
    figures = [
        forest_figure(part, reading_of(pooled), pooled=mean, prediction=None, everything=rows)
        for part in parts_of(rows)
    ]
    axes = [figure.axes[0] for figure in figures]
    assert len(axes) == 2
    assert axes[0].get_xlim() == axes[1].get_xlim()
    corners = [
        patch.get_xy().tolist() for each in axes for patch in each.patches if isinstance(patch, Polygon)
    ]
    assert [min(x for x, _ in each) for each in corners] == [pooled.low] * 2
    drawn = [line for figure in figures for line in squares(figure)]
    assert [line.get_xdata()[0] for line in drawn] == [row.estimate for row in rows]  # type: ignore[index]
    # As large beside the rows of its own part as beside those of the other.
    sizes = {row.site: line.get_markersize() for row, line in zip(rows, drawn, strict=True)}
    assert max(sizes, key=lambda site: sizes[site]) == "s02"
    assert min(sizes, key=lambda site: sizes[site]) == "s28"
    same = [site for site, row in zip(sizes, rows, strict=True) if row.weight == rows[0].weight]
    assert len(same) > 2
    assert len({sizes[site] for site in same}) == 1


def test_an_interval_beyond_the_edge_ends_in_an_arrow_there_and_no_other_does(effects_of: EffectsOf) -> None:
    sites = ["a", "b", "c", "d", "e"]
    wide = pl.when(pl.col("site") == "c").then(4.0).otherwise(pl.col("variance"))
    for effects, cut in (
        (effects_of(sites), set()),
        (effects_of(sites).with_columns(wide.alias("variance")), {("c", "<"), ("c", ">")}),
    ):
        pooled = pool(effects)
        rows = forest_rows(pooled, reading_of(pooled))
        axes = pooled_figure(pooled).axes[0]
        left, right = axes.get_xlim()
        at = {
            round(float(line.get_ydata()[0]), 6): row
            for row, line in zip(rows, squares(axes.figure), strict=True)
        }  # type: ignore[index]
        arrows = [line for line in axes.lines if line.get_marker() in ("<", ">")]
        found = {(at[round(float(line.get_ydata()[0]), 6)].site, line.get_marker()) for line in arrows}  # type: ignore[index]
        assert found == cut
        assert found == {(row.site, "<") for row in rows if row.low < left} | {
            (row.site, ">") for row in rows if row.high > right
        }
        assert all(left <= float(line.get_xdata()[0]) <= right for line in arrows)  # type: ignore[index]


def test_long_names_that_begin_alike_stay_apart_in_a_figure() -> None:
    names = [f"Joint cellars of the upper valley, {side} slope" for side in ("northern", "southern")]
    cut = [shortened(name, 2.0) for name in names]
    assert all(width_of(name) <= 2.0 for name in cut)
    assert cut[0] != cut[1]
    assert all(name.startswith("Joint") and "…" in name and name.endswith("slope") for name in cut)
    assert shortened("Short", 2.0) == "Short"
    assert shortened("Wide", 0.01) == "…"
