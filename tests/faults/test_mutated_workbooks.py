"""Mutated workbooks: each ends as cells or as one sentence; none crashes, hangs or takes too much."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def _outcomes(first: int, count: int) -> list[dict[str, object]]:
    child = subprocess.run(
        [
            sys.executable,
            "-W",
            "error",
            str(HERE / "mutate.py"),
            str(HERE / "messy" / "files"),
            str(first),
            str(count),
        ],
        capture_output=True,
        text=True,
        timeout=60 + count,
        env={**os.environ, "POLARS_MAX_THREADS": "1"},
        check=False,
    )
    assert child.returncode == 0, child.stderr[-2_000:]
    return [json.loads(line) for line in child.stdout.splitlines()]


def _judge(outcomes: list[dict[str, object]], count: int) -> None:
    assert len(outcomes) == count
    slow = [outcome for outcome in outcomes if float(str(outcome["seconds"])) > 5]
    assert not slow
    seen = Counter(str(outcome["outcome"]) for outcome in outcomes)
    # a mutation that hits nothing that matters leaves the sheet readable; both ends must be met
    assert seen["read"] > 0
    assert seen["damaged"] > 0


def test_sixty_mutants_end_as_cells_or_as_a_sentence() -> None:
    _judge(_outcomes(0, 60), 60)


@pytest.mark.long
def test_two_thousand_mutants_end_as_cells_or_as_a_sentence() -> None:
    for first in range(10_000, 12_000, 500):
        _judge(_outcomes(first, 500), 500)
