"""Identifiers are read, proposed or refused; a bad one stops its row with one finding."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from crosscellar.intake.identity import IdentifierMatcher

KNOWN = ["10-11", "10-12", "3-4", "007", "1E2", "ORR-01", "B1", "B7"]
LONG = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit\n"


@pytest.mark.parametrize(
    ("sent", "read", "code"),
    [
        ("ORR-01", "ORR-01", ""),
        (" ORR-01 ", "ORR-01", ""),
        ("orr-01", "ORR-01", "id_case"),
        ("ORR\u201101", "ORR-01", "id_dash"),
        ("\uff2fRR-01", "ORR-01", "id_width"),
        ("ORR-01\u200b", "ORR-01", "invisible_character"),
        ("ORR 01", "ORR-01", "id_spelling"),
        ("ORR-O1", "ORR-01", "lookalike_id"),
        ("\u041eRR-01", "ORR-01", "lookalike_id"),
        ("100", "1E2", "id_became_number"),
        ("1.00E+02", "1E2", "id_became_number"),
        ("7", "007", "id_became_number"),
        ("7.0", "007", "id_became_number"),
        ("2024-11-10", "10-11", "id_became_date"),
        ("2024-12-10", "10-12", "id_became_date"),
        ("10-Nov", "10-11", "id_became_date"),
        ("Oct-12", "10-12", "id_became_date"),
        ("03/04/2024", "3-4", "id_became_date"),
        ("ORR\x0001", None, "control_character"),
        ("ORR-05", None, "unknown_vessel"),
        ("'; DROP TABLE x", None, "unknown_vessel"),
        ("B2", None, "unknown_vessel"),
    ],
)
def test_a_written_identifier_is_read_proposed_or_refused(sent: str, read: str | None, code: str) -> None:
    match = IdentifierMatcher([sent]).match(sent, KNOWN, "vessel", "T1")
    assert (match.id, match.code) == (read, code)
    if code and match.stops:
        assert match.suggestion


@pytest.mark.parametrize(
    ("sent", "known", "meant"),
    [
        ("Bbl 11", ["B11", "B12"], "B11"),
        ("Barrel 12", ["B11", "B12"], "B12"),
        ("barrel no. 012", ["B11", "B12"], "B12"),
        ("12", ["KES-B11", "KES-B12"], "KES-B12"),
        ("Fass 3", ["F-3", "B-3"], "B-3"),
        ("Tank 4", ["T4", "B4"], "T4"),
        ("Tank 4", ["B4"], None),
        ("4", ["T4", "B4"], None),
        ("lot 4", ["B4"], None),
        ("Barrel 12A", ["B12"], None),
    ],
)
def test_a_vessel_named_by_its_number_is_proposed_where_one_has_it(
    sent: str, known: list[str], meant: str | None
) -> None:
    match = IdentifierMatcher([sent]).match(sent, known, "vessel")
    assert (match.id, match.code) == (meant, "id_spelling" if meant else "unknown_vessel")
    assert match.stops


@pytest.mark.parametrize("sent", ["B11+B13", "B11 / B13", "B11 and B13", "B13, B11"])
def test_several_vessels_in_one_cell_are_told_as_a_blend(sent: str) -> None:
    """To propose one of them would give it what belongs to neither."""
    match = IdentifierMatcher([sent]).match(sent, ["B11", "B12", "B13"], "vessel", "T1")
    assert (match.id, match.code) == (None, "unknown_vessel")
    assert match.message.endswith("names several vessels of T1: B11, B13.")
    assert "meant?" not in match.suggestion


def test_an_identifier_that_two_others_may_have_become_is_not_proposed() -> None:
    match = IdentifierMatcher(["2024-11-10"]).match("2024-11-10", ["10-11", "11-10"], "vessel")
    assert (match.id, match.code) == (None, "id_became_date")
    assert "10-11 or 11-10" in match.message


def test_the_nearest_identifier_is_suggested() -> None:
    match = IdentifierMatcher(["ORR-09"]).match("ORR-09", KNOWN, "vessel")
    assert match.suggestion == "Is ORR-01 meant? Send it with the right identifier."


def _row(trial: str, arm: str, vessel: str, value: str = "3.31") -> str:
    return f"{trial},{arm},{vessel},end_AF,2024-10-15,pH,{value},\n"


def test_each_bad_identifier_gives_one_finding_for_its_row(judge: Any) -> None:
    batch = judge(
        (
            "a.csv",
            LONG
            + _row("LS24-XXX", "control", "ORR-01", "99")
            + _row("LS24-ORR", "contrl", "ORR-01", "soon")
            + _row("LS24-ORR", "control", "ORR-02")
            + _row("LS24-ORR", "control", "TES-A1"),
        )
    )
    assert batch.findings.select("code", "cell", "items").rows() == [
        ("unknown_trial", "A2", [0]),
        ("unknown_arm", "B3", [1]),
        ("vessel_of_other_arm", "C4", [2]),
        ("unknown_vessel", "C5", [3]),
    ]
    assert batch.files.select("refused", "held").row(0) == (4, 0)


def test_a_vessel_of_another_trial_says_whose_it_is(judge: Any) -> None:
    batch = judge(("a.csv", LONG + _row("LS24-ORR", "control", "TES-A1")))
    assert batch.findings["suggestion"].to_list() == ["It is a vessel of NT24-TES."]


def test_identifiers_left_empty_below_are_held_with_the_one_above_proposed(judge: Any) -> None:
    batch = judge(
        (
            "a.csv",
            LONG
            + _row("LS24-ORR", "control", "ORR-01")
            + _row("", "", "").replace("pH,3.31,", "malic,2.1,g/L"),
        )
    )
    held = batch.set_aside.filter(pl.col("outcome") == "held")
    assert held["proposed"].str.json_path_match("$.vessel_id").to_list() == ["ORR-01"]
    assert batch.readings.height == 1
