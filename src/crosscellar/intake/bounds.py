"""Impossible and unusual values: refused, held where a slip of the unit would explain them, or remarked."""

from __future__ import annotations

from typing import Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.records import Rule
from crosscellar.intake.beside import few, put_beside
from crosscellar.intake.findings import Faults
from crosscellar.intake.values import shown_number, shown_unit

_TENS: Final = (10.0, 100.0, 1000.0)
_DIGITS: Final = 12
#: The number stands as typed, and in another unit of its analyte it would be a usual one.
_UNIT_SLIP: Final = pl.col("other_unit").is_not_null() & (pl.col("typed_value") == pl.col("value"))
#: Units so often left unsaid that a whole column is asked for under a name of its own.
_ASKED_BY_NAME: Final = {"specific_gravity": "sg_in_thousands", "berry_weight": "berry_weight_of_many"}
_MOSTLY: Final = 0.5
#: Beyond the first two a reading is impossible, beyond the others unusual.
BOUNDS: Final = ("refuse_low", "refuse_high", "unusual_low", "unusual_high")
_JUDGED: Final = (
    "item_no", "file_no", "sheet", "row", "column", "text_sent", "analyte", "stage", "value", "qualifier",
    "typed_value", "unit", *BOUNDS,
)  # fmt: skip


def with_bounds(kinds: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """Different analytes and stages, in their order, with the bounds of the analyte there, else anywhere."""
    bounds = contract.limits_frame().select("analyte", "stage", *BOUNDS)
    at_stage = bounds.drop_nulls("stage")
    whole = bounds.filter(pl.col("stage").is_null()).drop("stage")
    joined = kinds.join(at_stage, on=["analyte", "stage"], how="left", maintain_order="left").join(
        whole, on="analyte", how="left", suffix="_whole", maintain_order="left"
    )
    return joined.with_columns(
        pl.when(pl.col("refuse_low").is_null()).then(f"{name}_whole").otherwise(name).alias(name)
        for name in BOUNDS
    )


def judge_limits(
    items: pl.DataFrame, contract: Contract, faults: Faults, *, fahrenheit: Rule | None = None
) -> pl.DataFrame:
    """Tell impossible values (refused; held if another unit explains them) and unusual ones (remark).

    A value below a detection limit is judged by its limit's upper bound only, one above a limit by the lower.
    Items come back with the value that a slip of the unit would explain, which is what a yes brings in.
    `fahrenheit` is the rule by which a column of temperatures is taken for °F (None: it is not looked for).
    """
    judged = items.select("target", "blank", *_JUDGED)
    measured = (pl.col("target") == "readings") & ~pl.col("blank") & pl.col("value").is_not_null()
    names = {analyte: record.name for analyte, record in contract.analytes.items()}
    value, below, above = pl.col("value"), pl.col("qualifier") == "<", pl.col("qualifier") == ">"
    impossible = ((value < pl.col("refuse_low")) & ~below) | ((value > pl.col("refuse_high")) & ~above)
    unusual = ((value < pl.col("unusual_low")) & ~below) | ((value > pl.col("unusual_high")) & ~above)
    named = (
        pl.col("analyte").replace_strict(names, return_dtype=pl.String).alias("name"),
        shown_unit(pl.col("unit")).alias("in_unit"),
    )
    warm = judged.clear().with_columns(celsius=pl.lit(None, dtype=pl.Float64))
    if fahrenheit is not None:
        warm = _too_warm(few(judged, measured & pl.col("analyte").is_in(fahrenheit.analytes)), fahrenheit)
        _tell_fahrenheit(warm.with_columns(named), fahrenheit, faults)
    told = few(judged, measured & (impossible | unusual))
    told = told.with_columns(impossible.alias("impossible"), *named)
    told = told.filter(~pl.col("item_no").is_in(warm["item_no"].implode()))
    odd = _with_slips(told.filter("impossible"), contract)
    _tell_impossible(odd, faults)
    faults.add(
        told.filter(~pl.col("impossible")),
        "implausible",
        pl.format("{} {}{} is unusual ({} to {}{}).", *_shown_limits("unusual")),
        "Check it against the laboratory's report.",
    )
    slips = odd.filter(_UNIT_SLIP).select("item_no", "slip", "other_unit")
    warm = warm.select("item_no", pl.col("celsius").alias("slip"), pl.lit("°F").alias("other_unit"))
    slips = pl.concat([slips, warm])
    if slips.is_empty():
        return items
    items = put_beside(items, slips, "item_no")
    explained = pl.col("slip").is_not_null()
    return items.with_columns(
        pl.coalesce("slip", "value").alias("value"),
        pl.when(explained)
        .then(pl.format("read in {}", "other_unit"))
        .otherwise("conversion")
        .alias("conversion"),
    ).drop("slip", "other_unit")


def _too_warm(temperatures: pl.DataFrame, rule: Rule) -> pl.DataFrame:
    """Those of columns that are mostly too hot, with `celsius`: what they would be from °F."""
    value, column = pl.col("value"), ["file_no", "sheet", "analyte"]
    celsius = (value - 32) / 1.8
    usual = celsius.is_between(rule.settings["low_celsius"], rule.settings["high_celsius"])
    as_typed = pl.col("typed_value") == value
    too_hot = ((value > rule.settings["high"]) & usual & as_typed).mean().over(column) >= _MOSTLY
    return temperatures.filter(as_typed & too_hot).with_columns(celsius=celsius.round_sig_figs(_DIGITS))


def _tell_fahrenheit(warm: pl.DataFrame, rule: Rule, faults: Faults) -> None:
    shown = shown_number(pl.col("celsius").round(1))
    faults.add(
        warm,
        rule.code,
        pl.format(
            "{}{} is too hot; as °F it would be {} °C.", shown_number(pl.col("value")), "in_unit", shown
        ),
        rule.suggestion,
    )


def _shown_limits(which: str) -> list[pl.Expr]:
    low, high = shown_number(pl.col(f"{which}_low")), shown_number(pl.col(f"{which}_high"))
    return [pl.col("name"), shown_number(pl.col("value")), pl.col("in_unit"), low, high, pl.col("in_unit")]


def _with_slips(odd: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """Adds `slip`, the usual value one power of ten away, and `other_unit` that would explain it."""
    units = _power_of_ten_units(odd["analyte"].unique().to_list(), contract)
    value = pl.col("value")
    slip = pl.lit(None, dtype=pl.Float64)
    factor = pl.lit(None, dtype=pl.Float64)
    for ten in reversed(_TENS):
        for step in (1 / ten, ten):
            moved = (value * step).round_sig_figs(_DIGITS)
            fits = moved.is_between(pl.col("unusual_low"), pl.col("unusual_high"))
            slip = pl.when(fits).then(moved).otherwise(slip)
            factor = pl.when(fits).then(pl.lit(step)).otherwise(factor)
    odd = odd.with_columns(slip.alias("slip"), factor.log10().round(0).cast(pl.Int32).alias("tens"))
    return odd.join(units, on=["analyte", "tens"], how="left", maintain_order="left")


def _power_of_ten_units(analytes: list[str], contract: Contract) -> pl.DataFrame:
    rows: dict[tuple[str, int], str] = {}
    for analyte in sorted(analytes):
        record = contract.analytes[analyte]
        for unit in record.units:
            reading = contract.read_unit(analyte, unit)
            factor = 0.001 if reading.formula == "per_thousand" else reading.factor
            if reading.outcome == "needs_basis" and reading.alternatives:
                factor = reading.alternatives[0].factor
            elif not reading.usable or reading.offset or reading.formula not in ("", "per_thousand"):
                continue
            for ten in (-3, -2, -1, 1, 2, 3):
                if abs(factor / 10.0**ten - 1) < 1e-9:
                    rows.setdefault((analyte, ten), unit)
    return pl.DataFrame(
        [(analyte, ten, unit) for (analyte, ten), unit in rows.items()],
        schema={"analyte": pl.String, "tens": pl.Int32, "other_unit": pl.String},
        orient="row",
    )


def _tell_impossible(odd: pl.DataFrame, faults: Faults) -> None:
    said = pl.format("{} {}{} is impossible ({} to {}{}).", *_shown_limits("refuse"))
    faults.add(
        odd.filter(_UNIT_SLIP),
        pl.col("analyte").replace_strict(_ASKED_BY_NAME, default="unit_suspect", return_dtype=pl.String),
        pl.format(
            "{}; in {} it would be {}{}.",
            said.str.strip_suffix("."),
            "other_unit",
            shown_number(pl.col("slip")),
            "in_unit",
        ),
        # the same for all cells of one slip, which one answer settles
        pl.format("Was {} in {}? Confirm, or send it again.", "name", "other_unit"),
    )
    faults.add(
        odd.filter(~_UNIT_SLIP),
        "out_of_range",
        said,
        pl.when(pl.col("slip").is_not_null())
        .then(
            pl.format(
                "Decimal slip? {} would fit. Check it against the laboratory's report.",
                shown_number(pl.col("slip")),
            )
        )
        .otherwise(
            pl.lit("Check it against the laboratory's report, or clear the cell if it was not measured.")
        ),
    )
