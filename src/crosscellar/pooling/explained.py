"""Moderators, categories and doses of a frame of effects: the ways in by column name."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any, Final, Literal

import numpy as np
import polars as pl

from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling.covariance import Covariance, from_shared_controls
from crosscellar.pooling.dose import DoseFit, dose_response
from crosscellar.pooling.frames import Columns, tidy
from crosscellar.pooling.moderators import Interval, Method, Moderated, regress, subgroups

#: Numbers that name rather than measure.
CATEGORIES: Final = ("season",)


def moderate(
    frame: Any,
    by: str | Sequence[str],
    *,
    columns: Columns | None = None,
    categories: Collection[str] = CATEGORIES,
    method: Method = "reml",
    interval: Interval = "auto",
    level: float = 0.95,
    looked_at: int | None = None,
    orders: int = 0,
    rng: np.random.Generator | None = None,
) -> Moderated:
    """The effects' dependence on the columns named in `by`, as `regress` gives it.

    `frame` is what `pool` takes; rows that `pool` leaves out are left out here. Numbers are centred, so
    that the intercept is the effect at their mean; `categories` are numbers taken as words. Seasons enter
    as a random term unless they are asked for.

    Raises
    ------
    UnknownName
        A column of `by` is not there.
    NotComputable
        As `regress`.
    """
    names = [by] if isinstance(by, str) else list(by)
    rows = _pooled_rows(frame, columns)
    _have(rows, names)
    return regress(
        rows["estimate"].to_numpy(),
        rows["variance"].to_numpy(),
        {name: rows[name] for name in names},
        categories=categories,
        centred=True,
        method=method,
        interval=interval,
        level=level,
        looked_at=looked_at,
        orders=orders,
        rng=rng,
        **_structure(rows, with_season="season" not in names),
    )


def by_category(
    frame: Any,
    by: str,
    *,
    columns: Columns | None = None,
    method: Method = "reml",
    interval: Interval = "auto",
    level: float = 0.95,
) -> pl.DataFrame:
    """The mean effect in each category of the column `by`, as `subgroups` gives it."""
    rows = _pooled_rows(frame, columns)
    _have(rows, [by])
    rows = rows.filter(pl.col(by).is_not_null())
    structure = _structure(rows, with_season=by != "season")
    return subgroups(
        rows["estimate"].to_numpy(),
        rows["variance"].to_numpy(),
        rows[by],
        method=method,
        interval=interval,
        level=level,
        **structure,
    )


def dose(
    frame: Any,
    *,
    control_level: float | str = 0.0,
    columns: Columns | None = None,
    bend: bool = False,
    method: Literal["reml", "ml"] = "reml",
) -> DoseFit:
    """The change of the effect per unit of `level` across sites, as `dose_response` gives it.

    `control_level` is the controls' level, or the name of a column that holds it. Effects without a level,
    or at their control's level, are left out.

    Raises
    ------
    UnknownName
        There is no column `level`.
    NotComputable
        No effect has a step in level.
    """
    rows = _pooled_rows(frame, columns)
    _have(rows, ["level", control_level] if isinstance(control_level, str) else ["level"])
    base = pl.col(control_level) if isinstance(control_level, str) else pl.lit(float(control_level))
    rows = rows.with_columns(step=(pl.col("level") - base).cast(pl.Float64)).filter(
        pl.col("step").is_not_null() & pl.col("step").is_not_nan() & (pl.col("step") != 0.0)
    )
    if rows.is_empty():
        raise NotComputable(
            "no effect has a step in level from its control",
            next_step="Give the arms their level in the register, or choose another moderator.",
        )
    structure = _structure(rows, with_season=False)
    trial = structure["trial"]
    return dose_response(
        rows["estimate"].to_numpy(),
        rows["variance"].to_numpy(),
        rows["step"].to_numpy(),
        trial=[f"row {i}" for i in range(rows.height)] if trial is None else trial,
        site=structure["site"],
        covariance=structure["covariance"],
        bend=bend,
        method=method,
    )


def _pooled_rows(frame: Any, columns: Columns | None) -> pl.DataFrame:
    rows = tidy(frame, columns or Columns()).filter(pl.col("left_out") == "")
    if rows.is_empty():
        raise NotComputable("no effect can be pooled", next_step="See the remarks of the effects.")
    return rows


def _have(rows: pl.DataFrame, names: Sequence[str]) -> None:
    for name in names:
        if name not in rows.columns:
            raise UnknownName(
                f"there is no column {name}", next_step=f"There are: {', '.join(rows.columns)}."
            )


def _structure(rows: pl.DataFrame, *, with_season: bool) -> dict[str, Any]:
    """Site, trial, season and shared controls of the rows, as the models take them."""
    covariance: Covariance | None = None
    if rows["shared"].null_count() < rows.height:
        covariance = from_shared_controls(rows["shared"].to_list(), rows["shared_variance"].to_list())
    trial = None
    if rows["trial"].null_count() < rows.height:
        trial = [f"row {at}" if name is None else f"trial {name}" for at, name in enumerate(rows["trial"])]
    return {
        "site": rows["site"].to_list(),
        "trial": trial,
        "season": rows["season"].to_list() if with_season and not rows["season"].null_count() else None,
        "covariance": covariance,
    }
