"""Rules along the stages of one vessel: what can rise, what can only fall, what must balance."""

from __future__ import annotations

import polars as pl

from crosscellar.contract import formulas
from crosscellar.contract.records import Rule
from crosscellar.intake.rules.hits import exact, hits, num
from crosscellar.intake.rules.view import LOG, VESSEL, View, by_stage, curve, together, with_earlier

_JUICE = 20
_END_PRIMARY = 60


def _moved(view: View, analyte: str) -> pl.DataFrame:
    """Readings of an analyte with the vessel's stage before and the `difference` between the two."""
    rows = with_earlier(by_stage(view, analyte), [analyte, f"{analyte}_item"])
    return rows.with_columns((pl.col(analyte) - pl.col(f"{analyte}_before")).alias("difference"))


def _tell(rows: pl.DataFrame, rule: Rule, analyte: str) -> pl.DataFrame:
    return hits(
        rows,
        rule,
        items=(f"{analyte}_item", f"{analyte}_item_before"),
        value=num(pl.col(analyte)),
        other_value=num(pl.col(f"{analyte}_before")),
        difference=num(pl.col("difference").abs()),
        stage=pl.col("stage_name"),
        other_stage=pl.col("stage_name_before"),
    )


def total_so2_rises(view: View, rule: Rule) -> pl.DataFrame:
    """Total SO2 that rose after bottling, where none is added any more."""
    rows = _moved(view, "so2_total").filter(
        (pl.col("difference") > rule.settings["slack"]) & (pl.col("order_before") >= 120)
    )
    return _tell(rows, rule, "so2_total")


def va_falls(view: View, rule: Rule) -> pl.DataFrame:
    """Volatile acidity that fell once primary ferment was over."""
    rows = _moved(view, "volatile_acidity").filter(
        (pl.col("difference") < -rule.settings["slack"]) & (pl.col("order_before") >= _END_PRIMARY)
    )
    return _tell(rows, rule, "volatile_acidity")


def malic_rises(view: View, rule: Rule) -> pl.DataFrame:
    """Malic acid that rose after primary ferment by more than two laboratories differ."""
    allowed = rule.settings["plus"] + rule.settings["times"] * pl.col("malic_acid_before")
    rows = _moved(view, "malic_acid").filter(
        (pl.col("difference") > allowed) & (pl.col("order_before") >= _END_PRIMARY)
    )
    return _tell(rows, rule, "malic_acid")


def lactic_falls(view: View, rule: Rule) -> pl.DataFrame:
    """Lactic acid that fell by more than two laboratories differ."""
    allowed = rule.settings["plus"] + rule.settings["times"] * pl.col("lactic_acid_before")
    rows = _moved(view, "lactic_acid").filter(
        (pl.col("difference") < -allowed) & (pl.col("order_before") >= _END_PRIMARY)
    )
    return _tell(rows, rule, "lactic_acid")


def malolactic_balance(view: View, rule: Rule) -> pl.DataFrame:
    """Lactic acid won over malic acid lost: 90.08 / 134.09 = 0.672 g by stoichiometry."""
    rows = with_earlier(
        by_stage(view, "malic_acid", "lactic_acid"),
        ["malic_acid", "lactic_acid", "malic_acid_item", "lactic_acid_item"],
    ).with_columns(
        (pl.col("malic_acid_before") - pl.col("malic_acid")).alias("fall"),
        (pl.col("lactic_acid") - pl.col("lactic_acid_before")).alias("rise"),
    )
    ratio = pl.col("rise") / pl.col("fall")
    rows = rows.filter(
        (pl.col("order_before") >= _END_PRIMARY)
        & (pl.col("fall") > rule.settings["least_fall"])
        & ~ratio.is_between(rule.settings["low"], rule.settings["high"])
    )
    items = ("malic_acid_item", "lactic_acid_item")
    return hits(rows, rule, items=items, fall=num(pl.col("fall")), rise=num(pl.col("rise")), ratio=num(ratio))


def ta_unlike_malic(view: View, rule: Rule) -> pl.DataFrame:
    """Titratable acidity that did not go down with malic acid: 0.56 g/L as tartaric for each g/L."""
    rows = with_earlier(
        by_stage(view, "titratable_acidity", "malic_acid"), ["titratable_acidity", "malic_acid"]
    ).with_columns(
        (pl.col("malic_acid_before") - pl.col("malic_acid")).alias("fall"),
        (pl.col("titratable_acidity") - pl.col("titratable_acidity_before")).alias("difference"),
    )
    slope = rule.settings["per_gram"]
    rows = rows.filter(
        (pl.col("order_before") >= _END_PRIMARY)
        & (pl.col("fall") > rule.settings["least_fall"])
        & (pl.col("difference") > (slope + rule.settings["slack"]) * pl.col("fall"))
    )
    items = ("titratable_acidity_item", "malic_acid_item")
    return hits(rows, rule, items=items, difference=num(pl.col("difference")), fall=num(pl.col("fall")))


def ph_over_malolactic(view: View, rule: Rule) -> pl.DataFrame:
    """pH at the end of malolactic against pH at the end of primary ferment."""
    low, high = rule.settings["low"], rule.settings["high"]
    rows = _moved(view, "ph").filter(
        (pl.col("stage") == "end_mlf")
        & (pl.col("order_before") >= _END_PRIMARY)
        & ~pl.col("difference").is_between(low - 1e-9, high + 1e-9)
    )
    items = ("ph_item", "ph_item_before")
    said = {"low": exact(pl.lit(low)), "high": exact(pl.lit(high))}
    return hits(rows, rule, items=items, difference=num(pl.col("difference")), **said)


def malic_left(view: View, rule: Rule) -> pl.DataFrame:
    """Malic acid that is left where malolactic is said to have ended."""
    rows = view.of("malic_acid").filter(
        (pl.col("stage") == "end_mlf") & (pl.col("value") > rule.settings["high"])
    )
    return hits(rows, rule, value=exact(pl.col("value")))


def alcohol_above_possible(view: View, rule: Rule) -> pl.DataFrame:
    """Alcohol above what the must's sugar can give: (S0 - S) / 15.43 g/L for each % vol, and a slack.

    S0 is the sugar of the must: measured, else what an extract of that Brix would hold at most. Sugar left
    is taken off where it was measured.
    """
    sugar = by_stage(view, "glucose_fructose").select(*VESSEL, "stage", "glucose_fructose")
    rows = by_stage(view, "ethanol").join(_must_sugar(view), on=list(VESSEL), how="inner")
    rows = rows.join(sugar, on=[*VESSEL, "stage"], how="left").filter(pl.col("order") >= _END_PRIMARY)
    used = pl.col("must_sugar") - pl.col("glucose_fructose").fill_null(0.0)
    most = used / rule.settings["sugar_per_percent"] + rule.settings["slack"]
    rows = rows.with_columns(most.alias("most")).filter(pl.col("ethanol") > pl.col("most"))
    return hits(
        rows,
        rule,
        items=("ethanol_item",),
        value=exact(pl.col("ethanol")),
        high=num(pl.col("most")),
    )


def _must_sugar(view: View) -> pl.DataFrame:
    """Sugar of each vessel's must, g/L: the larger of what was measured and what its Brix may hold."""
    brix = by_stage(view, "brix").filter(pl.col("stage").is_in(["juice", "inoculation"]))
    sugar = by_stage(view, "glucose_fructose").filter(pl.col("stage").is_in(["juice", "inoculation"]))
    extract = 10 * pl.col("brix") * curve(formulas.sg_from_brix, pl.col("brix"))
    return (
        pl.concat(
            [
                brix.select(*VESSEL, extract.alias("must_sugar")),
                sugar.select(*VESSEL, pl.col("glucose_fructose").alias("must_sugar")),
            ]
        )
        .group_by(list(VESSEL))
        .agg(pl.col("must_sugar").max())
    )


def alcohol_unlike_brix(view: View, rule: Rule) -> pl.DataFrame:
    """Alcohol of a dry wine over the Brix of its must."""
    low, high = rule.settings["low"], rule.settings["high"]
    must = by_stage(view, "brix").filter(pl.col("stage").is_in(["juice", "inoculation"]))
    must = must.group_by(list(VESSEL)).agg(pl.col("brix").first())
    dry = by_stage(view, "glucose_fructose").filter(pl.col("glucose_fructose") < 4)
    dry = dry.group_by(list(VESSEL)).agg(pl.col("order").min().alias("dry_from"))
    rows = by_stage(view, "ethanol").join(must, on=list(VESSEL), how="inner")
    rows = rows.join(dry, on=list(VESSEL), how="inner").filter(pl.col("order") >= pl.col("dry_from"))
    ratio = pl.col("ethanol") / pl.col("brix")
    rows = rows.filter(~ratio.is_between(low, high))
    return hits(
        rows,
        rule,
        items=("ethanol_item",),
        value=num(pl.col("ethanol")),
        other_value=num(pl.col("brix")),
        ratio=num(ratio),
        low=exact(pl.lit(low)),
        high=exact(pl.lit(high)),
    )


def alcohol_unlike_sugar(view: View, rule: Rule) -> pl.DataFrame:
    """Grams of sugar used for each % vol, where the must's sugar itself was measured."""
    low, high = rule.settings["low"], rule.settings["high"]
    must = by_stage(view, "glucose_fructose").filter(pl.col("stage").is_in(["juice", "inoculation"]))
    must = must.select(*VESSEL, pl.col("glucose_fructose").alias("must_sugar"))
    rows = by_stage(view, "ethanol", "glucose_fructose").join(must, on=list(VESSEL), how="inner")
    ratio = (pl.col("must_sugar") - pl.col("glucose_fructose")) / pl.col("ethanol")
    rows = rows.filter((pl.col("order") >= _END_PRIMARY) & ~ratio.is_between(low, high))
    items = ("ethanol_item", "glucose_fructose_item")
    said = {"low": exact(pl.lit(low)), "high": exact(pl.lit(high))}
    return hits(rows, rule, items=items, ratio=num(ratio), **said)


def alcohol_moves_in_ageing(view: View, rule: Rule) -> pl.DataFrame:
    """Alcohol that moved between the end of primary ferment and bottling."""
    rows = _moved(view, "ethanol").filter(
        (pl.col("difference").abs() > rule.settings["slack"] + 1e-9)
        & (pl.col("order_before") >= _END_PRIMARY)
    )
    return _tell(rows, rule, "ethanol")


def yan_rises(view: View, rule: Rule) -> pl.DataFrame:
    """YAN at the end of primary ferment above that of the must."""
    rows = _moved(view, "yan").filter((pl.col("difference") > 0) & (pl.col("stage") == "end_primary"))
    return _tell(rows, rule, "yan")


def malolactic_with_free_so2(view: View, rule: Rule) -> pl.DataFrame:
    """Malic acid that went on falling though free SO2 was high at the stage before."""
    so2 = by_stage(view, "so2_free").select(*VESSEL, "stage", "so2_free", "so2_free_item")
    rows = by_stage(view, "malic_acid").join(so2, on=[*VESSEL, "stage"], how="left")
    rows = with_earlier(rows, ["malic_acid", "so2_free"])
    fall = pl.col("malic_acid_before") - pl.col("malic_acid")
    rows = rows.filter(
        (pl.col("order_before") >= _END_PRIMARY)
        & (fall > rule.settings["malic_fall"])
        & (pl.col("so2_free_before") > rule.settings["free"])
    )
    return hits(
        rows,
        rule,
        items=("malic_acid_item",),
        difference=num(fall),
        value=num(pl.col("so2_free_before")),
    )


def stage_unlike_chemistry(view: View, rule: Rule) -> pl.DataFrame:
    """Alcohol in must, or sugar where primary ferment is said to have ended."""
    alcohol = (
        (pl.col("analyte") == "ethanol")
        & (pl.col("stage") == "juice")
        & (pl.col("value") > rule.settings["juice_ethanol"])
    )
    sugar = (
        (pl.col("analyte") == "glucose_fructose")
        & (pl.col("stage") == "end_primary")
        & (pl.col("value") > rule.settings["end_primary_sugar"])
    )
    rows = view.of("ethanol", "glucose_fructose").filter(alcohol | sugar)
    return hits(
        rows,
        rule,
        stage=pl.col("stage_name"),
    )


def analyte_not_at_stage(view: View, rule: Rule) -> pl.DataFrame:
    """What is weighed in the vineyard given for wine, and what only ferment makes given for fruit."""
    fruit = [stage.id for stage in view.contract.stages.values() if stage.matrix == ("vineyard",)]
    analytes = view.contract.analytes.values()
    of_vines = [one.id for one in analytes if one.matrix == ("vineyard",)]
    of_wine = [one.id for one in analytes if not {"vineyard", "juice"} & set(one.matrix)]
    analyte, stage = pl.col("analyte"), pl.col("stage")
    late = analyte.is_in(of_vines) & (pl.col("order") > _JUICE)
    early = analyte.is_in(of_wine) & stage.is_in(fruit)
    rows = view.readings.filter(late | early).collect()
    return hits(rows, rule, analyte=pl.col("name"), stage=pl.col("stage_name"))


def refractometer_after_alcohol(view: View, rule: Rule) -> pl.DataFrame:
    """A Brix of 5 or more beside a wine without sugar."""
    rows = together(view, "brix", "glucose_fructose").filter(
        (pl.col("brix") >= rule.settings["brix"])
        & (pl.col("glucose_fructose") < rule.settings["sugar"])
        & (pl.col("stage") != LOG)
    )
    value, other = exact(pl.col("brix")), exact(pl.col("glucose_fructose"))
    return hits(rows, rule, items=("brix_item",), value=value, other_value=other)
