"""Checks of typed frames, built from the same declarations as all else; pandera is imported on first use.

A frame is checked as it is: nothing is coerced, nothing is dropped. Limits of value are those of
`analytes.toml`, joined by analyte and stage, so that no limit stands in code.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
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
class FrameSchema:
    """The checks of one kind of frame.

    Attributes
    ----------
    name
        `readings`, `picks`, `scores` or `register.TABLE`.
    schema
        The pandera schema, for whoever wants it bare.
    limits
        The bounds to join on before checking readings; None for other frames.
    """

    name: str
    schema: Any
    limits: pl.DataFrame | None = None

    def failures(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Every failing cell as (index, column, check, value); an empty frame if all is well.

        A missing or wrongly typed column has a null index.

        Raises
        ------
        CrosscellarError
            For a LazyFrame: its data would not be looked at.
        """
        import pandera.errors

        if not isinstance(frame, pl.DataFrame):
            raise CrosscellarError(
                f"the {self.name} to check are a {type(frame).__name__}, not a DataFrame",
                next_step="Collect the frame first: checks of a lazy frame see no data.",
            )
        try:
            self.schema.validate(self._with_limits(frame), lazy=True)
        except pandera.errors.SchemaErrors as faults:
            return _as_failures(faults.failure_cases)
        return pl.DataFrame(schema=FAILURES)

    def _with_limits(self, frame: pl.DataFrame) -> pl.DataFrame:
        if self.limits is None or not {"analyte", "stage"} <= set(frame.columns):
            return frame
        # By row number, as a join may not keep the order that failures point into.
        numbered = frame.with_row_index("_row")
        staged = self.limits.filter(pl.col("stage").is_not_null())
        general = self.limits.filter(pl.col("stage").is_null()).drop("stage")
        bounds = ("refuse_low", "refuse_high")
        joined = (
            numbered.join(staged.select("analyte", "stage", *bounds), on=["analyte", "stage"], how="left")
            .join(general.select("analyte", *bounds), on="analyte", how="left", suffix="_general")
            .sort("_row")
        )
        return joined.with_columns(
            pl.coalesce(f"{bound}", f"{bound}_general").alias(f"_{bound}") for bound in bounds
        ).drop("_row", *bounds, *(f"{bound}_general" for bound in bounds))


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
    if name == "readings":
        return FrameSchema(name, _readings_schema(contract), contract.limits_frame())
    if name in _FRAMES:
        return FrameSchema(name, _sensory_schema(contract, name))
    kind, _, table = name.partition(".")
    if kind == "register" and table in contract.register_tables:
        return FrameSchema(name, _table_schema(contract.register_tables[table].columns))
    known = [*_FRAMES, *(f"register.{table}" for table in contract.register_tables)]
    raise UnknownName(
        f"there are no checks for a frame called {name!r}", next_step=f"Known: {', '.join(known)}."
    )


def _declared(name: str, checks: Mapping[str, list[Any]]) -> dict[str, Any]:
    import pandera.polars as pa

    blank = _NEVER_BLANK[name]
    return {
        column: pa.Column(dtype, checks=checks.get(column, []), nullable=column not in blank)
        for column, dtype in _FRAMES[name].items()
    }


def _readings_schema(contract: Contract) -> Any:
    import pandera.polars as pa

    units = {analyte.id: analyte.unit for analyte in contract.analytes.values()}
    known = list(contract.analytes)
    stages = list(contract.stages)

    def in_canonical_unit(data: Any) -> pl.LazyFrame:
        wanted = pl.col("analyte").replace_strict(units, default=None, return_dtype=pl.String)
        return _verdict(data, (pl.col("unit") == wanted).fill_null(False))

    def possible(data: Any) -> pl.LazyFrame:
        within = pl.col("value").is_between(pl.col("_refuse_low"), pl.col("_refuse_high"))
        return _verdict(data, within.fill_null(True))

    return pa.DataFrameSchema(
        _declared(
            "readings",
            {
                "analyte": [pa.Check.isin(known, name="known_analyte", error="known_analyte")],
                "stage": [pa.Check.isin(stages, name="known_stage", error="known_stage")],
                "qualifier": [pa.Check.isin(["", "<", ">"], name="known_qualifier", error="known_qualifier")],
                "value": [pa.Check(_finite, name="finite", error="finite")],
            },
        ),
        checks=[
            pa.Check(in_canonical_unit, name="canonical_unit", error="canonical_unit"),
            pa.Check(possible, name="possible", error="possible"),
        ],
        coerce=False,
        strict=False,
    )


def _sensory_schema(contract: Contract, name: str) -> Any:
    import pandera.polars as pa

    if name == "picks":
        columns = {column.name: column for column in contract.sheet_kinds["triangle"].columns}
        orders = list(columns["serving"].allowed)
        glasses = [int(word) for word in columns["picked"].allowed]
        checks = {
            "serving": [pa.Check.isin(orders, name="serving_order", error="serving_order")],
            "picked": [pa.Check.isin(glasses, name="glass", error="glass")],
        }
        return pa.DataFrameSchema(_declared(name, checks), coerce=False, strict=False)

    def on_scale(data: Any) -> pl.LazyFrame:
        return _verdict(data, pl.col("score").is_between(pl.col("scale_low"), pl.col("scale_high")))

    return pa.DataFrameSchema(
        _declared(name, {"score": [pa.Check(_finite, name="finite", error="finite")]}),
        checks=[pa.Check(on_scale, name="on_scale", error="on_scale")],
        coerce=False,
        strict=False,
    )


def _table_schema(columns: tuple[Column, ...]) -> Any:
    import pandera.polars as pa

    return pa.DataFrameSchema(
        {
            column.name: pa.Column(
                _TYPES[column.type],
                checks=[pa.Check.isin(list(column.allowed), name="allowed", error="allowed")]
                if column.allowed
                else [],
                nullable=not column.required,
                required=column.required,
            )
            for column in columns
        },
        coerce=False,
        strict=False,
    )


def _finite(data: Any) -> pl.LazyFrame:
    return _verdict(data, pl.col(data.key).is_finite())


def _verdict(data: Any, passes: pl.Expr) -> pl.LazyFrame:
    frame: pl.LazyFrame = data.lazyframe
    return frame.select(passes)
