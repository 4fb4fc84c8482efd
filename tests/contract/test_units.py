"""A written unit is read against a closed table; a basis that matters and is not said is asked for."""

from __future__ import annotations

import csv
from pathlib import Path

import polars as pl
import pytest

from crosscellar.contract import Contract, formulas, unit_key
from crosscellar.errors import CrosscellarError

SPELLINGS = Path(__file__).parent.parent / "reference" / "enology" / "units.csv"


def value(contract: Contract, analyte: str, number: float, unit: str, **declared: str) -> float:
    reading = contract.read_unit(analyte, unit, **declared)
    assert reading.usable, reading
    return float(contract.convert(pl.Series([number]), reading)[0])


@pytest.mark.parametrize(
    ("analyte", "number", "unit", "wanted"),
    [
        ("titratable_acidity", 4.70, "g/L as H2SO4", 7.19241),
        ("titratable_acidity", 6.4, "g/L as malic", 7.16352),
        ("titratable_acidity", 46.6, "meq/L", 3.4969),  # EU: 46.6 meq/L = 3.5 g/L
        ("titratable_acidity", 0.712, "g/100 mL as tartaric", 7.12),
        ("volatile_acidity", 20, "meq/L", 1.201),  # EU: 20 meq/L = 1.20 g/L
        ("volatile_acidity", 1, "g/L as sulfuric", 1.2245),
        ("malic_acid", 2900, "mg/L", 2.9),
        ("so2_free", 4100, "µg/L", 4.1),
        ("so2_free", 4100, "μg/L", 4.1),
        ("so2_free", 4, "ppm", 4),
        ("ammonia_n", 100, "mg/L as NH3", 82.25),
        ("ammonia_n", 100, "mg NH4/L", 77.65),
        ("yan", 180, "mg/L", 180),
        ("temperature", 68, "°F", 20),
        ("temperature", 293.15, "K", 20),
        ("specific_gravity", 96.5, "°Oe", 1.0965),
        ("specific_gravity", 1090, "SG x 1000", 1.090),
        ("density_20", 990, "kg/m3", 0.990),
        ("brix", 1.040, "SG", 9.99325),  # NBS Circular 440
        ("brix", 24, "%", 24),
        ("ethanol", 12, "%", 12),
        ("ethanol", 9.641, "% w/w", 12.0),
        ("ethanol", 78.9239, "g/L", 10),
        ("yeast_viable", 6, "log10 CFU/mL", 1e6),
        ("yeast_viable", 50, "CFU/100mL", 0.5),
        ("a420", 0.05, "1 mm path", 0.5),
        ("chloride", 1, "g/L as NaCl", 606.6),
        ("potassium", 10, "meq/L", 390.98),
        ("intensity_line15", 75, "mm", 7.5),
    ],
)
def test_numbers_come_out_in_the_canonical_unit(
    contract: Contract, analyte: str, number: float, unit: str, wanted: float
) -> None:
    assert value(contract, analyte, number, unit) == pytest.approx(wanted, rel=2e-4)


@pytest.mark.parametrize(
    ("analyte", "likely"), [("titratable_acidity", 2), ("volatile_acidity", 2), ("ammonia_n", 3)]
)
def test_a_basis_that_matters_and_is_not_said_is_asked_for(
    contract: Contract, analyte: str, likely: int
) -> None:
    plain = "mg/L" if analyte == "ammonia_n" else "g/L"
    reading = contract.read_unit(analyte, plain)
    assert reading.outcome == "needs_basis"
    assert len(reading.alternatives) == likely
    assert all(each.usable for each in reading.alternatives)
    with pytest.raises(CrosscellarError, match="needs_basis"):
        contract.convert(pl.Series([1.0]), reading)


def test_what_the_laboratory_declared_settles_the_basis(contract: Contract) -> None:
    assert contract.read_unit("titratable_acidity", "g/L", declared_basis="tartaric").outcome == "same"
    assert value(contract, "titratable_acidity", 4.0, "g/L", declared_basis="H2SO4") == pytest.approx(6.1212)
    assert value(
        contract, "titratable_acidity", 4.0, "g/L", declared_unit="g/L as sulfuric"
    ) == pytest.approx(6.1212)
    assert value(contract, "titratable_acidity", 4.0, "", declared_unit="g/L as sulfuric") == pytest.approx(
        6.1212
    )


def test_what_the_sheet_says_goes_before_what_was_declared(contract: Contract) -> None:
    said = contract.read_unit("titratable_acidity", "g/L as tartaric", declared_basis="sulfuric")
    assert said.outcome == "same"


def test_a_blank_unit_is_enough_for_a_bare_number_only(contract: Contract) -> None:
    assert contract.read_unit("ph", "").outcome == "same"
    assert contract.read_unit("ph", None).outcome == "same"
    assert contract.read_unit("specific_gravity", " ").outcome == "same"
    for analyte in ("titratable_acidity", "malic_acid", "ethanol", "temperature", "brix"):
        assert contract.read_unit(analyte, "").outcome == "needs_unit"


@pytest.mark.parametrize(
    ("analyte", "unit", "outcome"),
    [
        ("malic_acid", "ppb", "not_allowed"),
        ("ph", "g/L", "not_allowed"),
        ("so2_total", "g/hL", "not_allowed"),
        ("copper", "mg/kg", "not_allowed"),
        ("malic_acid", "g/L as tartaric", "not_allowed"),
        ("copper", "furlongs", "unknown"),
        ("copper", "mg", "not_allowed"),
        ("volume", "gal", "ambiguous"),
        ("yield_per_area", "ton/acre", "ambiguous"),
        ("ibmp", "ppt", "alias"),
        ("malic_acid", "ppt", "alias"),
    ],
)
def test_what_does_not_fit_is_not_guessed(contract: Contract, analyte: str, unit: str, outcome: str) -> None:
    assert contract.read_unit(analyte, unit).outcome == outcome


def test_the_arithmetic_is_shown_as_it_is_done(contract: Contract) -> None:
    words = contract.read_unit("titratable_acidity", "g/100mL", declared_basis="tartaric").words
    assert words == "g/100 mL as tartaric x 10 = g/L as tartaric"
    assert contract.read_unit("so2_total", "ug/L").words == "µg/L / 1000 = mg/L"


def test_a_remembered_factor_says_so(contract: Contract) -> None:
    reading = contract.read_unit("turbidity", "EBC")
    assert reading.figures == "memory"
    assert "from memory" in reading.words


def test_expressions_and_series_convert_alike(contract: Contract) -> None:
    frame = pl.DataFrame({"value": [1.02, None, 1.09]})
    for analyte, unit in (("brix", "SG"), ("so2_free", "g/L"), ("temperature", "°F")):
        reading = contract.read_unit(analyte, unit)
        by_expression = frame.select(contract.convert(pl.col("value"), reading))["value"]
        by_series = contract.convert(frame["value"], reading)
        assert by_expression.to_list() == by_series.to_list()
        assert by_series[1] is None


def test_dividing_keeps_the_decimal_that_was_typed(contract: Contract) -> None:
    reading = contract.read_unit("so2_free", "µg/L")
    typed = pl.Series([float(n) for n in range(1, 5001)])
    assert contract.convert(typed, reading).to_list() == [n / 1000 for n in range(1, 5001)]


#: Listed in the reference table, but no unit of a reading: a formula's name, a family's label, or a remark.
NOT_UNITS = {
    "1090 (SG)",
    "TA pH 7.0 endpoint",
    "kg/vine",
    "mg/L DAP",
    "mg/L K2S2O5",
    "g/L sugar",
    "% sat (O2)",
    "molecular SO2",
    "hydrometer reading at T",
    "refractometer °Bx at T",
    "density + SO2",
    "g/L ethanol",
}


def test_every_spelling_of_the_reference_table_is_read(contract: Contract) -> None:
    with SPELLINGS.open(encoding="utf-8") as file:
        spellings = {row["alias"] for row in csv.DictReader(file)} - NOT_UNITS
    assert len(spellings) > 150
    unread = sorted(text for text in spellings if not contract.unit_table.parse(text))
    assert unread == []


def test_linear_factors_agree_with_the_reference_table(contract: Contract) -> None:
    """Each straight-line row of the table against ours, between the same two units."""
    compared = 0
    table = contract.unit_table
    with SPELLINGS.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["conversion_type"] != "linear" or row["alias"] in NOT_UNITS:
                continue
            targets = {unit for unit, _ in table.parse(row["canonical"])}
            for unit, basis in table.parse(row["alias"]):
                same = [
                    table.units[to]
                    for to in targets
                    if table.units[to].dimension == table.units[unit].dimension
                ]
                if basis is None and same:
                    ratio = table.units[unit].factor / same[0].factor
                    assert ratio == pytest.approx(float(row["factor"]), rel=2e-5), row["alias"]
                    compared += 1
    assert compared > 100


def test_basis_factors_agree_with_the_reference_table(contract: Contract) -> None:
    """Rows such as `g/L as sulfuric -> g/L as tartaric`, for the analyte they are listed under."""
    compared = 0
    with SPELLINGS.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            analyte = row["applies_to"]
            if row["conversion_type"] != "needs_basis" or analyte not in contract.analytes:
                continue
            # A potential alcohol is computed, with a factor that must be declared; it is no change of unit.
            if row["alias"] in NOT_UNITS or analyte == "potential_alcohol":
                continue
            if unit_key(row["canonical"]) not in {
                unit_key(contract.analytes[analyte].unit),
                unit_key(contract.analytes[analyte].unit.split(" as ")[0]),
            }:
                continue
            reading = contract.read_unit(analyte, row["alias"])
            assert reading.usable, row
            assert reading.factor == pytest.approx(float(row["factor"]), rel=1e-9), row
            compared += 1
    assert compared >= 20


def test_printed_factors_agree_with_molar_masses(contract: Contract) -> None:
    """The four printed decimals against equivalent weights from molar masses, IUPAC atomic masses."""
    weights = {acid: formulas.equivalent_weight(acid) for acid in formulas.MOLAR_MASS}
    weights |= {"N": 14.007, "NH3": 17.031, "NH4": 18.039}
    weights |= {"Cl": 35.453, "NaCl": 58.443, "SO4": 96.06, "K2SO4": 174.26}
    for family in contract.families.values():
        for basis, factor in family.factors.items():
            if family.id != "absorbance" and factor != 1.0:
                exact = weights[family.canonical] / weights[basis]
                assert factor == pytest.approx(exact, abs=1.5e-4), (family.id, basis)
    for analyte, amounts in contract.unit_table.equivalents.items():
        acid = {"volatile_acidity": "acetic"}.get(analyte, analyte.removesuffix("_acid"))
        grams = weights.get(acid, weights["tartaric"] if acid.endswith("acidity") else 39.098)
        assert amounts["meq/L"] == pytest.approx(grams / 1000, rel=1e-3), analyte
