"""The trial register: which sites run which trials, in which arms and vessels, and what will be compared."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.frames import DESIGN
from crosscellar.errors import UnknownName

TYPES: Final[Mapping[str, type[pl.DataType]]] = {
    "text": pl.String,
    "number": pl.Float64,
    "whole": pl.Int32,
    "date": pl.Date,
}

#: Responses that are no analyte: from ferment logs, events and triangle sessions. Scores are `score:NAME`.
DERIVED_RESPONSES: Final = (
    "days_to_dry",
    "max_ferment_rate",
    "stuck",
    "malolactic_complete",
    "triangle",
)


def columns_of(name: str, contract: Contract) -> dict[str, type[pl.DataType]]:
    """The columns of one table with their types."""
    return {column.name: TYPES[column.type] for column in contract.register_tables[name].columns}


@dataclass(frozen=True, slots=True)
class Register:
    """The register's tables in canonical words, as polars frames; `warnings` are sentences worth a look."""

    sites: pl.DataFrame
    questions: pl.DataFrame
    trials: pl.DataFrame
    arms: pl.DataFrame
    vessels: pl.DataFrame
    responses: pl.DataFrame
    samples: pl.DataFrame
    labs: pl.DataFrame
    aliases: pl.DataFrame
    warnings: tuple[str, ...] = field(default=())

    @property
    def tables(self) -> dict[str, pl.DataFrame]:
        """The nine frames by name."""
        return {
            "sites": self.sites,
            "questions": self.questions,
            "trials": self.trials,
            "arms": self.arms,
            "vessels": self.vessels,
            "responses": self.responses,
            "samples": self.samples,
            "labs": self.labs,
            "aliases": self.aliases,
        }

    @classmethod
    def of_tables(
        cls, tables: Mapping[str, pl.DataFrame], contract: Contract, *, warnings: tuple[str, ...] = ()
    ) -> Register:
        """A register from frames; a table not given is empty, text is read as the contract's types."""
        frames = {
            name: _typed(tables.get(name), columns_of(name, contract)) for name in contract.register_tables
        }
        return cls(**frames, warnings=warnings)

    def design(self) -> pl.DataFrame:
        """One row a vessel with its arm, trial and site: the DESIGN frame.

        Rows are in order of trial, arm and vessel.
        """
        arms = self.arms.drop("description", strict=False)
        return (
            self.vessels.join(arms, on=["trial_id", "arm_id"], how="left")
            .join(self.trials, on="trial_id", how="left")
            .select(*(pl.col(name).cast(dtype) for name, dtype in DESIGN.items()))
            .sort("trial_id", "arm_id", "vessel_id")
        )


def _typed(frame: pl.DataFrame | None, columns: Mapping[str, type[pl.DataType]]) -> pl.DataFrame:
    if frame is None:
        return pl.DataFrame(schema=dict(columns))
    return frame.select(
        (_cast(frame[name], dtype) if name in frame.columns else pl.lit(None, dtype=dtype)).alias(name)
        for name, dtype in columns.items()
    )


def _cast(column: pl.Series, dtype: type[pl.DataType]) -> pl.Series:
    if column.dtype == pl.String and dtype == pl.Date:
        return column.str.to_date("%Y-%m-%d")
    return column.cast(dtype)


def check_season(register: Register, season: int) -> None:
    """Raise UnknownName for a season of which the register has no trial."""
    if not isinstance(season, int):
        raise UnknownName(f"{season!r} is no season", next_step="Give the year as a whole number: 2025.")
    if register.trials.filter(pl.col("season") == season).is_empty():
        known = ", ".join(str(year) for year in register.trials["season"].unique().sort())
        raise UnknownName(
            f"the register has no trial of the season {season}",
            next_step=f"It has: {known}." if known else "Take in a register first.",
        )
