"""Whatever a sheet holds, each reading ends in exactly one place, whatever the order of rows and files."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from random import Random
from typing import Any

import openpyxl
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crosscellar.contract import load_contract
from crosscellar.contract.frames import READING_KEY, Batch
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.lookup import NothingStored
from crosscellar.register import read_register

MESSY = Path(__file__).parents[1] / "faults" / "messy"
HEADINGS = [
    "trial_id",
    "arm_id",
    "vessel_id",
    "stage",
    "sample_date",
    "analyte",
    "value",
    "unit",
    "replicate",
    "lab",
    "note",
]
OUTCOMES = ("accepted", "refused", "held", "already", "blank")

VESSELS = [("control", "ORR-01"), ("stir_weekly", "ORR-02"), ("control", "ORR-03"), ("stir_weekly", "ORR-04")]
ODD_IDS = ["ORR-09", "0RR-01", "ORR\u201101", " ORR-01", "", "=1+1", "orr-01", "10-11"]
DATES = [
    "2024-10-15",
    "15/10/2024",
    "10/15/2024",
    "09/11/2024",
    "2024-02-30",
    "",
    "45580",
    "15 Oct 2024",
    "soon",
]
ANALYTES = [
    ("pH", ""),
    ("TA", "g/L"),
    ("VA", "g/L"),
    ("malic", "mg/L"),
    ("malic", ""),
    ("Mallic", "g/L"),
    ("FSO2", "ppm"),
]
VALUES = [
    "3.31",
    "7,18",
    "1,250",
    "<0.1",
    "ND",
    "n/a",
    "-",
    "3.4-3.6",
    "2.9 mg/L",
    "1e400",
    "33.5",
    "0.71",
    "\u22122",
    "3.42*",
    "",
]
# Without the characters that no spreadsheet cell and no CSV file can hold.
free_text = st.text(
    st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\ufffe\uffff"), max_size=12
)


@st.composite
def rows(draw: st.DrawFn, *, most: int = 12) -> list[list[str]]:
    """Rows of a long sheet: mostly sound, with odd cells here and there."""
    given_rows = []
    for number in range(draw(st.integers(1, most))):
        arm, vessel = draw(st.sampled_from(VESSELS))
        analyte, unit = draw(st.sampled_from(ANALYTES))
        row = [
            "LS24-ORR",
            arm,
            draw(st.sampled_from([vessel, vessel, vessel, *ODD_IDS])),
            "end_AF",
            draw(st.sampled_from([DATES[0], DATES[0], *DATES])),
            analyte,
            draw(st.one_of(st.sampled_from(VALUES), st.floats(0, 20).map(lambda x: f"{x:.3g}"), free_text)),
            unit,
            str(draw(st.sampled_from([1, 1, 2]))),
            draw(st.sampled_from(["lab_north", "lab_north", "", "other"])),
            draw(st.sampled_from(["", "", "pumped over", f"row {number}"])),
        ]
        given_rows.append(row)
    return given_rows


def _csv(some: Sequence[Sequence[str]], separator: str = ",") -> bytes:
    text = io.StringIO()
    csv.writer(text, delimiter=separator).writerows([HEADINGS, *some])
    return text.getvalue().encode()


def _workbook(some: Sequence[Sequence[str]]) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for at, row in enumerate([HEADINGS, *some], 1):
        for column, text in enumerate(row, 1):
            if text:
                cell = sheet.cell(at, column)
                cell.value = text
                cell.data_type = "s"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@pytest.fixture(scope="module")
def judge() -> Any:
    contract = load_contract()
    register = read_register(MESSY / "register", contract)

    def judged(*files: tuple[str, bytes], stored: Any = None) -> Batch:
        return check_documents(
            read_documents(list(files)),
            register,
            contract,
            stored=NothingStored() if stored is None else stored,
            received=date(2026, 1, 5),
        )

    return judged


def _accepted(batch: Batch) -> list[tuple[Any, ...]]:
    """What entered, without where it came from."""
    said = batch.readings.select(
        *READING_KEY, "value", "qualifier", "unit", "text_sent", "unit_sent", "conversion"
    )
    return sorted(said.rows(), key=str)


def _conserved(batch: Batch) -> None:
    for counted in batch.files.iter_rows(named=True):
        assert counted["readings_in"] == sum(counted[outcome] for outcome in OUTCOMES)
    aside = batch.set_aside.group_by("outcome").len().rows()
    totals = {outcome: int(batch.files[outcome].sum()) for outcome in OUTCOMES}
    assert {**dict.fromkeys(("refused", "held", "already"), 0), **dict(aside)} == {
        outcome: totals[outcome] for outcome in ("refused", "held", "already")
    }
    assert batch.readings.height == totals["accepted"]
    spoken = {item for items in batch.findings["items"].to_list() for item in items}
    stopped = batch.set_aside.filter(pl.col("outcome").is_in(["refused", "held"]))
    assert set(stopped["item_no"].to_list()) == spoken


QUICK = settings(
    max_examples=6,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
LONG = settings(QUICK, max_examples=600)


def check_rows_end_in_one_place(judge: Any, some: list[list[str]], separator: str, form: str) -> None:
    content = _workbook(some) if form == "xlsx" else _csv(some, separator)
    batch = judge((f"sheet.{form}", content))
    _conserved(batch)
    # A row whose value was written is an item; each keeps its own cell and text.
    assert batch.files["readings_in"].to_list() == [len(some)]
    for cell, text in [
        *batch.set_aside.select("cell", "text_sent").rows(),
        *batch.readings.select("cell", "text_sent").rows(),
    ]:
        assert cell[0] == "G"
        assert text.strip() == some[int(cell[1:]) - 2][6].strip()


@QUICK
@given(some=rows(), separator=st.sampled_from([",", ";", "\t"]), form=st.sampled_from(["csv", "xlsx"]))
def test_every_row_of_any_sheet_ends_in_exactly_one_place(
    judge: Any, some: list[list[str]], separator: str, form: str
) -> None:
    check_rows_end_in_one_place(judge, some, separator, form)


@pytest.mark.long
@LONG
@given(some=rows(most=30), separator=st.sampled_from([",", ";", "\t"]), form=st.sampled_from(["csv", "xlsx"]))
def test_every_row_of_many_sheets_ends_in_exactly_one_place(
    judge: Any, some: list[list[str]], separator: str, form: str
) -> None:
    check_rows_end_in_one_place(judge, some, separator, form)


def check_both_forms(judge: Any, several: list[list[list[str]]], separator: str) -> dict[str, int]:
    """How many readings had each outcome, after each sheet conserved its readings as CSV and as XLSX.

    What enters is the same from both.
    """
    entered = []
    for form in ("csv", "xlsx"):
        contents = [_csv(some, separator) if form == "csv" else _workbook(some) for some in several]
        batch = judge(*((f"{number}.{form}", content) for number, content in enumerate(contents)))
        _conserved(batch)
        assert batch.files["readings_in"].to_list() == [len(some) for some in several]
        entered.append(_accepted(batch))
    assert entered[0] == entered[1]
    return {outcome: int(batch.files[outcome].sum()) for outcome in OUTCOMES}


#: Stages other than those of the readings that most sheets give, so that many sheets do not all meet.
STAGES = ["juice", "mid_ferment", "press", "end_primary", "start_mlf", "end_mlf", "ageing_3m", "pre_bottling"]
#: Stretches of letters of many writings, without the few that no cell can hold.
LETTERS = [
    (0x20, 0x7F),
    (0xA0, 0x250),
    (0x370, 0x530),
    (0x2000, 0x2100),
    (0x4E00, 0x4F00),
    (0x1F300, 0x1F600),
]


#: What wines mostly have, so that much of what is sent can enter.
USUAL = {
    "pH": (3.0, 3.9),
    "TA": (5, 9),
    "VA": (0.2, 0.7),
    "malic": (0.2, 4),
    "Mallic": (0.2, 4),
    "FSO2": (8, 40),
}


def sheet_by(chance: Random) -> list[list[str]]:
    """Rows of a sheet as `rows` draws them, many times as quick: one seed stands for many sheets."""

    def value(analyte: str) -> str:
        match chance.randrange(6):
            case 0:
                return chance.choice(VALUES)
            case 1:
                return "".join(
                    chr(chance.randrange(*chance.choice(LETTERS))) for _ in range(chance.randrange(12))
                )
            case 2:
                return f"{chance.uniform(0, 20):.3g}"
            case _:
                return f"{chance.uniform(*USUAL[analyte]):.3g}"

    some = []
    for number in range(chance.randint(1, 5)):
        arm, vessel = chance.choice(VESSELS)
        analyte, unit = chance.choice(ANALYTES)
        odd = chance.random() < 0.25
        some.append(
            [
                "LS24-ORR",
                arm,
                chance.choice(ODD_IDS) if odd and chance.random() < 0.5 else vessel,
                chance.choice(STAGES),
                chance.choice(DATES)
                if odd
                else f"2024-{chance.randint(9, 12):02}-{chance.randint(1, 28):02}",
                analyte,
                value(analyte),
                unit,
                chance.choice("112345"),
                chance.choice(["lab_north", "lab_north", "", "other"]),
                chance.choice(["", "", "pumped over", f"row {number}"]),
            ]
        )
    return some


def sheets_of(count: int) -> st.SearchStrategy[list[list[list[str]]]]:
    return st.lists(rows(most=5), min_size=count, max_size=count, unique_by=str)


@settings(QUICK, max_examples=2)
@given(several=sheets_of(4), separator=st.sampled_from([",", ";", "\t"]))
def test_any_sheets_give_the_same_as_csv_and_as_workbook(
    judge: Any, several: list[list[list[str]]], separator: str
) -> None:
    check_both_forms(judge, several, separator)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(100))
def test_five_thousand_sheets_give_the_same_as_csv_and_as_workbook(judge: Any, seed: int) -> None:
    """Fifty sheets for each seed: 5,000 in all, each as CSV and as XLSX."""
    chance = Random(seed)
    several: dict[str, list[list[str]]] = {}
    while len(several) < 50:
        some = sheet_by(chance)
        several[str(some)] = some
    found = check_both_forms(judge, [*several.values()], chance.choice([",", ";", "\t"]))
    print(f"seed {seed}: {found}")
    assert min(found["accepted"], found["refused"], found["held"]) > 5


def check_order_of_rows(judge: Any, data: st.DataObject, given: list[list[str]]) -> None:
    """Where the vessel is left empty the row above is asked for it: such rows speak by their place."""
    some = [row for row in given if row[2].strip()]
    shuffled = data.draw(st.permutations(some))
    assert _accepted(judge(("a.csv", _csv(some)))) == _accepted(judge(("a.csv", _csv(shuffled))))


@QUICK
@given(data=st.data(), some=rows(most=8))
def test_the_order_of_rows_changes_nothing_in_what_enters(
    judge: Any, data: st.DataObject, some: list[list[str]]
) -> None:
    check_order_of_rows(judge, data, some)


@pytest.mark.long
@LONG
@given(data=st.data(), some=rows(most=20))
def test_the_order_of_many_rows_changes_nothing(
    judge: Any, data: st.DataObject, some: list[list[str]]
) -> None:
    check_order_of_rows(judge, data, some)


@QUICK
@given(first=rows(most=5), second=rows(most=5))
def test_the_order_of_files_changes_nothing_in_what_enters(
    judge: Any, first: list[list[str]], second: list[list[str]]
) -> None:
    one, two = ("one.csv", _csv(first)), ("two.csv", _csv(second, ";"))
    forwards, backwards = judge(one, two), judge(two, one)
    _conserved(forwards)
    assert _accepted(forwards) == _accepted(backwards)


@QUICK
@given(some=rows(most=6))
def test_the_same_bytes_twice_in_one_batch_enter_once(judge: Any, some: list[list[str]]) -> None:
    once, twice = judge(("a.csv", _csv(some))), judge(("a.csv", _csv(some)), ("b.csv", _csv(some)))
    _conserved(twice)
    assert _accepted(once) == _accepted(twice)
