"""What a store survives: kill -9 at random moments, processes that crowd in, a disk that is full."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROUNDS = Path(__file__).with_name("store_rounds.py")


def rounds(what: str, folder: Path, *numbers: int) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, str(ROUNDS), what, str(folder), *map(str, numbers)],
        capture_output=True,
        text=True,
        timeout=1800,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.mark.parametrize("count", [20, pytest.param(500, marks=pytest.mark.long)])
def test_a_killed_taking_in_loses_nothing_it_acknowledged_and_a_rerun_completes(
    count: int, tmp_path: Path
) -> None:
    found = rounds("kill", tmp_path, count, 20260101 + count)
    killed, acknowledged = found.pop("kills"), found.pop("acknowledged")
    # How many a kill meets in the middle depends on the machine; without some of each nothing was tried.
    assert killed >= count / 8
    assert acknowledged >= count / 8
    assert found == dict.fromkeys(("lost", "half", "not_opened", "problems", "other_in_the_end"), 0)


def test_a_kill_at_any_step_of_a_register_a_sheet_or_a_decision_leaves_it_whole_or_undone(
    tmp_path: Path,
) -> None:
    found = rounds("steps", tmp_path)
    assert found["mixed"] == []
    after = ["journalled", "checkpointed"]
    inside = ["files_written", "items_written", "entry_written", "before_commit", "committed"]
    assert found["killed"] == [
        *(f"register {step}" for step in ("before_commit", *after)),
        *(f"intake {step}" for step in (*inside, *after)),
        *(f"decision {step}" for step in ("before_commit", *after)),
    ]


@pytest.mark.parametrize("sheets", [6, pytest.param(100, marks=pytest.mark.long)])
def test_of_four_processes_at_one_store_no_sheet_is_lost_and_none_stands_twice(
    sheets: int, tmp_path: Path
) -> None:
    assert rounds("crowd", tmp_path, 4, sheets) == {
        "failed": 0,
        "sheets": 4 * sheets,
        "twice": 0,
        "readings": 4 * sheets * 5,
        "problems": 0,
    }


@pytest.mark.parametrize("limit", [3_500_000, 5_000_000])
def test_a_full_disk_is_said_in_a_sentence_keeps_what_was_acknowledged_and_a_rerun_works(
    limit: int, tmp_path: Path
) -> None:
    found = rounds("full", tmp_path, limit)
    assert (found["lost"], found["half"], found["problems"]) == ([], 0, [])
    assert len(found["told"]) > 2
    assert found["status"] == 3
    assert "disk is full" in found["sentence"]
    stored_all_the_same = "this was stored and is safe in the log" in found["sentence"]
    assert stored_all_the_same is not ("nothing of this was stored" in found["sentence"])
    assert found["unannounced"] == (1 if stored_all_the_same else 0)
    assert found["more_after_rerun"] == 2
