"""Stages, analytes, days, times and replicates: names as the contract has them, days proved by the file."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from typing import Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.intake.beside import Different, few, put_beside
from crosscellar.intake.dates import read_dates, read_times
from crosscellar.intake.findings import Faults
from crosscellar.intake.headings import repeat_of

#: Seasons run on: readings of a trial are taken from its harvest year to some years after (bottle age).
_YEARS_AFTER: Final = 4
#: Two numbers and a year of four digits or none: read with day or month first, and no other way.
_LONG_YEAR: Final = r"^\D*[0-9]{1,2}\D+[0-9]{1,2}(?:\D+[0-9]{4}\b|\D*$)"
#: What messages about days look at.
_TOLD_OF_DAYS: Final = (
    "item_no", "file_no", "table_no", "sheet", "row", "kind", "blank", "text_sent", "season_year",
    "day", "day_sent", "day_at", "day_kind", "day_problem", "day_help", "day_how", "day_empty", "day_late",
    "day_early",
)  # fmt: skip
_READ: Final = ("exact", "alias", "case")
#: What is said of a name that was not read without a word.
_ON_NAMES: Final = ("name_code", "name_message", "name_suggestion")


def _text(column: str) -> pl.Expr:
    return pl.col(column).fill_null("").str.strip_chars()


def name_stages(
    items: pl.DataFrame, contract: Contract, aliases: Mapping[str, str], faults: Faults
) -> pl.DataFrame:
    """Items of readings with `stage` in the contract's words."""
    of_readings = pl.col("target") == "readings"
    texts = Different(items, ["target", "stage_sent"]).rows.filter(of_readings).drop("target")
    texts = texts.with_columns(_text("stage_sent").alias("stage_text"))
    rows: list[tuple[str, str | None, str, str, str]] = []
    for text in texts["stage_text"].unique().sort().to_list():
        match = contract.name_stage(text, aliases) if text else None
        if match is None:
            rows.append(
                (text, None, "empty_identifier", "The stage is empty.", "Write the stage in every row.")
            )
        elif match.id is not None and match.how in _READ:
            rows.append((text, match.id, "", "", ""))
        elif match.candidates:
            code = "stage_ambiguous" if match.how == "ambiguous" else "stage_misspelt"
            only = match.candidates[0] if len(match.candidates) == 1 or match.how == "misspelt" else None
            rows.append(
                (
                    text,
                    only,
                    code,
                    f"Stage {text[:40]} is not a known one. Is {' or '.join(match.candidates[:3])} meant?",
                    "Confirm, or add the word to the network's aliases.",
                )
            )
        else:
            rows.append(
                (
                    text,
                    None,
                    "unknown_stage",
                    f"Stage {text[:40]} is not a known one.",
                    "Use a stage of the list, or add the word to the network's aliases.",
                )
            )
    named = pl.DataFrame(
        rows, schema=dict.fromkeys(["stage_text", "stage", *_ON_NAMES], pl.String), orient="row"
    )
    items = put_beside(items, texts.join(named, on="stage_text", how="left"), "stage_sent")
    faults.add(
        few(items, of_readings & (pl.col("name_code") != "") & ~pl.col("blank")),
        pl.col("name_code"),
        pl.col("name_message"),
        pl.col("name_suggestion"),
        value=pl.col("stage_text"),
        column="stage_at",
    )
    return items.drop("stage_sent", "stage_text", *_ON_NAMES)


def name_analytes(
    items: pl.DataFrame, contract: Contract, aliases: Mapping[str, str], faults: Faults
) -> pl.DataFrame:
    """Items of readings with `analyte` in the contract's words; the unit settles what it can."""
    in_cell = pl.when(pl.col("unit_in_cell") != "").then("unit_in_cell")
    unit = pl.coalesce(pl.when(_text("unit_sent") != "").then(_text("unit_sent")), in_cell, "unit_meant")
    sent = ["target", "analyte_sent", "unit_sent", "unit_in_cell", "unit_meant"]
    different = Different(items, sent)
    said = different.numbered.with_columns(
        _text("analyte_sent").alias("analyte_text"), unit.fill_null("").alias("unit_text")
    )
    keys = ["target", "analyte_text", "unit_text"]
    pairs = said.filter(pl.col("target") == "readings").select(keys).unique().sort(keys)
    rows = [
        (target, text, unit_text, *_analyte(contract, aliases, text, unit_text))
        for target, text, unit_text in pairs.iter_rows()
    ]
    named = pl.DataFrame(
        rows, schema=dict.fromkeys([*keys, "analyte", *_ON_NAMES, "repeat"], pl.String), orient="row"
    )
    items = different.beside(items, said.join(named, on=keys, how="left").drop(sent))
    in_heading = pl.col("kind").is_in(["lab_wide", "ferment_log"]) | (
        pl.col("analyte_at") == pl.col("column")
    )
    told = few(items, (pl.col("name_code") != "") & ~pl.col("blank")).with_columns(
        pl.when(in_heading).then("heading_row").otherwise("row").alias("name_row"),
        pl.coalesce("analyte_at", "column").alias("name_column"),
    )
    faults.add(
        told,
        pl.col("name_code"),
        pl.col("name_message"),
        pl.col("name_suggestion"),
        value=pl.col("analyte_text"),
        row="name_row",
        column="name_column",
    )
    if items["repeat"].fill_null("").ne("").any():
        repeats = (pl.col("repeat").fill_null("") != "") & (_text("replicate_sent") == "")
        items = items.with_columns(
            pl.when(repeats).then("repeat").otherwise("replicate_sent").alias("replicate_sent")
        )
    return items.drop("analyte_sent", "analyte_text", *_ON_NAMES, "repeat")


def _analyte(
    contract: Contract, aliases: Mapping[str, str], text: str, unit: str
) -> tuple[str | None, str, str, str, str]:
    """The analyte, what is said of its name, and the number of the repeat that its name gives."""
    if not text:
        return None, "empty_identifier", "The analyte is empty.", "Write what was measured in every row.", ""
    match = contract.name_analyte(text, aliases, unit=unit or None)
    if match.id is not None and match.how in _READ:
        return match.id, "", "", "", ""
    name, number = repeat_of(text) or ("", "")
    repeated = contract.name_analyte(name, aliases, unit=unit or None) if name else None
    if repeated is not None and repeated.id is not None and repeated.how in _READ:
        meant = f"repeat {number} of {contract.analytes[repeated.id].name}"
        return (
            repeated.id,
            "analyte_misspelt",
            f"{text[:60]} is not a known analyte. Is {meant} meant?",
            "Confirm, or send it with the right name.",
            number,
        )
    names = [contract.analytes[c].name if c in contract.analytes else c for c in match.candidates[:3]]
    if match.how == "ambiguous":
        return (
            None,
            "analyte_ambiguous",
            f"{text[:60]} can mean {', '.join(names[:-1])} or {names[-1]}."
            if len(names) > 1
            else f"{text} is open.",
            "Write the whole name, or add the word to the network's aliases.",
            "",
        )
    if match.how == "misspelt" and match.candidates:
        return (
            match.candidates[0],
            "analyte_misspelt",
            f"{text[:60]} is not a known analyte. Is {names[0]} meant?",
            "Confirm, or send it with the right name.",
            "",
        )
    return (
        None,
        "unknown_analyte",
        f"{text[:60]} is not a known analyte.",
        "Use a name of the list, or add the word to the network's aliases.",
        "",
    )


def read_days(
    items: pl.DataFrame,
    seasons: pl.DataFrame,
    at_harvest: Collection[str],
    date_systems: Mapping[int, str],
    received: date,
    faults: Faults,
) -> pl.DataFrame:
    """Items with `day` (sample or session date), `time` (ferment logs only), `day_first` and `month_first`.

    `seasons` has trial_id, season and hemisphere. Day or month first is proved by the file; where it is not,
    `day` is null and the last two are the day either way, in ISO form. A number or a short year is completed
    only inside the trial's season and the years after; a day without a year, as 20/9, only at stages within
    months of the harvest (`at_harvest`), where it is of the vintage. A day after the sheet came in, or before
    the year that leads up to the season, is held.
    """
    year = pl.col("season").cast(pl.Int32)
    years = seasons.select(
        "trial_id",
        year.alias("season_year"),
        pl.date(year, 1, 1).alias("from_day"),
        pl.date(year + _YEARS_AFTER, 12, 31).alias("to_day"),
        (pl.col("hemisphere") == "south").fill_null(False).alias("south"),
    )
    systems = pl.DataFrame(
        list(date_systems.items()), schema={"file_no": pl.Int32, "system": pl.String}, orient="row"
    )
    items = put_beside(put_beside(items, years, "trial_id"), systems, "file_no").with_columns(
        *(_of_its_target(items, part) for part in ("sent", "at", "kind")),
        pl.col("system").fill_null("1900"),
        pl.col("stage").is_in(sorted(at_harvest)).fill_null(False).alias("near"),
    )
    asked = ["file_no", "day_sent", "day_kind", "from_day", "to_day", "south", "near", "system"]
    distinct = Different(items, asked).rows
    parts = [
        pl.concat([some, _days(some, system, received)], how="horizontal")
        for system in ("1900", "1904")
        if not (some := distinct.filter(pl.col("system") == system)).is_empty()
    ]
    if not parts:
        return items.with_columns(
            pl.lit(None, dtype=pl.Date).alias("day"),
            *(pl.lit(None, dtype=pl.String).alias(name) for name in ("time", "day_first", "month_first")),
        )
    items = put_beside(items, pl.concat(parts), asked)
    told_of = few(items.select("day_told", *_TOLD_OF_DAYS), pl.col("day_told") & ~pl.col("blank"))
    _tell_days(told_of, faults)
    _tell_mixed_days(items, faults)
    _tell_far_days(told_of, faults)
    return _times(items, faults).drop(
        "sample_date_sent", "sample_date_kind", "session_date_sent", "session_date_kind", "time_sent",
        "time_kind", "from_day", "to_day", "south", "near", "system", "season_year", "day_sent", "day_kind",
        "day_problem", "day_help", "day_time", "day_how", "day_empty", "day_late", "day_early", "day_told",
    )  # fmt: skip


def _of_its_target(items: pl.DataFrame, part: str) -> pl.Expr:
    """What is told of the day of a sample, or of a session."""
    of_session = items["target"] != "readings"
    sample, session = pl.col(f"sample_date_{part}"), pl.col(f"session_date_{part}")
    if not of_session.any():
        return sample.alias(f"day_{part}")
    return pl.when(of_session).then(session).otherwise(sample).alias(f"day_{part}")


def _days(some: pl.DataFrame, system: str, received: date) -> pl.DataFrame:
    """What these days come to; `day_told` where there is something to tell of those who have one."""
    year = pl.col("from_day").dt.year()
    north = pl.when(pl.col("near") & ~pl.col("south"))
    vintage = some.select(
        # a vintage from its last samples of berries on vines to the next ones; common practice, no source
        first=north.then(pl.date(year, 5, 1)).when("near").then(pl.date(year - 1, 11, 1)),
        last=north.then(pl.date(year + 1, 4, 30)).when("near").then(pl.date(year, 10, 31)),
    )
    read = read_dates(
        some["day_sent"],
        some["day_kind"],
        season_window=(some["from_day"], some["to_day"]),
        date_system="1904" if system == "1904" else "1900",
        by=some["file_no"],
        vintage=(vintage["first"], vintage["last"]),
    )
    two_ways = (read["problem"] == "ambiguous") & some["day_sent"].str.contains(_LONG_YEAR)
    ways = pl.when(two_ways).then(pl.col("likely").str.split(" or "))
    told = read.select(
        pl.col("date").alias("day"),
        pl.col("time").alias("day_time"),
        pl.col("how").alias("day_how"),
        pl.col("problem").alias("day_problem"),
        pl.col("suggestion").alias("day_help"),
        (some["day_sent"].fill_null("").str.strip_chars() == "").alias("day_empty"),
        (pl.col("date") > received).fill_null(False).alias("day_late"),
        (pl.col("date") < some["from_day"].dt.offset_by("-6mo")).fill_null(False).alias("day_early"),
        *(
            ways.list.get(at, null_on_oob=True).alias(name)
            for at, name in enumerate(("day_first", "month_first"))
        ),
    )
    how = pl.col("day_how").str.contains("^serial|^month_first|[+]")
    odd = pl.any_horizontal("day_empty", "day_late", "day_early", pl.col("day_problem") != "", how)
    return told.with_columns(odd.fill_null(True).alias("day_told"))


def _tell_days(filled: pl.DataFrame, faults: Faults) -> None:
    shown = pl.col("day_sent").str.strip_chars().str.slice(0, 40)
    day = pl.col("day").dt.to_string("%Y-%m-%d")

    def tell(where: pl.Expr, code: str, message: pl.Expr, suggestion: pl.Expr | str = "") -> None:
        some = filled.filter(where)
        faults.add(some, code, message, suggestion, value=pl.col("day_sent").fill_null(""), column="day_at")

    dated = (pl.col("kind") != "lab_by_label") | pl.col("day_at").is_not_null()
    tell(
        pl.col("day_empty") & dated,
        "empty_identifier",
        pl.lit("The date is empty."),
        "Write the date in every row.",
    )
    words = {
        "ambiguous": ("date_ambiguous", "{} can be read with the day or the month first."),
        "two_digit_year": ("two_digit_year", "{} has a year of two digits."),
        "no_year": ("two_digit_year", "{} has no year."),
        "impossible": ("date_impossible", "{} is not a day of the calendar."),
        "not_a_date": ("not_a_date", "{} is not a date."),
    }
    for problem, (code, message) in words.items():
        some = (pl.col("day_problem") == problem) & ~pl.col("day_empty")
        tell(some, code, pl.format(message, shown), pl.col("day_help"))
    read = pl.col("day").is_not_null()
    for how, code, message in (
        ("serial", "date_serial", "{} was read as {}: the date lost its format."),
        (
            "month_first",
            "date_month_first",
            "{} was read as {}, month first, as other dates of the file prove.",
        ),
    ):
        some = read & pl.col("day_how").str.starts_with(how)
        told = pl.format(message, shown, day)
        if how == "month_first":
            # A day beyond the twelfth proves its own order, whatever the others say.
            alone = pl.format("{} was read as {}: the month comes first, as its day proves.", shown, day)
            told = pl.when(pl.col("day").dt.day() > 12).then(alone).otherwise(told)
        tell(some, code, told, "Check that the day is right.")
    tell(
        read & pl.col("day_how").str.contains("+", literal=True),
        "date_completed",
        pl.format("{} was read as {}.", shown, day),
        "Check that the year is right.",
    )


def _tell_mixed_days(items: pl.DataFrame, faults: Faults) -> None:
    """Tell, once a table, of real dates beside dates that are text."""
    if items["day_kind"].null_count() == items.height:
        return
    read = ~pl.col("blank") & pl.col("day").is_not_null() & pl.col("day_kind").is_not_null()
    kinds = (
        items.select(_TOLD_OF_DAYS)
        .filter(read)
        .with_columns(
            (pl.col("day_kind") == "d").any().over("table_no").alias("some_real"),
            (pl.col("day_kind") == "s").any().over("table_no").alias("some_text"),
        )
    )
    mixed = kinds.filter(pl.col("some_real") & pl.col("some_text"))
    faults.add(
        mixed.unique("table_no", keep="first", maintain_order=True),
        "date_mixed",
        pl.lit(
            "Some dates are real dates and others text: a spreadsheet may have swapped day and month in some."
        ),
        "Check a few days against your own notes.",
        value=pl.col("day_sent").fill_null(""),
        column="day_at",
    )


def _tell_far_days(filled: pl.DataFrame, faults: Faults) -> None:
    """Hold days that no sample of the trial can have: not yet come, or long before its season."""
    day = pl.col("day").dt.to_string("%Y-%m-%d")
    for code, some, message in (
        (
            "date_in_future",
            pl.col("day_late"),
            pl.format("{} lies after the day the sheet came in.", day),
        ),
        (
            "date_too_old",
            pl.col("day_early"),
            pl.format("{} lies before the season {} of the trial.", day, "season_year"),
        ),
    ):
        faults.add(
            filled.filter(some),
            code,
            message,
            "Check the year and the order of day and month.",
            value=pl.col("day_sent").fill_null(""),
            column="day_at",
        )


def _times(items: pl.DataFrame, faults: Faults) -> pl.DataFrame:
    log = pl.col("kind") == "ferment_log"
    if items["time_sent"].null_count() == items.height:
        return items.with_columns(pl.when(log).then("day_time").alias("time"))
    read = read_times(items["time_sent"], items["time_kind"])
    items = items.with_columns(
        pl.when(log).then(pl.coalesce(read["time"], pl.col("day_time"))).alias("time"),
        read["problem"].alias("time_problem"),
        read["word"].alias("time_word"),
        # the word may stand over its column, as in `Brix AM`
        pl.coalesce("time_at", "column").alias("time_place"),
    )
    faults.add(
        few(items, log & pl.col("time_word") & ~pl.col("blank")),
        "time_from_word",
        pl.format("{} was read as {}, to keep parts of a day apart.", pl.col("time_sent"), pl.col("time")),
        "Write the hour where it matters.",
        value=pl.col("time_sent"),
        column="time_place",
    )
    faults.add(
        few(items, log & (pl.col("time_problem") != "") & ~pl.col("blank")),
        "not_a_time",
        pl.format("{} is not a time of day.", pl.col("time_sent")),
        "Write the time as 13:05.",
        value=pl.col("time_sent"),
        column="time_at",
    )
    return items.drop("time_problem", "time_word", "time_place")


def read_replicates(items: pl.DataFrame, faults: Faults) -> pl.DataFrame:
    """Items with `replicate`, 1 where none is written."""
    text = _text("replicate_sent")
    number = text.cast(pl.Float64, strict=False)
    whole = (number >= 1) & (number <= 9999) & (number == number.round(0))
    items = items.with_columns(
        pl.when(text == "")
        .then(1)
        .when(whole)
        .then(number.cast(pl.Int32, strict=False))
        .cast(pl.Int32)
        .alias("replicate")
    )
    faults.add(
        few(items, pl.col("replicate").is_null() & ~pl.col("blank")),
        "replicate_not_whole",
        pl.format("Replicate {} is not a whole number.", pl.col("replicate_sent").str.slice(0, 40)),
        "Number the repeat readings of one sample 1, 2, 3.",
        value=pl.col("replicate_sent"),
        column="replicate_at",
    )
    return items
