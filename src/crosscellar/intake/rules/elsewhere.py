"""What a column is held against: all other readings of its group, wherever they stand."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl


def elsewhere(
    rows: pl.DataFrame, columns: pl.DataFrame, place: Sequence[str], group: Sequence[str]
) -> pl.DataFrame:
    """Number, median and half the distance of the quartiles of each column's peers.

    Of a column they are found in the order of its whole group, by leaving out its own: the rows are never
    put beside every column.

    Parameters
    ----------
    rows
        Readings, the store's among them with a null `item_no`: `place`, `group` and `decades`.
    columns
        The columns asked about, each once: `place` and `group`.
    place, group
        What tells columns of one group apart, and what groups share. Nulls are equal.

    Returns
    -------
    polars.DataFrame
        `place`, `group`, `peers`, `there` and `spread`, for columns that have peers. Quartiles are the
        nearest readings.
    """
    asked = columns.select(*place, *group).with_row_index("column_no")
    groups = asked.select(group).unique(maintain_order=True).with_row_index("group_no")
    of_group = rows.join(groups, on=list(group), how="inner", nulls_equal=True)
    numbered = of_group.join(asked, on=[*place, *group], how="left", nulls_equal=True)
    own_no = pl.when(pl.col("item_no").is_not_null()).then("column_no").alias("column_no")
    ordered = numbered.select("group_no", "decades", own_no).sort("group_no", "decades").with_row_index("at")
    every = ordered.group_by("group_no").agg(pl.len().alias("all"), pl.col("at").first().alias("start"))
    own = ordered.drop_nulls("column_no").join(every, on="group_no", how="left")
    before = pl.col("at") - pl.col("start") - (pl.col("column_no").cum_count().over("column_no") - 1)
    peers = (pl.col("all").first() - pl.len()).cast(pl.Int64)
    found = (
        own.with_columns(before.cast(pl.Int64).alias("before"))
        .group_by("column_no")
        .agg(
            peers.alias("peers"),
            *(
                # The peer of this place stands behind so many of the column's own.
                (pl.col("start").first() + place_ + (pl.col("before") <= place_).sum()).alias(name)
                for name, place_ in {
                    "low": _nearest(peers, 0.25),
                    "below": (peers - 1) // 2,
                    "above": peers // 2,
                    "high": _nearest(peers, 0.75),
                }.items()
            ),
        )
        .filter(pl.col("peers") > 0)
    )
    low, below, above, high = (
        ordered["decades"].gather(found[name]) for name in ("low", "below", "above", "high")
    )
    told = found.select("column_no", "peers").with_columns(
        there=(below + above) / 2.0, spread=(high - low) / 2.0
    )
    return asked.join(told, on="column_no", how="inner", maintain_order="left").drop("column_no")


def _nearest(count: pl.Expr, share: float) -> pl.Expr:
    return (share * (count - 1) + 0.5).floor().cast(pl.Int64)
