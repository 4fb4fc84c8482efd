"""What the tests of the pages share: a page's commands are run, and what they say is compared."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Callable
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path

import pytest

from crosscellar import Network
from crosscellar.cli import main

#: A line of a page that stands for any number of lines left out.
CUT = "…"
#: The day on which the pages are told; a comment `<!-- today: DATE -->` of a page changes it from there on.
TODAY = datetime(2026, 11, 20, 12, tzinfo=UTC)


def commands_of(page: str) -> list[tuple[datetime, list[str], str]]:
    """Every command of the page's console blocks, with its day and what the page prints below it."""
    found = []
    today = TODAY
    for day, block in re.findall(r"^<!-- today: (\S+) -->$|^```console\n(.*?)^```$", page, re.M | re.S):
        if day:
            today = datetime.combine(date.fromisoformat(day), TODAY.timetz())
        for part in re.split(r"^\$ ", block, flags=re.M)[1:]:
            line, _, printed = part.partition("\n")
            found.append((today, shlex.split(line), printed))
    return found


def agree(printed: str, said: str) -> bool:
    """Whether the page prints what was said, but for lines left out and spaces at ends of lines."""

    def lines(text: str) -> list[str]:
        return [line.rstrip() for line in text.strip().splitlines()]

    pattern = "".join(r"(?:.*\n)*?" if line == CUT else re.escape(line) + r"\n" for line in lines(printed))
    return re.fullmatch(pattern, "".join(f"{line}\n" for line in lines(said))) is not None


@pytest.fixture
def matches() -> Callable[[str, str], bool]:
    """`agree`, for tests of its own."""
    return agree


@pytest.fixture
def tell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[[str], int]:
    """Runs the commands of a page in an own folder, each on its day: how many there were.

    What one of them says must be what the page prints; `cat` shows a file.
    """
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("CROSSCELLAR_STORE", raising=False)
    day = [TODAY]
    monkeypatch.setattr(Network, "open", partial(Network.open, clock=lambda: day[0]))

    def run(words: list[str]) -> str:
        if words[0] == "cat":
            return (tmp_path / words[1]).read_text("utf-8")
        assert words[0] == "crosscellar"
        capsys.readouterr()
        main(words[1:])
        printed = capsys.readouterr()
        return (printed.err + printed.out).replace(f"{tmp_path}{os.sep}", "")

    def told(page: str) -> int:
        commands = commands_of(page)
        for today, words, printed in commands:
            day[0] = today
            said = run(words)
            assert agree(printed, said), f"$ {shlex.join(words)}\n{said}"
        return len(commands)

    return told
