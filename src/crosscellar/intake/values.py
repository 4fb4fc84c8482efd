"""What the value cells say: the decimal mark decided per column, markers told apart, nothing guessed."""

from __future__ import annotations

from typing import Final

import polars as pl

from crosscellar.intake.beside import Different, few, put_beside
from crosscellar.intake.findings import Faults
from crosscellar.intake.numbers import DecimalMark, decide_decimal, read_numbers

_PROBLEMS: Final = {
    "not_a_number": "{} is not a number.",
    "range": "{} is a range, not one reading.",
    "two_values": "{} holds two readings in one cell.",
    "value_with_error": "{} is a value with its error, not one reading.",
    "error_cell": "The cell shows {}: an error is not a reading.",
    "formula_without_result": "The formula {} has no stored result.",
    "not_finite": "{} is too large or too small to be a reading.",
    "too_long": "The cell holds a long text, not a number.",
    "date_cell": "The cell holds the date {}, not a number.",
    "approximate": "{} is approximate.",
    "marker": "{} carries a mark whose meaning is not known.",
    "not_detected_no_limit": "{} does not say the limit below which it was not detected.",
    "qualitative": "{} is a word, not a number.",
    "too_many": "{}: too many to count, above which number?",
    "undecided_separator": "{} can be read with a decimal mark or a thousands mark.",
}

#: What a score that is no number is told instead: it has no detection limit, and `6/10` names its scale.
_OF_SCORES: Final = {
    "two_values": (
        "{} is not one score.",
        "Write the score alone; the ends of the scale stand in scale_low and scale_high.",
    ),
    "qualitative": (_PROBLEMS["qualitative"], "Write the score as a number of its scale."),
}

#: How a text was read, where its sender should hear of it; and the words kept with the number.
HOW_TOLD: Final = {
    "decimal_comma_cell": "decimal comma",
    "decimal_point_cell": "decimal point in a column of decimal commas",
    "thousands_space": "space between thousands",
    "thousands_apostrophe": "apostrophe between thousands",
    "thousands_comma": "comma between thousands",
    "thousands_point": "point between thousands",
    "unicode_minus": "typographic minus sign",
    "full_width": "wide digits",
}
_PLAIN_FRACTION: Final = r"^\s*[<>]?\s*[+-]?[0-9]*\.(?:[0-9]{1,2}|[0-9]{4,})\s*$"
_VALUE_COLUMNS: Final = (
    "value",
    "qualifier",
    "blank",
    "how",
    "problem",
    "unit_in_cell",
    "likely",
    "number_help",
)


#: What a cell is read by: what stands in it, and the column that proves its decimal mark.
_CELL: Final = ("table_no", "column", "text_sent", "value_kind")


def read_values(items: pl.DataFrame, separators: dict[int, str]) -> pl.DataFrame:
    """Items with value, qualifier, blank, how, problem, unit_in_cell, number_help and told.

    `value` is what to propose where a yes would settle it; `told` says in words how the text was read. The
    decimal mark is decided for each column of each table; where no cell of a column decides, by the other
    columns of the table if they agree. `separators` gives each CSV file's separator. Every different cell of
    a column is read once.
    """
    if items.is_empty():
        return items.with_columns(
            pl.lit(None, dtype=pl.Float64).alias("value"),
            pl.lit(False).alias("blank"),
            *(pl.lit("").alias(name) for name in ("qualifier", "how", "problem", "unit_in_cell")),
            *(pl.lit("").alias(name) for name in ("number_help", "told")),
        )
    different = Different(items, _CELL)
    marks = _decimal_marks(items, different.rows, separators)
    cells = put_beside(different.numbered, marks, ["table_no", "column"])
    parts = []
    mark: DecimalMark
    for mark in (".", ",", "undecided"):
        some = cells.filter(pl.col("mark") == mark)
        if some.is_empty():
            continue
        kinds = some["value_kind"] if some["value_kind"].null_count() < len(some) else None
        read = read_numbers(some["text_sent"], decimal=mark, kinds=kinds).rename(
            {"suggestion": "number_help"}
        )
        parts.append(some.select("number", "text_sent").hstack(read.select(_VALUE_COLUMNS)))
    empty = pl.col("text_sent").fill_null("").str.strip_chars() == ""
    read_cells = _proposed(pl.concat(parts)).with_columns(pl.col("blank") | empty)
    return different.beside(items, read_cells.drop("text_sent"))


def _decimal_marks(items: pl.DataFrame, cells: pl.DataFrame, separators: dict[int, str]) -> pl.DataFrame:
    """`table_no`, `column`, `mark`. Only columns with a comma or no plain fraction need a closer look."""
    keys = ["table_no", "column"]
    text = pl.col("text_sent")
    columns = cells.group_by(keys).agg(
        text.str.contains(",", literal=True).any().alias("commas"),
        text.str.contains(".", literal=True).any().alias("points"),
        text.str.contains(_PLAIN_FRACTION).any().alias("fractions"),
    )
    settled = (
        pl.when(~pl.col("commas") & pl.col("fractions"))
        .then(pl.lit("."))
        .when(~pl.col("commas") & ~pl.col("points"))
        .then(pl.lit("undecided"))
    )
    columns = columns.with_columns(settled.alias("mark"))
    open_columns = columns.filter(pl.col("mark").is_null())
    rows = []
    asked = items.select("file_no", *keys, "text_sent", "value_kind") if len(open_columns) else items.clear()
    asked = asked.join(open_columns, on=keys, how="semi", maintain_order="left")
    for (file_no, table_no, column), group in asked.group_by(["file_no", *keys]):
        kinds = group["value_kind"] if group["value_kind"].null_count() < len(group) else None
        choice = decide_decimal(
            group["text_sent"], kinds=kinds, separator=separators.get(int(str(file_no)), "")
        )
        rows.append((table_no, column, choice.mark))
    looked = pl.DataFrame(
        rows, schema={"table_no": pl.Int32, "column": pl.Int32, "closer": pl.String}, orient="row"
    )
    marks = columns.join(looked, on=keys, how="left", maintain_order="left").select(
        *keys, pl.coalesce("mark", "closer").alias("mark")
    )
    decided = pl.col("mark") != "undecided"
    return marks.with_columns(
        pl.when(~decided & (pl.col("mark").filter(decided).n_unique().over("table_no") == 1))
        .then(pl.col("mark").filter(decided).first().over("table_no"))
        .otherwise("mark")
        .alias("mark")
    )


def _proposed(cells: pl.DataFrame) -> pl.DataFrame:
    """Cells with the value to propose where a yes would settle it, and `told`: how the text was read."""
    ways = cells.select("how").unique()
    told = ways.select(
        "how",
        pl.concat_str(
            [pl.when(_said(how)).then(pl.lit(words)) for how, words in HOW_TOLD.items()],
            separator=", ",
            ignore_nulls=True,
        ).alias("told"),
    )
    likely = pl.when(pl.col("problem").is_in(["approximate", "marker"])).then(
        pl.col("likely").str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    )
    proposed = cells.with_columns(pl.coalesce("value", likely).alias("value")).drop("likely")
    return put_beside(proposed, told, "how")


def tell_values(items: pl.DataFrame, faults: Faults) -> None:
    """Tell what is no number, and which numbers were read in a way their sender should see.

    `typed_value` is the number as typed, before any conversion.
    """
    odd = (pl.col("problem") != "") | (pl.col("how") != "plain")
    filled = few(items, ~pl.col("blank") & (pl.col("target") != "picks") & odd)
    shown = pl.col("text_sent").str.strip_chars().str.slice(0, 60)
    for problem, words in _PROBLEMS.items():
        some = filled.filter(pl.col("problem") == problem)
        message = pl.format(words, shown) if "{}" in words else pl.lit(words)
        suggestion = pl.col("number_help")
        if problem in _OF_SCORES:
            scored, (said, asked) = pl.col("target") == "scores", _OF_SCORES[problem]
            message = pl.when(scored).then(pl.format(said, shown)).otherwise(message)
            suggestion = pl.when(scored).then(pl.lit(asked)).otherwise(suggestion)
        faults.add(some, problem, message, suggestion)
    good = filled.filter((pl.col("problem") == "") & pl.col("typed_value").is_not_null())
    for how, words in HOW_TOLD.items():
        some = good.filter(_said(how))
        code = "decimal_comma_cell" if how == "decimal_point_cell" else how
        faults.add(
            some,
            code,
            pl.format("{} was read as {} ({}).", shown, shown_number(pl.col("typed_value")), pl.lit(words)),
        )


def _said(how: str) -> pl.Expr:
    return (pl.lit("+") + pl.col("how") + pl.lit("+")).str.contains(f"+{how}+", literal=True)


def shown_number(value: pl.Expr) -> pl.Expr:
    """A number as a person writes it: at most 6 significant decimals, no trailing zeros."""
    text = value.round(6).cast(pl.String)
    return text.str.replace(r"\.0$", "")


def shown_unit(unit: pl.Expr) -> pl.Expr:
    """A canonical unit as a person writes it, after a space; nothing for pH and plain numbers."""
    return (
        pl.when(unit.is_in(["pH", "1", ""]) | unit.is_null())
        .then(pl.lit(""))
        .when(unit == "Cel")
        .then(pl.lit(" °C"))
        .otherwise(pl.lit(" ") + unit)
    )


def judge_marks(items: pl.DataFrame, marks: pl.DataFrame, faults: Faults) -> pl.DataFrame:
    """Items with `comment` (a cell's), after telling what is hidden, struck out, a formula or too long.

    `marks` has file_no, sheet, row, column, mark, detail; a null row or column speaks for all of them.
    """
    if marks.is_empty():
        return items.with_columns(pl.lit(None, dtype=pl.String).alias("comment"))
    filled = items.filter(~pl.col("blank"))

    def marked(mark: str, on: list[str]) -> pl.DataFrame:
        some = marks.filter(pl.col("mark") == mark).select("file_no", "sheet", *on, "detail")
        some = some.drop_nulls(on).unique(["file_no", "sheet", *on], keep="first")
        return filled.join(some, on=["file_no", "sheet", *on], how="inner", maintain_order="left")

    # In a wide sheet a hidden row hides several readings: it is told once, where the row names its vessel.
    across = pl.col("kind").is_in(["lab_wide", "ferment_log"])
    named = pl.when(across).then(pl.coalesce("vessel_id_at", "sample_id_at", "column")).otherwise("column")
    faults.add(
        marked("hidden_row", ["row"]).with_columns(named.alias("named_at")),
        "hidden_row",
        pl.format("Row {} is hidden: a filter left on, or meant to be left out?", "row"),
        "Confirm that hidden rows count, or delete them.",
        column="named_at",
    )
    faults.add(
        marked("hidden_column", ["column"]),
        "hidden_column",
        pl.lit("The column is hidden: meant to be left out?"),
        "Confirm that the hidden column counts, or delete it.",
    )
    faults.add(
        marked("struck_out", ["row", "column"]),
        "struck_out",
        pl.format("{} is struck through.", pl.col("text_sent").str.strip_chars()),
        "Say whether it counts; clear the cell if it does not.",
    )
    formulas = marked("formula", ["row", "column"])
    faults.add(
        formulas.filter(pl.col("problem") == ""),
        "formula_value",
        pl.format(
            "{} is a formula; its stored result {} was taken.", pl.col("detail").str.slice(0, 80), "text_sent"
        ),
        "Check that the result is the reading.",
    )
    for field in ("note", "lab", "method", "analyte", "unit", "stage"):
        long = marks.filter(pl.col("mark") == "cell_too_long").select(
            "file_no", "sheet", "row", pl.col("column").alias(f"{field}_at")
        )
        faults.add(
            filled.join(long, on=["file_no", "sheet", "row", f"{field}_at"], how="inner"),
            "text_too_long",
            pl.lit("The text is longer than the 32,767 characters a cell may hold."),
            "Shorten the text, and send the row again.",
            value=pl.lit(""),
            column=f"{field}_at",
        )
    commented = marked("comment", ["row", "column"])
    faults.add(
        commented,
        "cell_comment",
        pl.format("The comment was kept with the reading: {}", pl.col("detail").str.slice(0, 120)),
    )
    comments = commented.select("item_no", pl.col("detail").alias("comment"))
    return put_beside(items, comments, "item_no")
