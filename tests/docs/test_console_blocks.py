"""The pages of docs/ print what the commands really say: each console block is run, in its order."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def test_the_coordinators_year_is_told_with_what_the_commands_say(
    tmp_path: Path, tell: Callable[[str], int]
) -> None:
    page = (ROOT / "docs" / "year.md").read_text("utf-8")
    for name in ("register", "inbox"):
        shutil.copytree(ROOT / "data" / "demo" / name, tmp_path / name)
    for sheet in (ROOT / "data" / "demo" / "corrections").iterdir():
        shutil.copy(sheet, tmp_path / "inbox")
    (tmp_path / "prices.toml").write_text(re.findall(r"^```toml\n(.*?)^```$", page, re.M | re.S)[0])
    assert tell(page) > 12


@pytest.mark.parametrize(
    ("printed", "said", "same"),
    [
        ("a\n…\nd\n", "a\nb\nc\nd\n", True),
        ("a\n…\nd\n", "a\nb\nc\n", False),
        ("a  \n", "a\n", True),
        ("a.c\n", "abc\n", False),
        ("a\n", "a\nb\n", False),
    ],
)
def test_only_lines_that_are_marked_may_be_left_out(
    printed: str, said: str, same: bool, matches: Callable[[str, str], bool]
) -> None:
    assert matches(printed, said) is same
