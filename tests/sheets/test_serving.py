"""Servings: balanced, random, and the same from the same seed."""

from __future__ import annotations

from collections import Counter

import polars as pl
import pytest
from scipy import stats

from crosscellar.errors import NotComputable
from crosscellar.sheets.serving import ORDERS, score_servings, triangle_servings


@pytest.mark.parametrize("assessors", [6, 12, 24, 36])
def test_every_order_is_served_as_often(assessors: int) -> None:
    # ISO 4120:2021 asks for the six orders equally often among the panel.
    counts = Counter(triangle_servings(assessors, seed=1, session="s")["serving"].to_list())
    assert counts == dict.fromkeys(ORDERS, assessors // 6)


@pytest.mark.parametrize("assessors", [1, 5, 7, 20])
def test_a_panel_that_is_no_multiple_of_six_is_as_even_as_can_be(assessors: int) -> None:
    counts = Counter(triangle_servings(assessors, seed=3, session="s")["serving"].to_list())
    often = [counts.get(order, 0) for order in ORDERS]
    assert max(often) - min(often) <= 1
    assert sum(often) == assessors


def test_the_six_orders_hold_each_wine_twice_or_once_and_the_odd_one_everywhere() -> None:
    odd = [next(at for at in range(3) if order.count(order[at]) == 1) for order in ORDERS]
    assert sorted(odd) == [0, 0, 1, 1, 2, 2]
    assert {order.count("A") for order in ORDERS} == {1, 2}


def test_codes_have_three_digits_and_none_is_used_twice_in_a_session() -> None:
    frame = triangle_servings(100, seed=4, session="s")
    codes = pl.concat([frame[f"code_{place}"] for place in (1, 2, 3)])
    assert codes.n_unique() == 300
    assert codes.is_between(100, 999).all()


def test_a_session_too_large_for_its_codes_still_tells_the_glasses_of_a_set_apart() -> None:
    frame = triangle_servings(700, seed=4, session="s")
    assert frame.height == 700
    assert all(len(set(codes)) == 3 for codes in frame.select("code_1", "code_2", "code_3").iter_rows())


def test_the_same_seed_serves_the_same_and_each_session_has_its_own() -> None:
    first = triangle_servings(24, seed=9, session="LS26-OAK-T1")
    assert first.equals(triangle_servings(24, seed=9, session="LS26-OAK-T1"))
    assert not first.equals(triangle_servings(24, seed=10, session="LS26-OAK-T1"))
    assert not first.equals(triangle_servings(24, seed=9, session="LS26-ELM-T1"))


def test_no_assessor_can_guess_an_order_from_the_place_in_the_list() -> None:
    seen = Counter(triangle_servings(6, seed=seed, session="s")["serving"][0] for seed in range(600))
    # A chi-square test of 5 degrees of freedom; fails by chance once in a thousand, and the seeds are fixed.
    assert stats.chisquare([seen[order] for order in ORDERS]).pvalue > 0.001


@pytest.mark.parametrize("arms", [["a", "b"], ["a", "b", "c"], ["a", "b", "c", "d"]])
def test_every_arm_stands_in_every_place_as_often(arms: list[str]) -> None:
    frame = score_servings(4 * len(arms), arms, seed=2, session="s")
    counts = frame.group_by("place", "arm_id").len()
    assert counts.height == len(arms) ** 2
    assert counts["len"].unique().to_list() == [4]
    each = frame.group_by("assessor_id").agg(pl.col("arm_id").n_unique(), pl.col("code").n_unique())
    assert each.select(pl.col("arm_id", "code").unique()).rows() == [(len(arms), len(arms))]


def test_a_session_without_assessors_or_wines_is_refused() -> None:
    with pytest.raises(NotComputable):
        triangle_servings(0, seed=1, session="s")
    with pytest.raises(NotComputable):
        score_servings(3, [], seed=1, session="s")
