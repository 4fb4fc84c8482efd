"""What the store gives back of a register, whole or for one question."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from crosscellar.store import Store
from crosscellar.store.registers import row_texts

#: Names and texts in which a mark of the file format could be taken for the end.
ODD = [
    "T1",
    "T10",
    'a"]',
    'a", "b',
    "\\",
    '\\"',
    '"]',
    '", ',
    "Rebe é",
    '["T1"',
    "\u2028",
    "null",
    "",
    "0012",
    "😀",
]

KEYS = {
    "sites": ("site_id",),
    "trials": ("trial_id",),
    "arms": ("trial_id", "arm_id"),
    "vessels": ("trial_id", "vessel_id"),
}


@pytest.fixture
def tables() -> dict[str, pl.DataFrame]:
    """Every odd name as a trial's, with arms and vessels of odd names and one column that is never filled."""
    trials = pl.DataFrame({"trial_id": ODD, "question_id": ["q1", "q2", 'q", "1'] * 5})
    named = trials.select("trial_id").join(pl.DataFrame({"arm_id": ODD}), how="cross")
    return {
        "sites": pl.DataFrame({"site_id": ODD, "note": pl.Series([None] * len(ODD), dtype=pl.String)}),
        "trials": trials,
        "arms": named,
        "vessels": named.rename({"arm_id": "vessel_id"}).with_columns(kind=pl.lit("barrel")),
    }


def test_a_register_comes_back_as_it_went_in_whatever_its_names(
    tmp_path: Path, tables: dict[str, pl.DataFrame]
) -> None:
    with Store.open(tmp_path / "n.duckdb") as store:
        store.keep_register(tables, KEYS)
        found = store.register_frames()
    assert sorted(found) == sorted(tables)
    for name, frame in tables.items():
        assert_frame_equal(found[name], frame, check_column_order=False)


@pytest.mark.parametrize("question", ["q1", 'q", "1', "none"])
def test_the_register_of_a_question_has_its_trials_and_no_others(
    tmp_path: Path, tables: dict[str, pl.DataFrame], question: str
) -> None:
    with Store.open(tmp_path / "n.duckdb") as store:
        store.keep_register({**tables, "vessels": tables["vessels"][::-1]}, KEYS)
        # One trial goes over to the question: what it was before does not count any more.
        trials = tables["trials"].with_columns(
            pl.when(pl.col("trial_id") == "T10")
            .then(pl.lit(question))
            .otherwise("question_id")
            .alias("question_id")
        )
        store.keep_register({**tables, "trials": trials}, KEYS)
        found, whole = store.register_of_question(question), store.register_frames()
    own = trials.filter(pl.col("question_id") == question)["trial_id"].implode()
    assert_frame_equal(found.pop("sites"), whole["sites"])
    assert sorted(found) == ["arms", "trials", "vessels"]
    for name, frame in found.items():
        assert_frame_equal(frame, whole[name].filter(pl.col("trial_id").is_in(own)))


@given(
    st.lists(
        st.tuples(
            *[st.one_of(st.none(), st.text(alphabet='ab"\\/\n\t\x00\x1f\x7fé€𝄞\u2028', max_size=5))] * 3
        ),
        max_size=8,
    )
)
def test_rows_are_written_as_the_json_module_writes_them(rows: list[tuple[str | None, ...]]) -> None:
    frame = pl.DataFrame(rows, schema=dict.fromkeys(['b"', "a", "ç"], pl.String), orient="row")
    keys, texts = row_texts(frame, ["ç", "a"])
    assert keys == [json.dumps([row[2], row[1]], ensure_ascii=False) for row in rows]
    assert texts == [
        json.dumps(row, ensure_ascii=False, sort_keys=True) for row in frame.iter_rows(named=True)
    ]
