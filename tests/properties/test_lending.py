"""What trials lend each other is the same, remembered or worked out, after whatever happened to the store."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from crosscellar.answers import effects_in_store, effects_of_one_in_store
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
from crosscellar.register import Register
from crosscellar.store import Store

TRIALS = [f"T{number}" for number in range(6)]
ANALYTES = ["glycerol", "ph"]
STAGES = ["end_primary", "pre_bottling"]
BLOCKS = ["", "a", "b"]


def register_tables(blocks: list[str], units: str) -> dict[str, pl.DataFrame]:
    """Two questions, six trials, two arms of two vessels; every column as text."""
    vessels = [(trial, arm, f"{arm}{n}") for trial in TRIALS for arm in ("c", "t") for n in (1, 2)]
    rows: dict[str, list[dict[str, str]]] = {
        "sites": [{"site_id": f"S{n}", "name": f"site {n}"} for n in range(3)],
        "questions": [
            {
                "question_id": f"q{n}",
                "title": f"question {n}",
                "primary_response": analyte,
                "primary_stage": "pre_bottling",
                "wanted": "increase",
                "smallest_difference": "5" if unit else "",
                "smallest_difference_unit": unit,
            }
            for n, (analyte, unit) in enumerate([("glycerol", units), ("ph", "")])
        ],
        "trials": [
            {
                "trial_id": trial,
                "season": str(2020 + n // 3),
                "site_id": f"S{n % 3}",
                "question_id": f"q{n % 2}",
                "status": "complete",
            }
            for n, trial in enumerate(TRIALS)
        ],
        "arms": [
            {"trial_id": trial, "arm_id": arm, "role": role}
            for trial in TRIALS
            for arm, role in (("c", "control"), ("t", "treatment"))
        ],
        "vessels": [
            {"trial_id": trial, "arm_id": arm, "vessel_id": vessel, "kind": "barrel", "block": block}
            for (trial, arm, vessel), block in zip(vessels, blocks, strict=True)
        ],
        "responses": [
            {"trial_id": trial, "response": analyte, "stage": stage, "role": role}
            for trial in TRIALS
            for analyte, stage, role in (
                ("glycerol", "pre_bottling", "primary"),
                ("ph", "pre_bottling", "monitored"),
            )
        ],
    }
    return {
        name: pl.DataFrame(table).with_columns(pl.when(pl.all() != "").then(pl.all()))
        for name, table in rows.items()
    }


def batch(items: list[tuple[Any, ...]], number: int) -> Batch:
    """Accepted readings; one for a place that is filled takes the place of what stands there."""
    readings = [
        {
            "file_no": 0,
            "file": f"{number}.csv",
            "row": row,
            "column": 1,
            "cell": f"A{row}",
            "trial_id": trial,
            "arm_id": vessel[0],
            "vessel_id": vessel,
            "stage": stage,
            "sample_date": date(2025, 10, 1),
            "analyte": analyte,
            "replicate": 1,
            "value": value,
            "qualifier": qualifier,
            "unit": "g/L" if analyte == "glycerol" else "",
            "lab": "lab A",
            "text_sent": repr(value),
            "supersedes": True,
        }
        for row, (trial, vessel, stage, analyte, value, qualifier) in enumerate(items, 2)
    ]
    file = {
        "file_no": 0,
        "file": f"{number}.csv",
        "sha256": f"{number:064x}",
        "kind": "lab_long",
        "readings_in": len(items),
        "accepted": len(items),
        **dict.fromkeys(("refused", "held", "already", "blank"), 0),
        "status": "taken_in",
        "message": "",
    }
    return Batch(
        files=pl.DataFrame([file], schema=dict(FILES)),
        content={f"{number:064x}": b"%d" % number},
        readings=pl.DataFrame(readings, schema=dict(READINGS)),
        picks=empty(PICKS),
        scores=empty(SCORES),
        set_aside=empty(SET_ASIDE),
        findings=empty(FINDINGS),
        lines=empty(LINES),
    )


PLACES = st.tuples(
    st.sampled_from(TRIALS),
    st.sampled_from(["c1", "c2", "t1", "t2"]),
    st.sampled_from(STAGES),
    st.sampled_from(ANALYTES),
)
READINGS_SENT = st.lists(
    st.tuples(PLACES, st.floats(3.0, 9.0).map(lambda value: round(value, 2)), st.sampled_from(["", "", "<"])),
    min_size=1,
    max_size=60,
    unique_by=lambda item: item[0],
).map(lambda items: [(*place, value, qualifier) for place, value, qualifier in items])
REGISTERS = st.tuples(
    st.lists(st.sampled_from(BLOCKS), min_size=24, max_size=24), st.sampled_from(["%", "g/L", ""])
)
STEPS = st.lists(READINGS_SENT | REGISTERS, min_size=1, max_size=3)


@pytest.fixture(scope="module")
def contract() -> Contract:
    return load_contract()


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, contract: Contract) -> Path:
    """A store in which every vessel was measured once."""
    path = tmp_path_factory.mktemp("lending") / "start.duckdb"
    everything = [
        (trial, vessel, stage, analyte, 4.0 + (7 * n + 3 * m + 5 * k) % 11 / 10, "")
        for n, trial in enumerate(TRIALS)
        for m, vessel in enumerate(["c1", "c2", "t1", "t2"])
        for k, stage in enumerate(STAGES)
        for analyte in ANALYTES
    ]
    with Store.open(path, clock=lambda: datetime(2026, 1, 1, tzinfo=UTC)) as store:
        store.keep_register(register_tables(["a", "b"] * 12, "%"), keys(contract))
        store.take_in(batch(everything, 0))
    return path


def keys(contract: Contract) -> dict[str, tuple[str, ...]]:
    return {name: tuple(table.key) for name, table in contract.register_tables.items()}


def holds_after(steps: list[Any], filled: Path, folder: Path, contract: Contract) -> None:
    for place in folder.iterdir():
        place.unlink()
    path = Path(shutil.copyfile(filled, folder / "network.duckdb"))
    with Store.open(path, clock=lambda: datetime(2026, 1, 2, tzinfo=UTC)) as store:
        for number, step in enumerate([None, *steps], 1):
            if isinstance(step, tuple):
                store.keep_register(register_tables(*step), keys(contract))
            elif step is not None:
                store.take_in(batch(step, number))
            register = Register.of_tables(store.register_frames(), contract)
            for question in ("q0", "q1"):
                whole = effects_in_store(store, register, contract, alone=question)
                own = whole.filter(pl.col("question") == question)
                for _ in ("worked out", "remembered"):
                    one = effects_of_one_in_store(store, register, contract, question=question)
                    assert_frame_equal(one, own, check_exact=True)


@settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_a_question_alone_has_the_same_digits_after_any_sequence(
    steps: list[Any], filled: Path, tmp_path: Path, contract: Contract
) -> None:
    holds_after(steps, filled, tmp_path, contract)


@pytest.mark.long
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_a_question_alone_has_the_same_digits_after_many_sequences(
    steps: list[Any], filled: Path, tmp_path: Path, contract: Contract
) -> None:
    holds_after(steps, filled, tmp_path, contract)
