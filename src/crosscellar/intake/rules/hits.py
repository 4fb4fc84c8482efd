"""What the rules bring back: a hit for each item they object to, in the words of rules.toml."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

import polars as pl

from crosscellar.contract.records import Rule
from crosscellar.intake.values import shown_number

_DIGITS: Final = 4
_PLACE: Final = re.compile(r"\{(\w+)\}")

#: One hit: the item it concerns, the item at whose cell it is told, and its words.
HITS: Final[Mapping[str, type[pl.DataType]]] = {
    "item_no": pl.Int32,
    "at_no": pl.Int32,
    "code": pl.String,
    "severity": pl.String,
    "message": pl.String,
    "suggestion": pl.String,
}


def num(value: pl.Expr) -> pl.Expr:
    """A number in a sentence, at most four digits of it."""
    return shown_number(value.cast(pl.Float64).round_sig_figs(_DIGITS))


def exact(value: pl.Expr) -> pl.Expr:
    """A number in a sentence as it was given."""
    return shown_number(value.cast(pl.Float64))


def share(value: pl.Expr) -> pl.Expr:
    """A share in a sentence, as a percentage."""
    return pl.format("{} %", (value * 100).round(0).cast(pl.Int64, strict=False))


def words(template: str, said: Mapping[str, pl.Expr]) -> pl.Expr:
    """A template of rules.toml with its named places filled."""
    parts: list[pl.Expr] = []
    for place, piece in enumerate(_PLACE.split(template)):
        if place % 2 == 0:
            parts.append(pl.lit(piece))
        else:
            parts.append(said[piece].cast(pl.String).fill_null("?"))
    return pl.concat_str(parts)


#: What most messages say of a reading; a rule's own words go before.
_READING: Final = {
    "analyte": pl.col("name"),
    "value": exact(pl.col("value")),
    "unit": pl.col("in_unit").str.strip_chars(),
}


def hits(
    rows: pl.DataFrame,
    rule: Rule,
    *,
    items: Sequence[str] = ("item_no",),
    at: pl.Expr | None = None,
    suggestion: pl.Expr | None = None,
    **said: pl.Expr,
) -> pl.DataFrame:
    """A hit for each row and each of its items that belongs to the batch.

    Parameters
    ----------
    rows
        What broke the rule.
    items
        Columns of item numbers; null for a stored reading, which no hit concerns.
    at
        The item at whose cell it is told; else the first of `items`.
    suggestion
        In place of the rule's own.
    said
        What fills the named places of the rule's message and suggestion; the reading's analyte, value and
        unit stand for themselves.
    """
    said = {**_READING, **said}
    told = rows.with_columns(
        (at if at is not None else pl.coalesce(*items)).alias("_at"),
        words(rule.message, said).alias("_message"),
        (suggestion if suggestion is not None else words(rule.suggestion, said)).alias("_suggestion"),
    )
    return pl.concat(
        [
            told.filter(pl.col(item).is_not_null()).select(
                pl.col(item).cast(pl.Int32).alias("item_no"),
                pl.col("_at").cast(pl.Int32).alias("at_no"),
                pl.lit(rule.code).alias("code"),
                pl.lit(rule.severity).alias("severity"),
                pl.col("_message").alias("message"),
                pl.col("_suggestion").alias("suggestion"),
            )
            for item in items
        ]
    )


def no_hits() -> pl.DataFrame:
    """A frame of no hits."""
    return pl.DataFrame(schema=dict(HITS))
