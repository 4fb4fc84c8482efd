"""What tests of intake share: the contract, the messy sheets' register, a shelf that answers like a store."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from crosscellar.contract import Contract, load_contract
from crosscellar.contract.frames import Batch
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.lookup import KEYS, NothingStored
from crosscellar.register import Register, read_register

MESSY = Path(__file__).parents[1] / "faults" / "messy"
RECEIVED = date(2026, 1, 5)


class Shelf(NothingStored):
    """Keeps what a batch accepted, in memory, and answers the questions that intake asks of a store."""

    def __init__(self) -> None:
        self.items: dict[str, pl.DataFrame] = {}
        self.files: list[dict[str, str]] = []

    def known_files(self, sha256s: Sequence[str]) -> pl.DataFrame:
        known = [entry for entry in self.files if entry["sha256"] in sha256s]
        return pl.DataFrame(known, schema={"sha256": pl.String, "file": pl.String, "taken_at": pl.String})

    def stored_items(self, target: str, keys: pl.DataFrame) -> pl.DataFrame:
        if target not in self.items:
            return super().stored_items(target, keys)
        return self.items[target].join(keys, on=list(KEYS[target]), how="semi", nulls_equal=True)

    def picks(self, *, trials: Sequence[str] | None = None) -> pl.DataFrame:
        return self._tasted("picks", super().picks(), trials)

    def scores(self, *, trials: Sequence[str] | None = None) -> pl.DataFrame:
        return self._tasted("scores", super().scores(), trials)

    def _tasted(self, target: str, none: pl.DataFrame, trials: Sequence[str] | None) -> pl.DataFrame:
        standing = self.items[target].filter("standing") if target in self.items else none
        return standing.filter(pl.col("trial_id").is_in(list(trials or []))).select(none.columns)

    def put(self, batch: Batch) -> None:
        for target, key in KEYS.items():
            entered: pl.DataFrame = getattr(batch, target)
            if entered.is_empty():
                continue
            fresh = entered.with_columns(pl.lit(True).alias("standing"))
            if target in self.items:
                replaced = entered.select(key).with_columns(pl.lit(True).alias("replaced"))
                old = self.items[target].join(replaced, on=list(key), how="left", nulls_equal=True)
                old = old.with_columns(pl.col("standing") & pl.col("replaced").is_null()).drop("replaced")
                fresh = pl.concat([old, fresh])
            self.items[target] = fresh
        for name, sha256, status in batch.files.select("file", "sha256", "status").iter_rows():
            if sha256 is not None and status != "already_taken_in":
                self.files.append({"sha256": sha256, "file": name, "taken_at": "2026-01-05"})

    def standing(self, target: str = "readings") -> list[tuple[Any, ...]]:
        """The items that stand now, key and value, in key order."""
        value = {"readings": ["value", "qualifier", "unit"], "picks": ["picked"], "scores": ["score"]}[target]
        if target not in self.items:
            return []
        now = self.items[target].filter("standing").select(*KEYS[target], *value)
        return sorted(now.rows(), key=str)


@pytest.fixture(scope="session")
def contract() -> Contract:
    return load_contract()


@pytest.fixture(scope="session")
def register(contract: Contract) -> Register:
    """The register beside the messy sheets, with labels for two of its vessels."""
    samples = pl.DataFrame(
        {
            "sample_id": ["LS24-S01", "LS24-S02"],
            "trial_id": ["LS24-ORR", "LS24-ORR"],
            "arm_id": ["control", "stir_weekly"],
            "vessel_id": ["ORR-01", "ORR-02"],
            "stage": ["end_primary", "end_primary"],
        }
    )
    return replace(read_register(MESSY / "register", contract), samples=samples)


@pytest.fixture
def shelf() -> Shelf:
    return Shelf()


@pytest.fixture(scope="session")
def new_shelf() -> Callable[[], Shelf]:
    return Shelf


Judge = Callable[..., Batch]


@pytest.fixture(scope="session")
def judge(contract: Contract, register: Register) -> Judge:
    """Judges files, as paths or as (name, text or bytes), against nothing stored by default."""

    def judged(
        *files: tuple[str, str | bytes] | Path,
        stored: Any = None,
        correction: bool = False,
        planned: Register | None = None,
    ) -> Batch:
        given = [
            file
            if isinstance(file, Path)
            else (file[0], file[1].encode() if isinstance(file[1], str) else file[1])
            for file in files
        ]
        return check_documents(
            read_documents(given),
            register if planned is None else planned,
            contract,
            stored=NothingStored() if stored is None else stored,
            received=RECEIVED,
            correction=correction,
        )

    return judged
