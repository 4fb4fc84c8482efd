"""The page of sheet formats says which columns a sheet must have and which may be missing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from crosscellar import Network

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "sheets.md").read_text("utf-8")

#: One row of each kind, by the page's words for the columns.
ROWS = {
    "laboratory, a row a reading": {
        "trial_id": "LS25-OST",
        "arm_id": "unstirred",
        "vessel_id": "B15",
        "stage": "pre_bottling",
        "sample_date": "2026-05-12",
        "analyte": "Glycerol",
        "value": "6.1",
        "unit": "g/L",
        "replicate": "1",
        "lab": "lab_alder",
        "method": "enzymatic",
        "note": "clear",
    },
    "ferment log": {
        "trial_id": "NT25-HTH",
        "arm_id": "at_start",
        "vessel_id": "T40",
        "date": "2025-09-20",
        "time": "08:00",
        "Brix": "22.1",
        "temperature": "16",
        "note": "cap wet",
    },
    "triangle test": {
        "trial_id": "CS25-PEL",
        "session_id": "S9",
        "session_date": "2026-06-20",
        "assessor_id": "A01",
        "arm_pair": "no_soak|soak_5d",
        "serving": "AAB",
        "picked": "3",
        "preferred": "A",
        "note": "warm",
    },
    "scores": {
        "trial_id": "LS25-OST",
        "session_id": "S8",
        "session_date": "2026-06-20",
        "assessor_id": "A01",
        "arm_id": "unstirred",
        "vessel_id": "B15",
        "attribute": "body",
        "score": "5",
        "scale_low": "0",
        "scale_high": "10",
        "replicate": "1",
        "note": "warm",
    },
}


#: Of a log one of sugar and temperature is enough; without analyte, number or day a row is no reading of its
#: kind, and a unit may have been declared.
NEVER_ALONE = {"Brix", "temperature", "value", "picked", "score", "analyte", "date", "unit"}


def columns_of(kind: str) -> list[tuple[str, bool]]:
    """The columns that the page lists for a kind, each with whether it may be missing."""
    (listed,) = re.findall(rf"^\| {re.escape(kind)} \| (.+) \|$", PAGE, re.M)
    names = [part.split(" or ")[0] for part in listed.split(", ")]
    return [(name.strip("[]"), name.startswith("[")) for name in names]


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Network]:
    store = tmp_path_factory.mktemp("sheets") / "network.duckdb"
    with Network.open(store, clock=lambda: datetime(2026, 11, 20, tzinfo=UTC)) as opened:
        opened.register(ROOT / "data" / "demo" / "register")
        yield opened


def write(folder: Path, name: str, row: dict[str, str]) -> None:
    (folder / f"{name}.csv").write_text(f"{','.join(row)}\n{','.join(row.values())}\n", encoding="utf-8")


@pytest.mark.parametrize("without", ["nothing", "what may be missing"])
def test_a_sheet_with_the_columns_of_the_page_comes_in_whole(
    without: str, network: Network, tmp_path: Path
) -> None:
    for kind, row in ROWS.items():
        listed = columns_of(kind)
        assert [name for name, _ in listed] == list(row)
        missing = {name for name, optional in listed if optional and without != "nothing"}
        write(tmp_path, kind, {name: text for name, text in row.items() if name not in missing})
    taken = network.intake(tmp_path, dry_run=True)
    assert taken.files.filter(pl.col("accepted") != pl.col("readings_in")).height == 0
    assert taken.files["accepted"].to_list() == [2, 1, 1, 1]  # a ferment log has sugar and temperature


def test_without_a_column_that_must_be_there_nothing_comes_in_and_it_is_named(
    network: Network, tmp_path: Path
) -> None:
    for kind, row in ROWS.items():
        for name, optional in columns_of(kind):
            if not optional and name not in NEVER_ALONE:
                write(tmp_path, f"{kind} without {name}", {k: v for k, v in row.items() if k != name})
    taken = network.intake(tmp_path, dry_run=True)
    assert taken.files.height > 20
    assert taken.accepted == taken.held == 0
    assert set(taken.files["status"]) == {"refused"}
    stops = taken.findings.filter(pl.col("severity") == "refuse")
    for file, code, suggestion in stops.select("file", "code", "suggestion").iter_rows():
        assert code == "missing_column"
        assert file.removesuffix(".csv").rsplit(" ", 1)[1] in suggestion


@pytest.mark.parametrize(("without", "ends"), [(["unit"], "accepted"), (["unit", "lab"], "held")])
def test_a_unit_may_be_left_out_where_the_laboratory_has_declared_it(
    without: list[str], ends: str, network: Network, tmp_path: Path
) -> None:
    row = ROWS["laboratory, a row a reading"]
    write(tmp_path, "sheet", {name: text for name, text in row.items() if name not in without})
    assert getattr(network.intake(tmp_path, dry_run=True), ends) == 1


def test_the_orders_of_serving_on_the_page_are_those_that_are_read() -> None:
    from crosscellar.contract import load_contract

    (serving,) = [c for c in load_contract().sheet_kinds["triangle"].columns if c.name == "serving"]
    assert re.findall(r"\b[AB]{3}\b", PAGE) == list(serving.allowed)
