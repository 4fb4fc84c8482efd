"""Rules about what a laboratory states of itself: its limits, its end point, its basis beside another's."""

from __future__ import annotations

import re
from typing import Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.records import Rule
from crosscellar.intake.rules.hits import exact, hits, no_hits, num
from crosscellar.intake.rules.view import LOG, SAMPLE, View

#: The two end points of a titration, as a method names them (7, 7.0 or 8.2; a decimal comma too).
_END_POINT: Final = r"(^|[^0-9.,])(7([.,]0)?|8[.,]2)($|[^0-9.,])"
_NUMBERS: Final = re.compile(r"\d+(?:\.\d+)?")
#: Some limits on acids are printed rounded, beside the equivalents that they stand for.
_EQUIVALENTS: Final = re.compile(r"(\d+(?:\.\d+)?) (meq/L)$")
#: Some wine analyses are judged once the wine is made.
_END_PRIMARY: Final = 60


def below_laboratory_limit(view: View, rule: Rule) -> pl.DataFrame:
    """Numbers under the limit that their laboratory declared, or else wrote as `<limit` beside them."""
    column = ["file_no", "sheet", "lab_key", "analyte"]
    some = view.readings.filter(pl.col("item_no").is_not_null() & (pl.col("stage") != LOG))
    written = some.filter(pl.col("qualifier") == "<").group_by(column)
    limits = written.agg(pl.col("value").min().alias("limit"), pl.col("analyte_no").first()).collect()
    highest = limits.group_by("analyte_no").agg(pl.col("limit").max())
    limits = limits.drop("analyte_no")
    numbers = some.filter((pl.col("qualifier") == "") & (pl.col("value") > 0))
    below_any = pl.col("value") < pl.max_horizontal(
        "declared_limit",
        pl.col("analyte_no").replace_strict(
            highest["analyte_no"], highest["limit"], default=None, return_dtype=pl.Float64
        ),
    )
    asked = (*column, "value", "declared_limit", "item_no", "name", "in_unit")
    rows = numbers.filter(below_any).select(asked).collect()
    rows = rows.join(limits, on=column, how="left", nulls_equal=True, maintain_order="left")
    rows = rows.with_columns(pl.coalesce("declared_limit", "limit").alias("limit"))
    rows = rows.filter(pl.col("value") < pl.col("limit"))
    return hits(
        rows,
        rule,
        limit=exact(pl.col("limit")),
    )


def limit_differs_by_arm(view: View, rule: Rule) -> pl.DataFrame:
    """Trials whose arms are cut off at different limits: what is under the limit then differs by arm."""
    contrast = ["trial_id", "stage", "analyte"]
    # Of a ferment log, where cellars and not laboratories measure, no limit is judged.
    limits = (pl.col("qualifier") == "<") & (pl.col("value") > 0) & (pl.col("stage") != LOG)
    cut = view.readings.filter(limits).collect()
    arms = cut.group_by([*contrast, "arm_id"], maintain_order=True).agg(
        pl.col("value").max().alias("limit"),
        pl.col("item_no").drop_nulls().first(),
        pl.col("name", "in_unit").first(),
    )
    low, high = pl.col("limit").min().over(contrast), pl.col("limit").max().over(contrast)
    told = arms.with_columns(
        low.alias("low"), high.alias("high"), pl.col("item_no").drop_nulls().first().over(contrast)
    )
    told = told.filter(pl.col("high") > rule.settings["ratio"] * pl.col("low"))
    return hits(
        told.unique(contrast, keep="first", maintain_order=True),
        rule,
        low=exact(pl.col("low")),
        high=exact(pl.col("high")),
    )


def end_point_missing(view: View, rule: Rule) -> pl.DataFrame:
    """Titratable acidity of a laboratory that nowhere names its end point: once a file and laboratory."""
    said = pl.col("method").fill_null("") + " " + pl.col("declared_method")
    rows = view.of("titratable_acidity").filter(
        pl.col("item_no").is_not_null() & ~said.str.contains(_END_POINT)
    )
    return hits(rows.unique(["file_no", "lab_key"], keep="first", maintain_order=True), rule)


def laboratories_at_a_factor(view: View, rule: Rule) -> pl.DataFrame:
    """Two laboratories whose readings of the same samples stand at the steady ratio of two bases.

    Wines differ by as much as a basis does, so that levels alone show nothing; the same samples measured
    twice do. The ratio counts where `least` samples agree on it within `within_decades`.
    """
    columns = [*SAMPLE, "analyte", "lab_key", "lab", "name", "item_no"]
    lab, named = pl.col("lab_key"), view.positive.filter(pl.col("lab_key") != "")
    trials = named.group_by("trial_no").agg((lab.min() != lab.max()).alias("several")).filter("several")
    several = trials.select("trial_no").collect().to_series()
    if several.is_empty():
        return no_hits()
    rows = named.filter(pl.col("trial_no").is_in(several.implode())).select(*columns, "decades").collect()
    pairs = rows.join(rows, on=[*SAMPLE, "analyte"], how="inner", suffix="_other", nulls_equal=True)
    pairs = pairs.filter(pl.col("lab_key") < pl.col("lab_key_other"))
    gap = pl.col("decades") - pl.col("decades_other")
    both = pairs.group_by(["analyte", "lab_key", "lab_key_other"], maintain_order=True).agg(
        gap.median().alias("gap"),
        (gap.max() - gap.min()).alias("spread"),
        pl.len().alias("samples"),
        pl.coalesce("item_no", "item_no_other").drop_nulls().first().alias("item_no"),
        pl.col("name", "lab", "lab_other").first(),
    )
    within = rule.settings["within_decades"]
    both = both.filter((pl.col("samples") >= rule.settings["least"]) & (pl.col("spread") <= 2 * within))
    if both.is_empty():
        return no_hits()
    near = both.join(_basis_factors(view.contract), on="analyte", how="inner").with_columns(
        (pl.col("gap") - pl.col("factor").log10()).abs().alias("off")
    )
    near = near.filter(pl.col("off") <= within).sort("off")
    near = near.unique(["analyte", "lab_key", "lab_key_other"], keep="first", maintain_order=True)
    return hits(
        near,
        rule,
        value=pl.col("lab"),
        other=pl.col("lab_other"),
        ratio=num(10.0 ** pl.col("gap")),
        choices=pl.col("bases"),
    )


def _basis_factors(contract: Contract) -> pl.DataFrame:
    """The ratio between every two bases of an analyte: analyte, factor, the two names."""
    rows = [
        (analyte, other / one, f"{first} and {second}")
        for family in contract.families.values()
        for analyte in family.analytes
        for first, one in family.factors.items()
        for second, other in family.factors.items()
        if first != second
    ]
    return pl.DataFrame(rows, schema=["analyte", "factor", "bases"], orient="row")


def legal_information(view: View, rule: Rule) -> pl.DataFrame:
    """Readings of wine above every upper limit that a jurisdiction's print gives for their analyte.

    Information only: which limit holds for a wine, and whether, the code of the place says.
    """
    limits = _printed_limits(view.contract, rule.analytes)
    asked = ("item_no", "analyte", "value", "name", "in_unit", "order")
    rows = view.of(*limits["analyte"].unique().to_list(), columns=asked)
    above = rows.filter((pl.col("order") >= _END_PRIMARY) & pl.col("item_no").is_not_null())
    above = above.join(limits, on="analyte", how="inner", maintain_order="left").filter(
        pl.col("value") > pl.col("high")
    )
    told = above.group_by("item_no", maintain_order=True).agg(
        pl.col("name", "value", "in_unit").first(),
        pl.col("high").min(),
        pl.col("jurisdiction").sort().str.join(", "),
    )
    return hits(
        told,
        rule,
        jurisdiction=pl.col("jurisdiction"),
        high=exact(pl.col("high")),
    )


def _printed_limits(contract: Contract, analytes: tuple[str, ...]) -> pl.DataFrame:
    """The highest upper limit that each jurisdiction prints for an analyte, in canonical units."""
    highest: dict[tuple[str, str], float] = {}
    for limit in contract.legal_limits:
        if limit.parameter not in analytes or limit.comparator != "<=":
            continue
        basis = limit.basis.removeprefix("as ").split(",")[0].split(";")[0].strip()
        exact_limit = _EQUIVALENTS.match(basis)
        printed, unit = exact_limit.groups() if exact_limit else (limit.limit, limit.unit)
        reading = contract.read_unit(limit.parameter, unit, declared_basis=None if exact_limit else basis)
        if not reading.usable:
            continue
        number = pl.Series([float(max(_NUMBERS.findall(printed), key=float))])
        key = limit.jurisdiction, limit.parameter
        highest[key] = max(highest.get(key, 0.0), float(contract.convert(number, reading)[0]))
    return pl.DataFrame(
        [(*key, high) for key, high in highest.items()],
        schema={"jurisdiction": pl.String, "analyte": pl.String, "high": pl.Float64},
        orient="row",
    )
