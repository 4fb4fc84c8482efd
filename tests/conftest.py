"""A small network taken in from the demo, once for all tests of the network and the command line."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from crosscellar.network import Network

DEMO = Path(__file__).parents[1] / "data" / "demo"


def clock() -> datetime:
    return datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="session")
def demo_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store that holds the demo's register, inbox and corrections. Only for reading."""
    path = tmp_path_factory.mktemp("network") / "network.duckdb"
    with Network.open(path, clock=clock) as network:
        network.register(DEMO / "register")
        network.intake([DEMO / "inbox"])
        network.intake([DEMO / "corrections"], correction=True)
    return path
