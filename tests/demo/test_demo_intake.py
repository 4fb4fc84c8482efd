"""The demo's inbox through the project's own intake: planted faults end as listed, the rest is taken."""

from __future__ import annotations

import csv
import re
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from crosscellar.contract import load_contract
from crosscellar.contract.frames import Batch
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.lookup import NothingStored
from crosscellar.register import read_register

DEMO = Path(__file__).parents[2] / "data" / "demo"
WAITING = ("refused", "held")


def planted() -> list[dict[str, str]]:
    with (DEMO / "planted_faults.csv").open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["file"].startswith("inbox/") and row["cell"]]


def places(fault: dict[str, str]) -> tuple[int, int, int]:
    """First row, last row and column of a fault's cells, counted from 1."""
    found = re.findall(r"([A-Z])([0-9]+)", fault["cell"])
    return int(found[0][1]), int(found[-1][1]), ord(found[0][0]) - ord("A") + 1


@pytest.fixture(scope="module")
def batch() -> Batch:
    contract = load_contract()
    return check_documents(
        read_documents([DEMO / "inbox"]),
        read_register(DEMO / "register", contract),
        contract,
        stored=NothingStored(),
        received=date(2026, 11, 25),
    )


def within(frame: pl.DataFrame, fault: dict[str, str]) -> pl.DataFrame:
    """The rows of a frame with places that stand in a fault's file, tab and rows."""
    first, last, _ = places(fault)
    return frame.filter(
        (pl.col("file") == fault["file"].removeprefix("inbox/"))
        & (pl.col("sheet") == fault["sheet"])
        & pl.col("row").is_between(first, last)
    )


@pytest.mark.parametrize("fault", planted(), ids=lambda fault: f"{Path(fault['file']).name}!{fault['cell']}")
def test_a_planted_fault_ends_as_listed(batch: Batch, fault: dict[str, str]) -> None:
    wanted = fault["expected"].split(" or ")
    column = places(fault)[2]
    stopped = within(batch.set_aside, fault).filter(pl.col("outcome").is_in(WAITING))
    entered = within(batch.readings, fault)
    if wanted == ["line"]:
        assert within(batch.lines, fault).height == 1
        assert entered.is_empty()
    elif wanted == ["blank"]:
        assert entered.is_empty()
        assert stopped.is_empty()
    elif wanted == ["accepted"]:
        assert entered.height >= 1
        assert stopped.is_empty()
    elif "remark" in wanted and stopped.is_empty():
        told = batch.findings.filter(
            (pl.col("file") == fault["file"].removeprefix("inbox/"))
            & (pl.col("column").is_null() | (pl.col("column") == column))
            & ~pl.col("code").is_in(["unit_alias", "unit_converted", "basis_converted", "implausible"])
        )
        assert told.height >= 1
    else:
        # A fault of an identifier or a date stops the row; a fault of a value stops its own cell.
        own = stopped.filter(pl.col("column") == column)
        outcomes = (own if own.height else stopped)["outcome"].unique().to_list()
        assert outcomes
        assert set(outcomes) <= set(wanted)
        assert entered.filter(pl.col("column") == column).is_empty()


def test_nothing_but_the_planted_faults_is_turned_away(batch: Batch) -> None:
    stopped = batch.set_aside.filter(pl.col("outcome").is_in(WAITING)).with_row_index("n")
    listed = {n for fault in planted() for n in within(stopped, fault)["n"].to_list()}
    stray = stopped.filter(~pl.col("n").is_in(listed)).select("file", "sheet", "cell", "text_sent")
    assert stray.rows() == []


def test_every_reading_is_accounted_for(batch: Batch) -> None:
    ends = pl.sum_horizontal("accepted", "refused", "held", "already", "blank")
    assert batch.files.filter(pl.col("readings_in") != ends).is_empty()
    assert batch.files["readings_in"].sum() > 6000
    assert batch.files["accepted"].sum() > 0.95 * batch.files["readings_in"].sum()


def test_a_sheet_sent_twice_brings_nothing_new(batch: Batch) -> None:
    copy = batch.files.filter(pl.col("file") == "2023/alder_2023_must_copy.csv")
    assert copy.height == 1
    assert copy["readings_in"].item() > 100
    assert copy["already"].item() == copy["readings_in"].item()


def test_both_laboratories_mean_the_same_by_titratable_acidity(batch: Batch) -> None:
    # A wine's pH and acidity go together whoever titrates: pH + 0.1 TA (g/L as tartaric) lies in 3.52 to 4.65
    # for 99.8 % of the 6,497 wines of Cortez et al. (2009); 35 % less acid, as sulfuric, would fall below.
    wide = (
        batch.readings.filter(pl.col("analyte").is_in(["ph", "titratable_acidity"]))
        .filter(pl.col("lab").is_in(["lab_alder", "lab_birch"]))
        .pivot("analyte", index=["lab", "trial_id", "vessel_id", "stage"], values="value")
        .drop_nulls()
    )
    both = wide.with_columns((pl.col("ph") + 0.1 * pl.col("titratable_acidity")).alias("sum"))
    assert both["lab"].n_unique() == 2
    assert both["sum"].is_between(3.52, 4.65).mean() > 0.99
