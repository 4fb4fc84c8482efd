"""What goes back to a contributor: a marked copy, a text for the reply, a correction sheet that enters."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path

import openpyxl
import polars as pl
import pytest

from crosscellar.contract import Contract
from crosscellar.contract.frames import Batch
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.lookup import NothingStored
from crosscellar.register import Register, read_register
from crosscellar.sheets.marked_up import write_marked_up

MESSY = Path(__file__).parents[1] / "faults" / "messy"
HEAD = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,lab,note\n"
ROW = "LS24-ORR,control,ORR-01,end_primary,2024-10-20,"


@pytest.fixture(scope="module")
def messy_register(contract: Contract) -> Register:
    return read_register(MESSY / "register", contract)


Back = Callable[..., tuple[Batch, dict[str, Path]]]


@pytest.fixture
def send_back(contract: Contract, messy_register: Register, tmp_path: Path) -> Back:
    """Judges sheets and writes what goes back: the batch, and the files by their kind."""

    def sent(*files: tuple[str, bytes] | Path) -> tuple[Batch, dict[str, Path]]:
        documents = read_documents(list(files))
        batch = check_documents(
            documents, messy_register, contract, stored=NothingStored(), received=date(2026, 1, 5)
        )
        paths = write_marked_up(batch, documents, tmp_path / "back", contract)
        return batch, {path.stem.rsplit("_", 1)[1]: path for path in paths}

    return sent


def sheet(*rows: str) -> bytes:
    return (HEAD + "\n".join(ROW + row for row in rows) + "\n").encode()


SOUND = "titratable_acidity,6.2,g/L,lab_north,"
BAD = "ph,34.5,,lab_north,"


def test_an_offending_cell_is_coloured_framed_and_commented_in_words(send_back: Back) -> None:
    _, written = send_back(("orr.csv", sheet(SOUND, BAD)))
    book = openpyxl.load_workbook(written["marked"])
    assert book.sheetnames[0] == "Findings"
    cell = book[book.sheetnames[1]]["G3"]
    assert cell.value == "34.5"
    assert cell.fill.fgColor.rgb not in ("00000000", "FFFFFFFF")
    assert cell.border.left.style == "thick"
    assert cell.comment is not None
    assert "impossible" in cell.comment.text
    assert "3.45" in cell.comment.text
    sound = book[book.sheetnames[1]]["G2"]
    assert sound.comment is None
    assert sound.border.left is None or sound.border.left.style is None


def test_the_first_tab_lists_each_finding_in_words_with_a_link_to_its_cell(send_back: Back) -> None:
    batch, written = send_back(("orr.csv", sheet(SOUND, BAD)))
    tab = openpyxl.load_workbook(written["marked"])["Findings"]
    said = [[cell.value for cell in row] for row in tab.iter_rows(min_row=9)]
    assert len(said) == batch.findings.height
    assert said[0][3] == "Not taken in: please mend"
    links = [link.location for row in tab.iter_rows(min_row=9) for cell in row if (link := cell.hyperlink)]
    assert any(location.endswith("!G3") for location in links)
    words = " ".join(str(value) for row in said for value in row)
    assert not set(re.findall(r"[a-z]+_[a-z]+", words)) & set(batch.findings["code"].to_list())


def test_the_legend_says_each_mark_in_words(send_back: Back) -> None:
    _, written = send_back(("orr.csv", sheet(BAD)))
    tab = openpyxl.load_workbook(written["marked"])["Findings"]
    legend = " ".join(str(cell.value) for row in tab["B3:C5"] for cell in row)
    assert all(sign in legend for sign in ("thick frame", "double frame", "dotted frame"))


def test_a_row_is_told_what_holds_of_it_and_what_another_says_as_that(send_back: Back) -> None:
    """One finding speaks for both rows and names the day of the first."""
    rows = [ROW.replace("2024-10-20", day) + SOUND for day in ("03/04/2025", "05/06/2025")]
    _, written = send_back(("orr.csv", (HEAD + "\n".join(rows) + "\n").encode()))
    mend = openpyxl.load_workbook(written["corrections"]).worksheets[0]
    first, second = (mend[f"L{row}"].value for row in (2, 3))
    assert first == "03/04/2025 can be read with the day or the month first."
    assert second == f"As in E2: {first}"
    tab = openpyxl.load_workbook(written["marked"]).worksheets[1]
    assert f"{first} (and 1 more like it)" in tab["E2"].comment.text
    assert "more like it" not in tab["G3"].comment.text
    assert second in tab["G3"].comment.text


def test_a_reply_counts_the_readings_and_names_the_cell(send_back: Back) -> None:
    _, written = send_back(("orr.csv", sheet(SOUND, BAD)))
    text = written["reply"].read_text(encoding="utf-8")
    assert "1 of 2 readings was taken in, 1 needs mending." in text
    assert "G3" in text
    assert "3.45" in text


def test_a_sheet_without_findings_brings_nothing_back(send_back: Back) -> None:
    batch, written = send_back(("orr.csv", sheet("titratable_acidity,6.2,g/L as tartaric,lab_north,")))
    assert batch.findings.is_empty()
    assert written == {}


def test_a_correction_sheet_mended_enters_whole_and_holds_nothing_else(send_back: Back) -> None:
    _, written = send_back(("orr.csv", sheet(SOUND, BAD)))
    book = openpyxl.load_workbook(written["corrections"])
    tab = book.worksheets[0]
    assert tab.max_row == 2
    assert [cell.value for cell in tab[1]][-3:] == ["Was in cell", "What was found", "What to mend"]
    assert tab["G2"].value == "34.5"
    assert "impossible" in tab["L2"].value
    tab["G2"] = "3.45"
    mended = written["corrections"].with_name("mended.xlsx")
    book.save(mended)
    batch, _ = send_back(mended)
    assert batch.files.select("readings_in", "accepted").row(0) == (1, 1)
    assert batch.readings["value"].to_list() == [3.45]
    assert "unknown_column" not in batch.findings["code"].to_list()


def test_a_wide_sheet_returns_only_the_cells_that_failed(send_back: Back) -> None:
    wide = (
        b"trial_id,arm_id,vessel_id,stage,sample_date,lab,pH,Malic acid (g/L)\n"
        b"LS24-ORR,control,ORR-01,end_primary,2024-10-20,lab_north,34.5,1.8\n"
        b"LS24-ORR,control,ORR-03,end_primary,2024-10-20,lab_north,3.41,1.9\n"
    )
    _, written = send_back(("wide.csv", wide))
    tab = openpyxl.load_workbook(written["corrections"]).worksheets[0]
    assert tab.max_row == 2
    assert [tab["C2"].value, tab["G2"].value, tab["H2"].value] == ["ORR-01", "34.5", None]


def test_a_date_under_the_networks_own_heading_is_written_year_first_too(
    contract: Contract, messy_register: Register, tmp_path: Path
) -> None:
    own = pl.DataFrame({"written": ["cask morning"], "means": ["sample_date"]})
    aliases = pl.concat([messy_register.aliases.select("written", "means"), own])
    register = Register.of_tables({**messy_register.tables, "aliases": aliases}, contract)
    wide = (
        b"trial_id,arm_id,vessel_id,stage,Cask morning,lab,pH,Malic acid (g/L)\n"
        b"LS24-ORR,control,ORR-01,end_primary,20/10/2024,lab_north,34.5,1.8\n"
    )
    documents = read_documents([("wide.csv", wide)])
    batch = check_documents(documents, register, contract, stored=NothingStored(), received=date(2026, 1, 5))
    assert batch.readings["sample_date"].to_list() == [date(2024, 10, 20)]
    words = dict(aliases.iter_rows())
    paths = write_marked_up(batch, documents, tmp_path, contract, aliases=words)
    (corrections,) = [path for path in paths if path.stem.endswith("_corrections")]
    assert openpyxl.load_workbook(corrections).worksheets[0]["E2"].value == "2024-10-20"


def test_a_date_that_the_whole_sheet_explained_is_written_year_first(send_back: Back) -> None:
    day_first = sheet("ph,3.4,,lab_north,", BAD).replace(b"2024-10-20", b"20/10/2024", 1)
    day_first = day_first.replace(b"2024-10-20", b"05/11/2024").replace(b"end_primary,05", b"end_mlf,05")
    day_first += ROW.replace("2024-10-20", "05/11/2024").replace("end_primary", "end_mlf").encode()
    day_first += b"titratable_acidity,5.9,g/L,lab_north,\n"
    _, written = send_back(("orr.csv", day_first))
    tab = openpyxl.load_workbook(written["corrections"]).worksheets[0]
    assert tab["E2"].value == "2024-11-05"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t"])
def test_text_that_looks_like_a_formula_is_written_as_text(send_back: Back, start: str) -> None:
    # Starts that spreadsheets take for a formula: OWASP, "CSV Injection".
    text = f"{start}HYPERLINK(x)"
    _, written = send_back(("orr.csv", sheet(f"ph,34.5,,lab_north,{text}")))
    for kind in ("marked", "corrections"):
        book = openpyxl.load_workbook(written[kind])
        cells = [cell for tab in book for row in tab.iter_rows() for cell in row]
        assert all(cell.data_type != "f" for cell in cells)
        assert any(cell.value == text or cell.value == text.strip() for cell in cells)
        with zipfile.ZipFile(written[kind]) as parts:
            for name in parts.namelist():
                assert not name.startswith("xl/worksheets/sheet") or b"<f>" not in parts.read(name)


@pytest.mark.parametrize(
    "name", ["../../out.csv", "/etc/passwd", "a/../../b.xlsx", "..\\..\\c.csv", "....", "é\u202e.csv"]
)
def test_no_name_of_an_attachment_leads_out_of_the_folder(send_back: Back, tmp_path: Path, name: str) -> None:
    _, written = send_back((name, sheet(BAD)))
    folder = (tmp_path / "back").resolve()
    assert written
    for path in written.values():
        assert path.resolve().parent == folder
        assert re.fullmatch(r"[A-Za-z0-9_.-]+", path.name)


def test_two_attachments_of_one_name_do_not_share_a_copy(
    contract: Contract, messy_register: Register, tmp_path: Path
) -> None:
    documents = read_documents([("a/orr.csv", sheet(BAD)), ("b/orr.csv", sheet(BAD, SOUND))])
    batch = check_documents(
        documents, messy_register, contract, stored=NothingStored(), received=date(2026, 1, 5)
    )
    paths = write_marked_up(batch, documents, tmp_path, contract)
    assert len(set(paths)) == len(paths) == 6


def test_every_messy_sheet_can_be_sent_back_and_opened(
    contract: Contract, messy_register: Register, tmp_path: Path
) -> None:
    documents = read_documents([MESSY / "files"])
    batch = check_documents(
        documents, messy_register, contract, stored=NothingStored(), received=date(2026, 1, 5)
    )
    paths = write_marked_up(batch, documents, tmp_path, contract)
    kinds = [path.stem.rsplit("_", 1)[1] for path in paths]
    waiting = pl.col("outcome").is_in(["refused", "held"]) & pl.col("row").is_not_null()
    wrong = batch.findings.filter(pl.col("code") != "already_taken_in")
    told = pl.concat([wrong["file_no"], batch.set_aside["file_no"]])
    assert kinds.count("reply") == told.n_unique() > 50
    assert kinds.count("corrections") == batch.set_aside.filter(waiting)["file_no"].n_unique() > 20
    for path, kind in zip(paths, kinds, strict=True):
        if kind != "reply":
            with zipfile.ZipFile(path) as parts:
                assert parts.testzip() is None
                assert not any(b"<f>" in parts.read(name) for name in parts.namelist() if "sheet" in name)


def test_a_file_that_could_not_be_read_brings_back_the_reason(send_back: Back) -> None:
    _, written = send_back(("orr.xlsx", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)))
    assert set(written) == {"reply"}
    assert len(written["reply"].read_text(encoding="utf-8").splitlines()) > 2


def test_what_was_said_of_several_readings_of_a_row_is_told_once(send_back: Back) -> None:
    wide = (
        "trial_id,arm_id,vessel_id,stage,sample_date,TA (g/L as tartaric),pH\n"
        "LS24-ORR,control,ORR-01,end_AF,9/11/2024,6.2,34.5\n"
    )
    _, written = send_back(("orr.csv", wide.encode()))
    (tab,) = openpyxl.load_workbook(written["corrections"]).worksheets
    said = [str(cell.value) for cell in tab[2]]
    assert sum(text.count("can be read with the day or the month first") for text in said) == 1
    assert any("34.5 is impossible" in text for text in said)


def test_a_file_that_cannot_be_read_has_no_correction_sheet_to_send_back(send_back: Back) -> None:
    _, written = send_back(("orr.xlsx", b"%PDF-1.4"))
    assert "corrections" not in written
    told = written["reply"].read_text(encoding="utf-8")
    assert "correction sheet" not in told
    assert "What to do:" in told
