"""Blank workbooks: what goes out comes back whole."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest

from crosscellar.contract import Contract
from crosscellar.contract.frames import Batch
from crosscellar.errors import CrosscellarError, NotComputable, RegisterRefused, UnknownName
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.headings import HeadingReader
from crosscellar.intake.lookup import NothingStored
from crosscellar.register import Register
from crosscellar.sheets.blank import BlankSheets, heading_of, write_sheets

MakeRegister = Callable[..., Register]


@pytest.fixture
def sheets(make_register: MakeRegister, contract: Contract, tmp_path: Path) -> BlankSheets:
    return write_sheets(make_register(), tmp_path, contract=contract, seed=7, ferment_days=3)


def taken(paths: list[Path], register: Register, contract: Contract) -> Batch:
    return check_documents(
        read_documents(paths), register, contract, stored=NothingStored(), received=date(2027, 7, 1)
    )


def test_a_sheet_made_filled_in_and_returned_is_taken_in_without_a_finding(
    sheets: BlankSheets, make_register: MakeRegister, contract: Contract, fill_in: Any
) -> None:
    back = [*sheets.workbooks, *sheets.keys]
    typed = sum(fill_in(path) for path in back)
    batch = taken(back, make_register(), contract)
    assert batch.files["accepted"].sum() == typed
    assert batch.files.select(pl.sum_horizontal("refused", "held", "already")).sum().item() == 0
    # A tab that is only read, not filled in, may be said to hold no readings.
    assert batch.findings.filter(pl.col("code") != "sheet_not_read").rows() == []


def test_what_was_typed_is_what_is_stored(
    sheets: BlankSheets, make_register: MakeRegister, contract: Contract, fill_in: Any
) -> None:
    fill_in(sheets.workbooks[0])
    glycerol = taken([sheets.workbooks[0]], make_register(), contract).readings.filter(
        pl.col("analyte") == "glycerol"
    )
    assert glycerol.select("vessel_id", "arm_id", "stage", "value", "unit").sort("vessel_id").rows() == [
        ("B33", "unstirred", "pre_bottling", 7.2, "g/L"),
        ("B34", "weekly", "pre_bottling", 7.2, "g/L"),
        ("B35", "unstirred", "pre_bottling", 7.2, "g/L"),
        ("B36", "weekly", "pre_bottling", 7.2, "g/L"),
    ]


def test_a_sheet_returned_untouched_holds_no_reading_and_no_complaint(
    sheets: BlankSheets, make_register: MakeRegister, contract: Contract
) -> None:
    batch = taken([*sheets.workbooks, *sheets.keys], make_register(), contract)
    assert batch.files["accepted"].sum() == 0
    assert batch.findings.filter(pl.col("severity") != "remark").rows() == []


def test_a_less_than_is_a_value_of_a_blank_sheet(
    sheets: BlankSheets, make_register: MakeRegister, contract: Contract, fill_in: Any
) -> None:
    path = sheets.workbooks[0]
    fill_in(path)
    book = openpyxl.load_workbook(path)
    tab = book["Laboratory"]
    column = next(cell.column for cell in tab[1] if str(cell.value).startswith("Malic acid"))
    tab.cell(2, column).value = "<0.1"
    book.save(path)
    batch = taken([path], make_register(), contract)
    censored = batch.readings.filter(pl.col("qualifier") == "<")
    assert censored.select("analyte", "value").rows() == [("malic_acid", 0.1)]


def test_a_repeat_of_a_sample_goes_into_a_row_at_the_foot(
    sheets: BlankSheets, make_register: MakeRegister, contract: Contract, fill_in: Any
) -> None:
    path = sheets.workbooks[0]
    typed = fill_in(path)
    book = openpyxl.load_workbook(path)
    tab = book["Laboratory"]
    at = {str(cell.value).split(" (")[0]: cell.column for cell in tab[1]}
    first = next(row for row in range(2, 20) if tab.cell(row, at["Stage"]).value == "Before bottling")
    spare = next(row for row in range(2, 40) if tab.cell(row, at["Trial"]).value is None)
    for name in ("Trial", "Arm", "Vessel", "Stage", "Sampled on"):
        tab.cell(spare, at[name]).value = tab.cell(first, at[name]).value
    tab.cell(spare, at["Repeat"]).value = 2
    tab.cell(spare, at["Glycerol"]).value = 7.3
    book.save(path)
    batch = taken([path], make_register(), contract)
    assert batch.files["accepted"].sum() == typed + 1
    repeat = batch.readings.filter(pl.col("replicate") == 2).select("analyte", "value")
    assert repeat.rows() == [("glycerol", 7.3)]


def test_every_analyte_has_a_heading_that_intake_reads_as_itself_in_its_own_unit(contract: Contract) -> None:
    reader = HeadingReader(contract, {})
    strays = []
    for analyte in contract.analytes.values():
        heading = reader.read(1, heading_of(analyte, contract))
        unit = contract.read_unit(analyte.id, heading.unit_text or None)
        if heading.candidates != (analyte.id,) or (unit.unit, unit.factor) != (analyte.unit, 1.0):
            strays.append((analyte.id, heading.text, heading.candidates, unit.outcome))
    assert strays == []


def test_identifiers_are_locked_and_readings_are_open(sheets: BlankSheets) -> None:
    tab = openpyxl.load_workbook(sheets.workbooks[0])["Laboratory"]
    assert tab.protection.sheet
    headings = [str(cell.value) for cell in tab[1]]
    locked = {heading: tab.cell(2, at).protection.locked for at, heading in enumerate(headings, 1)}
    assert [name for name, shut in locked.items() if shut] == [
        "Trial",
        "Arm",
        "Vessel",
        "Stage",
        "Sample label",
    ]


def test_the_lists_behind_the_drop_downs_cannot_be_unhidden_by_a_click(sheets: BlankSheets) -> None:
    book = openpyxl.load_workbook(sheets.keys[0])
    assert book["choices"].sheet_state == "veryHidden"
    assert "choices_places" in book.defined_names
    validations = book["Triangle"].data_validations.dataValidation
    assert any(each.formula1 == "choices_places" for each in validations)


def test_no_key_lies_in_a_ballot(sheets: BlankSheets) -> None:
    for path in sheets.ballots:
        words = " ".join(
            str(cell.value)
            for sheet in openpyxl.load_workbook(path).worksheets
            for row in sheet.iter_rows()
            for cell in row
            if cell.value is not None
        )
        for secret in ("unstirred", "weekly", "AAB", "ABA", "BAA", "BBA", "BAB", "ABB", "control"):
            assert secret not in words
    assert {path.parent.name for path in sheets.ballots} == {"ballots"}
    assert {path.parent.name for path in sheets.keys} == {"keys"}


def test_the_same_seed_writes_the_same_bytes(
    make_register: MakeRegister, contract: Contract, tmp_path: Path
) -> None:
    first = write_sheets(make_register(), tmp_path / "a", contract=contract, seed=7)
    again = write_sheets(make_register(), tmp_path / "b", contract=contract, seed=7)
    other = write_sheets(make_register(), tmp_path / "c", contract=contract, seed=8)
    assert [path.read_bytes() for path in first.paths] == [path.read_bytes() for path in again.paths]
    assert first.keys[0].read_bytes() != other.keys[0].read_bytes()


@pytest.mark.parametrize("place", ["workbooks", "ballots", "keys"])
def test_a_workbook_that_may_be_filled_in_is_never_written_over(
    place: str, make_register: MakeRegister, contract: Contract, tmp_path: Path
) -> None:
    made = write_sheets(make_register(), tmp_path, contract=contract, seed=7)
    returned = getattr(made, place)[0]
    for path in made.paths:
        path.unlink()
    returned.write_bytes(b"filled in by the cellar")
    with pytest.raises(CrosscellarError) as told:
        write_sheets(make_register(), tmp_path, contract=contract, seed=7)
    assert told.value.sentence == (
        f"{returned}: a workbook of this name is here already and may be filled in, so no sheet was written. "
        "Name another folder or single trials, or move it away."
    )
    assert told.value.exit_status == 2
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == [returned]
    assert returned.read_bytes() == b"filled in by the cellar"


def test_of_many_workbooks_that_are_there_already_the_number_is_told(
    make_register: MakeRegister, contract: Contract, tmp_path: Path
) -> None:
    write_sheets(make_register(), tmp_path, contract=contract, seed=7)
    with pytest.raises(CrosscellarError, match=r"here already \(and \d+ more\).*or move them away"):
        write_sheets(make_register(), tmp_path, contract=contract, seed=7)


@pytest.mark.parametrize(
    ("vessel", "becomes"), [("012", "a number"), ("3-4", "a date"), ("MAR 26", "a date")]
)
def test_an_identifier_that_a_spreadsheet_damages_is_refused(
    vessel: str, becomes: str, make_register: MakeRegister, contract: Contract, tmp_path: Path
) -> None:
    register = make_register(
        vessels=[("LS26-OAK", "unstirred", vessel), ("LS26-OAK", "weekly", "B34")],
    )
    with pytest.raises(RegisterRefused) as told:
        write_sheets(register, tmp_path, contract=contract, seed=7)
    assert told.value.faults == (
        f"A spreadsheet would turn the vessel {vessel} of trial LS26-OAK into {becomes}.",
    )
    assert list(tmp_path.iterdir()) == []


def test_labels_made_one_trial_after_the_other_are_all_listed(
    make_register: MakeRegister, contract: Contract, tmp_path: Path
) -> None:
    """The table may go into the register as it is: what it left out would end there."""
    register = make_register()
    first = write_sheets(register, tmp_path / "a", contract=contract, seed=7)
    other = first.samples.head(1).with_columns(
        pl.lit("OF-ANOTHER").alias("sample_id"), pl.lit("LS25-ELM").alias("trial_id")
    )
    kept = Register.of_tables({**register.tables, "samples": other}, contract)
    again = write_sheets(kept, tmp_path / "a2", contract=contract, seed=7, trials=["LS26-OAK"])
    listed = pl.read_csv(again.samples_file)["sample_id"].to_list()
    assert listed == ["OF-ANOTHER", *again.samples["sample_id"].to_list()]


def test_text_that_begins_like_a_formula_stays_text(
    make_register: MakeRegister, contract: Contract, tmp_path: Path
) -> None:
    register = make_register(
        vessels=[("LS26-OAK", "unstirred", "=1+1"), ("LS26-OAK", "weekly", "B34")],
    )
    made = write_sheets(register, tmp_path, contract=contract, seed=7)
    tab = openpyxl.load_workbook(made.workbooks[0])["Laboratory"]
    assert (tab["C2"].data_type, tab["C2"].value) == ("s", "=1+1")


def test_trials_whose_codes_look_alike_as_file_names_get_a_file_each(
    make_register: MakeRegister, contract: Contract, tmp_path: Path
) -> None:
    trials = ("LS26/OAK", "LS26_OAK")
    register = make_register(
        arms=[(trial, arm, role) for trial in trials for arm, role in (("a", "control"), ("b", "treatment"))],
        vessels=[(trial, arm, f"T{arm}") for trial in trials for arm in ("a", "b")],
        responses=[(trial, "ph", "pre_bottling", "primary", 2, None) for trial in trials],
    )
    made = write_sheets(register, tmp_path, contract=contract, seed=7)
    titles = [openpyxl.load_workbook(path)["Laboratory"]["A2"].value for path in made.workbooks]
    assert titles == list(trials)


def test_a_lost_trial_and_an_empty_season_get_no_sheet(
    make_register: MakeRegister, contract: Contract, tmp_path: Path
) -> None:
    with pytest.raises(NotComputable):
        write_sheets(make_register(status="lost"), tmp_path, contract=contract, seed=7)
    with pytest.raises(NotComputable):
        write_sheets(make_register(), tmp_path, contract=contract, seed=7, season=2025)
    with pytest.raises(UnknownName):
        write_sheets(make_register(), tmp_path, contract=contract, seed=7, trials=["LS26-ELM"])


def test_labels_of_the_register_are_kept_and_new_ones_are_unlike_them(
    make_register: MakeRegister, contract: Contract, tmp_path: Path
) -> None:
    register = make_register()
    made = write_sheets(register, tmp_path / "a", contract=contract, seed=7)
    assert made.samples["sample_id"].n_unique() == made.samples.height == 8
    kept = Register.of_tables(
        {**register.tables, "samples": made.samples.filter(pl.col("stage") == "end_mlf")}, contract
    )
    again = write_sheets(kept, tmp_path / "b", contract=contract, seed=7)
    listed = pl.read_csv(made.samples_file, schema=dict.fromkeys(made.samples.columns, pl.String))
    assert listed.rows() == made.samples.rows()
    both = made.samples.join(again.samples, on=["vessel_id", "stage"], suffix="_again")
    before = both.filter(pl.col("stage") == "end_mlf")
    assert (before["sample_id"] == before["sample_id_again"]).all()
    assert again.samples["sample_id"].n_unique() == 8
