"""What tests of the store share: batches judged from small sheets, and plain batches made without a sheet."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from crosscellar.contract import Contract, load_contract
from crosscellar.contract.frames import (
    FILES,
    FINDINGS,
    LINES,
    PICKS,
    READINGS,
    SCORES,
    SET_ASIDE,
    Batch,
    empty,
)
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.register import Register, read_register
from crosscellar.store import Store

MESSY = Path(__file__).parents[1] / "faults" / "messy"
HEADING = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note\n"


@pytest.fixture(scope="session")
def contract() -> Contract:
    return load_contract()


@pytest.fixture(scope="session")
def register(contract: Contract) -> Register:
    return read_register(MESSY / "register", contract)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "network.duckdb"


@pytest.fixture
def clock() -> Callable[[], datetime]:
    """Noon of 1 January 2026, and a day later at each call."""
    days = iter(range(10_000))
    return lambda: datetime(2026, 1, 1, 12, tzinfo=UTC) + timedelta(days=next(days))


@pytest.fixture(scope="session")
def ph() -> Callable[..., str]:
    """A sheet of pH readings: vessel to value as written."""

    def sheet(**values: str) -> str:
        rows = [
            f"LS24-ORR,{'control' if vessel in ('ORR_01', 'ORR_03') else 'stir_weekly'},"
            f"{vessel.replace('_', '-')},end_AF,2024-10-15,pH,{value},,1,lab_north,\n"
            for vessel, value in values.items()
        ]
        return HEADING + "".join(rows)

    return sheet


@pytest.fixture(scope="session")
def judge(contract: Contract, register: Register) -> Callable[..., Batch]:
    """Judges sheets, as (name, text), against what a store holds."""

    def judged(store: Store, *sheets: tuple[str, str], correction: bool = False) -> Batch:
        return check_documents(
            read_documents([(name, text.encode()) for name, text in sheets]),
            register,
            contract,
            stored=store,
            received=date(2026, 1, 5),
            correction=correction,
        )

    return judged


@pytest.fixture
def take(judge: Callable[..., Batch]) -> Callable[..., Batch]:
    """Judges one sheet against a store and takes it in."""

    def taken(store: Store, text: str, name: str = "a.csv", *, correction: bool = False) -> Batch:
        batch = judge(store, (name, text), correction=correction)
        store.take_in(batch)
        return batch

    return taken


@pytest.fixture(scope="session")
def plain() -> Callable[..., Batch]:
    """A batch of accepted readings from one or more sheets, made without reading one.

    Each sheet is a name and its readings: (vessel, analyte, value).
    """

    def made(
        *sheets: tuple[str, list[tuple[str, str, float]]], trial: str = "T-1", lab: str | None = None
    ) -> Batch:
        files: list[dict[str, Any]] = []
        readings: list[dict[str, Any]] = []
        content: dict[str, bytes] = {}
        for number, (name, items) in enumerate(sheets):
            text = repr((name, items)).encode()
            sha256 = hashlib.sha256(text).hexdigest()
            content[sha256] = text
            files.append(
                {
                    "file_no": number,
                    "file": name,
                    "sha256": sha256,
                    "kind": "lab_long",
                    "readings_in": len(items),
                    "accepted": len(items),
                    **dict.fromkeys(("refused", "held", "already", "blank"), 0),
                    "status": "taken_in",
                    "message": "",
                }
            )
            readings += [
                {
                    "file_no": number,
                    "file": name,
                    "sheet": "",
                    "row": row,
                    "column": 3,
                    "cell": f"C{row}",
                    "trial_id": trial,
                    "arm_id": "control",
                    "vessel_id": vessel,
                    "stage": "end_primary",
                    "sample_date": date(2025, 10, 1),
                    "analyte": analyte,
                    "replicate": 1,
                    "value": value,
                    "qualifier": "",
                    "unit": "g/L",
                    "lab": lab,
                    "text_sent": repr(value),
                    "conversion": "",
                    "supersedes": False,
                }
                for row, (vessel, analyte, value) in enumerate(items, 2)
            ]
        return Batch(
            files=pl.DataFrame(files, schema=dict(FILES)),
            content=content,
            readings=pl.DataFrame(readings, schema=dict(READINGS)),
            picks=empty(PICKS),
            scores=empty(SCORES),
            set_aside=empty(SET_ASIDE),
            findings=empty(FINDINGS),
            lines=empty(LINES),
        )

    return made
