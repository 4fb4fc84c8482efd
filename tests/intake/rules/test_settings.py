"""A network's own settings come from a TOML file, or one sentence says what is wrong with it."""

from __future__ import annotations

from pathlib import Path

import pytest

from crosscellar.contract import load_contract
from crosscellar.errors import CrosscellarError
from crosscellar.intake.settings import read_settings


def test_settings_are_numbers_by_rule_and_name(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text(
        "[picks_below_chance]\np = 0.05\nleast = 6\n\n[flat_scorer]\non = false\n", encoding="utf-8"
    )
    assert read_settings(file, load_contract()) == {
        "picks_below_chance": {"p": 0.05, "least": 6.0},
        "flat_scorer": {"on": 0.0},
    }


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"[pick_below_chance]\np = 0.05\n", "Did you mean picks_below_chance?"),
        (b"[moon_phase]\np = 0.05\n", "there is no rule 'moon_phase'"),
        (b"[out_of_range]\nlow = 1\n", "there is no rule 'out_of_range' over several cells"),
        (b"[picks_below_chance]\nprob = 0.05\n", "It has: on, hold_p, least, p."),
        (
            b"[picks_below_chance]\np = 'small'\n",
            "p of the rule picks_below_chance is 'small', which is no number",
        ),
        (b"[picks_below_chance]\np = nan\n", "which is no number"),
        (b"p = 0.05\n", "'p' stands outside of any rule"),
        (b"[picks_below_chance\n", "the settings are not TOML"),
        (b"\xff\xfe\x00", "the settings are not TOML"),
        (None, "no such file"),
    ],
)
def test_a_fault_in_the_settings_is_one_sentence_that_names_the_file(
    tmp_path: Path, text: bytes | None, said: str
) -> None:
    file = tmp_path / "own.toml"
    if text is not None:
        file.write_bytes(text)
    with pytest.raises(CrosscellarError) as fault:
        read_settings(file, load_contract())
    assert said in fault.value.sentence
    assert str(file) in fault.value.sentence
    assert "\n" not in fault.value.sentence
