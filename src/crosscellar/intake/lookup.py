"""What intake asks of a store before it judges: files known, and items that stand under the same keys."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import polars as pl

from crosscellar.contract.frames import PICK_KEY, PICKS, READING_KEY, READINGS, SCORE_KEY, SCORES

#: The key of each kind of item.
KEYS = {"readings": READING_KEY, "picks": PICK_KEY, "scores": SCORE_KEY}
_SHAPES = {"readings": READINGS, "picks": PICKS, "scores": SCORES}


class StoredLookup(Protocol):
    """The questions a store answers for intake."""

    def known_files(self, sha256s: Sequence[str]) -> pl.DataFrame:
        """Files of these contents already taken in: sha256, file, taken_at (text)."""
        ...

    def open_questions(self, sha256s: Sequence[str]) -> pl.DataFrame:
        """What is said of files of these contents and not answered so far: sha256, sheet, column, code."""
        ...

    def decided_cells(self, sha256s: Sequence[str]) -> pl.DataFrame:
        """What waited in files of these contents and was decided: sha256, sheet, row, column, verdict.

        `verdict` is accept where what a yes brought in stands, and refuse where a no keeps it out.
        """
        ...

    def stored_items(self, target: str, keys: pl.DataFrame) -> pl.DataFrame:
        """Items of a target (readings, picks, scores) under these keys: its columns and `standing`.

        `standing` is false for a value that a later one has replaced.
        """
        ...

    def stored_readings_of(self, trials: Sequence[str]) -> pl.DataFrame:
        """Current readings of these trials, in the columns of READINGS."""
        ...

    def peers_of(self, trials: Sequence[str], *, newest: int) -> pl.DataFrame:
        """Current readings of these trials and the newest of all: READINGS without what no rule looks at."""
        ...

    def picks(self, *, trials: Sequence[str] | None = None) -> pl.DataFrame:
        """Triangle answers of these trials that stand, so that a session in two sheets is judged whole."""
        ...

    def scores(self, *, trials: Sequence[str] | None = None) -> pl.DataFrame:
        """Scores of these trials that stand."""
        ...


class NothingStored:
    """A store that holds nothing: for a first look at sheets."""

    def known_files(self, sha256s: Sequence[str]) -> pl.DataFrame:
        return pl.DataFrame(schema={"sha256": pl.String, "file": pl.String, "taken_at": pl.String})

    def open_questions(self, sha256s: Sequence[str]) -> pl.DataFrame:
        schema = {"sha256": pl.String, "sheet": pl.String, "column": pl.Int32, "code": pl.String}
        return pl.DataFrame(schema=schema)

    def decided_cells(self, sha256s: Sequence[str]) -> pl.DataFrame:
        place = {"row": pl.Int32, "column": pl.Int32, "verdict": pl.String}
        return pl.DataFrame(schema={"sha256": pl.String, "sheet": pl.String, **place})

    def stored_items(self, target: str, keys: pl.DataFrame) -> pl.DataFrame:
        return pl.DataFrame(schema={**_SHAPES[target], "standing": pl.Boolean})

    def stored_readings_of(self, trials: Sequence[str]) -> pl.DataFrame:
        return pl.DataFrame(schema=dict(READINGS))

    def peers_of(self, trials: Sequence[str], *, newest: int) -> pl.DataFrame:
        return pl.DataFrame(schema=dict(READINGS))

    def picks(self, *, trials: Sequence[str] | None = None) -> pl.DataFrame:
        return pl.DataFrame(schema=dict(PICKS))

    def scores(self, *, trials: Sequence[str] | None = None) -> pl.DataFrame:
        return pl.DataFrame(schema=dict(SCORES))
