"""Each rule over several cells trips on readings that break it and is silent on a like set that does not.

Bounds are the settings of rules.toml; where a number comes from print its source stands beside the case.
Examples without one are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from crosscellar.contract import Contract, load_contract
from crosscellar.intake.rules import RULES

Objected = Callable[..., dict[str, list[int]]]
V, W = "T1-C1", "T1-S1"


def one(stage: str, **values: float) -> list[Any]:
    return [(V, stage, analyte, value) for analyte, value in values.items()]


def log(*brix: float, hours: int = 24, vessel: str = V) -> list[Any]:
    start = date(2024, 9, 23)
    return [
        (
            vessel,
            "ferment_daily",
            "brix",
            value,
            {
                "sample_date": start + timedelta(days=hours * number // 24),
                "time": f"{hours * number % 24:02d}:00",
            },
        )
        for number, value in enumerate(brix)
    ]


def at(day: date, lab: str = "lab_a", **more: Any) -> dict[str, Any]:
    return {"sample_date": day, "lab": lab, **more}


def elsewhere(stage: str, analyte: str, *values: float) -> list[Any]:
    vessels = ["T2-C1", "T2-C2", "T2-S1", "T2-S2", "T3-C1", "T3-C2", "T3-S1", "T3-S2"]
    return [(vessel, stage, analyte, value) for vessel, value in zip(vessels, values, strict=False)]


def here(stage: str, analyte: str, *values: float) -> list[Any]:
    vessels = ["T1-C1", "T1-C2", "T1-S1", "T1-S2"]
    return [(vessel, stage, analyte, value) for vessel, value in zip(vessels, values, strict=False)]


TA = (6.1, 6.4, 5.9, 6.6, 6.2, 6.0)
SULFURIC = tuple(round(value * 0.6535, 2) for value in TA)  # 98.079 / 150.087: both of two protons

#: code -> readings that break the rule, readings that do not, items hit by number.
CASES: dict[str, tuple[list[Any], list[Any], list[int]]] = {
    "free_above_total": (
        one("bottled", so2_free=84, so2_total=28),
        one("bottled", so2_free=31, so2_total=28),
        [0, 1],
    ),
    "free_close_above_total": (
        one("bottled", so2_free=31, so2_total=28),
        one("bottled", so2_free=29, so2_total=28),
        [0, 1],
    ),
    "free_share_of_total": (
        one("bottled", so2_free=95, so2_total=100),
        one("bottled", so2_free=30, so2_total=100),
        [0, 1],
    ),
    "free_so2_far_out": (
        one("bottled", so2_free=280, so2_total=90),
        one("bottled", so2_free=160, so2_total=200),
        [0],
    ),
    # Free 30 mg/L at pH 3.4 and pKa 1.81 leaves 30 / (1 + 10^1.59) = 0.75 mg/L molecular.
    "molecular_so2_differs": (
        one("bottled", so2_molecular=1.5, so2_free=30, ph=3.4),
        one("bottled", so2_molecular=0.75, so2_free=30, ph=3.4),
        [0],
    ),
    # 5.0 g/L as tartaric are 66.6 meq/L; 4.2 g/L as acetic are 69.9 meq/L (150.087 / 2 and 60.052).
    "va_above_ta": (
        one("bottled", volatile_acidity=4.2, titratable_acidity=5.0),
        one("bottled", volatile_acidity=0.4, titratable_acidity=5.0),
        [0, 1],
    ),
    "va_high_share_of_ta": (
        one("bottled", volatile_acidity=2.0, titratable_acidity=5.0),
        one("bottled", volatile_acidity=1.0, titratable_acidity=5.0),
        [0, 1],
    ),
    "acetic_above_va": (
        one("bottled", acetic_acid=0.9, volatile_acidity=0.5),
        one("bottled", acetic_acid=0.5, volatile_acidity=0.5),
        [0, 1],
    ),
    # 6,497 wines of Cortez et al. (2009): pH + 0.1 TA lies between 3.52 and 4.65 for 99.8 %.
    "ph_unlike_ta": (
        one("bottled", ph=3.9, titratable_acidity=11.0),
        one("bottled", ph=3.4, titratable_acidity=6.5),
        [0, 1],
    ),
    "sugars_do_not_add": (
        one("end_primary", glucose_fructose=9, glucose=1, fructose=2),
        one("end_primary", glucose_fructose=3.1, glucose=1, fructose=2),
        [0, 1, 2],
    ),
    "glucose_above_fructose": (
        one("end_primary", glucose=6, fructose=2),
        one("end_primary", glucose=2, fructose=6),
        [0, 1],
    ),
    "colour_does_not_add": (
        one("bottled", colour_intensity=6, a420=2, a520=3, a620=0.5),
        one("bottled", colour_intensity=5.5, a420=2, a520=3, a620=0.5),
        [0],
    ),
    "hue_differs": (one("bottled", hue=0.9, a420=2, a520=3), one("bottled", hue=0.67, a420=2, a520=3), [0]),
    "yan_does_not_add": (
        one("juice", yan=250, ammonia_n=60, primary_amino_n=110),
        one("juice", yan=172, ammonia_n=60, primary_amino_n=110),
        [0, 1, 2],
    ),
    # 0.9982 g/mL is the density of water at 20 °C, so that specific gravity 20/20 of water is 1.0000.
    "density_unlike_sg": (
        one("bottled", density_20=0.9940, specific_gravity=0.9940),
        one("bottled", density_20=0.9940, specific_gravity=0.9958),
        [0, 1],
    ),
    # NBS Circular 440: 20 °Bx is specific gravity 1.0830.
    "brix_unlike_sg": (
        one("juice", brix=20, specific_gravity=1.09),
        one("juice", brix=20, specific_gravity=1.083),
        [0, 1],
    ),
    "glycerol_unlike_alcohol": (
        one("bottled", glycerol=30, ethanol=13),
        one("bottled", glycerol=8, ethanol=13),
        [0, 1],
    ),
    "zero_below_limit": (one("bottled", malic_acid=0), one("bottled", malic_acid=0.1), [0]),
    "total_so2_rises": (
        one("bottled", so2_total=80) + one("bottle_age_12m", so2_total=120),
        one("bottled", so2_total=80) + one("bottle_age_12m", so2_total=70),
        [0, 1],
    ),
    "va_falls": (
        one("end_primary", volatile_acidity=0.6) + one("end_mlf", volatile_acidity=0.3),
        one("end_primary", volatile_acidity=0.3) + one("end_mlf", volatile_acidity=0.4),
        [0, 1],
    ),
    "malic_rises": (
        one("end_primary", malic_acid=1.0) + one("end_mlf", malic_acid=2.0),
        one("end_primary", malic_acid=2.0) + one("end_mlf", malic_acid=0.1),
        [0, 1],
    ),
    "lactic_falls": (
        one("end_primary", lactic_acid=2.0) + one("end_mlf", lactic_acid=1.0),
        one("end_primary", lactic_acid=0.2) + one("end_mlf", lactic_acid=1.5),
        [0, 1],
    ),
    # 90.08 / 134.09: 2.0 g/L of malic acid give 1.34 g/L of lactic acid.
    "malolactic_balance": (
        one("end_primary", malic_acid=2.1, lactic_acid=0.1) + one("end_mlf", malic_acid=0.1, lactic_acid=0.4),
        one("end_primary", malic_acid=2.1, lactic_acid=0.1)
        + one("end_mlf", malic_acid=0.1, lactic_acid=1.44),
        [2, 3],
    ),
    "ta_unlike_malic": (
        one("end_primary", titratable_acidity=6.0, malic_acid=2.1)
        + one("end_mlf", titratable_acidity=6.4, malic_acid=0.1),
        one("end_primary", titratable_acidity=6.0, malic_acid=2.1)
        + one("end_mlf", titratable_acidity=4.9, malic_acid=0.1),
        [2, 3],
    ),
    "ph_over_malolactic": (
        one("end_primary", ph=3.2) + one("end_mlf", ph=3.8),
        one("end_primary", ph=3.3) + one("end_mlf", ph=3.45),
        [0, 1],
    ),
    "malic_left": (one("end_mlf", malic_acid=0.9), one("end_mlf", malic_acid=0.2), [0]),
    # 22 °Bx hold at most 240 g/L; 15.43 g/L give 1 % vol at most (stoichiometry): 15.6 and the slack.
    "alcohol_above_possible": (
        one("juice", brix=22) + one("end_primary", ethanol=16.4),
        one("juice", brix=22) + one("end_primary", ethanol=13.0),
        [1],
    ),
    "alcohol_unlike_brix": (
        one("juice", brix=24) + one("end_primary", ethanol=9.0, glucose_fructose=0.5),
        one("juice", brix=24) + one("end_primary", ethanol=14.2, glucose_fructose=0.5),
        [1],
    ),
    "alcohol_unlike_sugar": (
        one("juice", glucose_fructose=230) + one("end_primary", ethanol=11.0, glucose_fructose=1),
        one("juice", glucose_fructose=230) + one("end_primary", ethanol=13.6, glucose_fructose=1),
        [1, 2],
    ),
    "alcohol_moves_in_ageing": (
        one("end_primary", ethanol=13.0) + one("pre_bottling", ethanol=13.6),
        one("end_primary", ethanol=13.0) + one("pre_bottling", ethanol=13.1),
        [0, 1],
    ),
    "yan_rises": (
        one("juice", yan=150) + one("end_primary", yan=190),
        one("juice", yan=150) + one("end_primary", yan=20),
        [0, 1],
    ),
    "malolactic_with_free_so2": (
        one("end_primary", malic_acid=2.0, so2_free=30) + one("end_mlf", malic_acid=0.1),
        one("end_primary", malic_acid=2.0, so2_free=5) + one("end_mlf", malic_acid=0.1),
        [2],
    ),
    "stage_unlike_chemistry": (one("juice", ethanol=3.0), one("juice", ethanol=0.2), [0]),
    "refractometer_after_alcohol": (
        one("end_primary", brix=6.5, glucose_fructose=1),
        one("end_primary", brix=-1.5, glucose_fructose=1),
        [0],
    ),
    "sugar_rises": (log(22, 20, 17, 14, 15, 11), log(22, 20, 17, 14, 14.3, 11), [4]),
    "sugar_rises_far": (log(22, 20, 17, 21, 11, 8), log(22, 20, 17, 14, 11, 8), [3]),
    "brix_falls_fast": (log(22, 20, 10, 8), log(22, 20, 14, 8), [2]),
    "brix_falls_too_fast": (log(22, 20, 6, 4), log(22, 20, 14, 8), [1, 2]),
    "ferment_stalls": (log(22, 18, 12, 11.8, 9), log(22, 18, 12, 10, 7), [3]),
    "date_outside_season": ([(V, "juice", "ph", 3.4, at(date(2023, 9, 20)))], one("juice", ph=3.4), [0]),
    "date_in_other_hemisphere": ([(V, "juice", "ph", 3.4, at(date(2024, 3, 20)))], one("juice", ph=3.4), [0]),
    "stages_out_of_order": (
        [
            *one("juice", ph=3.4),
            *one("pre_bottling", ph=3.5),
            (V, "end_primary", "ph", 3.4, at(date(2024, 9, 1))),
        ],
        [*one("juice", ph=3.4), *one("pre_bottling", ph=3.5), *one("end_primary", ph=3.4)],
        [0, 2],
    ),
    "days_unlike_stage": (
        [*one("end_primary", ph=3.4), (V, "end_mlf", "ph", 3.5, at(date(2025, 12, 1)))],
        one("end_primary", ph=3.4) + one("end_mlf", ph=3.5),
        [1],
    ),
    "laboratories_differ": (
        [(V, "bottled", "ph", 3.4), (W, "bottled", "ph", 3.5, {"lab": "lab_b"})],
        [(V, "bottled", "ph", 3.4), (W, "bottled", "ph", 3.5)],
        [0, 1],
    ),
    "scale_changes": (
        [(V, "bottled", "ph", 3.4, {"method": "meter"}), (W, "bottled", "ph", 3.5, {"method": "strip"})],
        [(V, "bottled", "ph", 3.4, {"method": "meter"}), (W, "bottled", "ph", 3.5, {"method": "meter"})],
        [0],
    ),
    "decimal_slip": (
        here("bottled", "titratable_acidity", 6.2, 62.0) + elsewhere("bottled", "titratable_acidity", *TA),
        here("bottled", "titratable_acidity", 6.2, 8.9) + elsewhere("bottled", "titratable_acidity", *TA),
        [1],
    ),
    "ta_in_g_per_100ml": (
        here("bottled", "titratable_acidity", 0.62, 0.58, 0.61),
        here("bottled", "titratable_acidity", 6.2, 5.8, 6.1),
        [0, 1, 2],
    ),
    "ph_and_ta_swapped": (
        here("bottled", "ph", 6.2, 6.4, 5.9) + here("bottled", "titratable_acidity", 3.4, 3.5, 3.3),
        here("bottled", "ph", 3.4, 3.5, 3.3) + here("bottled", "titratable_acidity", 6.2, 6.4, 5.9),
        [0, 1, 2, 3, 4, 5],
    ),
    "copied_down": (
        here("end_primary", "ph", 3.41, 3.41, 3.41, 3.41)
        + elsewhere("end_primary", "ph", 3.41, 3.41, 3.41, 3.41),
        here("end_primary", "ph", 3.41, 3.45, 3.38, 3.41)
        + elsewhere("end_primary", "ph", 3.51, 3.36, 3.41, 3.47),
        [0],
    ),
    "filled_series": (
        here("end_primary", "ph", 3.41, 3.42, 3.43, 3.44) + elsewhere("end_primary", "ph", 3.45, 3.46, 3.47),
        here("end_primary", "ph", 3.41, 3.42, 3.40, 3.44) + elsewhere("end_primary", "ph", 3.45, 3.41, 3.47),
        [0, 1, 2, 3, 4, 5, 6],
    ),
    "copied_between": (
        log(22.1, 20.3, 17.2, 14.4, 11.1, 8.3, 5.2, 2.1)
        + log(22.1, 20.3, 17.2, 14.4, 11.1, 8.3, 5.2, 2.1, vessel=W),
        log(22.1, 20.3, 17.2, 14.4, 11.1, 8.3, 5.2, 2.1)
        + log(22.1, 20.3, 17.2, 14.4, 11.2, 8.3, 5.2, 2.1, vessel=W),
        list(range(16)),
    ),
}


@pytest.mark.parametrize("code", CASES)
def test_a_rule_trips_where_it_is_broken(code: str, objected: Objected, contract: Contract) -> None:
    broken, _, items = CASES[code]
    assert objected(broken, only=code) == {code: items}
    named = contract.rules[code].analytes
    assert not named or {broken[item][2] for item in items} <= set(named)


@pytest.mark.parametrize("code", CASES)
def test_a_rule_is_silent_where_it_is_kept(code: str, objected: Objected) -> None:
    _, kept, _ = CASES[code]
    assert objected(kept, only=code) == {}


def test_a_rule_that_is_switched_off_says_nothing(objected: Objected) -> None:
    broken, _, items = CASES["free_above_total"]
    assert objected(broken)["free_above_total"] == items
    assert "free_above_total" not in objected(broken, settings={"free_above_total": {"on": 0}})


def test_every_rule_is_declared_and_never_refuses() -> None:
    rules = load_contract().rules
    assert {rules[code].severity for code in RULES} == {"hold", "remark"}
