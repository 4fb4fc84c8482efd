"""Where the words of a command go: consoles that lack letters, readers that stop early, no stream at all."""

from __future__ import annotations

import io
import json
import os
import sys
from pathlib import Path

import pytest

from crosscellar.cli import main

DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.mark.parametrize("further", [[], ["--json"]])
@pytest.mark.parametrize(
    ("words", "status"),
    [
        (["findings"], 0),
        (["intake", str(DEMO / "inbox" / "2025" / "triangle_CS25-PEL.csv"), "--dry-run"], 1),
    ],
)
def test_a_reader_that_stops_early_changes_no_exit_status(
    words: list[str], status: int, further: list[str], demo_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "w", encoding="utf-8") as nobody_reads:
        monkeypatch.setattr(sys, "stdout", nobody_reads)
        assert main(["--store", str(demo_store), *words, *further]) == status


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_a_console_without_a_letter_is_told_its_number_and_json_stays_json(
    encoding: str, demo_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def told(encoding: str, *words: str) -> bytes:
        stream = io.BytesIO()
        monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(stream, encoding=encoding))
        assert main(["--store", str(demo_store), *words]) == 0
        return stream.getvalue()

    words = ("findings", "--open")
    text = told(encoding, *words).decode(encoding)
    assert ("\\u203a" if encoding == "ascii" else "›") in text
    plain = told(encoding, *words, "--json").decode("ascii")
    assert json.loads(plain) == json.loads(told("utf-8", *words, "--json"))


def test_a_command_started_without_streams_does_its_work(
    demo_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdout", None)
    monkeypatch.setattr(sys, "stderr", None)
    assert main(["--store", str(demo_store), "findings", "--open"]) == 0
    for stream in (sys.stdout, sys.stderr):
        stream.close()
