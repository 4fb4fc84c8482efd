"""Repeat readings averaged all at once, where nothing but date and value differs between them.

Most comparisons of arms are of this plain kind: one laboratory, one method, nothing beyond a limit. Readings
arrive in long runs of one vessel, analyte and stage; names are looked up once a run, and what follows is
arithmetic on numbers. Comparisons that are not plain are handed back as they came.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from crosscellar.effects.places import named, starts_of, words_of

_VESSEL: Final = ("trial_id", "arm_id", "vessel_id")
_TOLD: Final = ("analyte", "stage", "lab", "method", "qualifier")

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
    vessels = vessels.with_columns(
        pl.col(name).cast(pl.Enum(vessels[name].unique().sort())) for name in _VESSEL
    )
    runs = _runs(readings)
    place = _numbered(runs, vessels, analytes)
    known = np.flatnonzero(place["cell"] >= 0)
    order = known[np.argsort(place["cell"][known], kind="stable")]
    if order.size == 0:
        return _values(order, np.empty(0), runs, vessels, place), readings.head(0)
    firsts = starts_of(place["cell"][order])
    cells = starts_of(place["comparison"][order[firsts]])
    plain = _plain(runs, order, firsts[cells])
    keep = np.repeat(plain, np.diff(cells, append=firsts.size))
    length = runs.length[order]
    count = np.add.reduceat(length, firsts)
    value = readings["value"].to_numpy()
    # Of one reading or two the mean is that of the dates too, whichever comes first.
    total = np.add.reduceat(value, runs.starts)[order]
    mean = (total if firsts.size == order.size else np.add.reduceat(total, firsts)) / count
    long = keep & (count > 2)
    runs_of_cell = np.diff(firsts, append=order.size)
    if long.any():
        taken = np.repeat(long, runs_of_cell)
        rows = _rows(runs.starts[order][taken], length[taken])
        date = readings["sample_date"].to_physical().fill_null(np.iinfo(np.int32).min).to_numpy()
        mean[long] = _means_of_dates(count[long], date[rows], value[rows])
    values = _values(order[firsts][keep], mean[keep], runs, vessels, place)
    if keep.all():
        return values, readings.head(0)
    rest = np.zeros(runs.starts.size, dtype=np.bool_)
    rest[order[np.repeat(~keep, runs_of_cell)]] = True
    return values, readings.filter(pl.Series(np.repeat(rest, runs.length)))


@dataclass(frozen=True, slots=True)
class _Runs:
    """Runs of readings alike in vessel, analyte, stage and laboratory.

    `starts` is the row where each begins, `length` how many rows it has, `heads` what that row says: analyte
    and stage (Enums in the order of the alphabet), unit, and the columns of _TOLD in which runs differ;
    `alike` has the word of each other one. `vessel` numbers the longer runs of one vessel, whose first rows
    are `vessels`.
    """

    starts: Integers
    length: Integers
    heads: pl.DataFrame
    vessel: Integers
    vessels: pl.DataFrame
    alike: dict[str, str]


def _runs(readings: pl.DataFrame) -> _Runs:
    rows = max(readings.height - 1, 0)

    def changed(name: str) -> pl.Expr:
        return pl.col(name).slice(1, rows).ne_missing(pl.col(name).slice(0, rows))

    changes = readings.select(
        pl.any_horizontal(changed(name) for name in _VESSEL).alias("vessel"),
        *(changed(name) for name in _TOLD),
    )
    new_vessel, new = np.ones((2, readings.height), dtype=np.bool_)
    new_vessel[1:] = changes["vessel"].to_numpy()
    new[1:] = changes.select(pl.any_horizontal(pl.all())).to_series().to_numpy()
    starts = np.flatnonzero(new)
    alike = {name for name in _TOLD if readings.height and not changes[name].any()}
    differing = [name for name in ("lab", "method", "qualifier") if name not in alike]
    heads = (
        readings.select("analyte", "stage", "unit", *differing)
        .filter(pl.Series(new))
        .with_columns(pl.col("stage", *differing).fill_null(""))
    )
    return _Runs(
        starts,
        np.diff(starts, append=readings.height),
        heads.with_columns(named(heads[name]) for name in ("analyte", "stage")),
        np.cumsum(new_vessel[starts]) - 1,
        readings.select(_VESSEL).filter(pl.Series(new_vessel)),
        {name: readings[name][0] or "" for name in alike},
    )


def _numbered(runs: _Runs, vessels: pl.DataFrame, analytes: Collection[str] | None) -> dict[str, Integers]:
    """Each run's numbers: of vessel, comparison and cell (-1: not asked for)."""
    numbered = vessels.select(
        *_VESSEL,
        pl.int_range(pl.len(), dtype=pl.Int64).alias("vessel_no"),
        pl.col("trial_id").rle_id().cast(pl.Int64).alias("trial_no"),
    ).with_columns(
        (pl.col("vessel_no") - pl.col("vessel_no").min().over("trial_no")).alias("vessel_in_trial")
    )
    own = runs.vessels.with_columns(pl.col(name).cast(vessels.schema[name], strict=False) for name in _VESSEL)
    found = own.join(numbered, on=list(_VESSEL), how="left", maintain_order="left")
    wanted = found["vessel_no"].is_not_null().to_numpy()[runs.vessel]
    vessel, trial, within = (
        found[name].fill_null(0).to_numpy()[runs.vessel]
        for name in ("vessel_no", "trial_no", "vessel_in_trial")
    )
    words = {name: words_of(runs.heads[name]) for name in ("analyte", "stage")}
    analyte, stage = (runs.heads[name].to_physical().to_numpy() for name in words)
    if analytes is not None:
        wanted = wanted & words["analyte"].is_in(list(analytes)).to_numpy()[analyte]
    place = {"vessel": vessel}
    place["comparison"] = (trial * words["analyte"].len() + analyte) * words["stage"].len() + stage
    place["cell"] = np.where(wanted, place["comparison"] * max(vessels.height, 1) + within, -1)
    return place


def _plain(runs: _Runs, order: Integers, comparisons: Integers) -> npt.NDArray[np.bool_]:
    """Which comparisons have one laboratory, one method and no limit for a value.

    `order` are the runs by comparison, `comparisons` the places where one starts.
    """
    if {"lab", "method", "qualifier"} <= runs.alike.keys():
        return np.full(comparisons.size, runs.alike["qualifier"] == "")
    label = _label(runs)[order]
    least, most = np.minimum.reduceat(label, comparisons), np.maximum.reduceat(label, comparisons)
    return np.asarray((least == most) & (least >= 0))


def _label(runs: _Runs) -> Integers:
    """A number for each laboratory and method; -1 where a limit stands for the value."""
    heads = runs.heads
    label = np.zeros(heads.height, dtype=np.int64)
    for name in ("lab", "method"):
        if name not in runs.alike:
            kind = pl.Enum(heads[name].unique().sort())
            label = label * kind.categories.len() + heads[name].cast(kind).to_physical().to_numpy()
    if "qualifier" in runs.alike:
        return label if runs.alike["qualifier"] == "" else np.full_like(label, -1)
    return np.where((heads["qualifier"] == "").to_numpy(), label, -1)


def _rows(starts: Integers, length: Integers) -> Integers:
    """The numbers of the rows of stretches that start there and are so long, one after the other."""
    ends = np.cumsum(length)
    return np.asarray(np.arange(ends[-1]) + np.repeat(starts - (ends - length), length))


def _means_of_dates(
    count: Integers, date: npt.NDArray[np.int32], value: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """The mean over dates of each date's mean, a number for each cell of `count` readings, cell by cell."""
    place = np.repeat(np.arange(count.size) << 32, count) + (date.astype(np.int64) + 2**31)
    if (place[1:] < place[:-1]).any():
        order = np.argsort(place, kind="stable")
        place, value = place[order], value[order]
    days = starts_of(place)
    readings = np.diff(days, append=value.size)
    per_day = np.add.reduceat(_sorted_within(value, days, readings), days) / readings
    cells = starts_of(place[days] >> 32)
    return np.asarray(np.add.reduceat(per_day, cells) / np.diff(cells, append=days.size))


def _sorted_within(
    value: npt.NDArray[np.float64], starts: Integers, length: Integers
) -> npt.NDArray[np.float64]:
    """The values, those of each stretch in their own order; stretches of one length are sorted at once."""
    lengths = np.unique(length)
    if lengths.size == 1:
        return np.sort(value.reshape(-1, lengths[0]), axis=1).ravel()
    value = value.copy()
    for size in lengths[lengths > 2]:
        where = starts[length == size][:, None] + np.arange(size)
        value[where] = np.sort(value[where], axis=1)
    return value


def _values(
    first: Integers,
    mean: npt.NDArray[np.float64],
    runs: _Runs,
    vessels: pl.DataFrame,
    place: dict[str, Integers],
) -> pl.DataFrame:
    """The cells whose first runs are `first`."""
    low = pl.Series("low", mean, dtype=pl.Float64)
    heads = runs.heads.select(
        "analyte", "stage", "unit", _told(runs, "lab").alias("labs"), _told(runs, "method").alias("methods")
    )[first]
    return (
        vessels[place["vessel"][first]]
        .hstack(heads)
        .with_columns(low, low.alias("high"), pl.lit(False).alias("labs_left_out"))
        .select(
            "trial_id",
            "analyte",
            "stage",
            "arm_id",
            "vessel_id",
            "low",
            "high",
            *heads.columns[2:],
            "labs_left_out",
            *(name for name in vessels.columns if name not in _VESSEL),
        )
    )


def _told(runs: _Runs, name: str) -> pl.Expr:
    """The laboratory or method of each run; a word that all share is kept once."""
    nothing = "not stated" if name == "lab" else ""
    if name in runs.alike:
        return pl.lit(runs.alike[name] or nothing).alias(name)
    return pl.col(name).replace("", nothing) if nothing else pl.col(name)
