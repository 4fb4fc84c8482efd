"""What all tests share: no network, the longest first, and one small network taken in from the demo."""

from __future__ import annotations

import json
import os
import runpy
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import settings

from crosscellar.network import Network

DEMO = Path(__file__).parents[1] / "data" / "demo"
OFFLINE = Path(__file__).parent / "offline"

#: What takes longest is begun first, so that no worker is left alone with it in the end.
LONGEST = (
    "test_store_kills",
    "test_summary",
    "test_rebuilding",
    "test_console_blocks",
    "test_messy",
    "test_pooling",
    "test_pipelines",
)

# A busy machine must not fail a property: none is timed.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def pytest_configure(config: pytest.Config) -> None:
    """Workers get files in the order of `pytest_collection_modifyitems`, not by their number of tests."""
    config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: LONGEST.index(item.path.stem) if item.path.stem in LONGEST else len(LONGEST))


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
    """A store that holds the demo's register, inbox and corrections. Only for reading.

    Beside it lies what taking in the inbox came to (`intake.json`).
    One worker makes it for all; another that needs it meanwhile waits.
    """
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "demo"
    path, made = folder / "network.duckdb", folder / "made"
    try:
        folder.mkdir()
    except FileExistsError:
        until = time.monotonic() + 600
        while not made.exists() and time.monotonic() < until:
            time.sleep(0.1)
        return path
    try:
        with Network.open(path, clock=clock) as network:
            network.register(DEMO / "register")
            outcome = network.intake([DEMO / "inbox"])
            (folder / "intake.json").write_text(json.dumps(outcome.as_json()), encoding="utf-8")
            network.intake([DEMO / "corrections"], correction=True)
    finally:
        made.touch()
    return path
