"""Rules about single readings that an instrument, a scale or the nature of wine hardly gives."""

from __future__ import annotations

from typing import Final

import polars as pl

from crosscellar.contract.records import Rule
from crosscellar.intake.rules.hits import exact, hits, num
from crosscellar.intake.rules.view import LOG, VESSEL, View, together

_REFRACTOMETER: Final = "(?i)refract"
_CORRECTED: Final = "(?i)correct|compensat"
_TEMPERATURES: Final = ("temperature", "cap_temperature")
_WINE: Final = 60
_KELVIN: Final = 273.15


def refractometer_on_wine(view: View, rule: Rule) -> pl.DataFrame:
    """Brix by a refractometer, by the sheet or the laboratory's declaration, once there is alcohol."""
    said = (
        pl.col("method").fill_null("") + " " + pl.col("declared_method") + " " + pl.col("note").fill_null("")
    )
    by_light = said.str.contains(_REFRACTOMETER)
    sample = ["trial_id", "arm_id", "vessel_id", "stage", "sample_date"]
    alcohol = view.of("ethanol").filter(pl.col("value") > rule.settings["ethanol"])
    brix = view.of("brix").filter(by_light)
    fermented = brix.join(alcohol.select(sample).unique(), on=sample, how="semi", nulls_equal=True)
    later = (pl.col("order") >= _WINE) | pl.col("item_no").is_in(fermented["item_no"].to_list())
    return hits(brix.filter(later), rule, value=exact(pl.col("value")))


def hydrometer_temperature(view: View, rule: Rule) -> pl.DataFrame:
    """Specific gravity of a ferment log read far from 20 °C, corrected or not nobody says: once a sheet."""
    rows = together(view, "specific_gravity", "temperature").with_columns(
        (pl.col("temperature") - 20).abs().alias("away")
    )
    said = pl.concat_str("method", "note", "declared_method", ignore_nulls=True)
    corrected = view.of("specific_gravity").filter(said.str.contains(_CORRECTED))
    rows = rows.filter(
        (pl.col("stage") == LOG)
        & ~pl.col("temperature").is_between(rule.settings["low"], rule.settings["high"])
        & ~pl.col("specific_gravity_item").is_in(corrected["item_no"].drop_nulls().to_list())
        & pl.col("specific_gravity_item").is_not_null()
    )
    farthest = rows.sort("away", descending=True, maintain_order=True)
    farthest = farthest.unique(["file_no", "sheet"], keep="first", maintain_order=True)
    return hits(
        farthest,
        rule,
        items=("specific_gravity_item",),
        value=exact(pl.col("specific_gravity")),
        other_value=exact(pl.col("temperature")),
    )


def hot_ferment(view: View, rule: Rule) -> pl.DataFrame:
    """The hottest reading of a ferment that was hot enough to harm yeast: a real event, not a fault."""
    rows = (
        view.of(*_TEMPERATURES)
        .filter(
            (pl.col("value") > rule.settings["high"])
            & (pl.col("order") < _WINE)
            & pl.col("item_no").is_not_null()
        )
        .sort("value", descending=True, maintain_order=True)
    )
    hottest = rows.unique([*VESSEL, "analyte"], keep="first", maintain_order=True)
    return hits(hottest, rule, value=exact(pl.col("value")))


def heat_test_falls(view: View, rule: Rule) -> pl.DataFrame:
    """A heat test after which the wine was clearer than before."""
    rows = _of(view, "heat_test_delta_ntu").filter(pl.col("value") < rule.settings["low"])
    return hits(rows, rule, value=exact(pl.col("value")))


def carbon_dioxide_high(view: View, rule: Rule) -> pl.DataFrame:
    """Carbon dioxide in wine beyond the range of methods for still wine."""
    rows = _of(view, "co2").filter(
        (pl.col("value") > rule.settings["method_range"]) & (pl.col("order") >= _WINE)
    )
    still = rule.settings["still_wine"]
    beyond = pl.format(
        "No still wine by a limit printed in the USA ({} mg/L); information only.", num(pl.lit(still))
    )
    suggestion = pl.when(pl.col("value") > still).then(beyond).otherwise(pl.lit(rule.suggestion))
    return hits(rows, rule, suggestion=suggestion, value=exact(pl.col("value")))


def oxygen_above_saturation(view: View, rule: Rule) -> pl.DataFrame:
    """Dissolved oxygen above what air dissolves in water at the sample's temperature.

    Where no temperature was measured, `coldest` is taken: colder liquid holds more.
    """
    oxygen = view.of("dissolved_oxygen")
    sample = ["trial_id", "arm_id", "vessel_id", "stage", "sample_date"]
    warmth = view.of("temperature").group_by(sample).agg(pl.col("value").min().alias("warmth"))
    rows = oxygen.join(warmth, on=sample, how="left", nulls_equal=True, maintain_order="left")
    at_most = saturation(pl.col("warmth").fill_null(rule.settings["coldest"]))
    rows = rows.filter(pl.col("value") > rule.settings["times"] * at_most)
    return hits(rows, rule, value=exact(pl.col("value")), high=num(at_most))


def saturation(temperature: pl.Expr) -> pl.Expr:
    """Oxygen in mg/L that water dissolves from air at sea level, at °C.

    The polynomial of Benson and Krause (1984) as printed in Standard Methods 4500-O; written from memory.
    """
    kelvin = temperature.clip(0, 40) + _KELVIN
    return (
        -139.34411
        + 1.575701e5 / kelvin
        - 6.642308e7 / kelvin**2
        + 1.243800e10 / kelvin**3
        - 8.621949e11 / kelvin**4
    ).exp()


def log_in_count_column(view: View, rule: Rule) -> pl.DataFrame:
    """Columns of counts that are all small and not all whole: logarithms, as they stand.

    Means of a few plates of clean wine are small and broken too: their middle lies under `median`.
    """
    column = ["file_no", "sheet", "analyte"]
    counts = (
        view.of(*rule.analytes)
        .filter(pl.col("item_no").is_not_null())
        .with_columns(
            pl.col("value").max().over(column).alias("highest"),
            (pl.col("value") != pl.col("value").round(0)).any().over(column).alias("broken"),
            pl.col("value").filter(pl.col("value") > 0).median().over(column).alias("middle"),
            pl.len().over(column).alias("cells"),
        )
    )
    rows = counts.filter(
        (pl.col("highest") <= rule.settings["highest"])
        & pl.col("broken")
        & (pl.col("middle") >= rule.settings["median"])
        & (pl.col("cells") >= rule.settings["least"])
    )
    return hits(rows, rule, at=pl.col("item_no").first().over(column), value=num(pl.col("highest")))


def absorbance_out_of_reach(view: View, rule: Rule) -> pl.DataFrame:
    """Absorbances that the instrument itself showed above 2.

    What it showed is known where the sheet names another path than 1 cm: the number typed is the reading.
    """
    readings = view.of(*rule.analytes).filter(pl.col("item_no").is_not_null() & (pl.col("unit_sent") != ""))
    pairs = readings.select("analyte", "unit_sent").unique()
    factors = [
        (analyte, unit, reading.factor)
        for analyte, unit in pairs.iter_rows()
        if (reading := view.contract.read_unit(analyte, unit)).usable and reading.factor != 1.0
    ]
    path = pl.DataFrame(
        factors, schema={"analyte": pl.String, "unit_sent": pl.String, "factor": pl.Float64}, orient="row"
    )
    shown = pl.col("value") / pl.col("factor")
    rows = readings.join(path, on=["analyte", "unit_sent"], how="inner", maintain_order="left")
    return hits(rows.filter(shown > rule.settings["high"]), rule, value=num(shown))


def _of(view: View, analyte: str) -> pl.DataFrame:
    return view.of(analyte).filter(pl.col("stage") != LOG)
