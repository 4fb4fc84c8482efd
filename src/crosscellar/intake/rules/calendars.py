"""Rules about dates: inside the season of the hemisphere, stages in their order, contrasts in one week."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Final

import polars as pl

from crosscellar.contract.records import Rule
from crosscellar.intake.rules.hits import hits, no_hits, num
from crosscellar.intake.rules.view import LOG, SAID, VESSEL, View

#: Which window of the year a stage belongs to.
_EVENTS: Final = {
    "vineyard_harvest": "harvest",
    "juice": "harvest",
    "inoculation": "primary ferment",
    LOG: "primary ferment",
    "mid_ferment": "primary ferment",
}
#: Stages that come one after the other whatever the wine. Malolactic may run beside primary ferment and
#: ageing, and pressing comes before or after dryness: they stand in lines of their own (common practice, no
#: source).
_LINES: Final = (
    ("juice", "inoculation", "end_primary", "ageing_3m", "ageing_6m", "ageing_9m", "ageing_12m",
     "pre_bottling", "bottled", "bottle_age_12m"),
    ("juice", "start_mlf", "end_mlf", "post_sulfite", "bottled"),
    ("inoculation", "press", "ageing_3m"),
)  # fmt: skip
_HALF_YEAR: Final = timedelta(days=183)


def _windows(view: View, rule: Rule) -> pl.DataFrame:
    """For each hemisphere, season and stage with a window: its days, without and with slack."""
    slack = timedelta(days=rule.settings["slack_days"])
    seasons = (
        view.readings.select(pl.col("season").drop_nulls().unique().sort()).collect().to_series().to_list()
    )
    rows = []
    for window in view.contract.seasons:
        for season in seasons:
            opens = date.fromisoformat(f"{season}-{window.opens}")
            closes = date.fromisoformat(f"{season}-{window.closes}")
            if closes < opens:
                closes = closes.replace(year=season + 1)
            for stage, event in _EVENTS.items():
                if event == window.event:
                    rows.append(
                        (window.hemisphere, season, stage, opens, closes, opens - slack, closes + slack)
                    )
    kinds = {"hemisphere": pl.String, "season": pl.Int32, "stage": pl.String}
    days = dict.fromkeys(("first_day", "last_day", "opens", "closes"), pl.Date)
    return pl.DataFrame(rows, schema={**kinds, **days}, orient="row")


def _outside(view: View, rule: Rule) -> pl.DataFrame:
    keys = ["hemisphere", "season", "stage"]
    dated = pl.col("item_no").is_not_null() & pl.col("sample_date").is_not_null()
    some = view.readings.filter(dated & pl.col("stage").is_in(list(_EVENTS)))
    asked = (*keys, "sample_date", "item_no", "file_no", "sheet", "trial_id", "stage_name", *SAID)
    rows = (
        some.select(asked).collect().join(_windows(view, rule), on=keys, how="inner", maintain_order="left")
    )
    day = pl.col("sample_date")
    off = pl.any_horizontal(
        (day + sign * _HALF_YEAR).is_between(pl.col("first_day"), pl.col("last_day")) for sign in (-1, 1)
    )
    rows = rows.with_columns(off.alias("half_a_year_off"))
    return rows.filter(~day.is_between(pl.col("opens"), pl.col("closes")))


def _say_dates(rows: pl.DataFrame, rule: Rule) -> pl.DataFrame:
    """One hit a row of the sheet; its message speaks for all readings of that day."""
    day = ["file_no", "sheet", "trial_id", "stage", "sample_date"]
    return hits(
        rows,
        rule,
        at=pl.col("item_no").first().over(day),
        value=pl.col("sample_date"),
        season=pl.col("season"),
        stage=pl.col("stage_name"),
        low=pl.col("opens"),
        high=pl.col("closes"),
    )


def date_outside_season(view: View, rule: Rule) -> pl.DataFrame:
    """Dates of harvest and ferment outside the season of the site's hemisphere."""
    return _say_dates(_outside(view, rule).filter(~pl.col("half_a_year_off")), rule)


def date_in_other_hemisphere(view: View, rule: Rule) -> pl.DataFrame:
    """Dates half a year off: the other hemisphere's season, or day and month exchanged."""
    return _say_dates(_outside(view, rule).filter("half_a_year_off"), rule)


def stages_out_of_order(view: View, rule: Rule) -> pl.DataFrame:
    """Stages of a vessel dated before a stage that precedes them; the date most at odds waits, or both."""
    stages = view.stages.drop("item_no")
    pairs = [(line[i], line[j]) for line in _LINES for i in range(len(line)) for j in range(i + 1, len(line))]
    order = pl.DataFrame(sorted(set(pairs)), schema=["earlier", "stage"], orient="row")
    early = stages.select(
        *VESSEL,
        pl.col("stage").alias("earlier"),
        pl.col("last").alias("earlier_date"),
        pl.col("stage_name").alias("earlier_name"),
    )
    both = stages.join(order, on="stage", how="inner").join(early, on=[*VESSEL, "earlier"], how="inner")
    broken = both.filter(pl.col("first") < pl.col("earlier_date"))
    if broken.is_empty():
        return no_hits()
    blame = pl.concat(
        [broken.select(*VESSEL, "stage"), broken.select(*VESSEL, pl.col("earlier").alias("stage"))]
    )
    blame = blame.group_by([*VESSEL, "stage"]).len("times")
    worst = blame.filter(pl.col("times") == pl.col("times").max().over(list(VESSEL)))
    about = ["first", "stage_name", "earlier_date", "earlier_name"]
    late = worst.join(broken.select(*VESSEL, "stage", *about), on=[*VESSEL, "stage"], how="inner")
    soon = worst.join(
        broken.select(*VESSEL, pl.col("earlier").alias("stage"), *about), on=[*VESSEL, "stage"], how="inner"
    )
    told = pl.concat([late, soon]).unique([*VESSEL, "stage"], keep="first", maintain_order=True)
    asked = (*VESSEL, "stage", "item_no", "file_no", "sheet", *SAID)
    dated = pl.col("item_no").is_not_null() & pl.col("sample_date").is_not_null()
    rows = view.readings.filter(dated).select(asked).collect()
    rows = rows.join(told, on=[*VESSEL, "stage"], how="inner", maintain_order="left")
    return hits(
        rows,
        rule,
        at=pl.col("item_no").first().over(["file_no", "sheet", *VESSEL, "stage"]),
        stage=pl.col("stage_name"),
        value=pl.col("first"),
        other_stage=pl.col("earlier_name"),
        other_value=pl.col("earlier_date"),
        vessel=pl.col("vessel_id"),
    )


def days_unlike_stage(view: View, rule: Rule) -> pl.DataFrame:
    """Stages, and ends of ferment logs, unusually soon or late after the stage they are counted from."""
    stages = view.stages.filter(pl.col("stage") != LOG)
    stages = stages.select(*VESSEL, "stage", pl.col("first").alias("day"), "stage_name", "item_no")
    usual = pl.DataFrame(
        [
            (
                stage.id,
                "bottled" if stage.reference == "bottling" else stage.reference,
                stage.day_low,
                stage.day_high,
            )
            for stage in view.contract.stages.values()
        ],
        schema=["stage", "reference", "low", "high"],
        orient="row",
    )
    from_ = stages.select(
        *VESSEL,
        pl.col("stage").alias("reference"),
        pl.col("day").alias("from_day"),
        pl.col("stage_name").alias("from_name"),
    )
    rows = pl.concat([stages, _log_ends(view)]).join(usual, on="stage", how="inner")
    rows = rows.join(from_, on=[*VESSEL, "reference"], how="inner")
    days = (pl.col("day") - pl.col("from_day")).dt.total_days()
    slack = rule.settings["slack_days"]
    rows = rows.with_columns(days.alias("days")).filter(
        (pl.col("stage") != pl.col("reference"))
        & ~pl.col("days").is_between(pl.col("low") - slack, pl.col("high") + slack)
        & ((pl.col("days") >= 0) | (pl.col("stage") == LOG))
    )
    after = pl.when(pl.col("days") < 0).then(pl.lit("before")).otherwise(pl.lit("after"))
    return hits(
        rows,
        rule,
        stage=pl.col("stage_name"),
        value=pl.format("{} days {}", num(pl.col("days").abs()), after),
        reference=pl.col("from_name"),
        low=num(pl.col("low")),
        high=num(pl.col("high")),
    )


def _log_ends(view: View) -> pl.DataFrame:
    """The first and the last day of each vessel's ferment log, a row each, as stages are given."""
    asked = (*VESSEL, "stage", "sample_date", "stage_name", "item_no")
    dated = (pl.col("stage") == LOG) & pl.col("sample_date").is_not_null()
    log = view.readings.filter(dated).select(asked).collect().sort("sample_date", maintain_order=True)
    ends = [
        log.unique(list(VESSEL), keep=keep, maintain_order=True).select(
            *VESSEL, "stage", pl.col("sample_date").alias("day"), "stage_name", "item_no"
        )
        for keep in ("first", "last")
    ]
    return pl.concat(ends)


def laboratories_differ(view: View, rule: Rule) -> pl.DataFrame:
    """Trials whose control and treatment were measured by different laboratories or in different weeks."""
    contrast = ["trial_id", "stage", "analyte"]
    asked = (*contrast, "role", "lab", "sample_date", "stage_name", "item_no", *SAID)
    at = pl.col("trial_no").cast(pl.UInt64) * 2**32 + pl.col("stage_no")
    sampled = view.readings.filter(pl.col("stage") != LOG)
    day, lab, named = pl.col("sample_date"), pl.col("lab"), pl.col("lab") != ""
    moved = (day.max() - day.min()).dt.total_days() > rule.settings["days"]
    unlike = (lab.filter(named).min() != lab.filter(named).max()) | moved.fill_null(False)
    differing = sampled.group_by(at.alias("at")).agg(unlike.fill_null(False).alias("unlike")).filter("unlike")
    rows = sampled.filter(at.is_in(differing.collect()["at"].implode())).select(asked).collect()
    sides = rows.group_by([*contrast, "role"], maintain_order=True).agg(
        pl.col("lab").filter(pl.col("lab") != "").unique().sort().str.join(", ").alias("labs"),
        pl.col("sample_date").mean().alias("day"),
        pl.col("item_no").drop_nulls().first(),
        pl.col("stage_name").first(),
    )
    control = sides.filter(pl.col("role") == "control").drop("role", "stage_name")
    both = sides.filter(pl.col("role") == "treatment").join(
        control, on=contrast, how="inner", suffix="_control"
    )
    weeks = (pl.col("day") - pl.col("day_control")).dt.total_days().abs() > rule.settings["days"]
    labs = (
        (pl.col("labs") != pl.col("labs_control")) & (pl.col("labs") != "") & (pl.col("labs_control") != "")
    )
    apart = both.filter(labs | weeks.fill_null(False)).unique(
        ["trial_id", "stage"], keep="first", maintain_order=True
    )
    items = ("item_no", "item_no_control")
    return hits(apart, rule, items=items, trial=pl.col("trial_id"), stage=pl.col("stage_name"))


def scale_changes(view: View, rule: Rule) -> pl.DataFrame:
    """Trials in which one analyte is measured by two methods."""
    trial = ["trial_id", "analyte"]
    some = view.readings.filter((pl.col("method") != "") & (pl.col("stage") != LOG))
    rows = some.select(*trial, "method", "item_no", "name").collect()
    rows = rows.group_by(trial, maintain_order=True).agg(
        pl.col("method").n_unique().alias("methods"),
        pl.col("item_no").drop_nulls().first(),
        pl.col("name").first(),
    )
    rows = rows.filter(pl.col("methods") > 1)
    return hits(rows, rule, analyte=pl.col("name"), trial=pl.col("trial_id"))
