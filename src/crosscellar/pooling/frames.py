"""Any frame of effects, read into arrays: which columns it has, which effects are left out and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
import polars as pl

from crosscellar.contract.frames import as_frame
from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling.heterogeneity import Floats

#: Columns that tell what was measured: carried into the result when one value stands in all rows.
ABOUT: Final = ("question", "response", "stage", "role", "measure", "unit")


#: Of these, what effects must have alike to have one mean.
ALIKE: Final = ("measure", "unit", "response")
#: Characters of a text that is told because it is no number.
_TOLD: Final = 20


class Columns(NamedTuple):
    """What the columns of a frame of effects are called."""

    estimate: str = "estimate"
    variance: str = "variance"
    std_error: str = "std_error"
    site: str = "site"
    season: str = "season"
    trial: str = "trial"
    arm: str = "arm"
    df: str = "df"
    shared: str = "shared"
    shared_variance: str = "shared_variance"
    usable: str = "usable"
    remark: str = "remark"


#: The columns of a tidy frame that hold names.
NAMES: Final = ("site", "trial", "arm", "shared")


def tidy(frame: Any, columns: Columns, *, numbers_as_names: bool = False) -> pl.DataFrame:
    """The frame with the columns that pooling reads, under our own names, and `left_out`: why not pooled.

    Every row stays. `estimate`, `variance`, `std_error`, `df` are Float64; NAMES String (a frame without
    sites counts every effect as a site of its own, named by its row); `season` and what else the frame has
    stay as they are. With `numbers_as_names` whole numbers may stand for names: to write thousands of them
    out takes its time. `left_out` is "" for a row that is pooled.

    Raises
    ------
    UnknownName
        When there is no column of estimates, or neither of variances nor of standard errors.
    NotComputable
        When no table can be read, or a column holds what can be no number, or no yes or no.
    """
    table = as_frame(frame)
    have = set(table.columns)
    if columns.estimate not in have:
        raise UnknownName(
            f"There is no column {columns.estimate!r}",
            next_step="Say which column holds the effects (estimate=...). "
            f"There are: {', '.join(table.columns)}.",
        )
    if columns.variance not in have and columns.std_error not in have:
        raise UnknownName(
            f"There is neither a column {columns.variance!r} nor {columns.std_error!r}",
            next_step="Say which column holds the effects' variances (variance=...) or standard errors "
            f"(std_error=...). There are: {', '.join(table.columns)}.",
        )

    def number(name: str) -> pl.Expr:
        if table.schema[name].is_nested() or table.schema[name] == pl.Object:
            raise NotComputable(
                f"The column {name!r} holds no numbers", next_step="Give one number in each row."
            )
        return pl.col(name).cast(pl.Float64, strict=False).fill_nan(None)

    def squared(name: str) -> pl.Expr:
        # A standard error below 0 stays as wrong as it is.
        return number(name) * number(name).abs()

    def no_number(name: str, otherwise: str) -> pl.Expr:
        """What is wrong where no number was read: a text says what stands there."""
        if name not in have or table.schema[name] != pl.String:
            return pl.lit(otherwise)
        text = pl.col(name).str.strip_chars()
        told = pl.format("{} is no number", text.str.head(_TOLD))
        return (
            pl.when(text.is_null() | text.str.to_lowercase().is_in(["", "nan"]))
            .then(pl.lit(otherwise))
            .otherwise(told)
        )

    if columns.variance in have:
        variance = number(columns.variance)
        if columns.std_error in have:
            variance = pl.coalesce(variance, squared(columns.std_error))
    else:
        variance = squared(columns.std_error)
    usable = table.schema.get(columns.usable, pl.Boolean())
    if not (usable.is_numeric() or usable in (pl.Boolean, pl.Null)):
        raise NotComputable(
            f"The column {columns.usable!r} says something else than yes or no",
            next_step="Give True or False in each row, or leave the column out.",
        )
    text = pl.lit(None, dtype=pl.String)

    def names(name: str, own: str) -> pl.Expr:
        if name not in have:
            return row if own == "site" else text.alias(own)
        whole = numbers_as_names and table.schema[name].is_integer()
        return (pl.col(name) if whole else pl.col(name).cast(pl.String)).alias(own)

    row = (pl.lit("effect ") + pl.int_range(1, pl.len() + 1).cast(pl.String)).alias("site")
    wanted = [
        number(columns.estimate).alias("estimate"),
        variance.alias("variance"),
        names(columns.site, "site"),
        (pl.col(columns.season) if columns.season in have else text).alias("season"),
        names(columns.trial, "trial"),
        names(columns.arm, "arm"),
        (number(columns.df) if columns.df in have else pl.lit(None, dtype=pl.Float64)).alias("df"),
        names(columns.shared, "shared"),
        (
            number(columns.shared_variance)
            if columns.shared_variance in have
            else pl.lit(None, dtype=pl.Float64)
        ).alias("shared_variance"),
        (
            pl.col(columns.usable).cast(pl.Boolean).fill_null(True)
            if columns.usable in have
            else pl.lit(True)
        ).alias("usable"),
        (pl.col(columns.remark).cast(pl.String) if columns.remark in have else text).alias("remark"),
    ]
    spread = columns.variance if columns.variance in have else columns.std_error
    wanted += [
        no_number(columns.estimate, "no estimate").alias("_no_estimate"),
        no_number(spread, "no variance").alias("_no_variance"),
    ]
    read = table.select(wanted)
    kept = [name for name in table.columns if name not in read.columns and name not in {"left_out"}]
    told = pl.concat([read, table.select(kept)], how="horizontal").with_columns(
        pl.col("variance").sqrt().alias("std_error"),
        pl.when(~pl.col("usable"))
        .then(
            pl.when(pl.col("remark").fill_null("") != "")
            .then(pl.col("remark"))
            .otherwise(pl.lit("marked as not usable"))
        )
        .when(pl.col("estimate").is_null())
        .then(pl.col("_no_estimate"))
        .when(pl.col("estimate").is_infinite())
        .then(pl.lit("the estimate is not finite"))
        .when(pl.col("variance").is_null())
        .then(pl.col("_no_variance"))
        .when((pl.col("variance") <= 0) | pl.col("variance").is_infinite())
        .then(pl.lit("the variance is not a positive number"))
        .when(pl.col("site").is_null())
        .then(pl.lit("no site"))
        .otherwise(pl.lit(""))
        .alias("left_out"),
    )
    return told.drop("_no_estimate", "_no_variance")


def several(rows: pl.DataFrame) -> tuple[str, tuple[str, ...]] | None:
    """The first of `ALIKE` in which pooled rows of `tidy` differ, and its values; None where they agree.

    Standardized differences may be of several responses: they are made to be compared.
    """
    compared = "measure" in rows.columns and rows["measure"].eq("standardized").all()
    for name in ALIKE:
        if name not in rows.columns or (name == "response" and compared):
            continue
        found = rows[name].drop_nulls().unique(maintain_order=True).cast(pl.String).to_list()
        if len(found) > 1:
            return name, tuple(found)
    return None


def about(frame: pl.DataFrame) -> dict[str, str]:
    """What was measured (`ABOUT`), "" where the frame does not say or its rows differ."""
    told = {name: {*frame[name].to_list()} - {None} for name in ABOUT if name in frame.columns}
    return {name: str(*told[name]) if len(told.get(name, ())) == 1 else "" for name in ABOUT}


@dataclass(frozen=True, slots=True, eq=False)
class Effects:
    """The effects that are pooled, as arrays of shape (effects,), sites numbered in order of appearance.

    `df` stands behind the variances, infinite for one that is known; None where no effect has any.
    """

    estimate: Floats
    variance: Floats
    site: np.ndarray[Any, np.dtype[np.int64]]
    sites: tuple[str, ...]
    df: Floats | None = None

    @property
    def repeated(self) -> bool:
        """Whether some site has more than one effect."""
        return len(self.sites) < self.estimate.size


def effects_of(pooled_rows: pl.DataFrame) -> Effects:
    """The arrays of the rows that are pooled."""
    names = pooled_rows["site"].to_list()
    place = {name: at for at, name in enumerate(dict.fromkeys(names))}
    return Effects(
        estimate=pooled_rows["estimate"].to_numpy().astype(np.float64),
        variance=pooled_rows["variance"].to_numpy().astype(np.float64),
        site=np.array([place[name] for name in names], dtype=np.int64),
        sites=tuple(place),
        df=degrees(pooled_rows),
    )


def degrees(rows: pl.DataFrame) -> Floats | None:
    """The degrees of freedom behind each variance, infinite for one that is known; None where all are."""
    df = rows["df"].to_numpy()
    known = np.isfinite(df) & (df > 0)
    return np.where(known, df, np.inf) if known.any() else None
