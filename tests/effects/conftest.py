"""A small network built in code, for tests of effects."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import polars as pl
import pytest

from crosscellar.contract import Contract, load_contract
from crosscellar.contract.frames import DESIGN, READINGS

Rows = Iterable[dict[str, Any]]
Trial = dict[str, list[list[float]]]
Network = tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]


@pytest.fixture(scope="session")
def contract() -> Contract:
    return load_contract()


@pytest.fixture(scope="session")
def network_of() -> Callable[..., Network]:
    """Readings, design and responses of trials written as {trial: {arm: [[repeats of a vessel], ...]}}.

    The first arm is the control; `blocks` pairs the vessels of the arms; `levels` gives each arm its own.
    """

    def build(
        trials: dict[str, Trial],
        *,
        analyte: str = "titratable_acidity",
        stage: str = "pre_bottling",
        unit: str = "g/L as tartaric",
        blocks: bool = False,
        levels: dict[str, float] | None = None,
    ) -> Network:
        design, readings, responses = [], [], []
        for number, (trial, arms) in enumerate(trials.items()):
            responses.append({"trial_id": trial, "response": analyte, "stage": stage, "role": "primary"})
            for place, (arm, vessels) in enumerate(arms.items()):
                for vessel, repeats in enumerate(vessels):
                    key = {"trial_id": trial, "arm_id": arm, "vessel_id": f"{arm}-{vessel}"}
                    design.append(
                        {
                            **key,
                            "season": 2023,
                            "site_id": f"S{number}",
                            "question_id": "question",
                            "role": "treatment" if place else "control",
                            "status": "complete",
                            "block": f"pair {vessel}" if blocks else None,
                            "level": levels[arm] if levels else None,
                            "level_unit": "g/hL" if levels else None,
                        }
                    )
                    readings.extend(
                        {
                            **key,
                            "stage": stage,
                            "analyte": analyte,
                            "replicate": repeat,
                            "value": value,
                            "qualifier": "",
                            "unit": unit,
                            "lab": "lab A",
                        }
                        for repeat, value in enumerate(repeats, start=1)
                    )
        return (
            pl.DataFrame(readings, schema=dict(READINGS)),
            pl.DataFrame(design, schema=dict(DESIGN)),
            pl.DataFrame(responses),
        )

    return build
