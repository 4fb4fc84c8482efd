"""A register reads the same from every form it comes in, and comes back from the store as it went in."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from crosscellar.contract import Contract
from crosscellar.contract.frames import DESIGN
from crosscellar.errors import RegisterRefused
from crosscellar.register import Register, read_register
from crosscellar.store import Store

TESTS = Path(__file__).parents[1]
MESSY = TESTS / "faults" / "messy" / "register"
DEMO = TESTS.parent / "data" / "demo" / "register"
Tables = dict[str, list[dict[str, str]]]
Folder = Callable[..., Path]


def assert_same(found: Register, wanted: Register) -> None:
    for name, table in wanted.tables.items():
        assert_frame_equal(found.tables[name], table)


def lines_of(file: Path) -> int:
    with file.open(encoding="utf-8", newline="") as text:
        return sum(1 for row in csv.reader(text) if any(row)) - 1


def workbook(path: Path, tables: Tables, cell: Callable[[str], Any] = str) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in tables.items():
        sheet = book.create_sheet(name.title())
        sheet.append(list(rows[0]))
        for row in rows:
            sheet.append([cell(text) if text else None for text in row.values()])
    book.save(path)
    return path


def typed(text: str) -> Any:
    """A cell as a spreadsheet keeps it when the text is typed in."""
    for kind in (int, float, datetime.fromisoformat):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


@pytest.mark.parametrize("path", [MESSY, DEMO], ids=["messy", "demo"])
def test_every_line_of_the_registers_at_hand_is_taken_in(path: Path, contract: Contract) -> None:
    register = read_register(path, contract)
    for file in path.glob("*.csv"):
        assert register.tables[file.stem].height == lines_of(file)


def test_the_messy_register_keeps_the_vessels_that_a_spreadsheet_would_damage(contract: Contract) -> None:
    register = read_register(MESSY, contract)
    assert {"10-11", "3-4", "007", "1E2"} <= set(register.vessels["vessel_id"])
    (warning,) = (text for text in register.warnings if "spreadsheet" in text)
    for shown in ("007 (a number)", "10-11 (a date)", "1E2 (a number)", "3-4 (a date)"):
        assert shown in warning


def test_stages_and_analytes_stand_in_the_contracts_words(contract: Contract) -> None:
    register = read_register(MESSY, contract)
    assert set(register.responses["stage"]) <= set(contract.stages)
    assert set(register.labs["analyte"]) <= set(contract.analytes)
    assert "end_primary" in register.responses["stage"].to_list()


def test_attributes_events_and_this_networks_own_words_are_responses(
    sound: Tables, folder: Folder, contract: Contract
) -> None:
    plan = sound["responses"][0]
    sound["responses"] += [
        {**plan, "response": written, "role": "monitored"}
        for written in ("score: Green Fruit", "days_to_dry", "stuck", "Volatile Acidity")
    ]
    sound["responses"][0]["response"] = "tot. acid"
    found = read_register(folder(sound), contract).responses["response"].to_list()
    assert found[0] == "titratable_acidity"
    assert found[-4:] == ["score:green_fruit", "days_to_dry", "stuck", "volatile_acidity"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_encoding_and_separator_change_nothing(
    encoding: str, separator: str, sound: Tables, folder: Folder, contract: Contract
) -> None:
    sound["sites"][0]["site_name"] = "Château à l'Étang; old, cellar"
    plain = read_register(folder(sound, "plain"), contract)
    other = read_register(folder(sound, "other", separator=separator, encoding=encoding), contract)
    assert_same(other, plain)
    assert other.sites["site_name"][0] == "Château à l'Étang; old, cellar"


def test_decimal_commas_are_read_as_decimals(sound: Tables, folder: Folder, contract: Contract) -> None:
    sound["questions"][0]["smallest_difference"] = "0,25"
    register = read_register(folder(sound, separator=";"), contract)
    assert register.questions["smallest_difference"].to_list() == [0.25]


def test_a_table_that_is_there_twice_is_refused_by_the_names_of_both(
    sound: Tables, folder: Folder, contract: Contract
) -> None:
    """The one that comes later would hold, and nobody would know which that is."""
    path = folder(sound)
    (path / "Sites.txt").write_bytes((path / "sites.csv").read_bytes())
    with pytest.raises(RegisterRefused, match=r"the table sites is there twice, in \S+ and in \S+") as told:
        read_register(path, contract)
    assert "sites.csv" in told.value.what
    assert "Sites.txt" in told.value.what


@pytest.mark.parametrize("cell", [str, typed], ids=["cells as text", "cells as typed in"])
def test_a_workbook_with_a_tab_a_table_equals_the_folder(
    cell: Callable[[str], Any], sound: Tables, folder: Folder, contract: Contract, tmp_path: Path
) -> None:
    sound["responses"][1]["planned_readings"] = "4"
    for row in sound["responses"]:
        row.setdefault("planned_readings", "")
    path = workbook(tmp_path / "register.xlsx", sound, cell)
    assert_same(read_register(path, contract), read_register(folder(sound), contract))


def test_a_fault_in_a_workbook_is_placed_by_its_tab_and_row(
    sound: Tables, contract: Contract, tmp_path: Path
) -> None:
    sound["arms"][2]["level"] = "none"
    with pytest.raises(RegisterRefused) as refused:
        read_register(workbook(tmp_path / "register.xlsx", sound), contract)
    assert refused.value.faults == ("register.xlsx › Arms row 4: level is 'none', which is not a number.",)


def test_a_file_that_is_no_workbook_is_refused_with_the_next_step(tmp_path: Path, contract: Contract) -> None:
    path = tmp_path / "register.xlsx"
    path.write_bytes(b"PK\x03\x04 and no more")
    with pytest.raises(RegisterRefused, match=r"not a workbook that can be read\. Save it as \.xlsx"):
        read_register(path, contract)


def test_a_cell_in_the_far_corner_of_a_workbook_is_refused_at_once(
    sound: Tables, contract: Contract, tmp_path: Path
) -> None:
    path = workbook(tmp_path / "register.xlsx", sound)
    book = openpyxl.load_workbook(path)
    book["Sites"]["XFD1048576"] = "x"
    book.save(path)
    with pytest.raises(RegisterRefused, match="Sites: this tab is too large for a register"):
        read_register(path, contract)


def test_a_field_without_end_is_refused_and_not_a_crash(
    sound: Tables, folder: Folder, contract: Contract
) -> None:
    path = folder(sound)
    with (path / "sites.csv").open("a", encoding="utf-8") as file:
        file.write('north,"' + "x" * 200_000)
    with pytest.raises(RegisterRefused, match=r"sites\.csv: this is not a table that can be read"):
        read_register(path, contract)


def test_a_place_where_nothing_is_and_a_folder_of_other_things_are_refused(
    tmp_path: Path, contract: Contract
) -> None:
    with pytest.raises(RegisterRefused, match="there is no register here"):
        read_register(tmp_path / "nowhere", contract)
    (tmp_path / "notes.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(RegisterRefused, match="none of the register's tables is here"):
        read_register(tmp_path, contract)


def test_an_empty_required_table_is_refused(sound: Tables, folder: Folder, contract: Contract) -> None:
    path = folder(sound)
    (path / "questions.csv").write_text("", encoding="utf-8")
    with pytest.raises(RegisterRefused) as refused:
        read_register(path, contract)
    assert "questions.csv: the column question_id is missing." in refused.value.faults


def test_the_design_has_one_row_a_vessel_with_its_arm_trial_and_site(contract: Contract) -> None:
    register = read_register(DEMO, contract)
    design = register.design()
    assert design.schema == pl.Schema(dict(DESIGN))
    assert design.height == register.vessels.height
    assert design.select("trial_id", "arm_id", "vessel_id").is_unique().all()
    assert design["role"].null_count() == 0
    assert design["site_id"].null_count() == 0


@pytest.mark.parametrize("path", [MESSY, DEMO], ids=["messy", "demo"])
def test_a_register_comes_back_from_the_store_as_it_went_in(
    path: Path, contract: Contract, tmp_path: Path
) -> None:
    register = read_register(path, contract)
    keys = {name: table.key for name, table in contract.register_tables.items()}
    with Store.open(tmp_path / "n.duckdb") as store:
        store.keep_register(register.tables, keys)
        assert_same(Register.of_tables(store.register_frames(), contract), register)


def test_rows_changed_added_and_ended_are_counted_and_the_earlier_register_can_be_asked_for(
    sound: Tables, folder: Folder, contract: Contract, tmp_path: Path
) -> None:
    keys = {name: table.key for name, table in contract.register_tables.items()}
    days = iter(datetime.fromisoformat(f"2025-0{month}-01T12:00:00+00:00") for month in (1, 1, 2, 3))
    first = read_register(folder(sound, "first"), contract)
    sound["sites"][0]["site_name"] = "Brackwell Old Cellar"
    sound["samples"][0]["sample_id"] = "S-105"
    second = read_register(folder(sound, "second"), contract)
    with Store.open(tmp_path / "n.duckdb", clock=lambda: next(days)) as store:
        store.keep_register(first.tables, keys)
        changes = store.keep_register(second.tables, keys)
        assert changes["sites"] == {"added": 0, "changed": 1, "ended": 0, "same": 1}
        assert changes["samples"] == {"added": 1, "changed": 0, "ended": 1, "same": 0}
        again = store.keep_register(second.tables, keys)
        assert {count["same"] for count in again.values()} == {
            frame.height for frame in second.tables.values()
        }
        before = Register.of_tables(store.register_frames(as_of=date(2025, 1, 31)), contract)
        now = Register.of_tables(store.register_frames(), contract)
        assert_same(before, first)
        for name, table in second.tables.items():
            assert set(now.tables[name].rows()) == set(table.rows())
