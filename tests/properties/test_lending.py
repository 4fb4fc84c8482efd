"""What trials lend each other is the same, remembered or worked out, after whatever happened to the store."""

from __future__ import annotations

import json
import shutil
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from crosscellar import lending
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
from crosscellar.effects import variance_priors
from crosscellar.errors import CrosscellarError
from crosscellar.register import Register
from crosscellar.store import Store, stretches
from crosscellar.store.wording import Person

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


def rows_of(items: list[tuple[Any, ...]], number: int) -> list[dict[str, Any]]:
    """`again` counts the repeats of a vessel: two on the first day, others on the next."""
    return [
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
            "sample_date": date(2025, 10, 1 + again // 2),
            "analyte": analyte,
            "replicate": 1 + again % 2,
            "value": value,
            "qualifier": qualifier,
            "unit": "g/L" if analyte == "glycerol" else "",
            "lab": "lab A",
            "method": "as Ebert does" if value > 8.0 else "",
            "text_sent": repr(value),
            "supersedes": True,
        }
        for row, (trial, vessel, stage, analyte, again, value, qualifier) in enumerate(items, 2)
    ]


def batch(items: list[tuple[Any, ...]], number: int, *, held: bool = False) -> Batch:
    """Accepted readings; one for a place that is filled takes the place of what stands there.

    Or the same readings held, each by a finding of its own.
    """
    readings = rows_of(items, number)
    file = {
        "file_no": 0,
        "file": f"{number}.csv",
        "sha256": f"{number:064x}",
        "kind": "lab_long",
        "readings_in": len(items),
        "accepted": 0 if held else len(items),
        **dict.fromkeys(("refused", "already", "blank"), 0),
        "held": len(items) if held else 0,
        "status": "taken_in",
        "message": "",
    }
    return Batch(
        files=pl.DataFrame([file], schema=dict(FILES)),
        content={f"{number:064x}": b"%d" % number},
        readings=pl.DataFrame([] if held else readings, schema=dict(READINGS)),
        picks=empty(PICKS),
        scores=empty(SCORES),
        set_aside=pl.DataFrame(
            [
                {
                    "item_no": item,
                    "outcome": "held",
                    "target": "readings",
                    "proposed": json.dumps(row, default=str),
                    **row,
                }
                for item, row in enumerate(readings if held else [])
            ],
            schema=dict(SET_ASIDE),
        ),
        findings=pl.DataFrame(
            [
                {"code": "beyond_bounds", "severity": "hold", "items": [item], **row}
                for item, row in enumerate(readings if held else [])
            ],
            schema=dict(FINDINGS),
        ),
        lines=empty(LINES),
    )


@dataclass(frozen=True)
class Held:
    """Readings that wait for a decision."""

    items: list[tuple[Any, ...]]


@dataclass(frozen=True)
class Decision:
    """A yes or a no to a finding, if there is one of this number and it can be had."""

    finding: int
    verdict: str
    value: str | None


@dataclass(frozen=True)
class Follow:
    """What lies beside the store follows what was done to it, as a network makes it do."""


PLACES = st.tuples(
    st.sampled_from(TRIALS),
    st.sampled_from(["c1", "c2", "t1", "t2"]),
    st.sampled_from(STAGES),
    st.sampled_from(ANALYTES),
    st.integers(0, 3),
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
HELD = st.builds(Held, READINGS_SENT.map(lambda items: items[:3]))
DECISIONS = st.builds(
    Decision, st.integers(1, 6), st.sampled_from(["accept", "refuse"]), st.sampled_from([None, "7.5", "<0.1"])
)
FORGETTING = st.just(Person("text", ("Ebert",)))
FOLLOW = st.builds(Follow)
STEPS = st.lists(READINGS_SENT | REGISTERS | HELD | DECISIONS | FORGETTING | FOLLOW, min_size=1, max_size=6)

ONE = [("T0", "c1", "pre_bottling", "glycerol", 0, 8.5, ""), ("T3", "t2", "end_primary", "ph", 0, 3.3, "")]
AGAIN = [(3, 4.1), (1, 5.37), (2, 8.9)]
#: Each kind of change at least once: entering, replacing, a yes and its withdrawal, a register, a forgetting.
EVERY_KIND = [
    ONE,
    Follow(),
    Held([("T0", "c1", "pre_bottling", "glycerol", 0, 5.5, "")]),
    Decision(1, "accept", None),
    Follow(),
    Decision(1, "refuse", None),
    # Values whose sum is another when they are added in another order.
    [("T3", "t2", "pre_bottling", "glycerol", again, value, "") for again, value in AGAIN],
    (["a"] * 24, "g/L"),
    Follow(),
    Person("text", ("Ebert",)),
    Follow(),
    Decision(1, "accept", "7.5"),
]


@pytest.fixture(scope="module")
def contract() -> Contract:
    return load_contract()


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, contract: Contract) -> Path:
    """A store in which every vessel was measured once."""
    path = tmp_path_factory.mktemp("lending") / "start.duckdb"
    everything = [
        (trial, vessel, stage, analyte, 0, 4.0 + (7 * n + 3 * m + 5 * k) % 11 / 10, "")
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


@pytest.fixture(autouse=True)
def however_many(monkeypatch: pytest.MonkeyPatch) -> None:
    """Trials are worked out anew one by one, even where a change touched all of them.

    And they are found by stretches, newer ones by name until they are more than a few.
    """
    monkeypatch.setattr(lending, "FEW", 1.0)
    monkeypatch.setattr(stretches, "LARGE", 0)
    monkeypatch.setattr(stretches, "NEWER", 3)


def do(step: Any, store: Store, number: int, contract: Contract) -> None:
    match step:
        case Person():
            store.forget(step)
        case Follow():
            register = Register.of_tables(store.register_frames(), contract)
            lending.keep_up(store, register.design, contract)
        case Held(items):
            store.take_in(batch(items, number, held=True))
        case Decision(finding, verdict, value):
            with suppress(CrosscellarError):
                store.decide(finding, verdict, reason="looked at", value=value)
        case tuple():
            store.keep_register(register_tables(*step), keys(contract))
        case _:
            store.take_in(batch(step, number))


def holds_after(
    steps: list[Any], filled: Path, folder: Path, contract: Contract, *, each_effect: bool
) -> None:
    for place in folder.iterdir():
        shutil.rmtree(place) if place.is_dir() else place.unlink()
    path = Path(shutil.copyfile(filled, folder / "network.duckdb"))
    with Store.open(path, clock=lambda: datetime(2026, 1, 2, tzinfo=UTC)) as store:
        for number, step in enumerate([None, *steps], 1):
            if step is not None:
                do(step, store, number, contract)
            register = Register.of_tables(store.register_frames(), contract)
            for measure, log in (("difference", False), ("log_ratio", True)):
                scales = [(analyte, log) for analyte in ANALYTES]
                lent = lending.lent(store, register.design, contract, scales=scales)
                anew, _ = variance_priors(store.measured(), register.design(), contract, measure=measure)
                order = ["analyte", "log", "paired", "stage_group"]
                assert_frame_equal(lent.sort(order), anew.sort(order), check_exact=True)
            for question in ("q0", "q1") if each_effect or number > len(steps) else ():
                whole = effects_in_store(store, register, contract, alone=question)
                own = whole.filter(pl.col("question") == question)
                about = Register.of_tables(store.register_of_question(question), contract)
                one = effects_of_one_in_store(
                    store, about, contract, question=question, whole=lambda register=register: register
                )
                assert_frame_equal(one, own, check_exact=True)


def test_a_question_alone_has_the_same_digits_after_every_kind_of_change(
    filled: Path, tmp_path: Path, contract: Contract
) -> None:
    holds_after(EVERY_KIND, filled, tmp_path, contract, each_effect=False)


@pytest.mark.long
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_a_question_alone_has_the_same_digits_after_many_sequences(
    steps: list[Any], filled: Path, tmp_path: Path, contract: Contract
) -> None:
    holds_after(steps, filled, tmp_path, contract, each_effect=True)


def test_a_change_touches_the_trials_it_speaks_of_and_a_forgetting_may_touch_any(
    filled: Path, tmp_path: Path, contract: Contract
) -> None:
    path = Path(shutil.copyfile(filled, tmp_path / "network.duckdb"))
    with Store.open(path, clock=lambda: datetime(2026, 1, 2, tzinfo=UTC)) as store:
        do(ONE, store, 1, contract)
        assert store.trials_touched("glycerol", since=2) == ["T0", "T3"]
        do(ONE[:1], store, 2, contract)
        assert store.trials_touched("glycerol", since=3) == ["T0"]
        assert store.trials_touched("glycerol", since=4) == []
        blocks = ["a", "b"] * 12
        do((["", *blocks[1:]], "%"), store, 3, contract)
        assert store.trials_touched("glycerol", since=4) == ["T0"]
        tables = register_tables(["", *blocks[1:]], "%")
        for entry, vessels in ((5, tables["vessels"][:-1]), (6, tables["vessels"])):
            store.keep_register({**tables, "vessels": vessels}, keys(contract))
            assert store.trials_touched("glycerol", since=entry) == ["T5"]
        do(Person("text", ("Ebert",)), store, 4, contract)
        assert store.trials_touched("glycerol", since=7) is None
