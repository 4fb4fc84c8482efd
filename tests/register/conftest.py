"""What tests of the register share: the contract, a small sound register, and a folder of CSVs made of it."""

from __future__ import annotations

import csv
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path

import pytest

from crosscellar.contract import Contract, load_contract
from crosscellar.register import Register, read_register

Tables = dict[str, list[dict[str, str]]]

#: Two trials of one question at two sites, two vessels an arm, with every table filled.
SOUND: Tables = {
    "sites": [
        {"site_id": "brackwell", "site_name": "Brackwell", "hemisphere": "north", "contact": ""},
        {"site_id": "harrowmere", "site_name": "Harrowmere", "hemisphere": "south", "contact": ""},
    ],
    "questions": [
        {
            "question_id": "lees",
            "title": "Does weekly stirring of the lees keep more acidity?",
            "hypothesis": "If the lees are stirred weekly, then titratable acidity is higher",
            "factor": "lees stirring",
            "primary_response": "titratable_acidity",
            "primary_stage": "pre_bottling",
            "wanted": "increase",
            "smallest_difference": "0.3",
        }
    ],
    "trials": [
        {
            "trial_id": "LS-A",
            "season": "2024",
            "site_id": "brackwell",
            "question_id": "lees",
            "colour": "red",
        },
        {
            "trial_id": "LS-B",
            "season": "2025",
            "site_id": "harrowmere",
            "question_id": "lees",
            "colour": "white",
        },
    ],
    "arms": [
        {"trial_id": trial, "arm_id": arm, "role": role, "level": level, "level_unit": "stirrings a week"}
        for trial in ("LS-A", "LS-B")
        for arm, role, level in (("still", "control", "0"), ("stirred", "treatment", "1"))
    ],
    "vessels": [
        {"trial_id": trial, "arm_id": arm, "vessel_id": f"{trial}-{arm}-{vessel}", "volume_l": "225"}
        for trial in ("LS-A", "LS-B")
        for arm in ("still", "stirred")
        for vessel in ("v", "w")
    ],
    "responses": [
        {"trial_id": trial, "response": response, "stage": "pre_bottling", "role": role, "due_date": due}
        for trial, due in (("LS-A", "2025-06-01"), ("LS-B", "2026-01-15"))
        for response, role in (("titratable_acidity", "primary"), ("triangle", "monitored"))
    ],
    "samples": [
        {
            "sample_id": "S-104",
            "trial_id": "LS-A",
            "arm_id": "still",
            "vessel_id": "LS-A-still-v",
            "stage": "pre_bottling",
        }
    ],
    "labs": [{"lab_id": "lab_north", "analyte": "titratable_acidity", "basis": "tartaric"}],
    "aliases": [{"written": "tot. acid", "means": "titratable_acidity"}],
}


def write_table(
    file: Path, rows: list[dict[str, str]], *, separator: str = ",", encoding: str = "utf-8"
) -> None:
    with file.open("w", encoding=encoding, newline="") as out:
        writer = csv.DictWriter(out, list(rows[0]), delimiter=separator)
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture(scope="session")
def contract() -> Contract:
    return load_contract()


@pytest.fixture
def sound() -> Tables:
    """A register without a fault, to be damaged in one place."""
    return deepcopy(SOUND)


@pytest.fixture
def folder(tmp_path: Path) -> Callable[..., Path]:
    """Writes tables as a folder of CSVs."""

    def written(
        tables: Tables, name: str = "register", *, separator: str = ",", encoding: str = "utf-8"
    ) -> Path:
        made = tmp_path / name
        made.mkdir()
        for table, rows in tables.items():
            write_table(made / f"{table}.csv", rows, separator=separator, encoding=encoding)
        return made

    return written


@pytest.fixture
def read(folder: Callable[..., Path], contract: Contract) -> Callable[[Tables], Register]:
    """Reads tables through CSV files."""
    return lambda tables: read_register(folder(tables), contract)
