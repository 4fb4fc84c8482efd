"""Where many lists say the same, each meets the first that counts as another's, as in all pairs."""

from __future__ import annotations

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from crosscellar.intake.rules.copies import _enough

SHAPE = {"trial_id": pl.String, "vessel_id": pl.String, "lot": pl.String, "said": pl.String, "row": pl.Int64}
#: A trial has one lot, or none is known.
LOTS = {"T1": "a", "T2": "a", "T3": "b", "T4": "c", "T5": None}

lists = st.lists(
    st.tuples(st.sampled_from(sorted(LOTS)), st.sampled_from(["V1", "V2", "V3"]), st.sampled_from("xy")),
    max_size=14,
)


def _first_others(rows: pl.DataFrame, others: pl.DataFrame, *, one_must: bool, above: bool) -> dict[int, int]:
    """For each row the first other row that says the same of another vessel, and of another lot if asked."""
    pairs = rows.join(others, on="said", suffix="_other", maintain_order="left_right")
    vessel = pl.struct("trial_id", "vessel_id") != pl.struct("trial_id_other", "vessel_id_other")
    pairs = pairs.filter(vessel & ((pl.col("row") > pl.col("row_other")) | (not above)))
    if one_must:
        pairs = pairs.filter(~(pl.col("lot") == pl.col("lot_other")).fill_null(True))
    firsts = pairs.unique("row", keep="first", maintain_order=True)
    return dict(firsts.select("row", "row_other").iter_rows())


@given(lists, st.booleans(), st.booleans())
def test_a_few_lists_stand_for_all_that_say_the_same(
    said: list[tuple[str, str, str]], one_must: bool, above: bool
) -> None:
    told = [(trial, vessel, LOTS[trial], what, at) for at, (trial, vessel, what) in enumerate(said)]
    rows = pl.DataFrame(told, schema=SHAPE, orient="row")
    few = _enough(rows, ["said"])
    assert few.group_by("said").len()["len"].max() in (None, 1, 2, 3, 4)
    by_all = _first_others(rows, rows, one_must=one_must, above=above)
    assert _first_others(rows, few, one_must=one_must, above=above) == by_all
