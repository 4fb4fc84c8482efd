"""Unit conversions go there and back, keep order, and agree with pint, which never sees a cell's text."""

from __future__ import annotations

import numpy as np
import pint
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosscellar.contract import Contract, UnitReading, load_contract
from crosscellar.contract import formulas as f

CONTRACT: Contract = load_contract()


def _pairs() -> list[tuple[str, str, UnitReading]]:
    found = []
    for analyte in CONTRACT.analytes.values():
        family = CONTRACT.unit_table.family_of.get(analyte.id)
        for unit in analyte.units:
            for basis in family.factors if family else (None,):
                reading = CONTRACT.read_unit(analyte.id, unit, declared_basis=basis)
                if reading.usable and not reading.formula:
                    found.append((analyte.id, unit, reading))
    return found


STRAIGHT = _pairs()

#: Our unit -> the same in pint's own words; a dimensionless count stands for colonies and cells.
PINT = {
    "g/L": "gram/liter",
    "g/100 mL": "gram/(100*milliliter)",
    "kg/m3": "kilogram/meter**3",
    "mg/L": "milligram/liter",
    "mg/100 mL": "milligram/(100*milliliter)",
    "µg/mL": "microgram/milliliter",
    "µg/L": "microgram/liter",
    "ng/mL": "nanogram/milliliter",
    "ng/L": "nanogram/liter",
    "pg/mL": "picogram/milliliter",
    "mg/kg": "milligram/kilogram",
    "ng/kg": "nanogram/kilogram",
    "g/hL": "gram/hectoliter",
    "kg/hL": "kilogram/hectoliter",
    "mg/hL": "milligram/hectoliter",
    "lb/1000 gal": "pound/(1000*gallon)",
    "g/mL": "gram/milliliter",
    "kg/m3 (density)": "kilogram/meter**3",
    "°C": "degree_Celsius",
    "°F": "degree_Fahrenheit",
    "K": "kelvin",
    "µS/cm": "microsiemens/centimeter",
    "mS/cm": "millisiemens/centimeter",
    "mS/m": "millisiemens/meter",
    "CFU/mL": "1/milliliter",
    "CFU/100 mL": "1/(100*milliliter)",
    "CFU/250 mL": "1/(250*milliliter)",
    "CFU/bottle": "1/(750*milliliter)",
    "cells/mL": "1/milliliter",
    "10^6 cells/mL": "1000000/milliliter",
    "d": "day",
    "h": "hour",
    "L": "liter",
    "mL": "milliliter",
    "hL": "hectoliter",
    "m3": "meter**3",
    "gal (US)": "gallon",
    "gal (imp)": "imperial_gallon",
    "cm": "centimeter",
    "mm": "millimeter",
    "g": "gram",
    "mg": "milligram",
    "kg": "kilogram",
    "g/vine": "gram",
    "lb": "pound",
    "oz": "ounce",
    "g/100 berries": "gram/100",
    "g/50 berries": "gram/50",
    "t": "metric_ton",
    "ton (short)": "short_ton",
    "ton (long)": "long_ton",
    "t/ha": "metric_ton/hectare",
    "kg/ha": "kilogram/hectare",
    "t/acre (short)": "short_ton/acre",
    "t/acre (metric)": "metric_ton/acre",
    "t/acre (long)": "long_ton/acre",
    "1/m": "1/meter",
    "1/ft": "1/foot",
    "MPa": "megapascal",
    "bar": "bar",
    "kPa": "kilopascal",
    "psi": "psi",
    "%": "percent",
    "fraction": "dimensionless",
}


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def test_every_pair_of_units_of_a_dimension_agrees_with_pint(registry: pint.UnitRegistry) -> None:
    groups: dict[str, list[str]] = {}
    for id_, unit in CONTRACT.units.items():
        if id_ in PINT:
            groups.setdefault(unit.dimension, []).append(id_)
    compared = 0
    for ids in groups.values():
        for start in ids:
            for to in ids:
                one, other = CONTRACT.units[start], CONTRACT.units[to]
                ours = (one.factor * 7.0 + one.offset - other.offset) / other.factor
                if one.offset or other.offset or start == "°C":
                    theirs = registry.Quantity(7.0, PINT[start]).to(PINT[to]).magnitude
                else:
                    amount = 7.0 * registry.parse_expression(PINT[start])
                    theirs = (amount / registry.parse_expression(PINT[to])).to("dimensionless").magnitude
                # 2.2417 and 0.119826 are printed with five and six digits.
                assert ours == pytest.approx(theirs, rel=2e-5), (start, to)
                compared += 1
    assert compared > 150


def test_units_beyond_pint_are_those_of_the_trade() -> None:
    """What pint does not know is a scale of the trade or a ratio by definition."""
    unknown = {id_ for id_ in CONTRACT.units if id_ not in PINT}
    linear = {
        id_ for id_ in unknown if CONTRACT.units[id_].factor != 1.0 or CONTRACT.units[id_].offset != 0.0
    }
    assert linear == {"SG points", "°Oe", "proof", "EBC"}


@given(st.sampled_from(STRAIGHT), st.floats(min_value=1e-6, max_value=1e6))
def test_a_straight_conversion_goes_there_and_back(pair: tuple[str, str, UnitReading], value: float) -> None:
    _, _, reading = pair
    there = CONTRACT.convert(pl.Series([value]), reading)[0]
    back = (there - reading.offset) / reading.factor
    # An offset loses the digits that it swamps.
    assert back == pytest.approx(value, rel=1e-12, abs=1e-10 if reading.offset else 0)


@given(st.sampled_from(STRAIGHT), st.lists(st.floats(min_value=0, max_value=1e6), min_size=2, max_size=20))
def test_a_conversion_keeps_the_order(pair: tuple[str, str, UnitReading], values: list[float]) -> None:
    _, _, reading = pair
    converted = CONTRACT.convert(pl.Series(sorted(values)), reading).to_list()
    assert converted == sorted(converted)


@given(st.floats(min_value=1.0, max_value=1.178))
def test_brix_and_specific_gravity_go_there_and_back(sg: float) -> None:
    assert f.apparent_sg_from_brix(f.brix_from_sg(sg)) == pytest.approx(sg, abs=1e-9)


@given(st.floats(min_value=0.0, max_value=96.0))
def test_alcohol_by_volume_and_by_mass_go_there_and_back(alcohol: float) -> None:
    share = f.mass_share_from_volume(alcohol)
    assert f.alcohol_by_volume_from_mass(100 * share) == pytest.approx(alcohol, abs=1e-6)


@given(st.floats(min_value=0.98, max_value=1.2))
def test_scales_of_must_weight_go_there_and_back(sg: float) -> None:
    assert f.sg_from_baume(f.baume_from_sg(sg)) == pytest.approx(sg, rel=1e-12)
    assert f.sg_from_oechsle(f.oechsle_from_sg(sg)) == pytest.approx(sg, rel=1e-12)
    assert f.sg_from_density(f.density_from_sg(sg)) == pytest.approx(sg, rel=1e-12)


@given(st.floats(min_value=0, max_value=300), st.floats(min_value=2.5, max_value=4.5))
def test_molecular_so2_is_part_of_free_and_falls_with_ph(free: float, ph: float) -> None:
    molecular = f.molecular_so2(free, ph)
    assert 0 <= molecular <= free
    assert f.molecular_so2(free, ph + 0.1) <= molecular
    assert f.free_so2_for(molecular, ph) == pytest.approx(free, rel=1e-12)


@given(st.text(max_size=12))
def test_no_text_breaks_the_reading_of_units_or_names(text: str) -> None:
    reading = CONTRACT.read_unit("titratable_acidity", text)
    assert reading.unit == "g/L as tartaric"
    assert CONTRACT.name_analyte(text).how in {"exact", "alias", "case", "ambiguous", "misspelt", "unknown"}


def test_formulas_take_arrays_as_they_take_numbers() -> None:
    values = np.array([1.0, 1.05, 1.1])
    for function in (f.brix_from_sg, f.baume_from_sg, f.oechsle_from_sg, f.apparent_sg_from_brix):
        assert function(values).tolist() == pytest.approx([function(float(v)) for v in values])
    assert f.pk_so2(np.array([10.0, 12.5]), 20.0).tolist() == pytest.approx([1.997, 2.048])
    assert np.isnan(f.pk_so2(16.0, 20.0))
    assert np.isnan(f.refractometer_correction(28.0, 20.0))
