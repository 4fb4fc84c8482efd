"""What a plan buys, drawn: the numbers of the plan, a line a number of vessels an arm."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from matplotlib.lines import Line2D

from crosscellar.planning import plan_replication
from crosscellar.report.drawing import draw
from crosscellar.report.plan import Planned, draw_plan, plan_figure, plan_sketch


def ys(line: Line2D) -> list[float]:
    return list(np.asarray(line.get_ydata(), dtype=float).tolist())


def plan_of(*, sites: tuple[int, ...] = (0, 2, 4), vessels: tuple[int, ...] = (1, 2, 3)) -> pl.DataFrame:
    return plan_replication(
        tau2=0.001, vessel_variance=0.01, more_sites=sites, vessels=vessels, effect=0.1, simulations=40
    )


def test_each_number_of_vessels_is_a_line_through_the_numbers_of_the_plan() -> None:
    plan = plan_of()
    width, verdict = plan_figure(plan, log_scale=False, unit="g/L", chance=0.8).axes
    assert len(width.lines) == 3
    for n, line, chances in zip((1, 2, 3), width.lines, verdict.lines, strict=False):
        own = plan.filter(pl.col("vessels") == n)
        drawn = [half for half in ys(line) if not math.isnan(half)]
        assert drawn == own["half_width"].filter(own["half_width"].is_finite()).to_list()
        assert ys(chances) == pytest.approx((100 * own["chance_decided"]).to_list())
    assert len({(line.get_linestyle(), line.get_marker()) for line in width.lines}) == 3
    assert "g/L" in width.get_title(loc="left")


def test_a_log_scale_is_read_as_a_change_in_percent() -> None:
    plan = plan_of(sites=(4,), vessels=(2,))
    width = plan_figure(plan, log_scale=True, unit="", chance=0.8).axes[0]
    (half,) = ys(width.lines[0])
    assert half == pytest.approx(100 * (math.exp(plan["half_width"][0]) - 1))
    assert width.get_title(loc="left").endswith("% upwards")


@pytest.mark.parametrize(("sites", "vessels"), [((3,), (1,)), (tuple(range(40)), (1, 2, 3, 4, 5))])
def test_one_row_and_many_are_always_the_same_bytes(sites: tuple[int, ...], vessels: tuple[int, ...]) -> None:
    plan = plan_of(sites=sites, vessels=vessels) if len(sites) == 1 else many(sites, vessels)

    def drawn() -> bytes:
        return draw(lambda: plan_figure(plan, log_scale=True, unit="", chance=0.8))

    assert drawn() == drawn()


def many(sites: tuple[int, ...], vessels: tuple[int, ...]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {"more_sites": s, "again": 0, "vessels": n, "half_width": 1.0 / (s + n), "chance_decided": s / 40}
            for s in sites
            for n in vessels
        ]
    )


def test_the_file_is_written_by_the_ending_of_its_name(tmp_path: Path) -> None:
    path = draw_plan(many((1, 2), (1,)), tmp_path / "p.pdf", log_scale=True, unit="", chance=0.8)
    assert path.read_bytes().startswith(b"%PDF")


def planned(*, log_scale: bool) -> Planned:
    plan = pl.DataFrame(
        {
            "more_sites": [4, 1, 4, 0],
            "again": [0, 0, 0, 3],
            "vessels": [1, 2, 2, 2],
            "half_width": [math.log(1.126), math.inf, 0.0344, 0.5],
            "chance_decided": [0.445, 0.0, 1.0, 0.3],
        }
    )
    return Planned(plan, log_scale, "" if log_scale else "g/L", 0.8, 0.1, 0.01, 0.0, 0.02)


def test_the_table_of_a_plan_has_its_numbers_to_two_digits_and_a_dash_where_there_is_no_end() -> None:
    rows = [
        (row.more_sites, row.vessels, row.half_width, row.chance) for row in planned(log_scale=True).rows()
    ]
    # 100 * (1.126 - 1) = 12.6; 100 * (exp(0.0344) - 1) = 3.50.
    assert rows == [(4, 1, "13", "44 %"), (1, 2, "–", "0 %"), (4, 2, "3.5", "100 %")]
    amounts = [row.half_width for row in planned(log_scale=False).rows()]
    assert amounts == ["0.12", "–", "0.034"]


def test_what_stands_in_for_the_figure_of_a_plan_tells_every_row_of_its_table() -> None:
    given = planned(log_scale=True)
    sketch = plan_sketch(given, given.rows(), "plan")
    for row in given.rows():
        assert f"half-width {row.half_width}, chance {row.chance}" in sketch.alternative
    assert "1 new site with 2 vessels an arm" in sketch.alternative
    assert "% upwards" in sketch.alternative
