"""Expected against received: what each site still owes, and a text to send it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Final

import polars as pl

from crosscellar.contract import Contract, load_contract
from crosscellar.contract.frames import PICKS, READINGS, SCORES, empty
from crosscellar.register import Register
from crosscellar.sheets.owed_text import text_of_site

#: One row a trial, response and stage. `expected` and `received` count readings (picks, scores); `waiting`
#: those that came and were refused or held while nothing stands in their place; `state`: complete, part,
#: nothing; `days_overdue` is 0 for what is complete or not yet due, null without a due date.
OUTSTANDING: Final[Mapping[str, pl.DataType | type[pl.DataType]]] = {
    "trial_id": pl.String,
    "site_id": pl.String,
    "question_id": pl.String,
    "season": pl.Int32,
    "response": pl.String,
    "stage": pl.String,
    "role": pl.String,
    "due_date": pl.Date,
    "expected": pl.Int64,
    "received": pl.Int64,
    "waiting": pl.Int64,
    "state": pl.String,
    "days_overdue": pl.Int64,
    "missing_vessels": pl.List(pl.String),
}

_PROGRESS: Final = ("brix", "density_20", "specific_gravity", "oechsle", "baume")
_FROM_LOGS: Final = ("days_to_dry", "max_ferment_rate", "stuck")
_ROW: Final = ["trial_id", "response", "stage"]
_KEY: Final = ["trial_id", "vessel_id", "stage", "analyte"]
_LACKING: Final = pl.any_horizontal(pl.col(_KEY).is_null())
#: What is told of an item that was turned away.
_FIELDS: Final = (*_KEY, "attribute")
_TURNED_AWAY: Final = ("refused", "held")


def outstanding_of(
    register: Register,
    *,
    readings: pl.DataFrame,
    picks: pl.DataFrame | None = None,
    scores: pl.DataFrame | None = None,
    set_aside: pl.DataFrame | None = None,
    findings: pl.DataFrame | None = None,
    today: date,
    season: int | None = None,
    contract: Contract | None = None,
    came: pl.DataFrame | None = None,
) -> tuple[pl.DataFrame, dict[str, str]]:
    """What was expected and what came (`OUTSTANDING`), and a text for each site that owes something.

    Expected is `planned_readings` of the register, or one reading a vessel where nothing is planned. Repeat
    readings of one vessel never stand in for a vessel that is missing. A response from a ferment log counts
    the vessels that have one, `malolactic_complete` those with malic acid. Lost trials are left out.

    Parameters
    ----------
    register
        Sites, trials, vessels and planned responses.
    readings, picks, scores
        What stands, with its place: the READINGS, PICKS and SCORES frames, or as `Store.placed` gives them.
    set_aside, findings
        What was refused or held (SET_ASIDE, or `Store.turned_away`) and why (FINDINGS; with `state` what was
        decided is left out).
    today
        The day from which days overdue are counted.
    season
        One season only.
    contract
        Words for analytes and stages.
    came
        How many readings `answering` a planned response stand, `found`, by trial, vessel, stage and analyte.
        `readings` are then those that `places_needed` names; counted from `readings` where left out.
    """
    contract = contract or load_contract()
    picks = empty(PICKS) if picks is None else picks
    scores = empty(SCORES) if scores is None else scores
    readings = empty(READINGS) if readings.width == 0 else readings
    planned = _planned(register, season)
    if came is None:
        came = readings.group_by(_KEY).agg(pl.len().cast(pl.Int64).alias("found"))
    received = pl.concat(
        [
            _readings_that_came(planned, came),
            _picks_that_came(planned, picks),
            _scores_that_came(planned, scores),
        ]
    )
    placed = _placed(set_aside, readings, scores, picks)
    waiting = _waiting(planned, placed, came)
    frame = (
        planned.join(received, on=_ROW, how="left", maintain_order="left")
        .join(waiting, on=_ROW, how="left", maintain_order="left")
        .with_columns(pl.col("received", "waiting").fill_null(0))
        .with_columns(pl.min_horizontal("received", "expected").alias("received"))
        .with_columns(
            pl.when(pl.col("received") >= pl.col("expected"))
            .then(pl.lit("complete"))
            .when(pl.col("received") > 0)
            .then(pl.lit("part"))
            .otherwise(pl.lit("nothing"))
            .alias("state")
        )
        .with_columns(
            pl.when(pl.col("due_date").is_not_null())
            .then(
                pl.when(pl.col("state") == "complete")
                .then(0)
                .otherwise((pl.lit(today) - pl.col("due_date")).dt.total_days().clip(lower_bound=0))
            )
            .alias("days_overdue"),
            pl.when(pl.col("state") != "complete")
            .then(pl.col("missing_vessels"))
            .otherwise(pl.lit([], dtype=pl.List(pl.String)))
            .fill_null([]),
        )
        .select(pl.col(name).cast(dtype) for name, dtype in OUTSTANDING.items())
    )
    return frame, _texts(frame, register, contract, _reasons(findings, placed, readings), today)


def answering(register: Register, season: int | None) -> pl.DataFrame:
    """trial_id, vessel_id, stage and analyte of the readings that answer a planned response, distinct."""
    return _asked_of_vessels(_planned(register, season)).explode("analyte").select(_KEY).unique()


def places_needed(turned: pl.DataFrame, findings: pl.DataFrame) -> tuple[list[str], pl.DataFrame]:
    """The files whose readings must be known to place what was turned away, and single rows: file and row."""
    return turned.filter(_LACKING)["file"].unique().to_list(), _stops(findings).select("file", "row").unique()


def _planned(register: Register, season: int | None) -> pl.DataFrame:
    """Every planned response of a trial that was not lost, with what is expected of it."""
    trials = register.trials.filter(pl.col("status").fill_null("running") != "lost")
    if season is not None:
        trials = trials.filter(pl.col("season") == season)
    vessels = register.vessels.group_by("trial_id").agg(
        pl.len().cast(pl.Int64).alias("vessels"), pl.col("vessel_id").sort()
    )
    logged = pl.col("response").is_in(_FROM_LOGS)
    tasted = (pl.col("response") == "triangle") | pl.col("response").str.starts_with("score:")
    return (
        register.responses.join(
            trials.select("trial_id", "site_id", "question_id", "season"), on="trial_id", how="inner"
        )
        .join(vessels, on="trial_id", how="left")
        .with_columns(
            pl.when(tasted)
            .then(pl.col("planned_readings").fill_null(1))
            .when(logged)
            .then(pl.col("vessels"))
            .otherwise(pl.col("planned_readings").fill_null(pl.col("vessels")))
            .cast(pl.Int64)
            .alias("expected"),
            tasted.alias("tasted"),
        )
        .sort("site_id", "season", "trial_id", pl.col("role") != "primary", "due_date", "response", "stage")
    )


def _asked_of_vessels(planned: pl.DataFrame) -> pl.DataFrame:
    """One row a planned response and vessel, with the analytes whose reading answers it."""
    return (
        planned.filter(~pl.col("tasted"))
        .with_columns(
            pl.when(pl.col("response").is_in(_FROM_LOGS))
            .then(pl.lit(list(_PROGRESS)))
            .when(pl.col("response") == "malolactic_complete")
            .then(pl.lit(["malic_acid"]))
            .otherwise(pl.concat_list("response"))
            .alias("analyte")
        )
        .explode("vessel_id", empty_as_null=True, keep_nulls=True)
        .select(*_ROW, "vessel_id", "analyte", "expected", "vessels")
    )


def _readings_that_came(planned: pl.DataFrame, came: pl.DataFrame) -> pl.DataFrame:
    """Readings received and vessels missing for each planned response of vessels."""
    asked = _asked_of_vessels(planned)
    each = (
        asked.explode("analyte")
        .join(came, on=_KEY, how="left")
        .group_by(*_ROW, "vessel_id", "expected", "vessels")
        .agg(pl.col("found").sum())
    )
    # A log has many readings of a vessel and counts once; planned repeats are spread over the vessels.
    quota = (
        pl.when(pl.col("response").is_in(_FROM_LOGS))
        .then(1)
        .otherwise((pl.col("expected") / pl.col("vessels")).ceil().cast(pl.Int64))
    )
    return (
        each.with_columns(quota.alias("quota"))
        .group_by(_ROW)
        .agg(
            pl.min_horizontal("found", "quota").sum().alias("received"),
            pl.col("vessel_id").filter(pl.col("found") == 0).sort().alias("missing_vessels"),
        )
    )


def _picks_that_came(planned: pl.DataFrame, picks: pl.DataFrame) -> pl.DataFrame:
    counted = picks.group_by("trial_id").agg(pl.len().cast(pl.Int64).alias("received"))
    return _tasted(planned.filter(pl.col("response") == "triangle").join(counted, on="trial_id", how="left"))


def _scores_that_came(planned: pl.DataFrame, scores: pl.DataFrame) -> pl.DataFrame:
    counted = scores.group_by(
        "trial_id", ("score:" + pl.col("attribute").str.to_lowercase()).alias("asked")
    ).agg(pl.len().cast(pl.Int64).alias("received"))
    asked = planned.filter(pl.col("response").str.starts_with("score:")).with_columns(
        pl.col("response").str.to_lowercase().alias("asked")
    )
    return _tasted(asked.join(counted, on=["trial_id", "asked"], how="left"))


def _tasted(joined: pl.DataFrame) -> pl.DataFrame:
    return joined.select(
        *_ROW,
        pl.col("received").fill_null(0),
        pl.lit([], dtype=pl.List(pl.String)).alias("missing_vessels"),
    )


def _placed(
    set_aside: pl.DataFrame | None, readings: pl.DataFrame, scores: pl.DataFrame, picks: pl.DataFrame
) -> pl.DataFrame:
    """What was turned away with trial, vessel, stage and analyte, as far as they can be told.

    An item whose proposal is empty takes them from accepted readings in its row and in its column.
    """
    if set_aside is None or set_aside.is_empty():
        names = ("file", "sheet", "row", "column", "cell", "target", *_FIELDS)
        whole = ("row", "column")
        return pl.DataFrame(schema={name: pl.Int32 if name in whole else pl.String for name in names})
    turned = _turned_away(set_aside)
    asked = turned.filter(_LACKING).select("file").unique()
    readings, scores, picks = (
        frame.join(asked, on="file", how="semi") for frame in (readings, scores, picks)
    )
    rows = _agreed(
        pl.concat([frame.select("file", "sheet", "row", "trial_id") for frame in (readings, scores, picks)]),
        ["file", "sheet", "row"],
        ["trial_id"],
    )
    vessels = _agreed(readings, ["file", "sheet", "row"], ["vessel_id", "stage"])
    columns = _agreed(readings, ["file", "sheet", "column"], ["analyte"])
    return (
        turned.join(rows, on=["file", "sheet", "row"], how="left", suffix="_near")
        .join(vessels, on=["file", "sheet", "row"], how="left", suffix="_near")
        .join(columns, on=["file", "sheet", "column"], how="left", suffix="_near")
        .with_columns(
            pl.coalesce(name, f"{name}_near").alias(name)
            for name in ("trial_id", "vessel_id", "stage", "analyte")
        )
        .select(turned.columns)
    )


def _turned_away(set_aside: pl.DataFrame) -> pl.DataFrame:
    """What was refused or held, with its place and what was proposed; as it is where it is that already."""
    if "proposed" not in set_aside.columns:
        return set_aside
    return (
        set_aside.filter(pl.col("outcome").is_in(_TURNED_AWAY))
        .with_columns(
            pl.col("proposed")
            .str.json_decode(pl.Struct(dict.fromkeys(_FIELDS, pl.String)))
            .alias("as_proposed")
        )
        .select(
            "file",
            pl.col("sheet").fill_null(""),
            "row",
            "column",
            "cell",
            pl.col("target").fill_null(""),
            *(pl.col("as_proposed").struct.field(name) for name in _FIELDS),
        )
    )


def _agreed(frame: pl.DataFrame, place: list[str], fields: list[str]) -> pl.DataFrame:
    """The fields that all items at one place have in common, null where they differ."""
    return (
        frame.with_columns(pl.col("sheet").fill_null(""))
        .group_by(place)
        .agg(
            pl.when(pl.col(name).n_unique() == 1).then(pl.col(name).first()).otherwise(None).alias(name)
            for name in fields
        )
    )


def _waiting(planned: pl.DataFrame, placed: pl.DataFrame, came: pl.DataFrame) -> pl.DataFrame:
    """How many turned-away items each planned response waits for; one that stands meanwhile is no longer."""
    open_readings = (
        placed.filter(pl.col("target") == "readings")
        .join(came, on=_KEY, how="anti")
        .group_by(_KEY)
        .agg(pl.len().cast(pl.Int64).alias("waiting"))
    )
    of_vessels = (
        _asked_of_vessels(planned)
        .explode("analyte")
        .join(open_readings, on=_KEY, how="inner")
        .group_by(_ROW)
        .agg(pl.col("waiting").sum())
    )
    of_picks = (
        planned.filter(pl.col("response") == "triangle")
        .join(placed.filter(pl.col("target") == "picks"), on="trial_id", how="inner")
        .group_by(_ROW)
        .agg(pl.len().cast(pl.Int64).alias("waiting"))
    )
    of_scores = (
        planned.filter(pl.col("response").str.starts_with("score:"))
        .join(placed.filter(pl.col("target") == "scores"), on="trial_id", how="inner")
        .filter(
            pl.col("attribute").is_null()
            | (("score:" + pl.col("attribute")) == pl.col("response").str.to_lowercase())
        )
        .group_by(_ROW)
        .agg(pl.len().cast(pl.Int64).alias("waiting"))
    )
    return pl.concat([of_vessels, of_picks, of_scores])


def _reasons(findings: pl.DataFrame | None, placed: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """Findings that stopped something and still stand, one row for each trial that they are about.

    A finding in a row of items is about that row's trial; one in a heading about the items in its column; one
    without a cell about all that was turned away in its file. Where none of these tells, and all else of the
    file is of one trial, it is about that.
    """
    columns = ["trial_id", "file", "sheet", "cell", "message", "suggestion"]
    if findings is None or findings.is_empty():
        return pl.DataFrame(schema=dict.fromkeys(columns, pl.String))
    stops = _stops(findings)
    if "trial_id" not in stops.columns:
        stops = stops.with_columns(pl.lit(None, dtype=pl.String).alias("trial_id"))
    stops = stops.with_row_index("finding")
    row, column = ["file", "sheet", "row"], ["file", "sheet", "column"]
    known = placed.filter(pl.col("trial_id").is_not_null())
    there = readings.join(stops.select(row).unique(), on=row, how="semi")
    rows = pl.concat([known.select(*row, "trial_id"), there.select(*row, "trial_id")]).unique()
    bare = stops.drop("trial_id")
    in_row = bare.join(rows, on=row)
    in_heading = bare.join(rows, on=row, how="anti").join(
        known.select(*column, "trial_id").unique(), on=column
    )
    of_file = bare.filter(pl.col("row").is_null()).join(known.select("file", "trial_id").unique(), on="file")
    told = stops.filter(pl.col("trial_id").fill_null("") != "")
    placed_so_far = pl.concat([some["finding"] for some in (told, in_row, in_heading, of_file)])
    elsewhere = bare.filter(~pl.col("finding").is_in(placed_so_far.implode()))
    in_file = readings.join(elsewhere.select("file").unique(), on="file", how="semi")
    trials = pl.concat([known.select("file", "trial_id"), in_file.select("file", "trial_id")]).unique()
    alone = elsewhere.join(trials.filter(pl.len().over("file") == 1), on="file")
    return (
        pl.concat([some.select("finding", *columns) for some in (told, in_row, in_heading, of_file, alone)])
        .unique(["finding", "trial_id"], maintain_order=True)
        .sort("finding", "trial_id")
        .select(pl.col(name).fill_null("") for name in columns)
    )


def _stops(findings: pl.DataFrame) -> pl.DataFrame:
    """Findings that stopped something and still stand."""
    stops = findings.filter(pl.col("severity").is_in(["refuse", "hold"])).with_columns(
        pl.col("sheet").fill_null("")
    )
    return stops.filter(pl.col("state").is_in(["open", "refused"])) if "state" in stops.columns else stops


def _texts(
    frame: pl.DataFrame, register: Register, contract: Contract, reasons: pl.DataFrame, today: date
) -> dict[str, str]:
    owing = frame.filter(pl.col("state") != "complete")
    names = dict(register.sites.select("site_id", "site_name").iter_rows())
    titles = dict(register.questions.select("question_id", "title").iter_rows())
    texts: dict[str, str] = {}
    for site in owing["site_id"].unique(maintain_order=True).to_list():
        rows = owing.filter(pl.col("site_id") == site)
        about = reasons.join(rows.select("trial_id").unique(), on="trial_id", how="semi")
        own = frame.filter(pl.col("site_id") == site)
        came = bool((own["received"] > 0).any()) or bool((own["waiting"] > 0).any()) or about.height > 0
        texts[site] = text_of_site(
            names.get(site, site), rows, about, titles=titles, contract=contract, today=today, came=came
        )
    return texts
