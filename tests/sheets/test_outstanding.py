"""Who still owes what."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from crosscellar.contract import Contract, load_contract
from crosscellar.contract.frames import FINDINGS, PICKS, READINGS, SCORES, SET_ASIDE, Columns
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.lookup import NothingStored
from crosscellar.register import Register
from crosscellar.sheets.blank import write_sheets
from crosscellar.sheets.outstanding import OUTSTANDING, outstanding_of

MakeRegister = Callable[..., Register]
TODAY = date(2027, 5, 24)


def frame(columns: Columns, rows: list[dict[str, Any]]) -> pl.DataFrame:
    return pl.DataFrame([{name: row.get(name) for name in columns} for row in rows], schema=dict(columns))


def reading(
    vessel: str, analyte: str = "glycerol", stage: str = "pre_bottling", **more: Any
) -> dict[str, Any]:
    return {
        "trial_id": "LS26-OAK",
        "vessel_id": vessel,
        "analyte": analyte,
        "stage": stage,
        "file": "lab.csv",
        "sheet": "",
        **more,
    }


def row_of(
    register: Register, readings: list[dict[str, Any]], response: str = "glycerol", **more: Any
) -> dict[str, Any]:
    got, _ = outstanding_of(register, readings=frame(READINGS, readings), today=TODAY, **more)
    return got.filter(pl.col("response") == response).row(0, named=True)


def test_nothing_part_and_complete_are_told_apart(make_register: MakeRegister) -> None:
    register = make_register()
    some = [reading(vessel) for vessel in ("B33", "B34")]
    every = [reading(vessel) for vessel in ("B33", "B34", "B35", "B36")]
    states = [row_of(register, rows)["state"] for rows in ([], some, every)]
    assert states == ["nothing", "part", "complete"]
    assert row_of(register, some)["missing_vessels"] == ["B35", "B36"]
    assert row_of(register, every)["missing_vessels"] == []


def test_repeats_of_one_vessel_never_stand_in_for_another(make_register: MakeRegister) -> None:
    rows = [reading("B33", replicate=number) for number in (1, 2, 3, 4)]
    got = row_of(make_register(), rows)
    assert (got["received"], got["expected"], got["state"]) == (1, 4, "part")


def test_days_overdue_count_from_the_due_date_and_stop_when_all_is_there(make_register: MakeRegister) -> None:
    register = make_register()
    every = [reading(vessel) for vessel in ("B33", "B34", "B35", "B36")]
    assert row_of(register, [])["days_overdue"] == 10
    assert row_of(register, every)["days_overdue"] == 0
    assert row_of(register, [], "triangle")["days_overdue"] == 0


def test_a_ferment_log_answers_once_a_vessel_however_long_it_is(make_register: MakeRegister) -> None:
    log = [
        reading(vessel, "brix", "ferment_daily", sample_date=date(2026, 10, day))
        for vessel in ("B33", "B34", "B35")
        for day in (1, 2, 3)
    ]
    got = row_of(make_register(), log, "days_to_dry")
    assert (got["received"], got["expected"], got["missing_vessels"]) == (3, 4, ["B36"])
    warm = [reading("B33", "temperature", "ferment_daily")]
    assert row_of(make_register(), warm, "days_to_dry")["state"] == "nothing"


def test_malolactic_complete_is_answered_by_malic_acid(make_register: MakeRegister) -> None:
    rows = [reading(vessel, "malic_acid", "end_mlf") for vessel in ("B33", "B34", "B35", "B36")]
    assert row_of(make_register(), rows, "malolactic_complete")["state"] == "complete"


def test_picks_and_scores_are_counted_by_trial_and_attribute(make_register: MakeRegister) -> None:
    picks = frame(PICKS, [{"trial_id": "LS26-OAK"}] * 12)
    scores = frame(SCORES, [{"trial_id": "LS26-OAK", "attribute": "body"}] * 5)
    register = make_register()
    assert row_of(register, [], "triangle", picks=picks)["state"] == "complete"
    assert row_of(register, [], "score:body", scores=scores)["received"] == 5


def test_a_lost_trial_owes_nothing_and_a_season_is_asked_for_alone(make_register: MakeRegister) -> None:
    nobody = frame(READINGS, [])
    lost, texts = outstanding_of(make_register(status="lost"), readings=nobody, today=TODAY)
    assert (lost.height, texts) == (0, {})
    other, _ = outstanding_of(make_register(), readings=nobody, today=TODAY, season=2025)
    assert other.height == 0
    assert dict(other.schema) == dict(OUTSTANDING)


@pytest.fixture
def held() -> dict[str, pl.DataFrame]:
    place = {"file": "lab.csv", "sheet": "", "row": 2, "column": 7, "cell": "G2"}
    proposed = '{"trial_id":"LS26-OAK","vessel_id":"B33","stage":"pre_bottling","analyte":"glycerol"}'
    return {
        "set_aside": frame(
            SET_ASIDE,
            [{**place, "item_no": 1, "outcome": "held", "target": "readings", "proposed": proposed}],
        ),
        "findings": frame(
            FINDINGS,
            [
                {
                    **place,
                    "severity": "hold",
                    "message": "72 is far off.",
                    "suggestion": "Is 7.2 meant?",
                    "items": [1],
                }
            ],
        ),
    }


def test_what_was_held_is_waiting_until_something_stands_in_its_place(
    make_register: MakeRegister, held: dict[str, pl.DataFrame]
) -> None:
    register = make_register()
    assert row_of(register, [], **held)["waiting"] == 1
    assert row_of(register, [reading("B33")], **held)["waiting"] == 0
    assert row_of(register, [reading("B34")], **held)["waiting"] == 1


def test_the_text_says_what_is_missing_since_when_and_what_was_turned_away_and_why(
    make_register: MakeRegister, held: dict[str, pl.DataFrame]
) -> None:
    _, texts = outstanding_of(
        make_register(), readings=frame(READINGS, [reading("B34")]), today=TODAY, **held
    )
    text = texts["oak-end"]
    assert text.startswith("Dear all at Oak End,")
    assert (
        "glycerol, before bottling: 1 of 4 received; due 14 May 2027, 10 days ago; missing: B33, B35, B36"
        in text
    )
    assert "lab.csv › G2: 72 is far off. Is 7.2 meant?" in text
    late, later = text.split("Not due yet:")
    assert "triangle test" in later
    assert "triangle test" not in late


def test_who_sent_nothing_is_not_thanked_for_what_was_sent(make_register: MakeRegister) -> None:
    nobody = frame(READINGS, [])
    _, texts = outstanding_of(make_register(), readings=nobody, today=TODAY)
    assert "thank you for what you have sent" not in texts["oak-end"]
    assert "these readings have not reached us yet:" in texts["oak-end"]


def test_a_finding_that_was_decided_is_no_longer_told(
    make_register: MakeRegister, held: dict[str, pl.DataFrame]
) -> None:
    decided = held["findings"].with_columns(
        pl.lit("accepted").alias("state"), pl.lit("LS26-OAK").alias("trial_id")
    )
    _, texts = outstanding_of(
        make_register(),
        readings=frame(READINGS, []),
        today=TODAY,
        set_aside=held["set_aside"],
        findings=decided,
    )
    assert "72 is far off" not in texts["oak-end"]


def test_a_fault_of_a_heading_is_told_to_every_site_whose_readings_stand_below_it(
    make_register: MakeRegister,
) -> None:
    trials = ("LS26-ELM", "LS26-OAK")
    register = make_register(
        arms=[
            (trial, arm, role)
            for trial in trials
            for arm, role in (("at_rest", "control"), ("weekly", "treatment"))
        ],
        vessels=[
            (trial, arm, f"{vessel}{trial[-1]}")
            for trial in trials
            for arm, vessel in (("at_rest", "B1"), ("weekly", "B2"))
        ],
        responses=[(trial, "turbidity", "pre_bottling", "primary", 2, date(2027, 5, 14)) for trial in trials],
    )
    register = Register.of_tables(
        {
            **register.tables,
            "sites": pl.concat(
                [
                    register.sites,
                    register.sites.with_columns(site_id=pl.lit("elm-end"), site_name=pl.lit("Elm End")),
                ]
            ),
            "trials": register.trials.with_columns(site_id=pl.Series(["elm-end", "oak-end"])),
        },
        load_contract(),
    )
    below = [
        {
            "file": "lab.xlsx",
            "sheet": "Tanks",
            "row": row,
            "column": 9,
            "outcome": "held",
            "target": "readings",
            "proposed": json.dumps(
                {
                    "trial_id": trial,
                    "vessel_id": f"B1{trial[-1]}",
                    "stage": "pre_bottling",
                    "analyte": "turbidity",
                }
            ),
        }
        for row, trial in enumerate(trials, 2)
    ]
    heading = {"file": "lab.xlsx", "sheet": "Tanks", "row": 1, "column": 9, "cell": "I1", "severity": "hold"}
    _, texts = outstanding_of(
        register,
        readings=frame(READINGS, []),
        set_aside=frame(SET_ASIDE, below),
        findings=frame(
            FINDINGS, [{**heading, "message": "Turbidty is not known.", "suggestion": "Is Turbidity meant?"}]
        ),
        today=TODAY,
    )
    assert set(texts) == {"elm-end", "oak-end"}
    assert all("lab.xlsx › Tanks › I1: Turbidty is not known." in text for text in texts.values())


def test_a_refused_cell_is_placed_by_what_stands_in_its_row_and_column(make_register: MakeRegister) -> None:
    near = [
        reading("B33", "volatile_acidity", row=2, column=8),
        reading("B34", "glycerol", row=3, column=7),
    ]
    refused = frame(
        SET_ASIDE,
        [{"file": "lab.csv", "sheet": "", "row": 2, "column": 7, "outcome": "refused", "target": "readings"}],
    )
    got = row_of(make_register(), near, set_aside=refused)
    assert (got["received"], got["waiting"]) == (1, 1)


@pytest.mark.parametrize(("other", "told"), [("LS26-OAK", True), ("LS25-ELM", False)])
def test_a_refused_row_of_nothing_known_is_told_to_the_site_of_all_else_in_its_file(
    make_register: MakeRegister, other: str, told: bool
) -> None:
    own = reading("B33", "volatile_acidity", row=2, column=8)
    fault = {"file": "lab.csv", "sheet": "", "row": 9, "column": 3, "cell": "C9", "severity": "refuse"}
    _, texts = outstanding_of(
        make_register(),
        readings=frame(READINGS, [own, {**reading("B34", "volatile_acidity", row=3), "trial_id": other}]),
        set_aside=frame(
            SET_ASIDE,
            [
                {
                    "file": "lab.csv",
                    "sheet": "",
                    "row": 9,
                    "column": 8,
                    "outcome": "refused",
                    "target": "readings",
                }
            ],
        ),
        findings=frame(
            FINDINGS, [{**fault, "message": "There is no vessel B99.", "suggestion": "Check it."}]
        ),
        today=TODAY,
    )
    assert any("C9: There is no vessel B99." in text for text in texts.values()) == told


def test_a_sheet_that_comes_back_leaves_the_list(
    make_register: MakeRegister, contract: Contract, tmp_path: Path, fill_in: Any
) -> None:
    register = make_register()
    made = write_sheets(register, tmp_path, contract=contract, seed=7, ferment_days=2)
    back = [*made.workbooks, *made.keys]
    for path in back:
        fill_in(path)
    batch = check_documents(
        read_documents(back), register, contract, stored=NothingStored(), received=date(2027, 7, 1)
    )
    got, texts = outstanding_of(
        register,
        readings=batch.readings,
        picks=batch.picks,
        scores=batch.scores,
        set_aside=batch.set_aside,
        findings=batch.findings,
        today=date(2027, 7, 1),
    )
    assert got["state"].unique().to_list() == ["complete"]
    assert texts == {}
