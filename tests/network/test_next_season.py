"""Before harvest: blank sheets go out, come back filled in, and leave the list; a plan is asked for."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import polars as pl
import pytest

import crosscellar as cc
from crosscellar.errors import CrosscellarError, NotComputable

DEMO = Path(__file__).parents[2] / "data" / "demo"


def test_a_sheet_that_was_made_and_filled_in_is_taken_in_without_a_finding(tmp_path: Path) -> None:
    clock = datetime(2026, 11, 25, tzinfo=UTC)
    with cc.Network.open(tmp_path / "n.duckdb", clock=lambda: clock) as network:
        network.register(DEMO / "register")
        made = network.sheets(season=2025, out=tmp_path / "sheets")
        path = next(Path(path) for path in made.paths if path.endswith("LS25-MER.xlsx"))
        owed = network.outstanding(season=2025).expected.filter(pl.col("trial_id") == "LS25-MER")
        assert set(owed["state"]) == {"nothing"}
        book = openpyxl.load_workbook(path)
        plausible = {"glycerol": 6.1, "volatile": 0.38, "free": 27, "heat": 0.9}
        (sheet,) = [
            tab for tab in book.worksheets if tab.title not in ("Read me first", "Labels to print", "choices")
        ]
        heading = next(
            row for row in sheet.iter_rows() if any("glycerol" in str(c.value).lower() for c in row)
        )
        for cell in heading:
            text = str(cell.value or "").lower()
            value = next((number for word, number in plausible.items() if word in text), None)
            for row in range(cell.row + 1, sheet.max_row + 1):
                if value is not None and sheet.cell(row, 1).value:
                    sheet.cell(row, cell.column).value = value + 0.01 * (row % 7)
                elif text == "sampled on" and sheet.cell(row, 1).value:
                    sheet.cell(row, cell.column).value = datetime(2026, 5, 12)  # noqa: DTZ001
        book.save(tmp_path / "returned.xlsx")
        outcome = network.intake(tmp_path / "returned.xlsx")
        assert (outcome.refused, outcome.held) == (0, 0)
        assert outcome.accepted == 16
        assert outcome.findings.filter(pl.col("code") == "sheet_not_read").is_empty()
        owed = network.outstanding(season=2025).expected.filter(pl.col("trial_id") == "LS25-MER")
        assert set(owed["state"]) == {"complete"}


def test_a_plan_for_an_undecided_question_has_a_cost(demo_store: Path, tmp_path: Path) -> None:
    prices = tmp_path / "prices.toml"
    prices.write_text('per_sample = 35\nper_site = 400\ncurrency = "EUR"\n')
    with cc.Network.open(demo_store, read_only=True) as network:
        plan = network.plan("cold-soak", sites=(0, 4), vessels=(1, 2), prices=prices)
        assert plan.plan["cost"].to_list() == [0.0, 0.0, 4 * 400 + 8 * 35, 4 * 400 + 16 * 35]
        # More sites narrow the interval more than more vessels do where sites differ.
        halves = plan.plan["half_width"].to_list()
        assert halves[2] < halves[1]
        with pytest.raises(NotComputable, match="two sites"):
            network.plan("bentonite-dose")
        with pytest.raises(CrosscellarError, match="no price table"):
            network.plan("cold-soak", prices=tmp_path / "none.toml")


def test_a_register_without_labels_keeps_those_that_were_printed(tmp_path: Path) -> None:
    folder = tmp_path / "register"
    folder.mkdir()
    for file in (DEMO / "register").glob("*.csv"):
        if file.name != "samples.csv":
            (folder / file.name).write_bytes(file.read_bytes())
    with cc.Network.open(tmp_path / "n.duckdb") as network:
        network.register(folder)
        network.sheets(season=2025, out=tmp_path / "sheets")
        made = network._register.samples
        assert made.height > 0
        assert network.register(folder).changes["samples"]["ended"] == 0
        assert network._register.samples.equals(made)
