"""Faults collected while a batch is judged, and the findings they become.

A *fault* concerns one item and one cell. Faults of one cause are folded into one finding, so that a wrong
column is one message and not one a row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import polars as pl

from crosscellar.contract import load_contract
from crosscellar.contract.frames import FINDINGS, empty
from crosscellar.contract.records import Rule

_FAULTS: Final = {
    "item_no": pl.Int32,
    "file_no": pl.Int32,
    "sheet": pl.String,
    "row": pl.Int32,
    "column": pl.Int32,
    "code": pl.String,
    "severity": pl.String,
    "value": pl.String,
    "message": pl.String,
    "suggestion": pl.String,
}


@dataclass(slots=True)
class Faults:
    """A growing list of faults; `item_no` is null for what concerns no single item.

    `rules` says what a code does to its item where a fault itself does not.
    """

    rules: Mapping[str, Rule] = field(default_factory=lambda: load_contract().rules)
    parts: list[pl.DataFrame] = field(default_factory=list)
    noted: list[tuple[object, ...]] = field(default_factory=list)

    def add(
        self,
        frame: pl.DataFrame,
        code: str | pl.Expr,
        message: pl.Expr,
        suggestion: pl.Expr | str = "",
        *,
        value: pl.Expr | None = None,
        row: str = "row",
        column: str = "column",
        severity: str | None = None,
    ) -> None:
        """Keep one fault for each row of an item frame; `row` and `column` name what locates it."""
        if frame.is_empty():
            return
        self._write_down()
        code_expr = pl.lit(code) if isinstance(code, str) else code
        suggestion_expr = pl.lit(suggestion) if isinstance(suggestion, str) else suggestion
        given = frame.select(
            pl.col("item_no").cast(pl.Int32),
            pl.col("file_no").cast(pl.Int32),
            "sheet",
            pl.col(row).cast(pl.Int32).alias("row"),
            pl.col(column).cast(pl.Int32).alias("column"),
            code_expr.cast(pl.String).alias("code"),
            pl.lit(severity, dtype=pl.String).alias("severity"),
            (pl.col("text_sent") if value is None else value).cast(pl.String).alias("value"),
            message.cast(pl.String).alias("message"),
            suggestion_expr.cast(pl.String).alias("suggestion"),
        )
        self.parts.append(given.with_columns(self._severity()))

    def note(
        self,
        *,
        file_no: int,
        sheet: str,
        row: int | None,
        column: int | None,
        code: str,
        value: str = "",
        message: str,
        suggestion: str = "",
        severity: str | None = None,
        item_nos: tuple[int, ...] = (),
    ) -> None:
        """Keep one fault of a whole file, table or heading, for these items or for none."""
        self.noted.extend(
            (item_no, file_no, sheet, row, column, code, severity, value, message, suggestion)
            for item_no in item_nos or (None,)
        )

    def __len__(self) -> int:
        return sum(part.height for part in self.parts) + len(self.noted)

    def frame(self) -> pl.DataFrame:
        """All faults so far, one row each."""
        self._write_down()
        return pl.concat(self.parts) if self.parts else pl.DataFrame(schema=_FAULTS)

    def _write_down(self) -> None:
        """Make one frame of the notes since the last: thousands of files may have one each."""
        if self.noted:
            given = pl.DataFrame(self.noted, schema=_FAULTS, orient="row")
            self.parts.append(given.with_columns(self._severity()))
            self.noted.clear()

    def _severity(self) -> pl.Expr:
        known = {code: rule.severity for code, rule in self.rules.items()}
        return pl.col("severity").fill_null(
            pl.col("code").replace_strict(known, default="hold", return_dtype=pl.String)
        )


def column_letters(column: pl.Expr) -> pl.Expr:
    """The letters a spreadsheet shows for a column number (14 -> N), null for none."""
    first = (column - 703) // 676
    second = ((column - 27) // 26) % 26
    third = (column - 1) % 26
    letters = {n: chr(65 + n) for n in range(26)}

    def letter(number: pl.Expr) -> pl.Expr:
        return number.replace_strict(letters, default="", return_dtype=pl.String)

    return (
        pl.when(column > 702)
        .then(letter(first) + letter(second) + letter(third))
        .when(column > 26)
        .then(letter(second) + letter(third))
        .when(column > 0)
        .then(letter(third))
    )


def cell_of(row: pl.Expr, column: pl.Expr) -> pl.Expr:
    """The name a spreadsheet shows for a cell (`C14`); empty where there is none."""
    return (column_letters(column) + row.cast(pl.String)).fill_null("")


def fold(faults: pl.DataFrame, file_names: pl.DataFrame, rules: Mapping[str, Rule]) -> pl.DataFrame:
    """One finding for each cause, in the order of file, sheet and cell; `rules` say how far each code folds.

    `items` lists the items a refuse or hold speaks for. Where one finding speaks for several cells its place
    is the first of them and the message says how many more there are.
    """
    if faults.is_empty():
        return empty(FINDINGS)
    folds = {code: rule.fold for code, rule in rules.items()}
    how = pl.col("code").replace_strict(folds, default="cell", return_dtype=pl.String)
    keyed = faults.with_columns(how.alias("fold")).with_columns(
        pl.when(~pl.col("fold").is_in(["file", "row"])).then(pl.col("column")).alias("key_column"),
        pl.when(pl.col("fold").is_in(["cell", "row"])).then(pl.col("row")).alias("key_row"),
        pl.when(pl.col("fold") == "text")
        .then("value")
        .when(pl.col("fold") == "advice")
        .then("suggestion")
        .alias("key_text"),
        pl.when(pl.col("fold") == "cell").then(pl.col("message")).alias("key_message"),
        pl.when(pl.col("fold") == "file").then(pl.lit("")).otherwise(pl.col("sheet")).alias("key_sheet"),
    )
    keys = ["file_no", "key_sheet", "code", "severity", "key_column", "key_row", "key_text", "key_message"]
    folded = (
        keyed.sort("file_no", "sheet", "row", "column", "item_no", nulls_last=True)
        .group_by(keys, maintain_order=True)
        .agg(
            pl.col("sheet", "row", "column", "value", "message", "suggestion", "fold").first(),
            pl.col("item_no").drop_nulls().unique(maintain_order=True).alias("items"),
            pl.struct("sheet", "row", "column").n_unique().alias("cells"),
        )
        .with_columns(
            pl.when(pl.col("severity") == "remark")
            .then(pl.lit([], dtype=pl.List(pl.Int32)))
            .otherwise(pl.col("items"))
            .alias("items"),
            pl.when((pl.col("cells") > 1) & ~pl.col("fold").is_in(["file", "row"]))
            .then(pl.format("{} (and {} more like it)", pl.col("message"), pl.col("cells") - 1))
            .otherwise(pl.col("message"))
            .alias("message"),
            cell_of(pl.col("row"), pl.col("column")).alias("cell"),
        )
        .join(file_names.select("file_no", "file"), on="file_no", how="left")
    )
    return folded.sort("file_no", "sheet", "row", "column", nulls_last=False, maintain_order=True).select(
        pl.col(name).cast(dtype) for name, dtype in FINDINGS.items()
    )
