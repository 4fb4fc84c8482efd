"""Checks of typed frames, built from the same declarations as all else.

A frame is checked as it is: nothing is coerced, nothing is dropped. Limits of value are those of
`analytes.toml`, joined by analyte and stage, so that no limit stands in code. Whole columns are asked first;
only where one of them fails a check is pandera imported, which takes a second, to say which cell it was.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from crosscellar.contract import frames
from crosscellar.contract.records import Column
from crosscellar.errors import CrosscellarError, UnknownName

if TYPE_CHECKING:
    from crosscellar.contract.contract import Contract

#: What a failing row looks like: 0-based row of the frame that was checked, column (null for a rule over
#: several), the check's name and the value as text.
FAILURES: Final = {"index": pl.Int64, "column": pl.String, "check": pl.String, "value": pl.String}

_FRAMES: Final[Mapping[str, frames.Columns]] = {
    "readings": frames.READINGS,
    "picks": frames.PICKS,
    "scores": frames.SCORES,
}
_NEVER_BLANK: Final = {
    "readings": ("trial_id", "arm_id", "vessel_id", "stage", "analyte", "value", "unit"),
    "picks": ("trial_id", "session_id", "assessor_id", "serving", "picked"),
    "scores": (
        "trial_id",
        "session_id",
        "assessor_id",
        "arm_id",
        "attribute",
        "score",
        "scale_low",
        "scale_high",
    ),
}
_TYPES: Final[Mapping[str, type[pl.DataType]]] = {
    "text": pl.String,
    "number": pl.Float64,
    "whole": pl.Int32,
    "date": pl.Date,
    "time": pl.String,
}


@dataclass(frozen=True)
class Check:
    """One declared check: `passes` is true, or null where there is nothing to look at, for what fits.

    `column` is None for a rule over several columns.
    """

    name: str
    column: str | None
    passes: pl.Expr


@dataclass(frozen=True)
class FrameSchema:
    """The checks of one kind of frame.

    Attributes
    ----------
    name
        `readings`, `picks`, `scores` or `register.TABLE`.
    types
        The columns with their types.
    never_blank
        Columns in which every cell is filled.
    optional
        Columns that may be missing altogether.
    checks
        What else must hold.
    limits
        The bounds to join on before checking readings; None for other frames.
    """

    name: str
    types: frames.Columns
    never_blank: frozenset[str]
    optional: frozenset[str]
    checks: tuple[Check, ...]
    limits: pl.DataFrame | None = None

    @cached_property
    def schema(self) -> Any:
        """The pandera schema, for whoever wants it bare."""
        import pandera.polars as pa

        def asked(check: Check) -> Any:
            return pa.Check(
                lambda data: data.lazyframe.select(check.passes), name=check.name, error=check.name
            )

        return pa.DataFrameSchema(
            {
                name: pa.Column(
                    dtype,
                    checks=[asked(check) for check in self.checks if check.column == name],
                    nullable=name not in self.never_blank,
                    required=name not in self.optional,
                )
                for name, dtype in self.types.items()
            },
            checks=[asked(check) for check in self.checks if check.column is None],
            coerce=False,
            strict=False,
        )

    def failures(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Every failing cell as (index, column, check, value); an empty frame if all is well.

        A missing or wrongly typed column has a null index.

        Raises
        ------
        CrosscellarError
            For a LazyFrame: its data would not be looked at.
        """
        if not isinstance(frame, pl.DataFrame):
            raise CrosscellarError(
                f"the {self.name} to check are a {type(frame).__name__}, not a DataFrame",
                next_step="Collect the frame first: checks of a lazy frame see no data.",
            )
        if self.fits(frame):
            return pl.DataFrame(schema=FAILURES)
        import pandera.errors

        try:
            self.schema.validate(self._with_limits(frame), lazy=True)
        except pandera.errors.SchemaErrors as faults:
            return _as_failures(faults.failure_cases)
        return pl.DataFrame(schema=FAILURES)

    def fits(self, frame: pl.DataFrame, *, where: pl.Expr | None = None) -> bool:
        """Whether every check holds for the whole frame, or for those of its rows that are so."""
        frame = self._with_limits(frame)
        given = [name for name in self.types if name in frame.columns]
        if not self.optional.issuperset(self.types.keys() - given):
            return False
        if any(frame.schema[name] != self.types[name] for name in given):
            return False
        filled = [
            pl.col(name).is_not_null() & (pl.col(name).is_not_nan() if self.types[name].is_float() else True)
            for name in given
            if name in self.never_blank
        ]
        asked = [check.passes for check in self.checks if check.column is None or check.column in given]
        beside = pl.lit(False) if where is None else ~where.fill_null(False)
        told = frame.select(
            (passes.fill_null(True) | beside).all().alias(str(number))
            for number, passes in enumerate([*filled, *asked])
        )
        return all(told.row(0)) if told.width else True

    def _with_limits(self, frame: pl.DataFrame) -> pl.DataFrame:
        if self.limits is None or not {"analyte", "stage"} <= set(frame.columns):
            return frame
        staged = self.limits.filter(pl.col("stage").is_not_null())
        general = self.limits.filter(pl.col("stage").is_null()).drop("stage")
        bounds = ("refuse_low", "refuse_high")
        keys = ["analyte", "stage"]
        # Of each analyte at each stage, not of each reading.
        known = (
            frame.select(keys)
            .unique()
            .join(staged.select(*keys, *bounds), on=keys, how="left")
            .join(general.select("analyte", *bounds), on="analyte", how="left", suffix="_general")
            .select(*keys, *(pl.coalesce(bound, f"{bound}_general").alias(f"_{bound}") for bound in bounds))
        )
        found = frame.select(keys).join(known, on=keys, how="left", nulls_equal=True, maintain_order="left")
        return frame.hstack(found.drop(keys).rechunk())


def _as_failures(cases: pl.DataFrame) -> pl.DataFrame:
    return (
        cases.select(
            pl.col("index").cast(pl.Int64),
            pl.col("column").cast(pl.String),
            pl.col("check").cast(pl.String),
            # A rule over several cells has no one value: pandera gives the whole row.
            pl.when(pl.col("column").is_null() & pl.col("index").is_not_null())
            .then(pl.lit(""))
            .otherwise(pl.col("failure_case").cast(pl.String))
            .alias("value"),
        )
        .unique(maintain_order=True)
        .sort("index", "column", nulls_last=False, maintain_order=True)
    )


def frame_schema(contract: Contract, name: str) -> FrameSchema:
    """The checks of the frame called `name`, built from the declarations of `contract`."""
    if name in _FRAMES:
        return FrameSchema(
            name,
            _FRAMES[name],
            frozenset(_NEVER_BLANK[name]),
            frozenset(),
            _checks(contract, name),
            contract.limits_frame() if name == "readings" else None,
        )
    kind, _, table = name.partition(".")
    if kind == "register" and table in contract.register_tables:
        return _table_schema(name, contract.register_tables[table].columns)
    known = [*_FRAMES, *(f"register.{table}" for table in contract.register_tables)]
    raise UnknownName(
        f"there are no checks for a frame called {name!r}", next_step=f"Known: {', '.join(known)}."
    )


def _checks(contract: Contract, name: str) -> tuple[Check, ...]:
    if name == "picks":
        columns = {column.name: column for column in contract.sheet_kinds["triangle"].columns}
        glasses = [int(word) for word in columns["picked"].allowed]
        return (
            _among("serving_order", "serving", columns["serving"].allowed),
            _among("glass", "picked", glasses),
        )
    if name == "scores":
        on_scale = pl.col("score").is_between(pl.col("scale_low"), pl.col("scale_high"))
        return (
            Check("finite", "score", pl.col("score").is_finite()),
            Check("on_scale", None, on_scale),
        )
    units = {analyte.id: analyte.unit for analyte in contract.analytes.values()}
    wanted = pl.col("analyte").replace_strict(units, default=None, return_dtype=pl.String)
    within = pl.col("value").is_between(pl.col("_refuse_low"), pl.col("_refuse_high"))
    return (
        _among("known_analyte", "analyte", contract.analytes),
        _among("known_stage", "stage", contract.stages),
        _among("known_qualifier", "qualifier", ("", "<", ">")),
        Check("finite", "value", pl.col("value").is_finite()),
        Check("canonical_unit", None, (pl.col("unit") == wanted).fill_null(False)),
        Check("possible", None, within.fill_null(True)),
    )


def _among(name: str, column: str, allowed: Iterable[str | int]) -> Check:
    return Check(name, column, pl.col(column).is_in(list(allowed)))


def _table_schema(name: str, columns: tuple[Column, ...]) -> FrameSchema:
    return FrameSchema(
        name,
        {column.name: _TYPES[column.type] for column in columns},
        frozenset(column.name for column in columns if column.required),
        frozenset(column.name for column in columns if not column.required),
        tuple(_among("allowed", column.name, column.allowed) for column in columns if column.allowed),
    )
