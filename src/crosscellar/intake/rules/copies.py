"""Rules about numbers that were copied or filled in and not measured."""

from __future__ import annotations

import polars as pl

from crosscellar.contract.records import Rule
from crosscellar.intake.rules.hits import exact, hits, no_hits, num
from crosscellar.intake.rules.view import AT_STAGE, COLUMN, IN_ROW, LOG, View

_EARLY = ("juice", "inoculation")
#: Steps are drawn from many sizes in measured data; with none to compare, one in ten is assumed to repeat.
_STEP_ALONE = 0.1
_STEP_LEAST = 0.02
_DIFFERENT = 5


def copied_down(view: View, rule: Rule) -> pl.DataFrame:
    """Runs of one value, longer than readings of this analyte would repeat by chance.

    A run must be so long that fewer than `longest_expected` of them are expected in its column, where each
    value repeats with p, the sum of squared shares of the analyte's values; or fill a whole column over two
    lots. Vessels of one lot may share one sample of must: such a run must cross two lots.
    """
    rows = view.columns
    if (rows["value"] == 0).any():
        rows = rows.filter(pl.col("value") != 0)
    changes = pl.col("column_no").ne_missing(pl.col("column_no").shift())
    changes |= pl.col("value").ne_missing(pl.col("value").shift())
    begins = rows.select(changes.arg_true().alias("begin")).with_row_index("run")
    begins = begins.with_columns(end=pl.col("begin").shift(-1, fill_value=rows.height))
    enough = begins.filter(pl.col("end") - pl.col("begin") >= rule.settings["least_run"])
    if enough.is_empty():
        return no_hits()
    cells = rows.group_by("column_no").agg(pl.len().alias("cells"))
    within = enough.select("run", at=pl.int_ranges("begin", "end")).explode("at")
    rows = rows.drop("cells")[within["at"]].with_columns(within["run"])
    rows = view.with_places(rows.join(cells, on="column_no", how="left", maintain_order="left"))
    shares = (
        view.sampled.filter(pl.col("kind_no").is_in(rows["kind_no"].unique().implode()))
        .group_by("kind_no", "value")
        .len()
        .group_by("kind_no")
        .agg(((pl.col("len") / pl.col("len").sum()) ** 2).sum().alias("p"))
        .collect()
    )
    runs = (
        rows.group_by([*COLUMN, "run"], maintain_order=True)
        .agg(
            pl.len().alias("count"),
            pl.col("item_no").first(),
            pl.col("name", "value", "cells", "kind_no").first(),
            pl.col("lot").n_unique().alias("lots"),
            pl.col("vessel_id").n_unique().alias("vessels"),
        )
        .join(shares, on="kind_no", how="left")
    )
    expected = pl.col("cells") * pl.col("p") ** (pl.col("count") - 1)
    whole = (pl.col("count") == pl.col("cells")) & (pl.col("lots") > 1)
    apart = ~pl.col("stage").is_in(_EARLY) | (pl.col("lots") > 1)
    long = pl.col("vessels") > 1
    runs = runs.filter(long & apart & (whole | (expected < rule.settings["longest_expected"])))
    # Told as it stands in the sheet: a converted value is a number that nobody wrote.
    texts = view.sampled.select("item_no", "text_sent").filter(
        pl.col("item_no").is_in(runs["item_no"].implode())
    )
    runs = runs.join(texts.collect(), on="item_no", how="left", maintain_order="left")
    told = pl.coalesce(pl.col("text_sent").str.strip_chars(), exact(pl.col("value")))
    return hits(runs, rule, count=exact(pl.col("count")), analyte=pl.col("name"), value=told)


def filled_series(view: View, rule: Rule) -> pl.DataFrame:
    """Columns that climb or fall in equal steps, as a spreadsheet fills them.

    A run of steps counts where fewer than 0.01 such runs are expected, if a step repeats as often as in the
    rest of the analyte's columns. Ferment logs may fall evenly and are left out.
    """
    rows = view.columns
    within = pl.col("column_no") == pl.col("column_no").shift()
    rows = rows.with_columns(pl.when(within).then(pl.col("value").diff().round(9)).alias("step"))
    changes = ~within.fill_null(False) | pl.col("step").ne_missing(pl.col("step").shift())
    rows = rows.with_columns(changes.cum_sum().alias("run"))
    begun = rows.select("run", "step", "cells", "column_no", "analyte_no").with_row_index("at")
    begun = begun.filter(pl.col("run") != pl.col("run").shift(fill_value=0))
    ends = pl.col("at").shift(-1, fill_value=rows.height)
    runs = begun.with_columns((ends - pl.col("at")).alias("steps")).drop("at").filter(pl.col("step") != 0)
    long = runs.filter(pl.col("steps") >= rule.settings["least"] - 1)
    if long.is_empty():
        return no_hits()
    ordinary = (
        runs.join(long, on="analyte_no", how="semi")
        .filter(pl.col("steps") < rule.settings["least"] - 1)
        .group_by("analyte_no", "step")
        .agg(pl.col("steps").sum())
        .group_by("analyte_no")
        .agg(((pl.col("steps") / pl.col("steps").sum()) ** 2).sum().alias("p"))
    )
    chance = pl.col("p").fill_null(_STEP_ALONE).clip(_STEP_LEAST, 1.0)
    long = long.join(ordinary, on="analyte_no", how="left").filter(
        pl.col("cells") * chance ** (pl.col("steps") - 1) < 0.01
    )
    # A run of steps begins at the cell before its first step.
    filled = rows.join(long, on="column_no", how="semi", maintain_order="left").join(
        long.select("run", "steps"), on="run", how="left", maintain_order="left"
    )
    filled = view.with_places(filled)
    begins = pl.col("steps").shift(-1).over(COLUMN)
    series = pl.when(pl.col("steps").is_null() & begins.is_not_null()).then(
        pl.col("run").shift(-1).over(COLUMN)
    )
    filled = filled.with_columns(
        series.fill_null(pl.col("run")).alias("run"), pl.coalesce("steps", begins).alias("steps")
    )
    filled = filled.drop_nulls("steps")
    one = [*COLUMN, "run"]
    return hits(
        filled,
        rule,
        at=pl.col("item_no").first().over(one),
        count=exact(pl.col("steps") + 1),
        low=exact(pl.col("value").min().over(one)),
        high=exact(pl.col("value").max().over(one)),
    )


def copied_between(view: View, rule: Rule) -> pl.DataFrame:
    """Vessels whose numbers are, one for one, those of a vessel elsewhere.

    All readings of a vessel at one stage (or its whole ferment log) in the order of analyte and date are one
    list; two equal lists of `least` readings or more, with several different values, were hardly both
    measured. Vessels of one lot of must may share one sample: must and inoculation are left out there.
    """
    vessel = ["trial_id", "arm_id", "vessel_id", "stage"]
    # Two equal lists have the same length, least and greatest value: only such are put into words.
    alike = (
        view.numbers.select("stage_no", "value", at=AT_STAGE)
        .collect()
        .group_by("at")
        .agg(
            pl.col("stage_no").first(),
            pl.len().alias("count"),
            pl.col("value").min().alias("low"),
            pl.col("value").max().alias("high"),
        )
    )
    alike = alike.filter(pl.col("count") >= rule.settings["least"])
    alike = alike.filter(pl.len().over("stage_no", "count", "low", "high") > 1)
    listed = (*vessel, "analyte", "sample_date", "time", "replicate", "value", "item_no", "lot")
    candidates = view.numbers.filter(AT_STAGE.is_in(alike["at"].implode())).select(listed).collect()
    ordered = candidates.sort(*vessel, "analyte", "sample_date", "time", "replicate", nulls_last=True)
    lists = ordered.group_by(vessel, maintain_order=True).agg(
        pl.len().alias("count"),
        pl.col("value").n_unique().alias("different"),
        pl.format("{}={}", "analyte", "value").str.join(";").alias("said"),
        pl.col("item_no"),
        pl.col("lot").first(),
    )
    lists = lists.filter(
        (pl.col("count") >= rule.settings["least"]) & (pl.col("different") >= _DIFFERENT)
    ).drop("different")
    others = _enough(lists, ["said", "stage"]).drop("item_no", "count")
    pairs = lists.join(others, on=["said", "stage"], suffix="_other", maintain_order="left_right").filter(
        (pl.col("vessel_id") != pl.col("vessel_id_other")) | (pl.col("trial_id") != pl.col("trial_id_other"))
    )
    same_must = pl.col("stage").is_in(_EARLY) & (pl.col("lot") == pl.col("lot_other")).fill_null(True)
    pairs = pairs.filter(~same_must).unique(vessel, keep="first", maintain_order=True)
    own = pairs.with_columns(pl.col("item_no").list.drop_nulls().list.first().alias("at")).explode("item_no")
    return hits(
        own,
        rule,
        at=pl.col("at"),
        count=exact(pl.col("count")),
        other=pl.format("vessel {} of {}", "vessel_id_other", "trial_id_other"),
    )


def _enough(lists: pl.DataFrame, same: list[str]) -> pl.DataFrame:
    """Of the lists that say the same, in their order, those that may be the first of another vessel or lot.

    They are the first lists of two vessels and of two lots: where thousands of rows were filled down, not
    each is put beside each. A vessel has one lot.
    """
    numbered = lists.with_row_index("at")
    firsts = [
        some.unique([*same, *by], keep="first", maintain_order=True).filter(
            pl.int_range(pl.len()).over(same) < 2
        )
        for some, by in (
            (numbered, ("trial_id", "vessel_id")),
            (numbered.filter(pl.col("lot").is_not_null()), ("lot",)),
        )
    ]
    return pl.concat(firsts).unique("at").sort("at").drop("at")


def row_like_another(view: View, rule: Rule) -> pl.DataFrame:
    """Rows of one tab that say of two vessels the same, number for number: pasted twice, or one row off.

    `least` readings or more (two at least) must agree and be all that either row has, zeros not counted.
    Lists long enough for `copied_between` are left to it. Must and inoculation of one lot may share one
    sample.
    """
    row = ["file_no", "sheet", "row"]
    looked_at = (*row, "column", "analyte", "replicate", "value", "vessel_id", "trial_id", "stage", "lot")
    some = view.sampled.filter(pl.col("item_no").is_not_null() & (pl.col("value") != 0))
    # A row of one reading, as every row of a long sheet, says too little.
    in_row = some.select(IN_ROW).collect().to_series()
    if (in_row > in_row.shift()).fill_null(True).all():
        return no_hits()
    measured = some.select(*looked_at, "item_no", "name", "in_unit").collect().filter(in_row.is_duplicated())
    if measured.is_empty():
        return no_hits()
    most = view.contract.rules["copied_between"].settings["least"]
    lengths = measured.group_by(row).agg(pl.len().alias("count"))
    lengths = lengths.filter(pl.col("count").is_between(rule.settings["least"], most, closed="left"))
    measured = measured.join(lengths, on=row, how="semi").sort(*row, "analyte", "replicate", nulls_last=True)
    rows = measured.group_by(row, maintain_order=True).agg(
        pl.len().alias("count"),
        pl.format("{}={}", "analyte", "value").str.join(";").alias("said"),
        pl.col("vessel_id", "trial_id", "stage", "lot").first(),
        pl.col("item_no").sort_by("column").first(),
    )
    same = ["file_no", "sheet", "stage", "said"]
    others = _enough(rows, same)
    pairs = rows.join(others, on=same, how="inner", suffix="_other", maintain_order="left_right").filter(
        (pl.col("row") > pl.col("row_other"))
        & (pl.struct("trial_id", "vessel_id") != pl.struct("trial_id_other", "vessel_id_other"))
    )
    same_must = pl.col("stage").is_in(_EARLY) & (pl.col("lot") == pl.col("lot_other")).fill_null(True)
    pairs = pairs.filter(~same_must).unique(row, keep="first", maintain_order=True)
    return hits(
        pairs,
        rule,
        count=exact(pl.col("count")),
        value=pl.col("vessel_id"),
        other=pl.format("{} in row {}", "vessel_id_other", "row_other"),
    )


def too_little_scatter(view: View, rule: Rule) -> pl.DataFrame:
    """Vessels of one arm that agree far better than the method repeats itself (its r / 2.8)."""
    precise = {
        analyte: record.precision.repeatability / 2.8
        for analyte, record in view.contract.analytes.items()
        if record.precision is not None and not record.precision.repeatability_times
    }
    spread = pl.col("analyte").replace_strict(precise, default=None, return_dtype=pl.Float64)
    arm = ["trial_id", "arm_id", "stage", "sample_date", "analyte"]
    rows = (
        view.of(*precise, columns=(*arm, "vessel_id", "value", "item_no", "name"))
        .filter(~pl.col("stage").is_in([*_EARLY, LOG]))
        .group_by(arm, maintain_order=True)
        .agg(
            pl.col("value").std().alias("sd"),
            pl.col("vessel_id").n_unique().alias("vessels"),
            pl.col("item_no").drop_nulls().first(),
            pl.col("name").first(),
        )
        .filter(
            (pl.col("vessels") >= rule.settings["least_vessels"])
            & (pl.col("sd") < spread * rule.settings["share"])
        )
    )
    return hits(rows, rule, count=num(pl.col("vessels")), analyte=pl.col("name"))
