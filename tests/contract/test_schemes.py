"""Typed frames are checked as they are, eagerly, and every failing row is found again in the frame."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pandera.errors
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosscellar.contract import Contract, load_contract
from crosscellar.contract.frames import PICKS, READINGS, SCORES, empty
from crosscellar.errors import CrosscellarError, UnknownName

GOOD = {
    "trial_id": "T1",
    "arm_id": "control",
    "vessel_id": "V1",
    "stage": "juice",
    "analyte": "ph",
    "value": 3.3,
    "qualifier": "",
    "unit": "pH",
}


def readings(*changes: dict[str, Any]) -> pl.DataFrame:
    blank = dict.fromkeys(READINGS)
    return pl.DataFrame([{**blank, **GOOD, **change} for change in changes], schema=dict(READINGS))


def found(contract: Contract, frame: pl.DataFrame, name: str = "readings") -> set[tuple[int | None, str]]:
    failures = contract.frame_schema(name).failures(frame)
    return {(row["index"], row["check"]) for row in failures.to_dicts()}


def test_good_readings_pass(contract: Contract) -> None:
    assert (
        found(contract, readings({}, {"value": 3.9}, {"analyte": "ethanol", "value": 1.0, "unit": "% vol"}))
        == set()
    )


@pytest.mark.parametrize(
    ("change", "check"),
    [
        ({"value": 9.9}, "possible"),
        ({"value": float("inf")}, "finite"),
        ({"value": float("nan")}, "finite"),
        ({"analyte": "phh"}, "known_analyte"),
        ({"stage": "end of it"}, "known_stage"),
        ({"unit": "g/L"}, "canonical_unit"),
        ({"qualifier": "~"}, "known_qualifier"),
        ({"trial_id": None}, "not_nullable"),
        ({"value": None}, "not_nullable"),
    ],
)
def test_a_bad_reading_is_found_at_its_own_row(
    contract: Contract, change: dict[str, Any], check: str
) -> None:
    frame = readings({}, {}, change, {})
    assert (2, check) in found(contract, frame)
    assert {index for index, _ in found(contract, frame)} == {2}


def test_the_limit_of_the_stage_decides(contract: Contract) -> None:
    """12 % vol is impossible in must and ordinary at the end of ferment."""
    wine = {"analyte": "ethanol", "unit": "% vol", "value": 12.0}
    frame = readings(
        {**wine, "stage": "end_primary"}, {**wine, "stage": "juice"}, {**wine, "stage": "sensory"}
    )
    assert found(contract, frame) == {(1, "possible")}


def test_one_bad_cell_hides_no_other(contract: Contract) -> None:
    frame = readings({"value": 99.0}, {"analyte": "zz"}, {"unit": "g"}, {"value": float("inf")})
    assert {index for index, _ in found(contract, frame)} == {0, 1, 2, 3}


def test_a_lazy_frame_is_refused_rather_than_passed_unseen(contract: Contract) -> None:
    with pytest.raises(CrosscellarError, match="Collect the frame first"):
        contract.frame_schema("readings").failures(readings({"value": 99.0}).lazy())  # type: ignore[arg-type]


def test_a_missing_column_has_no_row(contract: Contract) -> None:
    assert (None, "column_in_dataframe") in found(contract, readings({}).drop("unit"))


def test_a_column_of_the_wrong_type_is_not_coerced(contract: Contract) -> None:
    text = readings({}).with_columns(pl.lit("3.3").alias("value"))
    assert any(check.startswith("dtype") for _, check in found(contract, text))


def test_empty_frames_pass(contract: Contract) -> None:
    for name, columns in (("readings", READINGS), ("picks", PICKS), ("scores", SCORES)):
        assert found(contract, empty(columns), name) == set()


def test_picks_and_scores_keep_to_their_words_and_scales(contract: Contract) -> None:
    pick = {**dict.fromkeys(PICKS), "trial_id": "T1", "session_id": "S1", "assessor_id": "A1", "picked": 1}
    picks = pl.DataFrame(
        [{**pick, "serving": "ABA"}, {**pick, "serving": "AAA"}, {**pick, "serving": "BBA", "picked": 4}],
        schema=dict(PICKS),
    )
    assert found(contract, picks, "picks") == {(1, "serving_order"), (2, "glass")}
    score = {
        **dict.fromkeys(SCORES),
        **dict.fromkeys(("trial_id", "session_id", "assessor_id", "arm_id", "attribute"), "x"),
        "scale_low": 0.0,
        "scale_high": 10.0,
    }
    scores = pl.DataFrame([{**score, "score": 10.0}, {**score, "score": 10.5}], schema=dict(SCORES))
    assert found(contract, scores, "scores") == {(1, "on_scale")}


def test_a_register_table_keeps_to_its_allowed_words(contract: Contract) -> None:
    arms = pl.DataFrame({"trial_id": ["T1"] * 2, "arm_id": ["a", "b"], "role": ["control", "kontrol"]})
    assert found(contract, arms, "register.arms") == {(1, "allowed")}
    assert (None, "column_in_dataframe") in found(contract, arms.drop("role"), "register.arms")


CELLS: dict[str, list[Any]] = {
    "trial_id": ["T1", "", None],
    "stage": ["juice", "end_primary", "end of it", None],
    "analyte": ["ph", "ethanol", "phh", None],
    "value": [3.3, 12.0, 1e9, float("nan"), float("inf"), None],
    "unit": ["pH", "% vol", None],
    "qualifier": ["", "<", "~", None],
}


@settings(deadline=None, max_examples=60)
@given(st.lists(st.fixed_dictionaries({k: st.sampled_from(v) for k, v in CELLS.items()}), max_size=3))
def test_a_frame_passes_at_a_glance_where_pandera_passes_it_and_nowhere_else(
    changes: list[dict[str, Any]],
) -> None:
    checks = load_contract().frame_schema("readings")
    frame = readings(*changes)
    bounds = load_contract().limits_frame().select("analyte", "stage", "refuse_low", "refuse_high")
    limits = {(analyte, stage): bound for analyte, stage, *bound in bounds.rows()}
    found_by_hand = [
        limits.get((row["analyte"], row["stage"]), limits.get((row["analyte"], None), [None, None]))
        for row in frame.to_dicts()
    ]
    whole = frame.with_columns(
        pl.Series("_refuse_low", [low for low, _ in found_by_hand], dtype=pl.Float64),
        pl.Series("_refuse_high", [high for _, high in found_by_hand], dtype=pl.Float64),
    )
    try:
        checks.schema.validate(whole, lazy=True)
        passes = True
    except pandera.errors.SchemaErrors:
        passes = False
    assert checks.failures(frame).is_empty() == passes


def test_a_frame_in_which_all_is_well_is_passed_without_pandera() -> None:
    code = (
        "import sys, polars as pl; from crosscellar.contract import load_contract as l;"
        "from crosscellar.contract.frames import SCORES, empty;"
        "print(l().frame_schema('scores').failures(empty(SCORES)).height, 'pandera' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "0 False"


def test_an_unknown_frame_is_named_with_what_is_known(contract: Contract) -> None:
    with pytest.raises(UnknownName, match=r"register\.arms"):
        contract.frame_schema("tastings")


def test_reading_the_contract_brings_in_no_heavy_package() -> None:
    code = (
        "import sys; from crosscellar.contract import load_contract as l; l().analytes; l().rules;"
        "print([m for m in ('pandera', 'pandas', 'scipy', 'duckdb', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
