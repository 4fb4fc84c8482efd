"""A written name is matched by what is listed; what could be two things is asked about."""

from __future__ import annotations

import difflib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosscellar.contract import Contract
from crosscellar.contract.names import Spellings, edit_distance, name_key
from crosscellar.errors import UnknownName


@pytest.mark.parametrize(
    ("text", "means"),
    [
        ("pH", "ph"),
        ("p.H.", "ph"),
        ("VA", "volatile_acidity"),
        ("malic", "malic_acid"),
        ("L-malic acid", "malic_acid"),
        ("ethanol", "ethanol"),
        ("FREE SO2", "so2_free"),
        ("Free SO₂", "so2_free"),
        ("G + F", "glucose_fructose"),
        ("tartaric acid", "tartaric_acid"),
        ("°Brix", "brix"),
        ("K+", "potassium"),
        ("Ca", "calcium"),
        ("a*", "cielab_a"),
        ("acidité totale", "titratable_acidity"),
        ("Gesamtsäure", "titratable_acidity"),
        ("Milchsäure", "lactic_acid"),
        ("Öchsle", "oechsle"),
    ],
)
def test_listed_names_are_read(contract: Contract, text: str, means: str) -> None:
    assert contract.name_analyte(text).id == means


@pytest.mark.parametrize("text", ["TA", "T.A.", "RS", "SO2", "Sugar", "Alc", "K", "T", "CA", "Tannin", "CD"])
def test_names_of_two_things_are_asked_about(contract: Contract, text: str) -> None:
    match = contract.name_analyte(text)
    assert match.id is None
    assert match.how == "ambiguous"
    assert match.candidates


@pytest.mark.parametrize(
    ("text", "unit", "means"),
    [
        ("TA", "g/L", "titratable_acidity"),
        ("TA", "g/100mL", "titratable_acidity"),
        ("TA", "meq/L", "titratable_acidity"),
        ("TA", "g/L as H2SO4", "titratable_acidity"),
        ("TSS", "°Bx", "brix"),
        ("Sugar", "Brix", "brix"),
        ("Alc", "% v/v", "ethanol"),
        ("K", "mg/L", "potassium"),
        ("T", "°C", "temperature"),
    ],
)
def test_a_unit_settles_what_a_unit_can_settle(contract: Contract, text: str, unit: str, means: str) -> None:
    assert contract.name_analyte(text, unit=unit).id == means


@pytest.mark.parametrize(("text", "unit"), [("TA", "mg/L"), ("SO2", "mg/L"), ("RS", "g/L"), ("Sugar", "g/L")])
def test_a_unit_that_fits_several_settles_nothing(contract: Contract, text: str, unit: str) -> None:
    assert contract.name_analyte(text, unit=unit).how == "ambiguous"


def test_the_networks_own_words_go_first(contract: Contract) -> None:
    own = {"RS": "glucose_fructose", "lees acid": "Titratable acidity"}
    assert contract.name_analyte("R.S.", own).id == "glucose_fructose"
    assert contract.name_analyte("Lees Acid", own).id == "titratable_acidity"


@pytest.mark.parametrize(
    ("text", "proposed"),
    [
        ("volitile acidity", "volatile_acidity"),
        ("Mallic acid", "malic_acid"),
        ("Turbidty", "turbidity"),
        ("PhH", "ph"),
        ("ethnaol", "ethanol"),
        ("malik", "malic_acid"),
        ("etjamol", "ethanol"),
    ],
)
def test_a_misspelt_name_is_proposed_and_never_assumed(contract: Contract, text: str, proposed: str) -> None:
    match = contract.name_analyte(text)
    assert match.id is None
    assert match.how == "misspelt"
    assert match.candidates[0] == proposed


def test_any_one_letter_mistyped_in_a_name_brings_the_name_back(contract: Contract) -> None:
    for analyte in contract.analytes.values():
        for place in range(1, len(analyte.name)):
            if len(name_key(analyte.name)) < 5 or not analyte.name[place].isalpha():
                continue
            typed = analyte.name[:place] + "z" + analyte.name[place + 1 :]
            match = contract.name_analyte(typed)
            assert match.id == analyte.id or analyte.id in match.candidates, typed


def test_a_name_far_from_all_is_unknown(contract: Contract) -> None:
    assert contract.name_analyte("meter_serial_no_7").how == "unknown"
    assert contract.name_analyte("").how == "unknown"


@pytest.mark.parametrize(
    ("text", "means"),
    [
        ("end_AF", "end_primary"),
        ("END AF", "end_primary"),
        ("end_MLF", "end_mlf"),
        ("must", "juice"),
        ("pre-bottling", "pre_bottling"),
    ],
)
def test_stages_are_read_by_their_usual_names(contract: Contract, text: str, means: str) -> None:
    assert contract.name_stage(text).id == means


def test_an_unknown_analyte_in_a_call_is_an_error_with_a_proposal(contract: Contract) -> None:
    with pytest.raises(UnknownName, match="malic_acid"):
        contract.limits("mallic_acid", None)


def test_limits_of_the_stage_go_before_those_of_the_analyte(contract: Contract) -> None:
    assert contract.limits("ethanol", "juice").refuse_high == 3
    assert contract.limits("ethanol", "sensory").refuse_high == 24
    assert contract.limits("ethanol", None).refuse_high == 24


@pytest.mark.parametrize(
    ("one", "other", "distance"),
    [("", "", 0), ("a", "", 1), ("abc", "acb", 1), ("kitten", "sitting", 3), ("mallic", "malic", 1)],
)
def test_edit_distance_counts_a_swap_as_one(one: str, other: str, distance: int) -> None:
    # kitten/sitting = 3 is the textbook example of Levenshtein's distance; a swap counts 1 (Damerau 1964).
    assert edit_distance(one, other) == distance


@given(st.text("abcdeé2ĸ", max_size=9), st.lists(st.text("abcdeé2ĸ", max_size=9), max_size=30, unique=True))
def test_misspelt_words_are_found_as_if_each_were_compared(word: str, words: list[str]) -> None:
    spellings = Spellings(words)
    for most in (1, 2):
        each = {other: edit_distance(word, other) for other in words}
        expected = {other: distance for other, distance in each.items() if distance <= most}
        assert spellings.edited(word, most) == expected == spellings.edited(word, most)
        assert list(spellings.edited(word, most)) == list(expected)
    for least in (0.6, 0.85):
        (*expected_one,) = difflib.get_close_matches(word, words, n=1, cutoff=least)
        assert spellings.closest(word, least) == (expected_one[0] if expected_one else None)


def test_folding_keeps_what_tells_analytes_apart() -> None:
    assert name_key("b*") != name_key("°B")
    assert name_key("T.S.S.") == name_key("tss")
    assert name_key("Free\u00a0SO₂") == name_key("free so2")
