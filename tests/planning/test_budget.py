"""Costs, the cheapest plan, and several proposals under one budget."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import polars as pl
import pytest

from crosscellar.errors import NotComputable, UnknownName
from crosscellar.planning import Prices, cheapest_plan, choose_proposals
from crosscellar.planning.budget import EXACT_UP_TO

PLAN = pl.DataFrame(
    {
        "more_sites": [1, 2, 4, 2],
        "again": [0, 0, 0, 0],
        "vessels": [1, 1, 1, 3],
        "half_width": [0.5, 0.3, 0.15, 0.2],
        "chance_decided": [0.2, 0.5, 0.85, 0.8],
    }
)


def test_a_plan_costs_its_sites_vessels_and_samples() -> None:
    prices = Prices.of({"per_sample": 30, "per_vessel": 5, "per_site": 400})
    cost = prices.of_plan(PLAN, samples_per_vessel=2)
    # By hand, for two sites with three vessels in each of two arms: 12 vessels, 24 samples.
    assert cost["cost"].to_list()[3] == 2 * 400 + 12 * 5 + 24 * 30
    assert cost["samples"].to_list() == [4, 8, 16, 24]
    # Three sites again beside the new ones: their vessels and samples, and nothing for the sites themselves.
    more = prices.of_plan(PLAN.with_columns(again=3), samples_per_vessel=2)
    assert (more["cost"] - cost["cost"]).to_list() == [6 * n * (5 + 2 * 30) for n in PLAN["vessels"]]


def test_the_cheapest_plan_depends_on_what_a_site_costs() -> None:
    dear_sites = Prices.of({"per_sample": 10, "per_site": 1000}).of_plan(PLAN)
    dear_samples = Prices.of({"per_sample": 200, "per_site": 100}).of_plan(PLAN)
    assert cheapest_plan(dear_sites)["vessels"] == 3  # type: ignore[index]
    assert cheapest_plan(dear_samples)["more_sites"] == 4  # type: ignore[index]
    assert cheapest_plan(dear_sites, half_width=0.16)["more_sites"] == 4  # type: ignore[index]
    assert cheapest_plan(dear_sites, chance=0.99) is None


@pytest.mark.parametrize(
    "table", [{}, {"per_sample": -1}, {"per_sample": "30"}, {"per_sample": 1, "per_site": True}]
)
def test_prices_that_are_none_are_refused(table: dict[str, object]) -> None:
    with pytest.raises(NotComputable, match="Give an amount"):
        Prices.of(table)


def test_a_price_of_an_unknown_thing_is_named() -> None:
    with pytest.raises(UnknownName, match="per_sampel"):
        Prices.of({"per_sampel": 30})


def proposals(n: int, seed: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    rng = np.random.default_rng(seed)
    rows = pl.DataFrame(
        {
            "question": rng.choice(["lees", "soak", "nutrient"], n),
            "site": rng.choice(["a", "b", "c", "d"], n),
            "cost": rng.integers(100, 900, n).astype(float),
        }
    )
    chances = pl.DataFrame(
        {
            "question": np.repeat(["lees", "soak", "nutrient"], 4),
            "more_sites": np.tile([0, 1, 2, 3], 3),
            "chance_decided": [0.1, 0.2, 0.6, 0.8, 0.0, 0.0, 0.5, 0.9, 0.4, 0.6, 0.7, 0.75],
        }
    )
    return rows, chances


@pytest.mark.parametrize("seed", range(4))
def test_no_set_within_the_budget_decides_more(seed: int) -> None:
    rows, chances = proposals(9, seed)
    budget = 1800.0
    chosen = choose_proposals(rows, chances, budget=budget)
    chance = {(q, s): c for q, s, c in chances.iter_rows()}

    def decided(some: tuple[int, ...]) -> float:
        sites: dict[str, set[str]] = {q: set() for q in rows["question"].unique()}
        for at in some:
            sites[rows["question"][at]].add(rows["site"][at])
        return sum(chance[q, min(3, len(places))] for q, places in sites.items())

    sets = [
        some
        for size in range(10)
        for some in combinations(range(9), size)
        if sum(rows["cost"][at] for at in some) <= budget
    ]
    assert chosen.exact
    assert chosen.cost == pytest.approx(chosen.proposals["cost"].sum())
    assert chosen.cost <= budget
    assert chosen.decided == pytest.approx(max(map(decided, sets)), abs=1e-3)


def test_many_proposals_are_chosen_step_by_step_and_that_is_said() -> None:
    rows, chances = proposals(EXACT_UP_TO + 4, 1)
    chosen = choose_proposals(rows, chances, budget=2500)
    assert not chosen.exact
    assert 0 < chosen.cost <= 2500
    assert chosen.decided > 0.5


def test_nothing_is_bought_with_nothing() -> None:
    rows, chances = proposals(6, 0)
    chosen = choose_proposals(rows, chances, budget=0)
    assert chosen.proposals.is_empty()
    assert chosen.decided == pytest.approx(
        sum(
            chances.filter(
                (pl.col("more_sites") == 0) & pl.col("question").is_in(rows["question"].to_list())
            )["chance_decided"]
        )
    )


def test_a_second_trial_at_one_site_is_not_bought() -> None:
    rows = pl.DataFrame({"question": ["lees"] * 3, "site": ["a", "a", "b"], "cost": [100.0, 100.0, 500.0]})
    _, chances = proposals(1, 0)
    chosen = choose_proposals(rows, chances, budget=1000)
    assert chosen.proposals["site"].to_list() == ["a", "b"]


def test_a_question_that_was_not_planned_is_named() -> None:
    rows = pl.DataFrame({"question": ["oak"], "site": ["a"], "cost": [1.0]})
    with pytest.raises(NotComputable, match="oak"):
        choose_proposals(rows, proposals(1, 0)[1], budget=10)


def test_a_proposal_that_decides_nothing_is_not_funded() -> None:
    asked = pl.DataFrame(
        {"question": ["lees", "soak", "soak"], "site": ["a", "b", "c"], "cost": [1.0, 1.0, 1.0]}
    )
    chances = pl.DataFrame(
        {
            "question": ["lees", "lees", "soak", "soak", "soak"],
            "more_sites": [0, 1, 0, 1, 2],
            "chance_decided": [0.4, 0.4, 0.0, 0.0, 0.3],
        }
    )
    choice = choose_proposals(asked, chances, budget=3.0)
    # One more soak alone adds nothing, two do; one more of lees never does.
    assert choice.proposals["question"].to_list() == ["soak", "soak"]


def test_of_sets_that_decide_as_many_at_as_many_sites_those_tried_before_go_first() -> None:
    asked = pl.DataFrame(
        {"question": ["new", "old"], "site": ["a", "b"], "cost": [1.0, 1.0], "replicates": [False, True]}
    )
    chances = pl.DataFrame(
        {
            "question": ["new", "new", "old", "old"],
            "more_sites": [0, 1, 0, 1],
            "chance_decided": [0.0, 0.5] * 2,
        }
    )
    assert choose_proposals(asked, chances, budget=1.0).proposals["question"].to_list() == ["old"]
