"""Rules about readings of one sample that must agree with each other."""

from __future__ import annotations

import numpy as np
import polars as pl

from crosscellar.contract import formulas
from crosscellar.contract.records import Rule
from crosscellar.intake.rules.hits import exact, hits, num, share
from crosscellar.intake.rules.view import SAMPLE, View, curve, together

_JUICE = 30
_WINE = 60
#: Acids of the acid sum besides tartaric and malic: what was not measured is taken at its usual most.
_OTHER_ACIDS = ("lactic", "citric", "succinic", "acetic")


def free_above_total(view: View, rule: Rule) -> pl.DataFrame:
    """Free SO2 above total by more than two methods differ: one of the two is wrong, both wait."""
    rows = together(view, "so2_free", "so2_total").filter(
        pl.col("so2_free") > pl.col("so2_total") + rule.settings["method_slack"]
    )
    return _two(rows, rule, "so2_free", "so2_total")


def free_close_above_total(view: View, rule: Rule) -> pl.DataFrame:
    """Free SO2 above total by a few mg/L, as two methods may differ."""
    over = pl.col("so2_free") - pl.col("so2_total")
    rows = together(view, "so2_free", "so2_total").filter(
        (over > rule.settings["slack"]) & (over <= rule.settings["method_slack"])
    )
    return _two(rows, rule, "so2_free", "so2_total")


def free_share_of_total(view: View, rule: Rule) -> pl.DataFrame:
    """A share of free SO2 that is seldom seen. Nothing is said where there is hardly any SO2."""
    part = pl.col("so2_free") / pl.col("so2_total")
    low, high = rule.settings["low"], rule.settings["high"]
    rows = together(view, "so2_free", "so2_total").filter(
        (pl.col("so2_total") > 20) & (part <= 1) & ~part.is_between(low, high)
    )
    return hits(
        rows,
        rule,
        items=("so2_free_item", "so2_total_item"),
        share=share(part),
        low=share(pl.lit(low)),
        high=share(pl.lit(high)),
    )


def free_so2_far_out(view: View, rule: Rule) -> pl.DataFrame:
    """Free SO2 that only a tenth of would fit beside its total."""
    free, total = pl.col("so2_free"), pl.col("so2_total")
    rows = together(view, "so2_free", "so2_total").filter(
        (free > rule.settings["free"]) & (free > total) & (free / 10 < rule.settings["ratio"] * total)
    )
    return hits(
        rows,
        rule,
        items=("so2_free_item",),
        value=exact(free),
        other_value=exact(total),
        suggested=num(free / 10),
    )


def molecular_so2_differs(view: View, rule: Rule) -> pl.DataFrame:
    """Molecular SO2 against free SO2 and pH, by the pKa that fits best (1.77, 1.81, 2.0)."""
    rows = together(view, "so2_molecular", "so2_free", "ph")
    given = pl.col("so2_molecular")
    expected = pl.col("so2_free") / (1 + (10.0 ** (pl.col("ph") - 1.81)))
    slack = pl.max_horizontal(rule.settings["absolute"], rule.settings["relative"] * given)
    rows = rows.filter((given - expected).abs() > slack)
    pka = pl.col("ph") + (given / (pl.col("so2_free") - given)).log10()
    fits = pl.when(pka.is_finite()).then(pl.format("{} would fit", num(pka))).otherwise(pl.lit("none fits"))
    return hits(
        rows, rule, items=("so2_molecular_item",), value=exact(given), expected=num(expected), fits=fits
    )


def va_above_ta(view: View, rule: Rule) -> pl.DataFrame:
    """Volatile acidity above titratable acidity, both in equivalents."""
    rows = together(view, "volatile_acidity", "titratable_acidity").filter(_va_part() > 1)
    return _two(rows, rule, "volatile_acidity", "titratable_acidity")


def va_high_share_of_ta(view: View, rule: Rule) -> pl.DataFrame:
    """Volatile acidity that is a large part of titratable acidity."""
    rows = together(view, "volatile_acidity", "titratable_acidity").filter(
        (_va_part() > rule.settings["share"]) & (_va_part() <= 1)
    )
    items = ("volatile_acidity_item", "titratable_acidity_item")
    return hits(rows, rule, items=items, share=share(_va_part()))


def _va_part() -> pl.Expr:
    """Volatile acidity (g/L as acetic) over titratable acidity (g/L as tartaric), in equivalents."""
    acetic, tartaric = formulas.equivalent_weight("acetic"), formulas.equivalent_weight("tartaric")
    return (pl.col("volatile_acidity") / acetic) / (pl.col("titratable_acidity") / tartaric)


def acetic_above_va(view: View, rule: Rule) -> pl.DataFrame:
    """Acetic acid above the volatile acidity that it is a part of."""
    rows = together(view, "acetic_acid", "volatile_acidity").filter(
        pl.col("acetic_acid") > pl.col("volatile_acidity") * rule.settings["times"] + rule.settings["plus"]
    )
    return _two(rows, rule, "acetic_acid", "volatile_acidity")


def ta_above_acids(view: View, rule: Rule) -> pl.DataFrame:
    """Titratable acidity above the sum of the acids, as tartaric: only part of them is titrated.

    Tartaric and malic acid must be measured. Lactic, citric, succinic and acetic acid count as measured, else
    at the highest that is usual at that stage, so that a sum is never too low.
    """
    rows = together(view, "titratable_acidity", "tartaric_acid", "malic_acid")
    expected = pl.col("tartaric_acid") + pl.col("malic_acid") * formulas.acidity_factor("malic", "tartaric")
    for acid in _OTHER_ACIDS:
        name = f"{acid}_acid"
        given = view.of(name).select(*SAMPLE, pl.col("value").alias(name))
        rows = rows.join(given, on=list(SAMPLE), how="left", nulls_equal=True, maintain_order="left")
        most = {stage: view.contract.limits(name, stage).unusual_high for stage in view.contract.stages}
        usual = pl.col("stage").replace_strict(most, default=None, return_dtype=pl.Float64)
        expected += pl.coalesce(name, usual) * formulas.acidity_factor(acid, "tartaric")
    rows = rows.with_columns(expected.alias("expected"))
    rows = rows.filter(pl.col("titratable_acidity") > rule.settings["times"] * pl.col("expected"))
    value = exact(pl.col("titratable_acidity"))
    return hits(rows, rule, items=("titratable_acidity_item",), value=value, expected=num(pl.col("expected")))


def extract_balance(view: View, rule: Rule) -> pl.DataFrame:
    """Extract without sugar that density, alcohol and sugar leave (formulas.sugar_free_extract), in wine."""
    low, high = rule.settings["low"], rule.settings["high"]
    rows = together(view, "density_20", "ethanol", "glucose_fructose").filter(pl.col("order") >= _WINE)
    measured = (rows[name].to_numpy() for name in ("density_20", "ethanol", "glucose_fructose"))
    extract = np.asarray(formulas.sugar_free_extract(*measured), dtype=float)
    rows = rows.with_columns(pl.Series("extract", extract))
    items = ("density_20_item", "ethanol_item", "glucose_fructose_item")
    said = {"low": exact(pl.lit(low)), "high": exact(pl.lit(high))}
    odd = rows.filter(~pl.col("extract").is_between(low, high))
    return hits(odd, rule, items=items, value=num(pl.col("extract")), **said)


def ph_unlike_ta(view: View, rule: Rule) -> pl.DataFrame:
    """pH and titratable acidity that seldom go together."""
    both = pl.col("ph") + rule.settings["slope"] * pl.col("titratable_acidity")
    rows = together(view, "ph", "titratable_acidity").filter(
        ~both.is_between(rule.settings["low"], rule.settings["high"])
    )
    return _two(rows, rule, "ph", "titratable_acidity")


def sugars_do_not_add(view: View, rule: Rule) -> pl.DataFrame:
    """Glucose + fructose against the figure given for both together."""
    rows = together(view, "glucose_fructose", "glucose", "fructose")
    total, parts = pl.col("glucose_fructose"), pl.col("glucose") + pl.col("fructose")
    rows = rows.filter((total - parts).abs() > _slack(rule, total))
    items = ("glucose_fructose_item", "glucose_item", "fructose_item")
    return hits(rows, rule, items=items, value=exact(total), expected=num(parts))


def glucose_above_fructose(view: View, rule: Rule) -> pl.DataFrame:
    """Glucose above fructose once ferment is under way: yeast take glucose first."""
    rows = together(view, "glucose", "fructose").filter(
        (pl.col("order") > _JUICE)
        & (pl.col("glucose") > rule.settings["ratio"] * pl.col("fructose"))
        & (pl.col("glucose") > 1)
    )
    return _two(rows, rule, "glucose", "fructose")


def colour_does_not_add(view: View, rule: Rule) -> pl.DataFrame:
    """Colour intensity against the sum of its three absorbances."""
    rows = together(view, "colour_intensity", "a420", "a520", "a620")
    parts, given = pl.col("a420") + pl.col("a520") + pl.col("a620"), pl.col("colour_intensity")
    slack = rule.settings["absolute"] + rule.settings["relative"] * parts
    rows = rows.filter((given - parts).abs() > slack)
    return hits(rows, rule, items=("colour_intensity_item",), value=exact(given), expected=num(parts))


def hue_differs(view: View, rule: Rule) -> pl.DataFrame:
    """Hue against the quotient of its two absorbances."""
    expected = pl.col("a420") / pl.col("a520")
    rows = together(view, "hue", "a420", "a520").filter(
        (pl.col("hue") - expected).abs() > rule.settings["slack"]
    )
    return hits(rows, rule, items=("hue_item",), value=exact(pl.col("hue")), expected=num(expected))


def yan_does_not_add(view: View, rule: Rule) -> pl.DataFrame:
    """YAN against ammonia (as N) + primary amino nitrogen."""
    rows = together(view, "yan", "ammonia_n", "primary_amino_n")
    parts, given = pl.col("ammonia_n") + pl.col("primary_amino_n"), pl.col("yan")
    rows = rows.filter((given - parts).abs() > _slack(rule, given))
    items = ("yan_item", "ammonia_n_item", "primary_amino_n_item")
    return hits(rows, rule, items=items, value=exact(given), expected=num(parts))


def density_unlike_sg(view: View, rule: Rule) -> pl.DataFrame:
    """Density at 20 °C against specific gravity 20/20."""
    expected = curve(formulas.sg_from_density, pl.col("density_20"))
    rows = together(view, "density_20", "specific_gravity").filter(
        (pl.col("specific_gravity") - expected).abs() > rule.settings["slack"]
    )
    return _two(rows, rule, "density_20", "specific_gravity")


def brix_unlike_sg(view: View, rule: Rule) -> pl.DataFrame:
    """Brix against specific gravity, before there is alcohol."""
    gap = (pl.col("brix") - curve(formulas.brix_from_sg, pl.col("specific_gravity"))).abs()
    rows = together(view, "brix", "specific_gravity").filter(
        (pl.col("order") <= _JUICE) & (gap > rule.settings["slack"])
    )
    return _two(rows, rule, "brix", "specific_gravity", difference=num(gap))


def glycerol_unlike_alcohol(view: View, rule: Rule) -> pl.DataFrame:
    """Glycerol as a share of the mass of alcohol (% vol x 7.894 = g/L)."""
    part = pl.col("glycerol") / (pl.col("ethanol") * 7.894)
    low, high = rule.settings["low"], rule.settings["high"]
    rows = together(view, "glycerol", "ethanol").filter((pl.col("ethanol") > 1) & ~part.is_between(low, high))
    items = ("glycerol_item", "ethanol_item")
    value, said = exact(pl.col("glycerol")), {"low": share(pl.lit(low)), "high": share(pl.lit(high))}
    return hits(rows, rule, items=items, value=value, share=share(part), **said)


def zero_below_limit(view: View, rule: Rule) -> pl.DataFrame:
    """A zero where the method has a limit of detection."""
    limits = {
        analyte: record.detection_limit_typical
        for analyte, record in view.contract.analytes.items()
        if record.detection_limit_typical
    }
    limit = pl.col("analyte").replace_strict(limits, default=None, return_dtype=pl.Float64)
    rows = view.sampled.filter((pl.col("value") == 0) & (limit > 0)).collect()
    return hits(
        rows, rule, analyte=pl.col("name"), limit=exact(limit), unit=pl.col("in_unit").str.strip_chars()
    )


def _slack(rule: Rule, value: pl.Expr) -> pl.Expr:
    return pl.max_horizontal(rule.settings["absolute"], rule.settings["relative"] * value)


def _two(rows: pl.DataFrame, rule: Rule, one: str, other: str, **said: pl.Expr) -> pl.DataFrame:
    """Hits on both readings of a pair that disagrees."""
    return hits(
        rows,
        rule,
        items=(f"{one}_item", f"{other}_item"),
        value=exact(pl.col(one)),
        other_value=exact(pl.col(other)),
        **said,
    )
