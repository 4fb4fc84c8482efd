"""The summary as a workbook, read back with openpyxl."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from zipfile import ZipFile

import pytest
from openpyxl import load_workbook

from crosscellar.report.content import PlanRow, Summary, TurnedAway
from crosscellar.report.numbers import NONE
from crosscellar.report.page import render_page
from crosscellar.report.variances import VesselSpread
from crosscellar.report.workbook import sheets_of, write_workbook

SummaryOf = Callable[..., Summary]


def cells(path: Path) -> list[object]:
    book = load_workbook(path)
    return [
        cell.value for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None
    ]


def test_every_number_of_the_pages_tables_stands_in_the_workbook(
    summary_of: SummaryOf, tmp_path: Path
) -> None:
    summary = summary_of(["a", "b", "c", "d"], seasons=2)
    shown = re.findall(r'<td class="n">(.*?)</td>', render_page(summary))
    wanted = {
        float(number.replace("\u2212", "-"))
        for text in shown
        for number in re.findall(r"[+\u2212]\d+(?:\.\d+)?", text)
    }
    assert len(wanted) > 20
    there = {
        value
        for value in cells(write_workbook(summary, tmp_path / "s.xlsx"))
        if isinstance(value, float | int)
    }
    assert wanted <= there


def test_the_workbook_has_each_vessel_spread_with_its_prior(summary_of: SummaryOf, tmp_path: Path) -> None:
    # Coefficient of variation of a lognormal quantity: sqrt(exp(s2) - 1) (Aitchison and Brown 1957).
    spread = VesselSpread("volatile acidity", True, "", (0.01, 0.02, 0.03), (2.0, 2.0, 4.0), 0.0225, 6.5)
    summary = replace(summary_of(["a", "b"]), spreads=(spread.row,))
    found = cells(write_workbook(summary, tmp_path / "book.xlsx"))
    place = found.index("coefficient of variation, %")
    assert found[place - 1] == "volatile acidity"
    assert found[place + 1] == pytest.approx(100 * math.sqrt(math.exp(0.0225) - 1), abs=0.5)
    assert found[place + 2 : place + 5] == [0.0225, 6.5, 3]


def test_what_would_decide_a_question_stands_in_the_workbook(summary_of: SummaryOf, tmp_path: Path) -> None:
    summary = summary_of(["a", "b"])
    page = replace(summary.questions[0], decide=("4 more sites would.", "Supposed: 10 %."))
    found = cells(write_workbook(replace(summary, questions=(page,)), tmp_path / "book.xlsx"))
    assert "4 more sites would. Supposed: 10 %." in found


def test_the_tab_of_what_would_decide_it_has_the_rows_of_the_plan_as_numbers(
    summary_of: SummaryOf, tmp_path: Path
) -> None:
    summary = summary_of(["a", "b"])
    plan = (PlanRow(1, 2, NONE, "0 %"), PlanRow(4, 2, "12.5", "57 %"), PlanRow(24, 2, "0.080", "100 %"))
    page = replace(summary.questions[0], plan=plan)
    path = write_workbook(replace(summary, questions=(page,)), tmp_path / "book.xlsx")
    tab = load_workbook(path)["What would decide it"]
    heading, *rows = [[cell.value for cell in row] for row in tab.iter_rows(min_row=3)]
    assert heading[2:] == ["New sites", "Vessels an arm", "Half-width", "Chance, %"]
    assert [row[0] for row in rows] == [page.title] * 3
    assert [row[2:] for row in rows] == [[1, 2, None, 0], [4, 2, 12.5, 57], [24, 2, 0.08, 100]]


def test_text_that_looks_like_a_formula_or_a_link_stays_text(summary_of: SummaryOf, tmp_path: Path) -> None:
    bad = '=HYPERLINK("http://x.example","y")'
    summary = summary_of(
        ["a", "b", "c"],
        names=[bad, "+1+1", "@SUM(A1)"],
        title=bad,
        turned_away=(TurnedAway(bad, "held", bad, "http://x.example", "-1+1"),),
    )
    path = write_workbook(summary, tmp_path / "s.xlsx")
    kinds = {
        cell.data_type
        for sheet in load_workbook(path)
        for row in sheet.iter_rows()
        for cell in row
        if cell.value is not None
    }
    assert kinds == {"s", "n"}
    assert bad in cells(path)
    with ZipFile(path) as packed:
        assert not [name for name in packed.namelist() if "external" in name or "sheet1.xml.rels" in name]
        assert all(b"<f>" not in packed.read(name) for name in packed.namelist())


def test_the_same_summary_gives_the_same_workbook(summary_of: SummaryOf, tmp_path: Path) -> None:
    one, other = (
        write_workbook(summary_of(["a", "b", "c"]), tmp_path / name).read_bytes()
        for name in ("1.xlsx", "2.xlsx")
    )
    assert one == other


def test_the_workbook_of_an_anonymous_summary_has_no_name_in_any_part(
    summary_of: SummaryOf, tmp_path: Path
) -> None:
    names = ["Quillbend Estate", "Marrowfen Barn", "Tolverlea"]
    sites = ["quillbend", "marrowfen", "tolverlea"]
    path = write_workbook(summary_of(sites, names=names, anonymous=True, seasons=2), tmp_path / "s.xlsx")
    with ZipFile(path) as packed:
        content = b"".join(packed.read(name) for name in packed.namelist()).lower()
    assert b"site 01" in content
    assert [word for word in (*sites, "estate", "barn") if word.encode() in content] == []


def test_every_row_has_as_many_cells_as_headings_and_an_empty_season_is_written(
    summary_of: SummaryOf, tmp_path: Path
) -> None:
    summary = summary_of(["a", "b", "c"], seasons=2)
    for sheet in sheets_of(summary):
        assert {len(row) for row in sheet.rows} <= {len(sheet.headings)}
    bare = replace(summary, questions=(), counts=(), readings=())
    assert "Season" in load_workbook(write_workbook(bare, tmp_path / "bare.xlsx")).sheetnames


def test_a_table_without_rows_is_named_on_the_first_tab_and_prints_no_empty_page(
    summary_of: SummaryOf, tmp_path: Path
) -> None:
    book = load_workbook(write_workbook(summary_of(["lonely"]), tmp_path / "book.xlsx"))
    assert book.sheetnames == ["Season", "Answers", "Effects"]
    told = {row[1].value for row in book["Season"].iter_rows(min_row=4) if row[0].value == "No tab"}
    assert {"Not pooled", "Triangle tests", "Turned away", "What would decide it"} <= told
    assert all(tab.max_row > 3 for tab in book)
