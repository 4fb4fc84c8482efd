"""One short label a planned sample: the ones the register has, and new ones for the rest."""

from __future__ import annotations

import polars as pl

from crosscellar.contract import Contract
from crosscellar.register import DERIVED_RESPONSES, Register

#: Columns of the register's table `samples`.
SAMPLES = ("sample_id", "trial_id", "arm_id", "vessel_id", "stage")
_VESSEL = ["trial_id", "arm_id", "vessel_id"]


def laboratory_plan(register: Register, contract: Contract) -> pl.DataFrame:
    """One row a trial, stage and analyte that a laboratory is asked for: trial_id, stage, analyte, due_date.

    `malolactic_complete` asks for malic acid; ferment logs and tastings have sheets of their own.
    """
    other = [name for name in DERIVED_RESPONSES if name != "malolactic_complete"]
    analytes = pl.Series([*contract.analytes], dtype=pl.String).implode()
    return (
        register.responses.filter(~pl.col("response").is_in(other))
        .with_columns(pl.col("response").replace({"malolactic_complete": "malic_acid"}).alias("analyte"))
        .filter(pl.col("analyte").is_in(analytes))
        .group_by("trial_id", "stage", "analyte", maintain_order=True)
        .agg(pl.col("due_date").min())
    )


def samples_of(register: Register, contract: Contract) -> pl.DataFrame:
    """The table `samples` of the register: one row a vessel and stage that a laboratory will see.

    Labels that the register has are kept; new ones are the trial's code and a number (`LS26-OND-S03`), which
    no spreadsheet turns into a date.
    """
    order = {stage: number for number, stage in enumerate(contract.stages)}
    asked = (
        laboratory_plan(register, contract)
        .select("trial_id", "stage")
        .unique()
        .join(register.vessels.select(_VESSEL), on="trial_id", how="inner")
        .join(register.samples, on=[*_VESSEL, "stage"], how="left")
        .sort(
            "trial_id",
            pl.col("stage").replace_strict(order, default=len(order), return_dtype=pl.Int64),
            "arm_id",
            "vessel_id",
        )
    )
    taken = set(register.samples["sample_id"].to_list())
    new = asked.filter(pl.col("sample_id").is_null()).with_columns(
        pl.int_range(1, pl.len() + 1).over("trial_id").alias("number")
    )
    labels = new.select(
        pl.format("{}-S{}", "trial_id", pl.col("number").cast(pl.String).str.zfill(2))
    ).to_series()
    made: list[str] = []
    for label in labels.to_list():
        free, turn = label, 1
        while free in taken:
            turn += 1
            free = f"{label}x{turn}"
        taken.add(free)
        made.append(free)
    named = new.with_columns(pl.Series("sample_id", made, dtype=pl.String)).select(SAMPLES)
    return (
        pl.concat([asked.filter(pl.col("sample_id").is_not_null()).select(SAMPLES), named])
        .join(asked.select([*_VESSEL, "stage"]).with_row_index("at"), on=[*_VESSEL, "stage"], how="left")
        .sort("at")
        .drop("at")
    )
