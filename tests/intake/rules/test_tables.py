"""Rules over whole columns and sessions, the store's readings as partners, and settings of a network."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from statistics import stdev
from typing import Any

import pytest

from crosscellar.contract import Contract
from crosscellar.errors import UnknownName

Objected = Callable[..., dict[str, list[int]]]
ORDERS = ("AAB", "ABA", "BAA", "BBA", "BAB", "ABB")
PAIR = {"control_arm": "control", "treatment_arm": "stirred"}
PEERS = ["T2-C1", "T2-C2", "T2-S1", "T2-S2"]
OWN = ["T1-C1", "T1-C2", "T1-S1", "T1-S2"]


def picks(*right: bool, orders: tuple[str, ...] = ORDERS) -> list[dict[str, Any]]:
    return [
        {**PAIR, "assessor_id": f"P{number:02d}", "serving": orders[number % len(orders)], "correct": correct}
        for number, correct in enumerate(right)
    ]


def scores(*given: float, high: float = 10.0, assessor: str = "P01") -> list[dict[str, Any]]:
    return [
        {"assessor_id": assessor, "attribute": "body", "score": score, "scale_low": 0.0, "scale_high": high,
         "arm_id": "control", "vessel_id": f"T1-C{number}"}
        for number, score in enumerate(given)
    ]  # fmt: skip


def test_free_so2_is_held_against_a_total_that_is_in_the_store(objected: Objected) -> None:
    total = [("T1-C1", "bottled", "so2_total", 28.0)]
    assert objected([("T1-C1", "bottled", "so2_free", 84.0)], stored=total)["free_above_total"] == [0]


def test_a_stored_reading_gives_way_to_the_one_that_comes_under_its_key(objected: Objected) -> None:
    mended = [("T1-C1", "bottled", "so2_free", 28.0), ("T1-C1", "bottled", "so2_total", 84.0)]
    swapped = [("T1-C1", "bottled", "so2_free", 84.0), ("T1-C1", "bottled", "so2_total", 28.0)]
    assert "free_above_total" not in objected(mended, stored=swapped)


def test_a_reading_that_is_refused_already_is_no_partner(objected: Objected) -> None:
    refused = ("T1-C1", "bottled", "so2_total", 28.0, {"entering": False})
    assert "free_above_total" not in objected([("T1-C1", "bottled", "so2_free", 84.0), refused])


def test_both_copies_of_a_reading_are_held(objected: Objected) -> None:
    sheet = [("T1-C1", "bottled", "so2_free", 84.0), ("T1-C1", "bottled", "so2_total", 28.0)]
    assert objected([*sheet, *sheet])["free_above_total"] == [0, 1, 2, 3]


@pytest.mark.parametrize(("factor", "tells"), [(1000.0, True), (1.0, False)])
def test_a_column_a_thousand_times_off_its_peers_is_held_whole(
    objected: Objected, factor: float, tells: bool
) -> None:
    stored = [(vessel, "bottled", "titratable_acidity", 6.0 + n / 10) for n, vessel in enumerate(PEERS)]
    sheet = [(v, "bottled", "titratable_acidity", factor * (5.9 + n / 10)) for n, v in enumerate(OWN)]
    found = objected(sheet, stored=stored)
    assert found.get("unit_slip") == ([0, 1, 2, 3] if tells else None)
    assert "decimal_slip" not in found


@pytest.mark.parametrize("swapped", [True, False])
def test_two_columns_at_each_others_level_are_held(objected: Objected, swapped: bool) -> None:
    levels = {"calcium": 80.0, "potassium": 1000.0}
    stored = [
        (v, "bottled", a, level * (1 + n / 50)) for a, level in levels.items() for n, v in enumerate(PEERS)
    ]
    names = ("potassium", "calcium") if swapped else ("calcium", "potassium")
    sheet = [
        (v, "bottled", a, level * (1 + n / 40))
        for a, level in zip(names, levels.values(), strict=True)
        for n, v in enumerate(OWN)
    ]
    assert objected(sheet, stored=stored).get("columns_swapped_pair") == (list(range(8)) if swapped else None)


@pytest.mark.parametrize("lower", [True, False])
def test_a_laboratory_at_two_thirds_of_all_others_is_asked_for_its_basis(
    objected: Objected, lower: bool
) -> None:
    # 98.079 / 150.087 = 0.653: sulfuric and tartaric acid, two protons each (molar masses).
    stored = [
        (v, "bottled", "titratable_acidity", 6.0 + n / 10, {"replicate": r})
        for n, v in enumerate(PEERS)
        for r in (1, 2)
    ]
    factor = 98.079 / 150.087 if lower else 1.0
    sheet = [
        (v, "bottled", "titratable_acidity", factor * (6.0 + n / 10), {"replicate": r, "lab": "lab_b"})
        for n, v in enumerate(OWN)
        for r in (1, 2)
    ]
    assert ("ta_as_sulfuric" in objected(sheet, stored=stored)) is lower


def test_a_ferment_that_stopped_is_no_decimal_slip(objected: Objected) -> None:
    dry = [(v, "end_primary", "glucose_fructose", 0.3 + n / 100) for n, v in enumerate(PEERS)]
    stuck = [("T1-C1", "end_primary", "glucose_fructose", 37.7)]
    assert objected(stuck, stored=dry, severity="hold") == {}


def test_must_of_one_lot_may_share_one_sample(objected: Objected) -> None:
    assert "copied_down" not in objected([(v, "juice", "yan", 181.0) for v in OWN])
    two_lots = [(v, "juice", "yan", 181.0) for v in [*OWN, *PEERS]]
    assert objected(two_lots)["copied_down"] == [0]


@pytest.mark.parametrize(
    ("right", "held", "remarked"),
    [(0, range(24), []), (1, range(24), []), (2, [], [0]), (3, [], []), (8, [], []), (24, [], [])],
)
def test_picks_below_chance_are_told_by_the_lower_tail_of_one_third(
    objected: Objected, right: int, held: Sequence[int], remarked: Sequence[int]
) -> None:
    # P(X <= 1 | 24, 1/3) = 0.0008, P(X <= 2) = 0.0040 and P(X <= 3) = 0.0146 by summing the terms of the
    # binomial law: under 0.001 a swapped key is likelier and all picks wait, under 0.01 it is a remark.
    sheet = picks(*[True] * right, *[False] * (24 - right))
    assert objected(picks=sheet, severity="hold").get("picks_below_chance", []) == list(held)
    assert objected(picks=sheet, severity="remark").get("picks_below_chance", []) == list(remarked)


@pytest.mark.parametrize(("last", "told"), [(6.21, True), (6.30, False)])
def test_four_vessels_closer_than_the_method_repeats_itself_are_remarked(
    objected: Objected, contract: Contract, last: float, told: bool
) -> None:
    # The repeatability limit r is 2.8 times the standard deviation of repeats (ISO 5725-6, from memory). What
    # share of that is too little is the rule's setting; common practice, no source.
    precision = contract.analytes["titratable_acidity"].precision
    assert precision is not None
    least = contract.rules["too_little_scatter"].settings["share"] * precision.repeatability / 2.8
    values = (6.2, 6.2, 6.2, last)
    assert (stdev(values) < least) is told
    arm = {"trial_id": "T1", "arm_id": "control"}
    sheet = [(v, "bottled", "titratable_acidity", value, arm) for v, value in zip(OWN, values, strict=True)]
    assert objected(sheet, severity="remark").get("too_little_scatter", []) == ([0] if told else [])
    assert "too_little_scatter" not in objected(sheet[:3], severity="remark")


def test_orders_used_unequally_are_told_once_and_equal_ones_are_not(objected: Objected) -> None:
    uneven = ("AAB", "AAB", "AAB", "ABA", "BAA", "BBA")
    assert objected(picks=picks(*[True] * 12, orders=uneven))["serving_unbalanced"] == [0]
    assert "serving_unbalanced" not in objected(picks=picks(*[True] * 12))


def test_a_session_in_which_one_wine_was_always_odd_is_held(objected: Objected) -> None:
    found = objected(picks=picks(*[True] * 6, orders=("AAB", "ABA", "BAA")), severity="hold")
    assert found == {"one_wine_always_odd": [0, 1, 2, 3, 4, 5]}
    assert objected(picks=picks(*[True] * 6), severity="hold") == {}


def test_an_assessor_twice_in_a_session_is_told_at_both(objected: Objected) -> None:
    twice = [*picks(True, False), {**picks(True)[0]}]
    assert objected(picks=twice)["assessor_twice"] == [0, 2]
    assert "assessor_twice" not in objected(picks=picks(True, False, True))


def test_a_flat_scorer_is_told_and_one_who_differs_is_not(objected: Objected) -> None:
    assert objected(scores=scores(5, 5, 5, 5, 5, 5))["flat_scorer"] == [0]
    assert "flat_scorer" not in objected(scores=scores(5, 5, 5, 5, 5, 6))


def test_two_scales_for_one_attribute_in_a_session_are_held(objected: Objected) -> None:
    mixed = [*scores(5, 6), *scores(50, 60, high=100.0, assessor="P02")]
    assert objected(scores=mixed)["scales_mixed"] == [0, 1, 2, 3]
    assert "scales_mixed" not in objected(scores=[*scores(5, 6), *scores(5, 7, assessor="P02")])


def test_a_tasting_dated_before_the_wine_was_made_is_held(objected: Objected) -> None:
    juice = [("T1-C1", "juice", "ph", 3.4)]
    early = [{**pick, "session_date": date(2024, 6, 20)} for pick in picks(*[True] * 6)]
    assert objected(juice, picks=early)["tasting_before_sample"] == [0, 1, 2, 3, 4, 5]
    assert "tasting_before_sample" not in objected(juice, picks=picks(*[True] * 6))


def test_a_setting_of_the_network_moves_a_bound(objected: Objected) -> None:
    sheet = [("T1-C1", "bottled", "so2_free", 32.0), ("T1-C1", "bottled", "so2_total", 28.0)]
    assert "free_above_total" not in objected(sheet)
    assert "free_above_total" in objected(sheet, settings={"free_above_total": {"method_slack": 3}})


def test_a_setting_that_there_is_not_is_refused_in_words(objected: Objected) -> None:
    with pytest.raises(UnknownName, match="method_slack"):
        objected(settings={"free_above_total": {"slak": 3}})
    with pytest.raises(UnknownName, match="free_abov"):
        objected(settings={"free_abov_total": {"slack": 3}})


def test_nothing_is_said_about_an_empty_batch(objected: Objected) -> None:
    assert objected() == {}


def test_a_session_in_two_sheets_is_judged_whole(objected: Objected) -> None:
    # 12 wrong of 24 in each sheet: P(X <= 0 | 12, 1/3) = 0.0077, P(X <= 0 | 24) = 0.00006.
    first = picks(*[False] * 12)
    second = [{**pick, "assessor_id": f"Q{number:02d}"} for number, pick in enumerate(first)]
    alone = objected(picks=second, severity="hold")
    assert "picks_below_chance" not in alone
    both = objected(picks=second, stored_picks=first, severity="hold")
    assert both["picks_below_chance"] == list(range(12))
    # Six orders once each in one sheet, six times one order in the other.
    lopsided = [{**pick, "assessor_id": f"R{n}", "serving": "AAB"} for n, pick in enumerate(first[:6])]
    assert "serving_unbalanced" not in objected(picks=second)
    assert objected(picks=second, stored_picks=lopsided)["serving_unbalanced"] == [0]


def test_a_sheet_that_came_before_is_not_counted_twice(objected: Objected) -> None:
    once = picks(*[False] * 9, *[True] * 3)
    assert objected(picks=once, stored_picks=once) == objected(picks=once)
    flat = scores(5, 5, 5)
    assert "flat_scorer" not in objected(scores=flat, stored_scores=flat)


def test_an_assessor_flat_over_two_sheets_is_told(objected: Objected) -> None:
    other = [
        {**score, "vessel_id": f"T1-S{n}", "arm_id": "stirred"} for n, score in enumerate(scores(5, 5, 5))
    ]
    assert "flat_scorer" not in objected(scores=other)
    assert objected(scores=other, stored_scores=scores(5, 5, 5))["flat_scorer"] == [0]
