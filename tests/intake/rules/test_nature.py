"""Rules about instruments, colour, aroma, vineyard, laboratories and digits: each trips, and each is silent.

Bounds are the settings of rules.toml; where a number comes from print its source stands beside the case.
Examples without one are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from crosscellar.contract import Contract
from crosscellar.intake.rules.colours import _OAK
from crosscellar.intake.rules.instruments import saturation
from crosscellar.intake.rules.laboratories import _printed_limits

Objected = Callable[..., dict[str, list[int]]]
V, W, WHITE = "T1-C1", "T1-S1", "T4-C1"
#: All vessels of the red trials.
REDS = [f"{trial}-{letter}{number}" for trial in ("T1", "T2", "T3") for letter in "CS" for number in (1, 2)]


def one(stage: str, vessel: str = V, **values: float) -> list[Any]:
    return [(vessel, stage, analyte, value) for analyte, value in values.items()]


def by(lab: str, stage: str, analyte: str, *values: float, **more: Any) -> list[Any]:
    return [
        (vessel, stage, analyte, v, {"lab": lab, **more}) for vessel, v in zip(REDS, values, strict=False)
    ]


def limit(vessel: str, value: float, **more: Any) -> Any:
    return (vessel, "bottled", "malic_acid", value, {"qualifier": "<", **more})


def sheet(analyte: str, *texts: str, stage: str = "bottled") -> list[Any]:
    """One file of a column as typed, over vessels and repeats."""
    return [
        (REDS[n % 12], stage, analyte, float(text), {"text_sent": text, "replicate": 1 + n // 12})
        for n, text in enumerate(texts)
    ]


def log_days(*days: int) -> list[Any]:
    """A log begun `days` after an inoculation on 22 September."""
    start = date(2024, 9, 22)
    return [
        *one("inoculation", brix=23),
        *((V, "ferment_daily", "brix", 20.0, {"sample_date": start + timedelta(days=day)}) for day in days),
    ]


def wide(stage: str, *rows: tuple[str, float], file_no: int = 1) -> list[Any]:
    """Rows of a wide sheet: a vessel, and the last of its five readings."""
    usual = {"ph": 3.41, "titratable_acidity": 6.2, "volatile_acidity": 0.31, "ethanol": 13.2}
    return [
        (vessel, stage, analyte, value, {"row": n, "column": 6 + m, "file_no": file_no})
        for n, (vessel, last) in enumerate(rows, 2)
        for m, (analyte, value) in enumerate({**usual, "so2_total": last}.items())
    ]


ELSEWHERE = {"file_no": 2, "file": "other.csv"}
PH = ["3.41", "3.44", "3.38", "3.46", "3.43", "3.39", "3.42", "3.45", "3.40", "3.47"]
#: 42 readings that end in 0 or 5, and 42 that end in every digit alike.
ROUNDED = [f"{3 + n / 20:.2f}" for n in range(42)]
MEASURED = [f"{3 + n * 7 / 100:.2f}" for n in range(42)]

#: code -> readings that break the rule, readings that do not, items hit by number.
CASES: dict[str, tuple[list[Any], list[Any], list[int]]] = {
    # Tartaric 2 + malic 1 x 1.119 (molar masses) and the usual most of the others stay under 9.
    "ta_above_acids": (
        one("bottled", titratable_acidity=11.9, tartaric_acid=1.5, malic_acid=0.5, lactic_acid=1.0),
        one("bottled", titratable_acidity=5.9, tartaric_acid=2.0, malic_acid=1.5, lactic_acid=1.0),
        [0],
    ),
    # Water and alcohol of 12 % vol weigh 0.9838 g/mL at 20 °C (OIV tables): 0.9920 leaves about 21 g/L.
    "extract_balance": (
        one("bottled", density_20=1.0200, ethanol=12.0, glucose_fructose=2.0),
        one("bottled", density_20=0.9920, ethanol=12.0, glucose_fructose=1.0),
        [0, 1, 2],
    ),
    "analyte_not_at_stage": (
        one("bottled", berry_weight=1.3) + one("vineyard_harvest", ethanol=12.0),
        one("vineyard_harvest", berry_weight=1.3, brix=22) + one("juice", brix=22),
        [0, 1],
    ),
    "days_unlike_stage": (log_days(-30, 2, 75), log_days(-2, 2, 40), [1, 3]),
    "refractometer_on_wine": (
        [
            (V, "end_primary", "brix", 7.0, {"method": "refractometer"}),
            (W, "end_primary", "brix", 7.0, {"lab": "lab c"}),
            (V, "ferment_daily", "brix", 12.0, {"note": "by Refractometer"}),
            (V, "ferment_daily", "ethanol", 6.0),
        ],
        [
            (V, "juice", "brix", 22.0, {"method": "refractometer"}),
            (V, "ferment_daily", "brix", 12.0, {"method": "hydrometer"}),
            (V, "ferment_daily", "ethanol", 6.0),
            (W, "ferment_daily", "brix", 12.0, {"method": "refractometer"}),
        ],
        [0, 1, 2],
    ),
    "hydrometer_temperature": (
        one("ferment_daily", specific_gravity=1.060, temperature=29)
        + one("ferment_daily", W, specific_gravity=1.050, temperature=31),
        [
            *one("ferment_daily", specific_gravity=1.060, temperature=21),
            (W, "ferment_daily", "specific_gravity", 1.05, {"note": "corrected to 20 °C"}),
            *one("ferment_daily", W, temperature=31),
            *one("juice", specific_gravity=1.090, temperature=9),
        ],
        [2],
    ),
    # 94 °F = 34.4 °C: the hottest reading of the vessel tells it.
    "hot_ferment": (
        [(V, "ferment_daily", "temperature", t, {"time": f"{h:02d}:00"}) for h, t in ((7, 35.1), (18, 36.4))],
        one("ferment_daily", temperature=33.9),
        [1],
    ),
    "heat_test_falls": (
        one("bottled", heat_test_delta_ntu=-1.2),
        one("bottled", heat_test_delta_ntu=-0.3) + one("bottled", W, heat_test_delta_ntu=4.0),
        [0],
    ),
    "carbon_dioxide_high": (one("bottled", co2=1800), one("bottled", co2=1300), [0]),
    # 9.1 mg/L at 20 °C (Standard Methods 4500-O): 1.2 times as much is 10.9.
    "oxygen_above_saturation": (
        one("bottled", dissolved_oxygen=12, temperature=20) + one("bottled", W, dissolved_oxygen=25),
        one("bottled", dissolved_oxygen=8, temperature=20) + one("bottled", W, dissolved_oxygen=12),
        [0, 2],
    ),
    # Means of two plates may be 0.5 and 1.5 colonies.
    "log_in_count_column": (
        sheet("lab_viable", "6.3", "5.8", "0", "7.1", stage="end_mlf"),
        sheet("lab_viable", "6", "5", "0", "7", stage="end_mlf") + sheet("brettanomyces", "0", "0.5", "1.5"),
        [0, 1, 2, 3],
    ),
    # OIV-MA-AS2-07B wants absorbances of 0.3 to 0.7: a cell of 1 mm that shows 2.4 is 24 for 1 cm.
    "absorbance_out_of_reach": (
        [(V, "bottled", "a520", 24.0, {"unit_sent": "AU (1 mm)"})],
        [
            (V, "bottled", "a520", 6.0, {"unit_sent": "AU (1 mm)"}),
            (W, "bottled", "a520", 12.0, {"unit_sent": "AU (1 cm)"}),
        ],
        [0],
    ),
    "colour_unlike_wine": (
        one("bottled", a520=0.1) + one("bottled", WHITE, a520=2.5, anthocyanins=240),
        one("bottled", a520=4.0)
        + one("bottled", WHITE, a520=0.02, anthocyanins=2)
        + one("juice", W, a520=0.1),
        [0, 1, 2],
    ),
    # 3, 4, 5: the root of 9 + 16, at arctan 4/3 = 53.13 degrees.
    "chroma_differs": (
        one("bottled", cielab_a=30, cielab_b=40, cielab_c=40, cielab_h=36.9),
        one("bottled", cielab_a=30, cielab_b=40, cielab_c=50.1, cielab_h=53.1)
        + one("bottled", W, cielab_a=30, cielab_b=-40, cielab_h=306.9),
        [2, 3],
    ),
    "tannin_methods_mixed": (
        one("bottled", tannin_mcp=1.4) + one("bottled", W, tannin_pp=500),
        one("bottled", tannin_mcp=1.4, tannin_pp=500) + one("bottled", W, tannin_pp=500),
        [0],
    ),
    "aroma_unit_slip": (
        sheet("ibmp", "9000", "12000", "8000")
        + [(v, "bottled", "ibmp", 9.0 + n, {**ELSEWHERE, "replicate": 2}) for n, v in enumerate(REDS)],
        sheet("ibmp", "30", "44", "38")
        + [(v, "bottled", "ibmp", 9.0 + n, {**ELSEWHERE, "replicate": 2}) for n, v in enumerate(REDS)],
        [0, 1, 2],
    ),
    "oak_without_oak": (
        one("pre_bottling", WHITE, whisky_lactone_cis=80),
        one("pre_bottling", whisky_lactone_cis=80) + one("pre_bottling", WHITE, whisky_lactone_cis=4),
        [0],
    ),
    "ethylphenol_ratio": (
        one("bottled", ethylphenol_4=120, ethylguaiacol_4=300),
        one("bottled", ethylphenol_4=900, ethylguaiacol_4=120)
        + one("bottled", W, ethylphenol_4=20, ethylguaiacol_4=30),
        [0, 1],
    ),
    # 100 berries of 1.3 g are 130 g; the rachis adds a few percent.
    "berries_times_weight": (
        one("vineyard_harvest", cluster_weight=240, berry_weight=1.3, berries_per_cluster=100),
        one("vineyard_harvest", cluster_weight=136, berry_weight=1.3, berries_per_cluster=100),
        [0, 1, 2],
    ),
    # 30 clusters of 120 g are 3.6 kg.
    "clusters_times_weight": (
        one("vineyard_harvest", yield_per_vine=1.4, clusters_per_vine=30, cluster_weight=120),
        one("vineyard_harvest", yield_per_vine=3.5, clusters_per_vine=30, cluster_weight=120),
        [0, 1, 2],
    ),
    "ravaz_differs": (
        one("vineyard_harvest", ravaz_index=9.0, yield_per_vine=3.6, pruning_weight=0.6),
        [
            *one("vineyard_harvest", ravaz_index=6.1, yield_per_vine=3.6),
            (V, "vineyard_harvest", "pruning_weight", 0.6, {"sample_date": date(2025, 1, 20)}),
        ],
        [0],
    ),
    # Lab C declares 50 mg/L, which are 0.05 g/L; another sheet writes <0.1 itself.
    "below_laboratory_limit": (
        [
            *by("lab c", "bottled", "malic_acid", 0.03),
            limit(W, 0.1, file_no=2),
            (V, "bottled", "malic_acid", 0.06, {"file_no": 2, "replicate": 2}),
        ],
        [
            *by("Lab C", "bottled", "malic_acid", 0.06),
            limit(W, 0.1, file_no=2),
            (V, "bottled", "malic_acid", 0.2, {"file_no": 2, "replicate": 2}),
        ],
        [0, 2],
    ),
    "limit_differs_by_arm": (
        [limit(V, 0.1), limit(W, 0.02)],
        [limit(V, 0.1), limit(W, 0.05), limit("T2-C1", 0.02)],
        [0],
    ),
    "end_point_missing": (
        by("lab_a", "bottled", "titratable_acidity", 6.1, 6.3, method="titration"),
        by("lab_a", "bottled", "titratable_acidity", 6.1, 6.3, method="titration, pH 7.0")
        + by("LAB C", "end_mlf", "titratable_acidity", 6.1, 6.3),
        [0],
    ),
    # Sulfuric over acetic acid, one proton each: 49.04 / 60.05 = 0.8167 (molar masses).
    "laboratories_at_a_factor": (
        by("lab_a", "bottled", "volatile_acidity", 0.40, 0.52, 0.61, 0.35)
        + by("lab_b", "bottled", "volatile_acidity", 0.327, 0.425, 0.498, 0.286),
        by("lab_a", "bottled", "volatile_acidity", 0.40, 0.52, 0.61, 0.35)
        + by("lab_b", "bottled", "volatile_acidity", 0.39, 0.50, 0.64, 0.36),
        [0],
    ),
    # Above 1.7 g/L lies above every limit in the table; the code of the place decides.
    "legal_information": (
        one("bottled", volatile_acidity=1.9, lead=150),
        one("bottled", volatile_acidity=0.9, lead=40) + one("juice", W, volatile_acidity=1.9),
        [0, 1],
    ),
    "terminal_digits": (sheet("ph", *ROUNDED), sheet("ph", *MEASURED), [0]),
    "digits_swapped": (sheet("ph", *PH, "4.34"), sheet("ph", *PH, "3.49"), [10]),
    "row_like_another": (
        wide("bottled", (V, 61.0), (W, 61.0)) + wide("juice", ("T1-C1", 0.0), ("T2-C1", 0.0), file_no=2),
        wide("bottled", (V, 61.0), (W, 62.0)) + wide("juice", ("T1-C1", 5.0), ("T1-S1", 5.0), file_no=2),
        [5],
    ),
    "va_in_g_per_100ml": (
        sheet("volatile_acidity", "0.04", "0.05", "0.06"),
        sheet("volatile_acidity", "0.14", "0.12", "0.18"),
        [0, 1, 2],
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


# Standard Methods 4500-O prints 14.62 at 0 °C, 11.29 at 10, 9.09 at 20 and 7.56 at 30 (from memory).
@pytest.mark.parametrize(("warmth", "printed"), [(0, 14.62), (10, 11.29), (20, 9.09), (30, 7.56)])
def test_oxygen_at_saturation_is_that_of_the_printed_table(warmth: float, printed: float) -> None:
    found = pl.DataFrame({"t": [float(warmth)]}).select(saturation(pl.col("t"))).item()
    assert found == pytest.approx(printed, abs=0.01)


def test_printed_limits_are_compared_in_the_unit_of_the_reading(contract: Contract) -> None:
    found = {
        (place, analyte): high
        for place, analyte, high in _printed_limits(
            contract, ("volatile_acidity", "lead", "so2_total")
        ).rows()
    }
    # 20 meq/L of acetic acid (60.05 g/mol) are 1.20 g/L; 0.1 mg/L of lead are 100 µg/L.
    assert found["OIV", "volatile_acidity"] == pytest.approx(1.201, abs=0.001)
    assert found["EU", "volatile_acidity"] == pytest.approx(1.201, abs=0.001)
    assert found["OIV", "lead"] == pytest.approx(100)
    # Of "250 / 300" the higher counts: a wine above it is above both.
    assert found["NEW ZEALAND", "so2_total"] == 300


@pytest.mark.parametrize(
    ("about", "oak"),
    [("barrel weekly", True), ("tank american oak chips", True), ("open fermenter soak_5d cold soak", False)],
)
def test_oak_is_told_by_the_word_and_not_by_a_part_of_one(about: str, oak: bool) -> None:
    assert pl.Series([about]).str.contains(_OAK).item() is oak


def test_an_aroma_a_thousand_times_too_low_is_told_where_the_method_would_not_see_it(
    objected: Objected,
) -> None:
    peers = [(v, "bottled", "vanillin", 100.0 + n, ELSEWHERE) for n, v in enumerate(REDS)]
    low = [(v, "bottled", "vanillin", (90 + n) / 1000, {"replicate": 2}) for n, v in enumerate(REDS[:3])]
    assert objected([*low, *peers], severity="hold").get("aroma_unit_slip") == [0, 1, 2]
