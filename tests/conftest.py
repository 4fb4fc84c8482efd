"""What all tests share: no network, and one small network taken in from the demo."""

from __future__ import annotations

import os
import runpy
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from crosscellar.network import Network

DEMO = Path(__file__).parents[1] / "data" / "demo"
OFFLINE = Path(__file__).parent / "offline"


@pytest.fixture(scope="session", autouse=True)
def network_off() -> Iterator[None]:
    """No Python process of the tests reaches beyond this machine's own files."""
    runpy.run_path(str(OFFLINE / "sitecustomize.py"))
    before = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = os.pathsep.join([str(OFFLINE), *([before] if before else [])])
    yield
    if before is None:
        del os.environ["PYTHONPATH"]
    else:
        os.environ["PYTHONPATH"] = before


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
