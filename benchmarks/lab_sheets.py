"""Invented networks of any size with their laboratory sheets: what the intake benchmarks read."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

#: Clean readings of one trial: 4 vessels, 40 analytes, 5 stages.
A_TRIAL = 800
VESSELS = (("control", "V1"), ("control", "V2"), ("stirred", "V3"), ("stirred", "V4"))
#: Stage, and its first day after 1 October of the season.
STAGES = (
    ("ageing_3m", 150),
    ("ageing_6m", 240),
    ("ageing_9m", 330),
    ("ageing_12m", 420),
    ("pre_bottling", 450),
)
RECEIVED = datetime(2026, 6, 1, 12, tzinfo=UTC)

#: Analyte, its usual value, its digits, and the units in which two laboratories write it, with the factor by
#: which the first is multiplied to give the second. Values are common practice, no source. 15 spellings.
ANALYTES = (
    ("pH", 3.4, 2, "pH", "pH", 1.0),
    ("Tartaric acid", 2.5, 2, "g/L", "g/l", 1.0),
    ("Malic acid", 0.152, 4, "g/L", "mg/L", 1000.0),
    ("Lactic acid", 1.6, 2, "g/L", "g L-1", 1.0),
    ("Citric acid", 0.3, 4, "g/L", "mg/l", 1000.0),
    ("Succinic acid", 0.8, 3, "g/L", "g/l", 1.0),
    ("Gluconic acid", 0.1, 4, "g/L", "mg L-1", 1000.0),
    ("Glycerol", 7.0, 2, "g/L", "g/l", 1.0),
    ("Methanol", 80.0, 1, "mg/L", "mg/l", 1.0),
    ("Ash", 2.3, 2, "g/L", "g L-1", 1.0),
    ("Ethanol", 13.0, 2, "% vol", "%vol", 1.0),
    ("Free SO2", 28.0, 1, "mg/L", "ppm", 1.0),
    ("Total SO2", 85.0, 1, "mg/L", "ppm", 1.0),
    ("Protein", 50.0, 1, "mg/L", "mg L-1", 1.0),
    ("Potassium", 900.0, 1, "mg/L", "g/L", 0.001),
    ("Calcium", 70.0, 1, "mg/L", "mg/l", 1.0),
    ("Magnesium", 80.0, 1, "mg/L", "mg/l", 1.0),
    ("Sodium", 20.0, 1, "mg/L", "ppm", 1.0),
    ("Copper", 0.2, 4, "mg/L", "ug/L", 1000.0),
    ("Iron", 1.6, 2, "mg/L", "mg/l", 1.0),
    ("Manganese", 1.1, 2, "mg/L", "mg L-1", 1.0),
    ("Lead", 12.0, 2, "ug/L", "ppb", 1.0),
    ("Turbidity", 1.5, 2, "NTU", "NTU", 1.0),
    ("Dissolved oxygen", 0.4, 3, "mg/L", "ppm", 1.0),
    ("Acetaldehyde", 25.0, 1, "mg/L", "mg/l", 1.0),
    ("Ethyl acetate", 50.0, 1, "mg/L", "mg L-1", 1.0),
    ("Diacetyl", 1.2, 2, "mg/L", "mg/l", 1.0),
    ("DMS", 15.0, 2, "µg/L", "ug/L", 1.0),
    ("4-ethylphenol", 20.0, 1, "ug/L", "ppb", 1.0),
    ("4-ethylguaiacol", 3.0, 2, "ug/L", "µg/L", 1.0),
    ("Linalool", 50.0, 1, "ug/L", "ppb", 1.0),
    ("Geraniol", 10.0, 2, "ug/L", "µg/L", 1.0),
    ("Nerol", 8.0, 2, "ug/L", "µg/L", 1.0),
    ("Alpha-terpineol", 30.0, 1, "ug/L", "ppb", 1.0),
    ("Isoamyl acetate", 1.5, 4, "mg/L", "ug/L", 1000.0),
    ("Ethyl hexanoate", 0.6, 4, "mg/L", "ug/L", 1000.0),
    ("Higher alcohols", 300.0, 1, "mg/L", "mg/l", 1.0),
    ("Rotundone", 10.0, 2, "ng/L", "ng/L", 1.0),
    ("IBMP", 5.0, 2, "ng/L", "ng/L", 1.0),
    ("Histamine", 2.0, 2, "mg/L", "mg/l", 1.0),
)

#: What is wrong with a dirty row: the column, and what stands there instead.
_DIRT = (
    ("value", "<0.05"),
    ("value", "nd"),
    ("value", "n/a"),
    ("value", "trace"),
    ("value", "1 250 000"),
    ("value", "3.4-3.6"),
    ("value", "2.1 *"),
    ("unit", "mg/q"),
    ("unit", ""),
    ("vessel", "V9"),
    ("date", "2023-13-45"),
    ("stage", "end malolactc"),
    ("analyte", "Glycrol"),
)


def trial_names(first: int, last: int) -> list[str]:
    """The identifiers of trials `first` to before `last`."""
    return [f"T{number:06d}" for number in range(first, last)]


def write_register(folder: Path, trials: int) -> None:
    """A register of that many trials, one question, 60 sites, seasons 2016 to 2023."""
    folder.mkdir(parents=True, exist_ok=True)
    sites = [f"S{number:02d}" for number in range(60)]
    names = trial_names(0, trials)
    arms = [
        (trial, arm, role)
        for trial in names
        for arm, role in (("control", "control"), ("stirred", "treatment"))
    ]
    tables = {
        "sites": pl.DataFrame({"site_id": sites, "site_name": [f"Site {site}" for site in sites]}),
        "questions": pl.DataFrame(
            {
                "question_id": ["stirring"],
                "title": ["Does stirring raise glycerol?"],
                "hypothesis": ["If the lees are stirred, then glycerol is higher"],
                "factor": ["stirring"],
                "primary_response": ["glycerol"],
                "primary_stage": ["pre_bottling"],
                "wanted": ["increase"],
                "smallest_difference": ["0.3"],
            }
        ),
        "trials": pl.DataFrame(
            {
                "trial_id": names,
                "season": [season(number) for number in range(trials)],
                "site_id": [sites[number % 60] for number in range(trials)],
                "question_id": "stirring",
                "lot": [f"L{number:06d}" for number in range(trials)],
                "cultivar": "Invented",
                "colour": "white",
            }
        ),
        "arms": pl.DataFrame(arms, schema=["trial_id", "arm_id", "role"], orient="row"),
        "vessels": pl.DataFrame(
            [(trial, arm, vessel, "barrel", 225) for trial in names for arm, vessel in VESSELS],
            schema=["trial_id", "arm_id", "vessel_id", "kind", "volume_l"],
            orient="row",
        ),
        "responses": pl.DataFrame(
            {"trial_id": names, "response": "glycerol", "stage": "pre_bottling", "role": "primary"}
        ),
    }
    for name, frame in tables.items():
        frame.write_csv(folder / f"{name}.csv")


def season(trial: int) -> int:
    """The season of a trial, by its number."""
    return 2016 + trial // 60 % 8


def readings(first: int, last: int, *, dirty: float, seed: int = 1) -> pl.DataFrame:
    """A long sheet of trials `first` to before `last`, all as text; a `dirty` share of rows is spoilt."""
    rng = np.random.default_rng((seed, first))
    count = last - first
    shape = (count, len(VESSELS), len(STAGES), len(ANALYTES))
    trial, vessel, stage, analyte = (axis.ravel() for axis in np.indices(shape))
    second = trial % 2 == 1
    usual, digits, factor = (np.array([row[at] for row in ANALYTES]) for at in (1, 2, 5))
    spread = np.where(np.array([row[0] for row in ANALYTES]) == "Ethanol", 0.05, 1.0)
    drift = (
        0.06 * rng.standard_normal((count, 1, 1, len(ANALYTES)))
        + 0.02 * rng.standard_normal((count, len(VESSELS), 1, len(ANALYTES)))
        + 0.02 * rng.standard_normal(shape)
    ).clip(-0.25, 0.25)
    value = (usual * (1 + spread * drift)).ravel() * np.where(second, factor[analyte], 1.0)
    places = (digits[analyte] - np.where(second, np.rint(np.log10(factor))[analyte], 0)).clip(0)
    names = np.array(trial_names(first, last))
    days = np.array([stage_day for _, stage_day in STAGES])[stage]
    years = np.array([season(number) for number in range(first, last)])[trial]
    frame = pl.DataFrame(
        {
            "trial": names[trial],
            "arm": np.array([arm for arm, _ in VESSELS])[vessel],
            "vessel": np.array([name for _, name in VESSELS])[vessel],
            "stage": np.array([name for name, _ in STAGES])[stage],
            "year": years,
            "days": days,
            "analyte": np.array([row[0] for row in ANALYTES])[analyte],
            "unit": np.where(
                second,
                np.array([row[4] for row in ANALYTES])[analyte],
                np.array([row[3] for row in ANALYTES])[analyte],
            ),
            "lab": np.where(second, "lab north", "lab south"),
        }
    )
    frame = frame.with_columns(
        _shown(pl.Series(value), pl.Series(places.astype(int))).alias("value"),
        (pl.date(pl.col("year"), 10, 1) + pl.duration(days="days")).dt.to_string("%Y-%m-%d").alias("date"),
    ).select("trial", "arm", "vessel", "stage", "date", "analyte", "value", "unit", "lab")
    spoilt = rng.random(frame.height)
    kinds = len(_DIRT)
    for number, (column, text) in enumerate(_DIRT):
        low, high = dirty * number / kinds, dirty * (number + 1) / kinds
        hit = pl.Series((spoilt >= low) & (spoilt < high))
        frame = frame.with_columns(pl.when(hit).then(pl.lit(text)).otherwise(column).alias(column))
    return frame


def _shown(value: pl.Series, places: pl.Series) -> pl.Series:
    """Numbers as a laboratory's program prints them, each to so many places."""
    number = pl.DataFrame({"value": value, "places": places})
    ways = [pl.when(places == 0).then(pl.col("value").round(0).cast(pl.Int64).cast(pl.String))]
    ways += [
        pl.when(places == place).then(pl.col("value").round(place).cast(pl.String)) for place in range(1, 6)
    ]
    return number.select(pl.coalesce(ways)).to_series()


def write_sheet(sheet: pl.DataFrame, path: Path) -> None:
    """The sheet as comma-separated text, no cell in quotation marks."""
    sheet.write_csv(path, quote_style="never")


def pieces(rows: int, *, dirty: float, most: int = 1_000_000) -> Iterator[pl.DataFrame]:
    """Sheets of at most `most` rows that together have `rows` rows, to the nearest whole trial."""
    trials, step = rows // A_TRIAL, most // A_TRIAL
    for first in range(0, trials, step):
        yield readings(first, min(first + step, trials), dirty=dirty)
