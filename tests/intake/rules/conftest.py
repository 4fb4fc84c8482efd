"""A small network for rules: three sites, four trials, and a way to ask the rules about a few readings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl
import pytest

from crosscellar.contract import Contract, load_contract
from crosscellar.contract.frames import PICKS, READINGS, SCORES
from crosscellar.intake.rules import RULES, apply_rules
from crosscellar.register import Register

#: One reading: vessel, stage, analyte, value, and what differs from the usual.
Told = tuple[str, str, str, float] | tuple[str, str, str, float, Mapping[str, Any]]
#: A day at which each stage is plausible in the north in 2024.
DAYS = {
    "vineyard_harvest": date(2024, 9, 19),
    "juice": date(2024, 9, 20),
    "inoculation": date(2024, 9, 22),
    "ferment_daily": date(2024, 9, 23),
    "end_primary": date(2024, 10, 10),
    "end_mlf": date(2024, 12, 10),
    "pre_bottling": date(2025, 4, 10),
    "bottled": date(2025, 5, 10),
    "bottle_age_12m": date(2026, 5, 8),
}
TRIALS = ("T1", "T2", "T3", "T4")
#: Vessel -> trial and arm: two vessels an arm, one lot a trial. T4 is a white in tanks, the others reds in
#: barrels.
VESSELS = {
    f"{trial}-{letter}{number}": (trial, arm)
    for trial in TRIALS
    for letter, arm in (("C", "control"), ("S", "stirred"))
    for number in (1, 2)
}


@pytest.fixture(scope="session")
def contract() -> Contract:
    return load_contract()


@pytest.fixture(scope="session")
def network(contract: Contract) -> Register:
    trials = [*TRIALS]
    return Register.of_tables(
        {
            "sites": pl.DataFrame({"site_id": ["a", "b", "c"], "hemisphere": ["north", "north", "south"]}),
            "trials": pl.DataFrame(
                {
                    "trial_id": trials,
                    "season": [2024] * 4,
                    "site_id": ["a", "b", "c", "a"],
                    "question_id": ["q"] * 4,
                    "lot": ["lot-1", "lot-2", "lot-3", "lot-4"],
                    "colour": ["red", "red", "red", "white"],
                }
            ),
            "arms": pl.DataFrame(
                [
                    (trial, arm, role)
                    for trial in trials
                    for arm, role in (("control", "control"), ("stirred", "treatment"))
                ],
                schema=["trial_id", "arm_id", "role"],
                orient="row",
            ),
            "vessels": pl.DataFrame(
                [
                    (trial, arm, vessel, "tank" if trial == "T4" else "barrel")
                    for vessel, (trial, arm) in VESSELS.items()
                ],
                schema=["trial_id", "arm_id", "vessel_id", "kind"],
                orient="row",
            ),
            # The limit of "Lab C" is in its own unit: 50 mg/L are 0.05 g/L.
            "labs": pl.DataFrame(
                [
                    ("Lab C", "titratable_acidity", "g/L", "tartaric", "titration to pH 8,2", None),
                    ("Lab C", "malic_acid", "mg/L", None, "enzymatic", 50.0),
                    ("Lab C", "brix", "°Bx", None, "Refractometer", None),
                ],
                schema=["lab_id", "analyte", "unit", "basis", "method", "detection_limit"],
                orient="row",
            ),
        },
        contract,
    )


def _reading(number: int, told: Told, contract: Contract) -> dict[str, Any]:
    vessel, stage, analyte, value = told[:4]
    trial, arm = VESSELS[vessel]
    return {
        "file_no": 1,
        "file": "sheet.csv",
        "sheet": "",
        "row": number + 2,
        "column": 7,
        "cell": f"G{number + 2}",
        "trial_id": trial,
        "arm_id": arm,
        "vessel_id": vessel,
        "stage": stage,
        "sample_date": DAYS[stage],
        "time": None,
        "analyte": analyte,
        "replicate": 1,
        "value": value,
        "qualifier": "",
        "unit": contract.analytes[analyte].unit,
        "lab": "lab_a",
        "method": "",
        "note": "",
        "text_sent": str(value),
        "unit_sent": "",
        "conversion": "",
        "supersedes": False,
        "entering": True,
        **(told[4] if len(told) > 4 else {}),
    }


@pytest.fixture(scope="session")
def objected(contract: Contract, network: Register) -> Callable[..., dict[str, list[int]]]:
    """For each code that the rules give to these readings: the numbers of the items, from 0."""

    def objected_to(
        readings: Sequence[Told] = (),
        *,
        stored: Sequence[Told] = (),
        picks: Sequence[Mapping[str, Any]] = (),
        scores: Sequence[Mapping[str, Any]] = (),
        stored_picks: Sequence[Mapping[str, Any]] = (),
        stored_scores: Sequence[Mapping[str, Any]] = (),
        settings: Mapping[str, Mapping[str, float]] | None = None,
        severity: str | None = None,
        only: str | None = None,
    ) -> dict[str, list[int]]:
        def frame(told: Sequence[Told]) -> pl.DataFrame:
            rows = [_reading(number, one, contract) for number, one in enumerate(told)]
            return pl.DataFrame(rows, schema={**READINGS, "entering": pl.Boolean}, orient="row")

        def tasted(given: Sequence[Mapping[str, Any]], shape: Mapping[str, Any]) -> pl.DataFrame:
            usual = {"trial_id": "T1", "session_id": "S", "session_date": date(2025, 6, 20), "file_no": 1}
            rows = [{**usual, **one} for one in given]
            made = pl.DataFrame(rows, schema=dict(shape))
            return made.with_columns(pl.int_range(pl.len(), dtype=pl.Int32).alias("item_no"))

        if only is not None:
            settings = {other: {"on": 0} for other in RULES if other != only}
        typed = frame(readings).with_columns(pl.int_range(pl.len(), dtype=pl.Int32).alias("item_no"))
        hits = apply_rules(
            typed,
            frame(stored).drop("entering"),
            tasted(picks, PICKS),
            tasted(scores, SCORES),
            network,
            contract,
            stored_picks=tasted(stored_picks, PICKS).drop("item_no"),
            stored_scores=tasted(stored_scores, SCORES).drop("item_no"),
            settings=settings,
        )
        if severity is not None:
            hits = hits.filter(pl.col("severity") == severity)
        grouped = hits.group_by("code").agg(pl.col("item_no").unique().sort())
        return dict(grouped.iter_rows())

    return objected_to
