"""Files and folders in: every cell at its own address, one record a file, no link or pipe followed."""

from __future__ import annotations

import csv
import hashlib
import os
import re
from pathlib import Path

import polars as pl
import pytest

from crosscellar.errors import UnreadableFile
from crosscellar.intake.cells import number_text
from crosscellar.intake.documents import read_document, read_documents
from crosscellar.intake.grid import (
    Document,
    Unreadable,
    cell_name,
    column_letters,
    read_range,
    read_reference,
)
from crosscellar.intake.numbers import decide_decimal, read_numbers

MESSY = Path(__file__).parents[1] / "faults" / "messy"

#: What the reading half must refuse as a whole, from `expected.csv` (refuse_file with no readings in it).
UNREADABLE = {
    "019_empty.csv": "empty",
    "021_whitespace_only.csv": "empty",
    "061_bit_rot.xlsx": "damaged",
    "065_open_document.ods": "open_document",
    "117_zip_bomb_lying_size.xlsx": "unpacks_too_large",
    "119_external_entity.xlsx": "dtd_in_workbook",
    "121_path_in_archive.xlsx": "strange_member_name",
}


@pytest.fixture(scope="module")
def messy() -> dict[str, Document | Unreadable]:
    return {record.name: record for record in read_documents([MESSY / "files"])}


def _lookup(document: Document, sheet: str, cell: str) -> str | None:
    place = read_reference(cell)
    assert place is not None
    grids = [grid for grid in document.grids if grid.sheet == sheet or not sheet]
    for grid in grids:
        column = str(place[1])
        if column in grid.text.columns:
            found = grid.text.filter(pl.col("row") == place[0])[column].to_list()
            if found and found[0] is not None:
                return str(found[0])
    return None


def _rows(name: str) -> list[dict[str, str]]:
    with (MESSY / name).open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def test_every_messy_file_has_one_record_and_only_the_hopeless_ones_are_unreadable(
    messy: dict[str, Document | Unreadable],
) -> None:
    refused = {name: record.code for name, record in messy.items() if isinstance(record, Unreadable)}
    assert len(messy) == 64
    assert refused == UNREADABLE


def test_every_cell_that_a_careful_manager_names_is_found_at_its_address_with_its_text(
    messy: dict[str, Document | Unreadable],
) -> None:
    checked = 0
    for row in _rows("expected_cells.csv"):
        record = messy.get(row["file"])
        if not isinstance(record, Document) or not row["raw"]:
            continue
        sheet, _, cell = row["cell"].rpartition("!")
        if not re.fullmatch("[A-Z]{1,3}[0-9]+", cell):
            continue
        text = _lookup(record, row["sheet"] or sheet, cell)
        if row["raw"].endswith("characters)"):
            continue
        assert text is not None, (row["file"], cell)
        if row["raw"].startswith("=") and record.form == "xlsx":
            place = read_reference(cell)
            assert place is not None
            here = (
                (pl.col("row") == place[0]) & (pl.col("column") == place[1]) & (pl.col("mark") == "formula")
            )
            text = "=" + record.grids[0].marks.filter(here)["detail"].item()
        if record.form == "xlsx" and re.fullmatch(r"[0-9.]+", row["raw"]):
            # a workbook stores the number, not the zeros after it
            text, row["raw"] = number_text(float(text)), number_text(float(row["raw"]))
        assert text == row["raw"].replace("\\x00", "\x00"), row
        checked += 1
    assert checked > 150


#: Sheets with a column for each analyte; in all others a row has its value in the column headed `value`.
WIDE = ("055", "093", "095", "125")


def test_every_accepted_number_of_the_messy_files_is_read_from_its_cell(
    messy: dict[str, Document | Unreadable],
) -> None:
    converted = {
        (row["file"], row["cell"])
        for row in _rows("expected_cells.csv")
        if row["code"].endswith("_converted")
    }
    found: dict[str, list[tuple[dict[str, str], str | None]]] = {".": [], ",": []}
    for row in _rows("expected_accepted.csv"):
        record, cell = messy.get(row["file"]), row["cell"]
        if not isinstance(record, Document) or (row["file"], cell) in converted:
            continue
        if not row["file"].startswith(WIDE):
            place = read_reference(cell)
            heading = next(
                column
                for grid in record.grids
                for column in grid.text.columns[1:]
                if grid.text[column].str.strip_chars().str.to_lowercase().is_in(["value"]).any()
            )
            assert place is not None
            cell = cell_name(place[0], int(heading))
        text = _lookup(record, row["sheet"], cell)
        decimal = "," if row["file"].startswith("007") else "."
        found[decimal].append((row, text))
    for mark in (".", ","):
        read = read_numbers(pl.Series([text for _, text in found[mark]], dtype=pl.String), decimal=mark)
        for (row, text), got in zip(found[mark], read.iter_rows(named=True), strict=True):
            assert got["value"] == pytest.approx(float(row["value"]), rel=1e-12), (row["file"], text, got)
            assert got["qualifier"] == row["qualifier"]
    assert len(found["."]) > 600 and len(found[","]) == 16


def test_the_decimal_mark_of_each_messy_value_column_is_decided(
    messy: dict[str, Document | Unreadable],
) -> None:
    for name, mark in {
        "001_plain_utf8.csv": ".",
        "007_tabs_decimal_comma.tsv": ",",
        "009_one_quoted_decimal_comma.csv": ".",
        "011_thousands_unambiguous.csv": ".",
    }.items():
        record = messy[name]
        assert isinstance(record, Document)
        assert decide_decimal(record.grids[0].text["7"].slice(1)).mark == mark, name


def test_a_csv_named_as_a_workbook_and_a_workbook_under_another_name_are_read_and_told(
    messy: dict[str, Document | Unreadable],
) -> None:
    for name, form in (("059_really_csv.xlsx", "csv"), ("063_macro_name.xlsm", "xlsx")):
        record = messy[name]
        assert isinstance(record, Document)
        assert record.form == form
        assert [remark.code for remark in record.remarks] == ["wrong_name"]


def test_the_local_file_that_a_hostile_workbook_points_at_appears_in_no_message(
    messy: dict[str, Document | Unreadable],
) -> None:
    record = messy["119_external_entity.xlsx"]
    assert isinstance(record, Unreadable)
    assert "/" not in record.reason + record.next_step


def test_each_record_carries_the_check_sum_of_the_bytes_as_sent(
    messy: dict[str, Document | Unreadable],
) -> None:
    for name, record in messy.items():
        assert record.sha256 == hashlib.sha256((MESSY / "files" / name).read_bytes()).hexdigest()


def test_every_unreadable_file_says_why_and_what_to_do_in_few_words(
    messy: dict[str, Document | Unreadable],
) -> None:
    for record in messy.values():
        if isinstance(record, Unreadable):
            assert 3 <= len(record.reason.split()) <= 25
            assert 3 <= len(record.next_step.split()) <= 25
            assert not re.search("None|dtype|Error|Exception", record.reason + record.next_step)


def test_a_folder_is_walked_in_the_order_of_names_and_lists_what_it_does_not_read(tmp_path: Path) -> None:
    (tmp_path / "b.csv").write_text("a,b\n1,2\n")
    (tmp_path / "a.csv").write_text("a,b\n1,2\n")
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "c.csv").write_text("a,b\n1,2\n")
    (tmp_path / ".hidden.csv").write_text("a,b\n1,2\n")
    (tmp_path / "~$open.xlsx").write_bytes(b"\x05lock")
    records = read_documents([tmp_path])
    assert [record.name for record in records if isinstance(record, Document)] == [
        "a.csv",
        "b.csv",
        "in/c.csv",
    ]
    unread = {record.name: record.code for record in records if isinstance(record, Unreadable)}
    assert unread == {".hidden.csv": "hidden_name", "~$open.xlsx": "lock_file"}


def test_links_pipes_and_folders_that_are_links_are_refused_without_waiting_or_looking(
    tmp_path: Path,
) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.csv").write_text("a,b\nsecret,2\n")
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "good.csv").write_text("a,b\n1,2\n")
    (inbox / "link.csv").symlink_to(outside / "secret.csv")
    (inbox / "folder").symlink_to(outside)
    (inbox / "nowhere.csv").symlink_to(tmp_path / "missing")
    os.mkfifo(inbox / "pipe.csv")
    records = read_documents([inbox])
    codes = {record.name: record.code for record in records if isinstance(record, Unreadable)}
    assert codes == {"link.csv": "link", "folder": "link", "nowhere.csv": "link", "pipe.csv": "not_a_file"}
    assert all(record.content is None for record in records if isinstance(record, Unreadable))
    assert [record.name for record in records if isinstance(record, Document)] == ["good.csv"]


def test_a_path_that_does_not_exist_is_a_fault_of_the_call(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile, match="no such file"):
        read_documents([tmp_path / "missing.csv"])
    with pytest.raises(UnreadableFile):
        read_documents(["inbox\x00.csv"])


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("evil\u202evsc.exe", "evilvsc.exe"),
        ("a\x00b\n.csv", "ab.csv"),
        ("\u200b", "(no name)"),
        ("../../etc/passwd", "../../etc/passwd"),
    ],
)
def test_a_name_is_shown_without_the_marks_that_turn_or_hide_text(name: str, shown: str) -> None:
    assert read_document(name, b"a,b\n1,2\n").name == shown


def test_a_very_long_name_is_shown_cut() -> None:
    assert len(read_document("x" * 300 + ".csv", b"a,b\n1,2\n").name) < 201


@pytest.mark.parametrize(
    ("number", "letters"), [(1, "A"), (26, "Z"), (27, "AA"), (702, "ZZ"), (703, "AAA"), (16384, "XFD")]
)
def test_columns_are_lettered_as_spreadsheets_letter_them(number: int, letters: str) -> None:
    # the last column, XFD, is 16,384: ECMA-376 limits as published for spreadsheets (from memory)
    assert column_letters(number) == letters
    assert read_reference(f"{letters}14") == (14, number)
    assert cell_name(14, number) == f"{letters}14"


def test_a_range_is_read_whichever_corner_comes_first() -> None:
    assert read_range("A2:C5") == read_range("C5:A2") == (2, 1, 5, 3)
    assert read_range("$B$7") == (7, 2, 7, 2)
    assert read_range("A:A") is None
