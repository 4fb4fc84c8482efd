"""Identifiers of a long register are found as by looking at each of them."""

from __future__ import annotations

import difflib
import random
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosscellar.intake.known_ids import KnownIds

STAGES = ("CR", "PF", "EP", "EM", "PB")
LABELS = [
    f"LS{year}-{vessel:03}-{stage}" for year in range(10, 30) for vessel in range(60) for stage in STAGES
]

IDS = st.text(alphabet="aAlLIi1O0oS5-_. é", max_size=5)


@given(st.lists(IDS, max_size=12), IDS)
def test_what_a_writing_leaves_the_same_finds_each_in_the_order_of_the_register(
    names: list[str], asked: str
) -> None:
    known, each = KnownIds(names), list(dict.fromkeys(names))

    def bare(text: str) -> str:
        return "".join(letter for letter in text.casefold() if letter.isalnum())

    assert known.of_case(asked) == [name for name in each if name.casefold() == asked.casefold()]
    assert known.of_letters(asked) == [name for name in each if bare(name) and bare(name) == bare(asked)]
    assert known.of_shape(asked) == [name for name in each if KnownIds([name]).of_shape(asked)]


def test_numbers_and_dates_are_found_as_a_spreadsheet_makes_them() -> None:
    known = KnownIds(["10-11", "11-10", "007", "7.0", "B7", "1E2"])
    assert known.damaged("7", None) == ("id_became_number", ["007", "7.0"])
    assert known.damaged("100", None) == ("id_became_number", ["1E2"])
    assert known.damaged("2024-11-10", None) == ("id_became_date", ["10-11", "11-10"])
    assert known.damaged("B8", date(2024, 11, 10)) == ("id_became_date", ["10-11", "11-10"])
    assert known.damaged("8", None) is None


@pytest.mark.parametrize("seed", range(40))
def test_the_nearest_of_thousands_is_as_near_as_the_nearest_by_looking_at_all(seed: int) -> None:
    chance = random.Random(seed)
    letters = list(chance.choice(LABELS))
    at = chance.randrange(len(letters))
    slip = chance.choice(["drop", "add", "change", "swap"])
    if slip == "drop":
        del letters[at]
    elif slip == "swap" and at:
        letters[at - 1], letters[at] = letters[at], letters[at - 1]
    elif slip == "add":
        letters.insert(at, "X")
    else:
        letters[at] = "X"
    written = "".join(letters)
    found = KnownIds(LABELS).nearest(written)
    (best,) = difflib.get_close_matches(written, LABELS, n=1)
    assert found is not None
    assert _alike(written, found) == _alike(written, best)


def _alike(written: str, name: str) -> float:
    return difflib.SequenceMatcher(None, name, written).ratio()


def test_nothing_like_any_of_thousands_has_no_nearest() -> None:
    assert KnownIds(LABELS).nearest("QQQQ=QQQQ=QQ") is None
    assert KnownIds(LABELS).nearest("") is None
    assert KnownIds([]).nearest("LS24") is None
