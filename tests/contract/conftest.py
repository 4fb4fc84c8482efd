"""What the tests of the contract share."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from crosscellar.contract import Contract, load_contract, schema_folder


@pytest.fixture(scope="session")
def contract() -> Contract:
    return load_contract()


@pytest.fixture
def copied_schemas(tmp_path: Path) -> Path:
    """A copy of the schema files that a test may spoil."""
    target = tmp_path / "schemas"
    target.mkdir()
    for file in schema_folder().glob("*.toml"):
        shutil.copy(file, target / file.name)
    return target
