"""The pages of docs/ print what the commands really say: each console block is run, in its order."""

from __future__ import annotations

import os
import re
import shlex
import shutil
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest

from crosscellar import Network
from crosscellar.cli import main

ROOT = Path(__file__).parents[2]
#: A line of a page that stands for any number of lines left out.
CUT = "…"
#: The day on which the pages are told.
TODAY = datetime(2026, 11, 20, 12, tzinfo=UTC)


def commands_of(page: Path) -> list[tuple[list[str], str]]:
    """Every command of the page's console blocks, with what the page prints below it."""
    found = []
    for block in re.findall(r"^```console\n(.*?)^```$", page.read_text("utf-8"), re.M | re.S):
        for part in re.split(r"^\$ ", block, flags=re.M)[1:]:
            line, _, printed = part.partition("\n")
            found.append((shlex.split(line), printed))
    return found


def matches(printed: str, said: str) -> bool:
    """Whether the page prints what was said, but for lines left out and spaces at ends of lines."""

    def lines(text: str) -> list[str]:
        return [line.rstrip() for line in text.strip().splitlines()]

    pattern = "".join(r"(?:.*\n)*?" if line == CUT else re.escape(line) + r"\n" for line in lines(printed))
    return re.fullmatch(pattern, "".join(f"{line}\n" for line in lines(said))) is not None


def run(words: list[str], folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What one command says; `cat` shows a file."""
    if words[0] == "cat":
        return (folder / words[1]).read_text("utf-8")
    assert words[0] == "crosscellar"
    capsys.readouterr()
    main(words[1:])
    printed = capsys.readouterr()
    return (printed.err + printed.out).replace(f"{folder}{os.sep}", "")


def test_the_coordinators_year_is_told_with_what_the_commands_say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    page = ROOT / "docs" / "year.md"
    for name in ("register", "inbox"):
        shutil.copytree(ROOT / "data" / "demo" / name, tmp_path / name)
    (tmp_path / "prices.toml").write_text(
        re.findall(r"^```toml\n(.*?)^```$", page.read_text("utf-8"), re.M | re.S)[0]
    )
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("CROSSCELLAR_STORE", raising=False)
    monkeypatch.setattr(Network, "open", partial(Network.open, clock=lambda: TODAY))
    commands = commands_of(page)
    assert len(commands) > 12
    for words, printed in commands:
        said = run(words, tmp_path, capsys)
        assert matches(printed, said), f"$ {shlex.join(words)}\n{said}"


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
def test_only_lines_that_are_marked_may_be_left_out(printed: str, said: str, same: bool) -> None:
    assert matches(printed, said) is same
