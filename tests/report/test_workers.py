"""Figures drawn by several processes are those that one draws."""

from __future__ import annotations

import sys
from functools import partial

import polars as pl
import pytest

from crosscellar.report.content import Figure
from crosscellar.report.drawing import Sketch
from crosscellar.report.plan import plan_figure
from crosscellar.report.workers import draw_sketches


def sketches() -> list[Sketch]:
    plan = pl.DataFrame(
        {
            "more_sites": [1, 2],
            "again": [0, 0],
            "vessels": [2, 2],
            "half_width": [0.4, 0.2],
            "chance_decided": [0.1, 0.6],
        }
    )
    return [
        Sketch(
            partial(plan_figure, plan, log_scale=False, unit=unit, chance=0.8),
            f"f{place}",
            unit,
            unit,
            wide=True,
        )
        for place, unit in enumerate(("g/L", "NTU", "pH"))
    ]


@pytest.fixture(scope="module")
def alone() -> tuple[Figure, ...]:
    return draw_sketches(sketches(), processes=1)


def test_two_processes_draw_the_same_bytes_in_the_same_order(alone: tuple[Figure, ...]) -> None:
    assert len({figure.svg for figure in alone}) == 3
    assert draw_sketches(sketches(), processes=2) == alone


def test_where_no_process_can_be_started_one_draws_all(
    alone: tuple[Figure, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    assert draw_sketches(sketches(), processes=3) == alone
