"""Repeat readings averaged all at once, where nothing but date and value differs between them.

Most comparisons of arms are of this plain kind: one laboratory, one method, nothing beyond a limit. Readings
arrive in long runs of one vessel, analyte and stage; names are looked up once a run, and what follows is
arithmetic on numbers. Comparisons that are not plain are handed back as they came.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

_VESSEL: Final = ("trial_id", "arm_id", "vessel_id")
_RUN: Final = (*_VESSEL, "analyte", "stage", "lab", "method", "qualifier")

Integers = npt.NDArray[np.int64]


def average_repeats(
    readings: pl.DataFrame, vessels: pl.DataFrame, analytes: Collection[str] | None
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Vessel values of the plain comparisons, and the readings of all the others.

    Parameters
    ----------
    readings
        READINGS-like, with finite values.
    vessels
        trial_id, arm_id, vessel_id and what else is known of a vessel; each once, sorted by these three.
    analytes
        Those that are wanted; None: all.

    Returns
    -------
    tuple of polars.DataFrame
        The first: trial_id, analyte, stage, arm_id, vessel_id (Enums in the order of the alphabet), `low`,
        `high`, unit, labs, methods, labs_left_out and the other columns of `vessels`, sorted by the first
        five. The second: rows of `readings`.

    Repeats of one date are averaged, then the dates. A sum of two does not depend on their order; longer ones
    are summed in the order of date and value, so that the order of `readings` changes no digit.
    """
    if vessels.is_empty():
        readings = readings.clear()
    starts, heads = _runs(readings)
    kinds = {name: pl.Enum(vessels[name].unique().sort()) for name in _VESSEL} | {
        name: pl.Enum(heads[name].unique().sort()) for name in ("analyte", "stage")
    }
    place = _numbered(heads, vessels, kinds)
    if analytes is not None:
        place["cell"] = np.where(heads["analyte"].is_in(list(analytes)), place["cell"], -1)
    label = _label(heads)
    length = np.diff(starts, append=readings.height)
    known = np.flatnonzero(place["cell"] >= 0)
    order = known[np.argsort(place["cell"][known], kind="stable")]
    if order.size == 0:
        return _values(order, np.empty(0), heads, vessels, place, kinds), readings.head(0)
    cell_of_run, runs = _edges(place["cell"][order])
    comparison_of_cell, cells = _edges(place["comparison"][order][runs])
    plain = _constant(label[order], runs[cells])
    value = readings["value"].to_numpy()
    date = readings["sample_date"].to_physical().fill_null(np.iinfo(np.int32).min).to_numpy()
    count = np.add.reduceat(length[order], runs)
    total = np.add.reduceat(np.add.reduceat(value, starts)[order], runs)
    earliest = np.minimum.reduceat(np.minimum.reduceat(date, starts)[order], runs)
    latest = np.maximum.reduceat(np.maximum.reduceat(date, starts)[order], runs)
    mean = total / count
    cell_of_row = np.full(starts.size, -1, dtype=np.int64)
    cell_of_row[order] = cell_of_run
    cell_of_row = np.repeat(cell_of_row, length)
    keep = plain[comparison_of_cell]
    long = keep & ((count > 2) | (earliest != latest))
    if long.any():
        rows = np.flatnonzero((cell_of_row >= 0) & long[cell_of_row])
        mean[long] = _means_of_dates(cell_of_row[rows], date[rows], value[rows])
    first = order[runs][keep]
    values = _values(first, mean[keep], heads, vessels, place, kinds)
    if keep.all():
        return values, readings.head(0)
    return values, readings[np.flatnonzero((cell_of_row >= 0) & ~keep[cell_of_row])]


def _runs(readings: pl.DataFrame) -> tuple[Integers, pl.DataFrame]:
    """Where each run of readings alike in vessel, analyte, stage and laboratory starts, and its first row."""
    new = (
        readings.select(pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift()) for name in _RUN))
        .to_series()
        .to_numpy(writable=True)
    )
    new[:1] = True
    heads = readings.select(*_RUN, "unit").filter(new)
    return np.flatnonzero(new), heads.with_columns(
        pl.col("stage", "qualifier", "lab", "method").fill_null("")
    )


def _numbered(heads: pl.DataFrame, vessels: pl.DataFrame, kinds: dict[str, pl.Enum]) -> dict[str, Integers]:
    """Each run's numbers: of its names in their order, of its comparison and its cell (-1: not planned)."""
    numbered = vessels.select(
        *_VESSEL,
        pl.int_range(pl.len(), dtype=pl.Int64).alias("vessel_no"),
        pl.col("trial_id").rle_id().cast(pl.Int64).alias("trial_no"),
    ).with_columns(
        (pl.col("vessel_no") - pl.col("vessel_no").min().over("trial_no")).alias("vessel_in_trial")
    )
    found = heads.select(_VESSEL).join(numbered, on=list(_VESSEL), how="left", maintain_order="left")
    of_vessel = {
        name: vessels[name].cast(kinds[name]).to_physical().to_numpy().astype(np.int64) for name in _VESSEL
    }
    planned = found["vessel_no"].is_not_null().to_numpy()
    vessel = found["vessel_no"].fill_null(0).to_numpy()
    place = {name: numbers[vessel] for name, numbers in of_vessel.items()} | {"vessel": vessel}
    for name in ("analyte", "stage"):
        place[name] = heads[name].cast(kinds[name]).to_physical().to_numpy().astype(np.int64)
    trial, within = (
        found["trial_no"].fill_null(0).to_numpy(),
        found["vessel_in_trial"].fill_null(0).to_numpy(),
    )
    analytes, stages = kinds["analyte"].categories.len(), kinds["stage"].categories.len()
    comparison = (trial * analytes + place["analyte"]) * stages + place["stage"]
    place["comparison"] = comparison
    place["cell"] = np.where(planned, comparison * max(vessels.height, 1) + within, -1)
    return place


def _label(heads: pl.DataFrame) -> Integers:
    """A number for each laboratory and method; -1 where a limit stands for the value."""
    label = np.zeros(heads.height, dtype=np.int64)
    for name in ("lab", "method"):
        column = heads[name]
        kind = pl.Enum(column.unique().sort())
        label = label * kind.categories.len() + column.cast(kind).to_physical().to_numpy()
    return np.where((heads["qualifier"] == "").to_numpy(), label, -1)


def _edges(numbers: Integers) -> tuple[Integers, Integers]:
    """For each place the number of its stretch of equal numbers, and where each stretch starts."""
    new = np.empty(numbers.size, dtype=np.bool_)
    new[0] = True
    np.not_equal(numbers[1:], numbers[:-1], out=new[1:])
    return np.cumsum(new) - 1, np.flatnonzero(new)


def _constant(label: Integers, starts: Integers) -> npt.NDArray[np.bool_]:
    least, most = np.minimum.reduceat(label, starts), np.maximum.reduceat(label, starts)
    return np.asarray((least == most) & (least >= 0))


def _means_of_dates(
    cell: Integers, date: npt.NDArray[np.int32], value: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """The mean over dates of each date's mean, a number for each cell in their order."""
    rows = pl.DataFrame({"cell": cell, "date": date, "value": value}).sort("cell", "date", "value")
    sorted_cell, sorted_date = rows["cell"].to_numpy(), rows["date"].to_numpy()
    _, days = _edges(sorted_cell * 2**32 + (sorted_date.astype(np.int64) + 2**31))
    per_day = np.add.reduceat(rows["value"].to_numpy(), days) / np.diff(days, append=rows.height)
    _, cells = _edges(sorted_cell[days])
    return np.asarray(np.add.reduceat(per_day, cells) / np.diff(cells, append=days.size))


def _values(
    first: Integers,
    mean: npt.NDArray[np.float64],
    heads: pl.DataFrame,
    vessels: pl.DataFrame,
    place: dict[str, Integers],
    kinds: dict[str, pl.Enum],
) -> pl.DataFrame:
    """The cells whose first runs are `first`."""
    said = heads.select("unit", "lab", "method")[first]
    low = pl.Series("low", mean, dtype=pl.Float64)
    names = {
        name: kinds[name].categories.cast(kinds[name]).gather(place[name][first])
        for name in ("trial_id", "analyte", "stage", "arm_id", "vessel_id")
    }
    return pl.DataFrame(
        {
            **names,
            "low": low,
            "high": low,
            "unit": said["unit"],
            "labs": said["lab"].replace("", "not stated"),
            "methods": said["method"],
            "labs_left_out": np.zeros(mean.size, dtype=np.bool_),
        }
    ).hstack(vessels.drop(_VESSEL)[place["vessel"][first]])
