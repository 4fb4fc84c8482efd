"""For any trial: a blank sheet filled in and returned through real XLSX enters whole, value by value."""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path
from random import Random

import openpyxl
import polars as pl
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from crosscellar.contract import load_contract
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.lookup import NothingStored
from crosscellar.register import Register
from crosscellar.register.checks import skeleton, spreadsheet_damages
from crosscellar.sheets.blank import heading_of, write_sheets
from crosscellar.sheets.serving import ORDERS, triangle_servings

CONTRACT = load_contract()
#: Values of one sound wine at both stages, so that no rule across readings has anything to say.
ANALYTES = {
    "glycerol": (7.0, 7.3),
    "malic_acid": (0.15, 0.15),
    "volatile_acidity": (0.34, 0.36),
    "ph": (3.38, 3.42),
    "ethanol": (12.95, 13.05),
    "acetaldehyde": (28.0, 31.0),
}
STAGES = {stage.name: stage.id for stage in CONTRACT.stages.values()}
NAMES = st.from_regex(r"[A-Z][A-Za-z0-9_-]{1,8}", fullmatch=True).filter(
    lambda text: not spreadsheet_damages(text)
)
NUMBERS = st.integers(1, 999_999_999).map(str)


@st.composite
def trials(draw: st.DrawFn) -> Register:
    names = draw(st.lists(NAMES, min_size=6, max_size=9, unique_by=skeleton))
    trial, control, treatment, *vessels = names
    numbers = draw(st.lists(NUMBERS, min_size=1, max_size=3, unique=True))
    vessels = [*vessels, *(name for name in numbers if skeleton(name) not in map(skeleton, vessels))]
    responses = [
        (trial, analyte, stage, "monitored")
        for analyte in draw(st.lists(st.sampled_from([*ANALYTES]), min_size=1, unique=True))
        for stage in draw(st.lists(st.sampled_from(["end_mlf", "pre_bottling"]), min_size=1, unique=True))
    ]
    arms = [control, treatment]
    return Register.of_tables(
        {
            "sites": pl.DataFrame({"site_id": ["s"], "site_name": ["S"], "hemisphere": ["north"]}),
            "questions": pl.DataFrame(
                {
                    "question_id": ["q"],
                    "title": ["Does it?"],
                    "hypothesis": ["If, then"],
                    "factor": ["it"],
                    "primary_response": [responses[0][1]],
                    "wanted": ["either"],
                }
            ),
            "trials": pl.DataFrame(
                {
                    "trial_id": [trial],
                    "season": [2026],
                    "site_id": ["s"],
                    "question_id": ["q"],
                    "colour": ["white"],
                }
            ),
            "arms": pl.DataFrame({"trial_id": trial, "arm_id": arms, "role": ["control", "treatment"]}),
            "vessels": pl.DataFrame(
                {
                    "trial_id": trial,
                    "arm_id": [arms[at % 2] for at in range(len(vessels))],
                    "vessel_id": vessels,
                }
            ),
            "responses": pl.DataFrame(
                responses, schema=["trial_id", "response", "stage", "role"], orient="row"
            ),
        },
        CONTRACT,
    )


# Shrinking would write hundreds of workbooks; a failing one says enough as it is.
@settings(
    max_examples=8,
    deadline=None,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=[HealthCheck.too_slow],
)
# A random of one number always would type alike rows, which are told as such.
@given(register=trials(), shares=st.integers(0, 2**32).map(Random))
def test_what_is_typed_into_a_blank_sheet_is_what_is_stored(register: Register, shares: Random) -> None:
    with tempfile.TemporaryDirectory() as folder:
        made = write_sheets(register, folder, contract=CONTRACT, seed=1)
        path = made.workbooks[0]
        book = openpyxl.load_workbook(path)
        tab = book["Laboratory"]
        headings = [str(cell.value) for cell in tab[1]]
        analyte_of = {heading_of(CONTRACT.analytes[name], CONTRACT): name for name in ANALYTES}
        typed: dict[tuple[str, str, str], float] = {}
        planned = set(register.responses.select("stage", "response").iter_rows())
        for row in tab.iter_rows(min_row=2):
            vessel, stage = row[2].value, STAGES.get(str(row[3].value), "")
            if vessel is None:
                continue
            if str(vessel).isdigit():  # as a spreadsheet saves it that takes the text for a number
                row[2].value = int(vessel)
            row[headings.index("Sampled on")].value = (
                date(2027, 1, 20) if stage == "end_mlf" else date(2027, 5, 10)
            )
            for at, heading in enumerate(headings):
                name = analyte_of.get(heading, "")
                if (stage, name) in planned:
                    low, high = ANALYTES[name]
                    value = round(low + (high - low) * shares.random(), CONTRACT.analytes[name].decimals)
                    row[at].value = value
                    typed[str(vessel), str(stage), name] = value
        book.save(path)
        batch = check_documents(
            read_documents([Path(path)]),
            register,
            CONTRACT,
            stored=NothingStored(),
            received=date(2027, 7, 1),
        )
    stored = {
        (vessel, stage, analyte): value
        for vessel, stage, analyte, value in batch.readings.select(
            "vessel_id", "stage", "analyte", "value"
        ).iter_rows()
    }
    assert stored == typed
    told = batch.findings.filter(pl.col("code") != "sheet_not_read")
    assert told.select("code", "message").rows() == []


@settings(max_examples=60, deadline=None)
@given(assessors=st.integers(1, 200), seed=st.integers(0, 2**32), session=st.text(max_size=12))
def test_any_session_is_served_as_evenly_as_can_be(assessors: int, seed: int, session: str) -> None:
    frame = triangle_servings(assessors, seed=seed, session=session)
    often = [int((frame["serving"] == order).sum()) for order in ORDERS]
    assert sum(often) == assessors
    assert max(often) - min(often) <= 1
    assert frame["assessor_id"].n_unique() == assessors
