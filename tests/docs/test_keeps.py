"""The page of the promise names tests that exist."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "keeps.md").read_text("utf-8")


def test_every_test_that_the_page_names_exists() -> None:
    named = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", PAGE)
    assert len(named) >= 15
    for file, test in named:
        text = (ROOT / file).read_text("utf-8")
        assert f"def {test}(" in text if test else "def test_" in text, f"{file}::{test}"


def test_the_page_is_linked_from_the_first() -> None:
    assert "(keeps.md)" in (ROOT / "docs" / "index.md").read_text("utf-8")
