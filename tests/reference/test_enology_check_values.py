"""Published and derived figures of the trade against our formulas, unit table and declarations.

Every row of `enology/check_values.csv` names its source; the test's id repeats it. `verified` tells what was
read in print ("yes"), computed by a printed formula ("computed") or partly recalled ("part").
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from crosscellar.contract import Contract, formulas, load_contract

TABLE = (Path(__file__).parent / "enology" / "check_values.csv").read_text(encoding="utf-8")
ROWS = {row["check_id"]: row for row in csv.DictReader(TABLE.splitlines())}

#: Rows that no part of the contract answers, and why.
ELSEWHERE = {
    **{f"C{n}": "triangle tests: checked where effects are computed" for n in range(135, 148)},
    **{f"C{n}": "needs the open wine-quality data, which no known package carries" for n in range(154, 158)},
    "C162": "between-winery spread: recorded in the sources, nothing computes it",
    "C163": "spread between laboratories: recorded in the sources, nothing computes it",
}


def numbers(text: str) -> list[float]:
    return [float(found) for found in re.findall(r"(?<![\w.])-?\d+(?:\.\d+)?", text)]


def by_unit(analyte: str, unit: str, value: float) -> float:
    contract = load_contract()
    reading = contract.read_unit(analyte, unit)
    assert reading.usable, reading
    return float(contract.convert(pl.Series([value]), reading)[0])


def first(text: str) -> float:
    return numbers(text)[0]


WATER_OLD_MILLILITRE = 1.000028  # the litre of 1901 to 1964, in dm3

Compute = Callable[[str], float]
BY_GROUP: dict[str, tuple[range, Compute]] = {
    "sg to brix": (range(1, 9), lambda text: by_unit("brix", "SG", first(text))),
    "brix to sg": (range(9, 15), lambda text: formulas.sg_from_brix(first(text))),
    "inverse": (range(15, 16), lambda text: formulas.apparent_sg_from_brix(first(text))),
    "index": (range(16, 19), lambda text: by_unit("brix", "nD20", first(text))),
    "warm refractometer": (range(19, 34), lambda text: formulas.refractometer_correction(*numbers(text))),
    "warm hydrometer": (range(34, 39), lambda text: formulas.hydrometer_sg_at_20(1.090, first(text))),
    "water": (range(39, 45), lambda text: formulas.water_density(first(text)) * WATER_OLD_MILLILITRE),
    "mixture": (range(45, 54), lambda text: formulas.mixture_density(first(text))),
    "mass share": (range(54, 55), lambda text: 100 * formulas.mass_share_from_volume(first(text))),
    "equivalents": (range(55, 58), formulas.equivalent_weight),
    "ta meq": (range(58, 60), lambda text: by_unit("titratable_acidity", "meq/L", first(text))),
    "va meq": (range(60, 62), lambda text: by_unit("volatile_acidity", "meq/L", first(text))),
    "molecular share": (range(83, 91), lambda text: 100 * formulas.molecular_so2(1.0, first(text))),
    "free for 0.8": (range(91, 97), lambda text: formulas.free_so2_for(0.8, first(text))),
    "molecular": (range(97, 99), lambda text: formulas.molecular_so2(*numbers(text.replace("pH", "")))),
    "pk": (range(99, 119), lambda text: formulas.pk_so2(*numbers(text))),
}

ONE_BY_ONE: dict[str, Callable[[], float]] = {
    "C062": lambda: formulas.acidity_factor("acetic", "sulfuric"),
    "C063": lambda: by_unit("volatile_acidity", "g/L as H2SO4", 1.0),
    "C064": lambda: by_unit("titratable_acidity", "g/L as H2SO4", 1.0),
    "C065": lambda: 1000 / formulas.equivalent_weight("sulfuric"),
    "C066": lambda: 1000 / formulas.equivalent_weight("acetic"),
    "C067": lambda: 1000 / formulas.equivalent_weight("tartaric"),
    "C068": lambda: formulas.titratable_acidity_from_titration(12.0, 0.1, 15.0),
    "C069": lambda: 20 * formulas.equivalent_weight("sulfuric") / 1000,
    "C070": lambda: formulas.equivalent_weight("sulfuric") / 1000,
    "C071": lambda: by_unit("titratable_acidity", "g/L as malic", 1.0),
    "C072": lambda: by_unit("titratable_acidity", "g/L as lactic", 1.0),
    "C073": lambda: by_unit("titratable_acidity", "g/L as citric", 1.0),
    "C074": lambda: by_unit("titratable_acidity", "g/L as succinic", 1.0),
    "C075": lambda: by_unit("titratable_acidity", "g/L as acetic", 1.0),
    "C076": lambda: formulas.lactic_from_malic(1.0),
    "C077": lambda: formulas.carbon_dioxide_from_malic(1.0),
    "C078": lambda: (
        formulas.lactic_from_malic(1.0) * formulas.acidity_factor("lactic", "tartaric")
        - formulas.acidity_factor("malic", "tartaric")
    ),
    "C079": lambda: by_unit("ammonia_n", "mg/L as NH3", 1.0),
    "C080": lambda: formulas.yan(45 / 0.8225, 68.0),
    "C081": lambda: formulas.yan(100.0, 80.0),
    "C082": lambda: formulas.nitrogen_of_dap(100.0),
    "C119": lambda: formulas.so2_of_metabisulfite(1.0),
    "C120": lambda: formulas.potential_alcohol(16.83),
    "C121": lambda: formulas.potential_alcohol(217.0),
    "C122": formulas.sugar_per_percent_at_most,
    "C123": lambda: formulas.ETHANOL_20 / 100,
    "C124": lambda: formulas.oechsle_from_sg(1.0965),
    "C125": lambda: formulas.oechsle_from_sg(1.10103),
    "C126": lambda: formulas.grape_sugar_from_oechsle(96.5),
    "C127": lambda: formulas.baume_from_sg(1.08297),
    "C128": lambda: by_unit("oechsle", "KMW", 20.0),
    "C129": lambda: formulas.sg_from_density(0.9900),
    "C130": lambda: formulas.density_without_so2(1.0, 0.2) - 1.0,
    "C131": lambda: formulas.sg_of_residue(0.9925, 0.98412),
    "C132": lambda: 2 * load_contract().units["lb/1000 gal"].factor,
    "C133": lambda: by_unit("volatile_acidity", "g/100 mL as acetic", 0.14),
    "C134": lambda: by_unit("yield_per_area", "t/acre (short)", 1.0),
    "C149": lambda: legal("USA", "volatile_acidity", "natural red"),
    "C150": lambda: legal("EU", "so2_total", "red, G+F < 5"),
    "C151": lambda: legal("AUSTRALIA", "so2_total", "sugars >= 35"),
    "C153": lambda: formulas.sugar_free_extract(1.03898, 11.7, 65.8),
}


def legal(jurisdiction: str, parameter: str, product: str) -> float:
    found = [
        limit
        for limit in load_contract().legal_limits
        if (limit.jurisdiction, limit.parameter) == (jurisdiction, parameter) and product in limit.product
    ]
    assert len(found) == 1
    return float(found[0].limit)


def computed(check_id: str) -> float:
    if check_id in ONE_BY_ONE:
        return ONE_BY_ONE[check_id]()
    number = int(check_id[1:])
    for span, compute in BY_GROUP.values():
        if number in span:
            return compute(ROWS[check_id]["input"])
    raise AssertionError(check_id)


NUMERIC = [id_ for id_ in ROWS if id_ in ONE_BY_ONE or int(id_[1:]) < 135]


@pytest.mark.parametrize("check_id", NUMERIC, ids=[f"{id_}: {ROWS[id_]['source']}" for id_ in NUMERIC])
def test_the_figure_comes_out_as_its_source_has_it(check_id: str) -> None:
    row = ROWS[check_id]
    tolerance = float(row["tolerance"])
    # A printed figure stands for anything that rounds to it; 1e-9 lets binary fractions be.
    assert computed(check_id) == pytest.approx(float(row["expected"]), abs=tolerance + 1e-9, rel=0)


def test_the_serving_orders_are_the_six_of_iso_4120() -> None:
    # C148: ISO 4120:2021, 7.1 (six sequences)
    serving = next(c for c in load_contract().sheet_kinds["triangle"].columns if c.name == "serving")
    assert sorted(serving.allowed) == sorted(ROWS["C148"]["expected"].split())


def test_the_label_tolerance_says_that_it_may_not_cross_its_class() -> None:
    # C152: 27 CFR 4.36(b)
    found = [limit for limit in load_contract().legal_limits if limit.citation == "27 CFR 4.36(b)"]
    assert {limit.note for limit in found} == {"may not cross 14 %"}


@pytest.mark.parametrize(
    ("check_id", "analytes"),
    [
        ("C158", ["guaiacol", "whisky_lactone_cis", "furfural"]),  # common practice, no source
        ("C159", ["anthocyanins"]),  # barrel-to-barrel study of 49 barrels
        ("C160", ["tannin_mcp", "total_phenolics_folin"]),
        ("C161", ["colour_intensity", "hue", "a520"]),
    ],
)
def test_the_spread_between_barrels_is_the_one_of_the_study(
    contract_: Contract, check_id: str, analytes: list[str]
) -> None:
    low, high = numbers(ROWS[check_id]["expected"].replace("-", " to "))[:2]
    for analyte in analytes:
        declared = contract_.analytes[analyte]
        assert (declared.vessel_cv_low, declared.vessel_cv_high) == (low, high)


@pytest.fixture(scope="module")
def contract_() -> Contract:
    return load_contract()


def test_no_row_of_the_table_is_passed_over_in_silence() -> None:
    spread = {"C148", "C152", "C158", "C159", "C160", "C161"}
    assert set(ROWS) == set(NUMERIC) | spread | set(ELSEWHERE)
