"""Triangle tests in figures and tables: exact limits of the counts, and names that stay in the picture."""

from __future__ import annotations

import polars as pl

from crosscellar.contract import load_contract
from crosscellar.effects import triangle_result
from crosscellar.pooling import pool
from crosscellar.report.building import Answered, _monitored
from crosscellar.report.content import Tasting
from crosscellar.report.drawing import _SETTINGS
from crosscellar.report.forest import forest_rows, reading_of, smallest_lines
from crosscellar.report.sensory import tasting_figure


def sessions() -> pl.DataFrame:
    """Three sessions as the effects of a store have them."""
    results = [triangle_result(correct, 18) for correct in (11, 15, 18)]
    return pl.DataFrame(
        {
            "site": ["a", "b", "c"],
            "trial": ["A", "B", "C"],
            "arm": ["new"] * 3,
            "measure": ["discriminators"] * 3,
            "correct": [11, 15, 18],
            "tasters": [18] * 3,
            "estimate": [1.5 * result.proportion_correct - 0.5 for result in results],
            "variance": [0.03] * 3,
            "low": [result.discriminators_low for result in results],
            "high": [result.discriminators_high for result in results],
        }
    )


def test_a_session_s_interval_is_that_of_its_counts_and_never_beyond_all_tasters() -> None:
    pooled = pool(sessions(), smallest_difference=0.2)
    rows = forest_rows(pooled, reading_of(pooled))
    assert [(row.low, row.high) for row in rows] == sessions().select("low", "high").rows()
    assert max(row.high for row in rows) <= 1
    assert smallest_lines(pooled) == (0.2,)


def test_a_session_with_fewer_right_picks_than_guessing_stands_where_nobody_can_tell() -> None:
    few = sessions().with_columns(
        pl.lit(-0.5).alias("estimate"), pl.lit(0.0).alias("low"), pl.lit(0.0).alias("high"), correct=pl.lit(0)
    )
    pooled = pool(few)
    assert [(row.estimate, row.effect) for row in forest_rows(pooled, reading_of(pooled))] == [
        (0.0, "0")
    ] * few.height
    assert pooled.effects["estimate"].to_list() == [-0.5] * few.height


def test_names_and_counts_of_sessions_lie_within_the_picture() -> None:
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    name = "The Very Long-Named Cooperative Cellar of the Meadows"
    with mpl.rc_context(_SETTINGS):
        figure = tasting_figure([Tasting(name, "2025", "T", 12, 18, "10", "0.0039")])
        FigureCanvasAgg(figure).draw()
        (label,) = figure.axes[0].get_yticklabels()
        # A long name keeps its beginning and its end, and the counts stay whole.
        assert label.get_text().startswith("The")
        assert "…" in label.get_text()
        assert label.get_text().endswith("Meadows 2025: 12 of 18")
        assert label.get_window_extent().x0 >= 0


def test_a_watched_response_that_came_to_nothing_is_told_and_not_left_out() -> None:
    alike = {"estimate": [0.0] * 3, "variance": [0.1] * 3, "site": ["a", "b", "c"], "role": ["monitored"] * 3}
    counts = {"measure": ["risk_difference"] * 3, "response": ["stuck"] * 3}
    none = pool({**alike, **counts, "mean_treatment": [0.0] * 3, "mean_control": [0.0] * 3})
    half = pool({**alike, **counts, "mean_treatment": [0.5] * 3, "mean_control": [0.5] * 3})
    beyond = pool({**alike, "response": ["copper"] * 3, "usable": [False] * 3})
    asked = Answered(question={}, pooled=[none, half, beyond], effects=pl.DataFrame(), trials_this_season=3)
    told = [(row.sites, row.effect, row.interval != "–") for row in _monitored(asked, load_contract())]
    assert told == [
        (3, "none in any arm", False),
        (3, "0 percentage points", True),
        (0, "no effect computable", False),
    ]
