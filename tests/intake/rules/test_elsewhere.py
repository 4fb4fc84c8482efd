"""The peers of a column found in the order of its group are those found by looking at each pair."""

from __future__ import annotations

import polars as pl
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from crosscellar.intake.rules.elsewhere import elsewhere

PLACE, GROUP = ["file_no", "sheet"], ["analyte", "colour"]
COLUMN = [*PLACE, *GROUP]
SHAPE = {
    "file_no": pl.Int32,
    "sheet": pl.String,
    "analyte": pl.String,
    "colour": pl.String,
    "stored": pl.Boolean,
    "decades": pl.Float64,
}

one_row = st.tuples(
    st.integers(1, 3),
    st.sampled_from(["a", "b"]),
    st.sampled_from(["ph", "ethanol"]),
    st.sampled_from(["red", "white", None]),
    st.booleans(),
    st.integers(-3, 3).map(lambda tenths: tenths / 10),
)


@given(st.lists(one_row, min_size=1, max_size=60), st.integers(0, 3))
def test_peers_are_all_readings_of_the_group_but_those_of_the_column(
    readings: list[tuple[object, ...]], left_out: int
) -> None:
    rows = pl.DataFrame(readings, schema=SHAPE, orient="row").with_row_index("item_no")
    rows = rows.with_columns(pl.when(~pl.col("stored")).then("item_no").alias("item_no"))
    columns = rows.filter(~pl.col("stored")).select(COLUMN).unique(maintain_order=True)
    columns = columns.filter(pl.int_range(pl.len()) % 3 != left_out)
    pairs = columns.join(rows, on=GROUP, how="inner", suffix="_peer", nulls_equal=True)
    away = (pl.col("file_no") != pl.col("file_no_peer")) | (pl.col("sheet") != pl.col("sheet_peer"))
    peer = pl.col("decades")
    expected = (
        pairs.filter(away | pl.col("item_no").is_null())
        .group_by(COLUMN)
        .agg(
            pl.len().cast(pl.Int64).alias("peers"),
            peer.median().alias("there"),
            ((peer.quantile(0.75) - peer.quantile(0.25)) / 2).alias("spread"),
        )
    )
    found = elsewhere(rows, columns, PLACE, GROUP)
    assert_frame_equal(found, expected, check_row_order=False, check_column_order=False)
