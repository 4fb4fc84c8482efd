"""Sixty-four sheets as they really come: each reading ends where a careful data manager would have it.

The expectation beside the sheets (tests/faults/messy) was written before this program. Where the program
decides otherwise for a reason, `messy_differences.csv` has the cell and the reason.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from crosscellar.contract import Contract
from crosscellar.contract.frames import Batch

HERE = Path(__file__).parent
MESSY = HERE.parent / "faults" / "messy"
#: Taken in one after the other into one store; the third is a correction.
IN_ORDER = ("108", "109", "110", "111", "112")
ANALYTES = {
    "pH": "ph",
    "TA": "titratable_acidity",
    "VA": "volatile_acidity",
    "malic": "malic_acid",
    "FSO2": "so2_free",
    "TSO2": "so2_total",
    "turbidity": "turbidity",
    "ethanol": "ethanol",
}
STAGES = {"end_AF": "end_primary", "must": "juice", "end_MLF": "end_mlf", "pre_bottling": "pre_bottling"}
OUTCOMES = ("accepted", "refused", "held", "already", "blank")
#: Made by tests themselves: a link and a very large cell do not travel.
NOT_HERE = ("067", "115")


def _table(name: str) -> pl.DataFrame:
    frame = pl.read_csv(MESSY / name, infer_schema=False)
    return frame.with_columns(pl.all().fill_null(""))


FILES = _table("expected.csv")
CELLS = _table("expected_cells.csv")
ACCEPTED = _table("expected_accepted.csv")
DIFFERENCES = pl.read_csv(HERE / "messy_differences.csv", infer_schema=False).with_columns(
    pl.all().fill_null("")
)
NAMES = [name for name in FILES["file"].to_list() if not name.startswith(NOT_HERE)]


@pytest.fixture(scope="module")
def outcomes(judge: Any, new_shelf: Any) -> dict[str, Batch]:
    """Every file judged: alone against nothing, or in order into one shelf."""
    shelf = new_shelf()
    batches = {}
    for name in NAMES:
        path = MESSY / "files" / name
        if name.startswith(IN_ORDER):
            batches[name] = judge(path, stored=shelf, correction=name.startswith("111"))
            shelf.put(batches[name])
        else:
            batches[name] = judge(path)
    return batches


def _expected_counts(name: str) -> dict[str, int]:
    line = FILES.row(by_predicate=pl.col("file") == name, named=True)
    already = CELLS.filter((pl.col("file") == name) & (pl.col("code") == "already_taken_in")).height
    counts = {
        "accepted": int(line["accept"]),
        "refused": int(line["refuse"]) - already,
        "held": int(line["ask"]),
        "already": already,
        "blank": int(line["blank"]),
    }
    for reference, ours in DIFFERENCES.filter(pl.col("file") == name).select("reference", "ours").iter_rows():
        if reference in counts:
            counts[reference] -= 1
            counts[ours] += 1
    return counts


def test_the_difference_list_gives_a_reason_for_each_cell() -> None:
    assert DIFFERENCES.filter(pl.col("reason").str.len_chars() < 20).is_empty()


@pytest.mark.parametrize("name", NAMES)
def test_each_reading_of_a_file_ends_in_the_expected_place(name: str, outcomes: dict[str, Batch]) -> None:
    counted = outcomes[name].files.row(0, named=True)
    line = FILES.row(by_predicate=pl.col("file") == name, named=True)
    assert {outcome: counted[outcome] for outcome in OUTCOMES} == _expected_counts(name)
    assert counted["readings_in"] == int(line["items_in"])
    assert outcomes[name].lines.height == int(line["lines_not_data"])


def _key(row: dict[str, Any]) -> tuple[str, ...]:
    return (
        row["trial_id"],
        row["arm_id"],
        row["vessel_id"],
        row["stage"],
        str(row["sample_date"]),
        row["analyte"],
        str(row["replicate"]),
    )


@pytest.mark.parametrize("name", NAMES)
def test_no_wrong_number_enters_and_no_right_one_is_lost(name: str, outcomes: dict[str, Batch]) -> None:
    wanted = {}
    for row in ACCEPTED.filter(pl.col("file") == name).iter_rows(named=True):
        row = {**row, "stage": STAGES[row["stage"]], "analyte": ANALYTES[row["analyte"]]}
        wanted[_key(row)] = (row["qualifier"], float(row["value"]))
    entered = {_key(row): row for row in outcomes[name].readings.iter_rows(named=True)}
    differing = DIFFERENCES.filter(pl.col("file") == name)
    for cell, ours, analyte, value in differing.select("cell", "ours", "analyte", "value").iter_rows():
        if ours == "accepted":
            key = next(key for key, row in entered.items() if row["cell"] == cell)
            assert key[5] == analyte
            wanted[key] = ("", float(value))
        elif ours == "held":
            held = outcomes[name].set_aside.filter((pl.col("cell") == cell) & (pl.col("outcome") == "held"))
            assert held.height == 1
            gone = ACCEPTED.filter((pl.col("file") == name) & (pl.col("cell").str.slice(1) == cell[1:]))
            row = gone.row(0, named=True)
            wanted.pop(_key({**row, "stage": STAGES[row["stage"]], "analyte": ANALYTES[row["analyte"]]}))
    assert entered.keys() == wanted.keys()
    for key, (qualifier, value) in wanted.items():
        assert entered[key]["qualifier"] == qualifier
        # The reference prints conversions with factors of 4 digits after the point.
        assert entered[key]["value"] == pytest.approx(value, rel=2e-5), key


def _spoken_for(batch: Batch) -> dict[str, set[str]]:
    """For each cell, the severities of the findings that stand at it or speak for its item."""
    cells: dict[str, set[str]] = {}
    place = dict(batch.set_aside.select("item_no", "cell").iter_rows())
    for cell, severity, items in batch.findings.select("cell", "severity", "items").iter_rows():
        for named in (cell, *(place[item] for item in items)):
            cells.setdefault(named, set()).add(severity)
    return cells


@pytest.mark.parametrize("name", NAMES)
def test_each_cell_that_must_be_named_is_named(name: str, outcomes: dict[str, Batch]) -> None:
    batch = outcomes[name]
    named = _spoken_for(batch)
    aside = dict(batch.set_aside.select("cell", "outcome").iter_rows())
    folded = {
        re.sub(r"\d+$", "", cell)
        for cell, message in batch.findings.select("cell", "message").iter_rows()
        if "more like it" in message
    }
    unsaid = DIFFERENCES.filter(pl.col("ours").is_in(["no_remark", "accepted"]))
    unsaid_cells = set(unsaid.filter(pl.col("file") == name)["cell"].to_list())
    for cell, outcome, code in (
        CELLS.filter(pl.col("file") == name).select("cell", "outcome", "code").iter_rows()
    ):
        row = re.sub(r"^[A-Z]+", "", cell)
        column = re.sub(r"\d+.*$", "", cell)
        if cell in unsaid_cells or f"G{row}" in unsaid_cells:
            continue
        if outcome == "accept_note":
            first = cell.split(":")[0]
            assert "remark" in named.get(first, set()) or column in folded, (cell, code)
        elif code == "already_taken_in":
            assert aside[cell] == "already"
        else:
            wanted = {"ask": "hold", "refuse": "refuse"}[outcome]
            if wanted in named.get(cell, set()) or "remark" in named.get(cell, set()):
                continue
            # A heading or an identifier that stops a row: the row's readings are set aside with it.
            same_row = [there for there in aside if re.sub(r"^[A-Z]+", "", there) == row]
            assert same_row and column in folded, (cell, code)


def test_every_code_told_is_declared_with_what_it_does(
    outcomes: dict[str, Batch], contract: Contract
) -> None:
    told = pl.concat([batch.findings.select("code", "severity") for batch in outcomes.values()]).unique()
    assert len(told) > 50
    assert set(told["code"]) - set(contract.rules) == set()
    graver = {"picks_below_chance", "anchors_reversed"}
    for code, severity in told.filter(~pl.col("code").is_in(graver)).iter_rows():
        assert severity == contract.rules[code].severity, code


def test_every_item_set_aside_has_its_text_and_a_finding_with_a_next_step(outcomes: dict[str, Batch]) -> None:
    for name, batch in outcomes.items():
        spoken = {item for items in batch.findings["items"].to_list() for item in items}
        stopped = batch.set_aside.filter(pl.col("outcome") != "already")
        assert set(stopped["item_no"].to_list()) == spoken, name
        assert stopped.filter(pl.col("text_sent") == "").is_empty(), name
        grave = batch.findings.filter(pl.col("severity") != "remark")
        assert grave.filter((pl.col("message") == "") | (pl.col("suggestion") == "")).is_empty(), name


PYTHON_WORDS = re.compile(
    r"\b(None|null|NaN|dtype|index|str|float|int|polars|Traceback|Series|column_\d+)\b|_sent|\{|\}"
)


def test_messages_are_short_and_in_the_contributor_s_words(outcomes: dict[str, Batch]) -> None:
    for name, batch in outcomes.items():
        for message, suggestion, value in batch.findings.select("message", "suggestion", "value").iter_rows():
            ours = message.replace(value.strip(), "X") if value.strip() else message
            assert len(ours.split()) <= 32, (name, message)
            assert len(suggestion.split()) <= 25, (name, suggestion)
            assert not PYTHON_WORDS.search(ours), (name, message)
            assert not PYTHON_WORDS.search(suggestion), (name, suggestion)


def test_the_same_bytes_again_say_when_and_as_what_they_came(outcomes: dict[str, Batch]) -> None:
    again = outcomes["109_resend_same_bytes.csv"].files.row(0, named=True)
    assert again["status"] == "already_taken_in"
    assert again["message"] == "Already taken in on 2026-01-05 as 108_resend_first.csv."


def test_a_correction_shows_the_old_value_beside_the_new(outcomes: dict[str, Batch]) -> None:
    corrected = outcomes["111_corrected_sheet.csv"]
    assert corrected.readings["supersedes"].to_list() == [True, True]
    messages = corrected.findings.filter(pl.col("code") == "correction")["message"].to_list()
    assert messages == [
        "7.77 replaces 7.11, taken in from 108_resend_first.csv G3.",
        "7.66 replaces 7.53, taken in from 108_resend_first.csv G7.",
    ]


def test_a_late_old_version_is_held_and_shows_what_stands(outcomes: dict[str, Batch]) -> None:
    late = outcomes["112_old_version_late.csv"]
    held = late.set_aside.filter(pl.col("outcome") == "held")
    assert held["cell"].to_list() == ["G3", "G7"]
    assert held["current"].is_not_null().all()
    assert held["proposed"].str.json_path_match("$.value").to_list() == ["7.11", "7.53"]


def test_a_note_of_five_million_characters_refuses_its_row(judge: Any) -> None:
    heading = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note\n"
    row = "LS24-ORR,control,ORR-01,end_AF,2024-10-15,pH,3.31,,1,lab_north," + "x" * 5_000_000 + "\n"
    batch = judge(("huge.csv", heading + row))
    assert batch.files.select(OUTCOMES).row(0) == (0, 1, 0, 0, 0)
    assert batch.findings["cell"].to_list() == ["K2"]
    assert len(batch.set_aside["text_sent"][0]) < 100
