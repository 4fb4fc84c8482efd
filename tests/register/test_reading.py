"""A register reads the same from every form it comes in, and comes back from the store as it went in."""

from __future__ import annotations

import csv
import random
import re
import tracemalloc
import zipfile
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
from crosscellar.register import Register, read_register, tables
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


@pytest.mark.parametrize(
    ("separator", "cell", "mark"),
    [(";", "5.000", "point"), ("\t", "5.000", "point"), (",", "5,000", "comma")],
)
def test_a_mark_that_may_part_thousands_is_asked_about(
    separator: str, cell: str, mark: str, sound: Tables, folder: Folder, contract: Contract
) -> None:
    sound["vessels"][0]["volume_l"] = cell
    with pytest.raises(RegisterRefused) as told:
        read_register(folder(sound, separator=separator), contract)
    assert told.value.faults == (
        (
            f"vessels.csv row 2: volume_l is '{cell}': a thousand and more, or a decimal {mark}? "
            f"Write it without a {mark}."
        ),
    )


@pytest.mark.parametrize("separator", [",", ";"])
def test_a_title_above_the_headings_is_passed_over(
    separator: str, sound: Tables, folder: Folder, contract: Contract
) -> None:
    path = folder(sound, separator=separator)
    plain = read_register(path, contract)
    trials = path / "trials.csv"
    trials.write_text(f"Trials of both seasons\n\n{trials.read_text()}")
    assert_same(read_register(path, contract), plain)
    # A title may have a comma, and a table of two columns no more than one mark a line.
    aliases = path / "aliases.csv"
    aliases.write_text(f"Words, written\nwritten{separator}means\nacid{separator}titratable_acidity\n")
    assert read_register(path, contract).aliases.rows() == [("acid", "titratable_acidity")]
    aliases.unlink()
    trials.write_text(trials.read_text().replace("2024", "soon"))
    with pytest.raises(RegisterRefused) as told:
        read_register(path, contract)
    assert told.value.faults[0].startswith("trials.csv row 4: season is 'soon'")


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
    with pytest.raises(RegisterRefused, match=r"The workbook is damaged.* save it as \.xlsx"):
        read_register(path, contract)


def rewritten(
    path: Path, change: Callable[[str, bytes], bytes], more: dict[str, bytes] | None = None
) -> Path:
    """The workbook with its parts changed, check sums right, and more parts."""
    with zipfile.ZipFile(path) as source:
        parts = {name: change(name, source.read(name)) for name in source.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name, part in {**parts, **(more or {})}.items():
            target.writestr(name, part)
    return path


SITES = "xl/worksheets/sheet1.xml"
#: What is done to a sound workbook, and what is said of it.
HOSTILE: dict[str, tuple[Callable[[Path], object], str]] = {
    "a bomb": (
        lambda path: rewritten(path, lambda _, part: part, {"xl/media/a.bin": bytes(150_000_000)}),
        r"The workbook unpacks to more than 100 MB\. Copy the tables into a new workbook",
    ),
    "a document type": (
        lambda path: rewritten(
            path,
            lambda name, part: (
                part.replace(b"<worksheet", b"<!DOCTYPE a [<!ENTITY b 'c'>]><worksheet", 1)
                if name == SITES
                else part
            ),
        ),
        r"The workbook declares a document type",
    ),
    "many parts": (
        lambda path: rewritten(path, lambda _, part: part, {f"xl/media/{at}.bin": b"" for at in range(501)}),
        r"The workbook has more than 500 parts\. Copy the tables",
    ),
    "a password": (
        lambda path: path.write_bytes(
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(512) + "EncryptedPackage".encode("utf-16-le")
        ),
        r"The workbook needs a password\. Save it without a password",
    ),
    "the old form": (
        lambda path: path.write_bytes(
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(512) + "Workbook".encode("utf-16-le")
        ),
        r"This is a workbook in the old \.xls form\. Save it as \.xlsx",
    ),
    "a text": (
        lambda path: path.write_text("site_id,site_name\n"),
        r"This is text, not a workbook\. Name the folder in which the tables lie",
    ),
    "nothing": (lambda path: path.write_bytes(b""), r"The file is empty\. "),
    "a broken part": (
        lambda path: rewritten(path, lambda name, part: part[:200] if name == SITES else part),
        r"The workbook is damaged \(a part of it cannot be read\)",
    ),
    "too many bytes": (
        lambda path: rewritten(
            path, lambda _, part: part, {f"xl/media/{at}.bin": random.randbytes(999_999) for at in range(21)}
        ),
        r"this file has 21 MB: above 20 MB it is too large for a register\. Leave in it",
    ),
}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_workbook_made_to_mislead_is_refused_as_a_returned_sheet_is(
    what: str, sound: Tables, contract: Contract, tmp_path: Path
) -> None:
    path = workbook(tmp_path / "register.xlsx", sound)
    make, said = HOSTILE[what]
    make(path)
    with pytest.raises(RegisterRefused, match=said) as refused:
        read_register(path, contract)
    assert refused.value.where == str(path)
    assert refused.value.exit_status == 2


def test_a_long_workbook_is_refused_before_it_is_read_to_its_end(
    sound: Tables, contract: Contract, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tables, "LARGEST_CELLS", 10_000)
    row = b"<row>" + b"<c><v>1</v></c>" * 100 + b"</row>"
    path = rewritten(
        workbook(tmp_path / "register.xlsx", sound),
        lambda name, part: (
            part.replace(b"</sheetData>", row * 2_000 + b"</sheetData>") if name == SITES else part
        ),
    )
    tracemalloc.start()
    try:
        with pytest.raises(RegisterRefused, match="too large for a register"):
            read_register(path, contract)
        assert tracemalloc.get_traced_memory()[1] < 10_000_000
    finally:
        tracemalloc.stop()


def test_many_tabs_that_are_one_part_are_counted_each_time(
    sound: Tables, contract: Contract, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = workbook(tmp_path / "register.xlsx", sound)
    rewritten(path, lambda _, part: re.sub(rb"sheet[2-6]\.xml", b"sheet1.xml", part))
    monkeypatch.setattr(tables, "LARGEST_CELLS", 20)
    with pytest.raises(RegisterRefused, match="this tab is too large for a register"):
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
