"""Logs with a vessel a column and a day a row."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

TITLE = "Trial LS24-ORR,,\n"
DAYS = "2024-10-01,20.1,19.4\n2024-10-02,15,\nMean,17,19\n"
PAIRS = ",ORR-01,,ORR-02,\nDate,Brix,Temp (°C),Brix,Temp (°C)\n2024-10-01,20.1,17,19.4,18\n"
AGAIN = ",ORR-01,,ORR-01,\nDate,Brix,Temp (°C),Brix,Temp (°C)\n2024-10-01,20.1,17,19.4,18\n"


def test_a_log_with_a_vessel_a_column_is_read_where_trial_and_reading_stand_above(judge: Any) -> None:
    batch = judge(("log.csv", f"{TITLE}Brix,,\nDate,ORR-01,ORR-02\n{DAYS}"))
    assert batch.files.select("kind", "readings_in", "accepted").row(0) == ("ferment_log", 3, 3)
    assert batch.readings.select("arm_id", "vessel_id", "analyte", "value", "cell").rows() == [
        ("control", "ORR-01", "brix", 20.1, "B4"),
        ("stir_weekly", "ORR-02", "brix", 19.4, "C4"),
        ("control", "ORR-01", "brix", 15.0, "B5"),
    ]
    told = batch.findings.filter(pl.col("code") == "vessels_across").select("severity", "cell").rows()
    assert told == [("remark", "A3")]
    assert batch.lines.select("row", "what").rows() == [(1, "title"), (2, "title"), (6, "total")]


def test_two_readings_a_vessel_stand_below_its_name(judge: Any) -> None:
    readings = judge(("log.csv", TITLE + PAIRS)).readings
    assert readings.select("vessel_id", "analyte", "value").rows() == [
        ("ORR-01", "brix", 20.1),
        ("ORR-01", "temperature", 17.0),
        ("ORR-02", "brix", 19.4),
        ("ORR-02", "temperature", 18.0),
    ]


@pytest.mark.parametrize(
    "sheet",
    [
        f"Brix,,\nDate,ORR-01,ORR-02\n{DAYS}",
        f"{TITLE}Date,ORR-01,ORR-02\n{DAYS}",
        f"{TITLE}Brix,,\nTemperature,,\nDate,ORR-01,ORR-02\n{DAYS}",
        TITLE + AGAIN.replace("ORR-01,,ORR-01", "ORR-01,,ORR-77").replace("Date,Brix,", "Date,pH,"),
    ],
    ids=["no_trial", "no_reading", "two_readings", "no_log"],
)
def test_what_is_in_doubt_waits_and_is_told_what_to_write(judge: Any, sheet: str) -> None:
    batch = judge(("log.csv", sheet))
    assert batch.readings.is_empty()
    assert batch.files["held"][0] == batch.files["readings_in"][0] > 0
    assert batch.findings["code"].to_list() == ["sheet_not_recognised"]


def test_one_vessel_twice_is_not_read_as_two(judge: Any) -> None:
    assert judge(("log.csv", TITLE + AGAIN)).readings.is_empty()
