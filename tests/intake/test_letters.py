"""Identifiers as people type and programs mangle them: one reading is taken, a look-alike is proposed."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosscellar.intake.letters import LOOKALIKES, normalise_id


def _one(text: str | None) -> tuple[object, ...]:
    return normalise_id(pl.Series([text], dtype=pl.String)).row(0)


@pytest.mark.parametrize(
    ("sent", "read", "how"),
    [
        ("ORR-01", "ORR-01", ""),
        ("1E2", "1E2", ""),
        ("007", "007", ""),
        ("ORR-01\u200b", "ORR-01", "invisible_character"),
        ("\ufeffORR-01", "ORR-01", "invisible_character"),
        ("ORR\u201101", "ORR-01", "id_dash"),
        ("ORR\u201301", "ORR-01", "id_dash"),
        ("ORR\u221201", "ORR-01", "id_dash"),
        ("\uff2f\uff32\uff32-01", "ORR-01", "id_width"),
        ("LS24-ORR\u00a0", "LS24-ORR", "spaces_trimmed"),
        (" stir weekly ", "stir weekly", "spaces_trimmed"),
        ("stir\u00a0weekly", "stir weekly", ""),
    ],
)
def test_typographic_variants_are_read_as_the_id_and_told(sent: str, read: str, how: str) -> None:
    assert _one(sent) == (read, how, "", None)


@pytest.mark.parametrize("sent", ["\u041eRR-01", "O\u0420\u0420-01", "\u039fRR-01"])
def test_a_letter_of_another_alphabet_is_proposed_and_not_assumed(sent: str) -> None:
    read, _, problem, proposed = _one(sent)
    assert read == sent
    assert (problem, proposed) in {("lookalike_letters", "ORR-01"), ("lookalike_letters", "OPP-01")}


def test_zero_for_o_is_left_for_the_register_to_notice() -> None:
    assert _one("0RR-01") == ("0RR-01", "", "", None)


@pytest.mark.parametrize(
    ("sent", "problem"),
    [
        ("ORR-02\x00", "control_character"),
        ("OR\x07R", "control_character"),
        ("Çaña-1", "not_ascii"),
        ("桶1", "not_ascii"),
    ],
)
def test_what_cannot_be_an_id_here_has_a_problem(sent: str, problem: str) -> None:
    assert _one(sent)[2] == problem


def test_an_empty_id_stays_empty() -> None:
    assert _one(None) == (None, "", "", None)


def test_every_lookalike_stands_for_one_ascii_letter() -> None:
    assert all(
        len(key) == len(value) == 1 and value.isascii() and not key.isascii()
        for key, value in LOOKALIKES.items()
    )


@settings(deadline=None, max_examples=80)
@given(st.lists(st.text(max_size=20), max_size=30))
def test_reading_an_id_twice_changes_nothing_more(texts: list[str]) -> None:
    once = normalise_id(pl.Series(texts, dtype=pl.String))
    assert once.height == len(texts)
    twice = normalise_id(once["id"])
    assert twice["id"].to_list() == once["id"].to_list()
