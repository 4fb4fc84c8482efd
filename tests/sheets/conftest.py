"""A small register, and a hand that fills in blank workbooks as a site would."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import openpyxl
import polars as pl
import pytest

from crosscellar.contract import Contract, load_contract
from crosscellar.register import Register

#: Plausible values, so that no rule finds them odd (common practice, no source).
USUAL = {
    "Glycerol": 7.2,
    "Volatile acidity": 0.35,
    "Brix": 22.5,
    "Temperature": 18.0,
    "pH": 3.4,
    "Malic acid": 0.3,
    "Diacetyl": 2.0,
    "Ethanol": 13.0,
}


@pytest.fixture(scope="session")
def contract() -> Contract:
    return load_contract()


@pytest.fixture(scope="session")
def make_register(contract: Contract) -> Callable[..., Register]:
    """A register of one site and question; trials are given as rows of arms, vessels and responses."""

    def make(
        *,
        arms: list[tuple[str, str, str]] | None = None,
        vessels: list[tuple[str, str, str]] | None = None,
        responses: list[tuple[str, str, str, str, int | None, date | None]] | None = None,
        status: str = "planned",
    ) -> Register:
        arms = arms or [("LS26-OAK", "unstirred", "control"), ("LS26-OAK", "weekly", "treatment")]
        vessels = vessels or [
            ("LS26-OAK", arm, vessel)
            for arm, names in (("unstirred", ("B33", "B35")), ("weekly", ("B34", "B36")))
            for vessel in names
        ]
        responses = responses or [
            ("LS26-OAK", "glycerol", "pre_bottling", "primary", 4, date(2027, 5, 14)),
            ("LS26-OAK", "volatile_acidity", "pre_bottling", "monitored", 4, date(2027, 5, 14)),
            ("LS26-OAK", "malolactic_complete", "end_mlf", "monitored", None, date(2027, 1, 30)),
            ("LS26-OAK", "days_to_dry", "ferment_daily", "monitored", 4, date(2026, 11, 20)),
            ("LS26-OAK", "triangle", "sensory", "monitored", 12, date(2027, 6, 20)),
            ("LS26-OAK", "score:body", "sensory", "monitored", 16, date(2027, 6, 20)),
        ]
        trials = sorted({trial for trial, *_ in arms})
        return Register.of_tables(
            {
                "sites": pl.DataFrame(
                    {"site_id": ["oak-end"], "site_name": ["Oak End"], "hemisphere": ["north"]}
                ),
                "questions": pl.DataFrame(
                    {
                        "question_id": ["lees-stirring"],
                        "title": ["Does weekly lees stirring raise glycerol?"],
                        "hypothesis": ["If the lees are stirred weekly, then glycerol is higher"],
                        "factor": ["lees stirring"],
                        "primary_response": ["glycerol"],
                        "primary_stage": ["pre_bottling"],
                        "wanted": ["increase"],
                        "smallest_difference": [5.0],
                        "smallest_difference_unit": ["%"],
                    }
                ),
                "trials": pl.DataFrame(
                    {
                        "trial_id": trials,
                        "season": 2026,
                        "site_id": "oak-end",
                        "question_id": "lees-stirring",
                        "cultivar": "Chardonnay",
                        "colour": "white",
                        "status": status,
                    },
                    schema_overrides={"season": pl.Int32},
                ),
                "arms": pl.DataFrame(arms, schema=["trial_id", "arm_id", "role"], orient="row"),
                "vessels": pl.DataFrame(vessels, schema=["trial_id", "arm_id", "vessel_id"], orient="row"),
                "responses": pl.DataFrame(
                    responses,
                    schema={
                        "trial_id": pl.String,
                        "response": pl.String,
                        "stage": pl.String,
                        "role": pl.String,
                        "planned_readings": pl.Int32,
                        "due_date": pl.Date,
                    },
                    orient="row",
                ),
            },
            contract,
        )

    return make


@pytest.fixture(scope="session")
def fill_in() -> Callable[..., int]:
    """Fills the yellow cells of a workbook, one day a log row, and gives the number of readings typed."""

    def fill(path: Path, *, days: int = 2, times: float = 1.0) -> int:
        book = openpyxl.load_workbook(path)
        typed = 0
        for sheet in book.worksheets:
            headings = {cell.column: str(cell.value or "") for cell in sheet[1]}
            if not {"Trial"} <= set(headings.values()):
                continue
            log = sheet.title == "Ferment log"
            rows = list(sheet.iter_rows(min_row=2))
            vessels = len({row[2].value for row in rows}) if log else 1
            for number, row in enumerate(rows):
                if log and number // vessels >= days:
                    break
                for cell in row:
                    heading = headings[cell.column]
                    asked = cell.fill.fgColor.rgb == "FFFFFBE6"
                    if not asked or cell.protection.locked or row[0].value is None:
                        continue
                    if heading in ("Time", "Note", "Laboratory", "Repeat"):
                        continue
                    if heading == "Date":
                        cell.value = date(2026, 10, 1 + number // vessels)
                    elif heading == "Session date":
                        cell.value = date(2027, 6, 18)
                    elif heading == "Sampled on":
                        cell.value = (
                            date(2027, 1, 20) if row[3].value == "End of malolactic" else date(2027, 5, 10)
                        )
                    elif heading == "Preferred":
                        cell.value = ("odd one", "the two alike", "none", None)[number % 4]
                    elif heading in ("Picked", "Score"):
                        cell.value = 1 + number % 3
                        typed += 1
                    else:
                        name = heading.split(" (")[0]
                        cell.value = round(times * USUAL[name], 3)
                        typed += 1
        book.save(path)
        return typed

    return fill
