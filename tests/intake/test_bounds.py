"""Impossible values that another unit explains are asked for once a column, with the reading proposed."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import polars as pl
import pytest

from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.lookup import NothingStored

LOG = "trial_id,arm_id,vessel_id,date,time,brix,temperature,note\n"
LONG = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note\n"


def log(*degrees: float) -> tuple[str, str]:
    rows = [
        f"LS24-ORR,control,ORR-01,2024-09-{20 + n},08:00,{22 - 2 * n},{t},\n" for n, t in enumerate(degrees)
    ]
    return "log.csv", LOG + "".join(rows)


def long(analyte: str, *values: str, unit: str = "", stage: str = "must") -> tuple[str, str]:
    rows = [
        f"LS24-ORR,control,ORR-01,{stage},2024-09-20,{analyte},{value},{unit},{n},lab_north,\n"
        for n, value in enumerate(values, 1)
    ]
    return "long.csv", LONG + "".join(rows)


def proposals(batch: Any) -> list[float]:
    return [json.loads(text)["value"] for text in batch.set_aside["proposed"]]


def asked(batch: Any) -> list[tuple[str, str, int]]:
    held = batch.findings.filter(pl.col("severity") == "hold")
    return list(held.select("code", "cell", pl.col("items").list.len()).iter_rows())


def test_a_column_of_fahrenheit_is_asked_for_once_with_every_reading_in_celsius(judge: Any) -> None:
    # 32 °F is 0 °C and 212 °F is 100 °C by definition: 68 is 20, 77 is 25 and 50 is 10.
    batch = judge(log(68, 77, 50))
    assert asked(batch) == [("temperature_in_fahrenheit", "G2", 3)]
    assert proposals(batch) == pytest.approx([20.0, 25.0, 10.0])
    assert batch.findings.filter(pl.col("severity") == "refuse").is_empty()
    assert batch.readings["analyte"].unique().to_list() == ["brix"]


def test_one_reading_too_hot_among_others_is_refused_and_not_taken_for_fahrenheit(judge: Any) -> None:
    batch = judge(log(18, 68, 21, 20))
    assert asked(batch) == []
    assert batch.set_aside.select("cell", "outcome").rows() == [("G3", "refused")]


def test_a_column_in_celsius_is_let_be_however_warm(judge: Any) -> None:
    assert asked(judge(log(31, 33, 30))) == []


def test_a_network_may_not_look_for_fahrenheit(contract: Any, register: Any) -> None:
    name, text = log(68, 77, 71)
    batch = check_documents(
        read_documents([(name, text.encode())]),
        register,
        contract,
        stored=NothingStored(),
        received=date(2026, 1, 5),
        settings={"temperature_in_fahrenheit": {"on": 0}},
    )
    assert asked(batch) == []
    assert set(batch.set_aside["outcome"]) == {"refused"}


def test_gravity_in_thousandths_is_asked_for_once(judge: Any) -> None:
    batch = judge(long("SG", "1085", "1084", "1086"))
    assert asked(batch) == [("sg_in_thousands", "G2", 3)]
    assert proposals(batch) == pytest.approx([1.085, 1.084, 1.086])
    assert asked(judge(long("SG", "1.085", "1.084"))) == []


def test_a_column_in_another_unit_is_asked_for_once_and_another_analyte_by_itself(judge: Any) -> None:
    """A yes for one slip brings in its readings, and none of another's."""
    name, text = long("VA", "420", "450", "470", unit="g/L as acetic", stage="end AF")
    more = long("malic", "2280", unit="g/L", stage="end AF")[1].splitlines()[1]
    batch = judge((name, f"{text}{more}\n"))
    assert asked(batch) == [("unit_suspect", "G2", 3), ("unit_suspect", "G5", 1)]
    assert proposals(batch) == pytest.approx([0.42, 0.45, 0.47, 2.28])
    assert batch.findings["message"][0].endswith(
        "in mg/L it would be 0.42 g/L as acetic. (and 2 more like it)"
    )


def test_gravity_in_thousandths_with_its_unit_is_read(judge: Any) -> None:
    batch = judge(long("SG", "1085", unit="SG x 1000"))
    assert batch.readings["value"].to_list() == pytest.approx([1.085])


def test_the_weight_of_a_hundred_berries_is_asked_for_once(judge: Any) -> None:
    batch = judge(long("berry weight", "143", "138", unit="g", stage="harvest"))
    assert asked(batch) == [("berry_weight_of_many", "G2", 2)]
    assert proposals(batch) == pytest.approx([1.43, 1.38])
    assert asked(judge(long("berry weight", "1.43", unit="g", stage="harvest"))) == []
