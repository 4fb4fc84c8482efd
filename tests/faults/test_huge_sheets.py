"""Sheets that are far too large end in a sentence, in bounded memory and soon."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent

#: Megabytes above what the program takes before, and seconds that a machine under load still keeps to.
MEMORY, SECONDS = 300, 120

NAMES = (
    "a sound row.csv",
    "wide.csv",
    "wide and long.csv",
    "long.csv",
    "lines.csv",
    "commas.csv",
    "quotes.csv",
    "a cell of 5 MB.csv",
    "a value of 5 MB.csv",
    "far corner.xlsx",
    "a cell of 5 MB.xlsx",
    "rows.xlsx",
    "columns.xlsx",
    "nested.xlsx",
    "20 MB.csv",
    "30 MB of commas.csv",
    "30 MB of short rows.csv",
    "30 MB of quoted cells.csv",
    "30 MB in a cell.csv",
)


def judged(*names: str) -> dict[str, dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, "-W", "error", str(HERE / "huge.py"), str(HERE / "messy" / "register"), *names],
        capture_output=True,
        text=True,
        env={**os.environ, "POLARS_MAX_THREADS": "1"},
        # what hangs never ends: the time itself is not judged
        timeout=SECONDS * len(names),
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2_000:]
    return {told["name"]: told for told in map(json.loads, done.stdout.splitlines())}


def test_a_line_of_millions_of_cells_and_a_cell_in_the_far_corner_are_refused_in_little_memory() -> None:
    found = judged("30 MB of commas.csv", "far corner.xlsx")
    assert found["30 MB of commas.csv"]["outcome"] == "refused:too_many_cells"
    assert found["far corner.xlsx"]["outcome"].startswith("refused:")
    assert sum(told["megabytes"] for told in found.values()) < MEMORY


@pytest.mark.long
def test_every_huge_sheet_ends_in_a_sentence_in_bounded_memory() -> None:
    found: dict[str, dict[str, Any]] = {}
    for name in NAMES:
        # a process for each, so that none hides behind another's peak
        found |= judged(name)
    assert {name: told["megabytes"] for name, told in found.items() if told["megabytes"] >= MEMORY} == {}
    outcomes = {name: told["outcome"] for name, told in found.items()}
    sound = {"a sound row.csv", "long.csv"}
    assert {name for name, outcome in outcomes.items() if outcome.startswith("taken_in")} == sound
    for name in outcomes.keys() - sound:
        assert outcomes[name].startswith("refused:"), (name, outcomes[name])
