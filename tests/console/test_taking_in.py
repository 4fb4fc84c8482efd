"""What a taking-in of many files prints: those that ask for something, the others counted."""

from __future__ import annotations

import polars as pl

from crosscellar.console.parts import Table, parts_of
from crosscellar.contract.frames import FILES, FINDINGS, empty
from crosscellar.results import COUNTS, IntakeOutcome


def outcome(*statuses: str) -> IntakeOutcome:
    """Files of two batches, which number theirs alike."""
    rows = [
        {"file_no": number % 150, "file": f"{number:03d}.csv", "kind": "lab_long", "status": status}
        | dict.fromkeys(COUNTS, 1)
        for number, status in enumerate(statuses)
    ]
    files = pl.concat([empty(FILES), pl.DataFrame(rows, schema_overrides=dict(FILES))], how="diagonal")
    return IntakeOutcome(
        **dict.fromkeys(COUNTS, len(rows)), files=files, findings=empty(FINDINGS), stored=True
    )


def test_up_to_a_hundred_files_are_all_listed() -> None:
    listed, *lines = parts_of(outcome(*["taken_in"] * 99, "held"))
    assert isinstance(listed, Table)
    assert len(listed.rows) == 100
    assert not [line for line in lines if "more:" in line]


def test_of_more_files_those_that_came_in_whole_are_counted_and_not_listed() -> None:
    listed, *lines = parts_of(
        outcome(*["taken_in"] * 200, "held", *["already_taken_in"] * 99, "taken_in_part")
    )
    assert isinstance(listed, Table)
    assert [row[0] for row in listed.rows] == ["200.csv", "300.csv"]
    assert "299 files more: 200 taken in, 99 already taken in. --json lists every file." in lines


def test_of_many_that_ask_for_something_the_first_hundred_are_listed_and_all_are_counted() -> None:
    listed, *lines = parts_of(outcome(*["refused"] * 300))
    assert isinstance(listed, Table)
    assert len(listed.rows) == 100
    assert "200 files more: 200 refused. --json lists every file." in lines
