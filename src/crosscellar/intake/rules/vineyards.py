"""Rules about what is weighed and counted in the vineyard: parts that multiply to the whole."""

from __future__ import annotations

import polars as pl

from crosscellar.contract.records import Rule
from crosscellar.intake.rules.hits import exact, hits, num
from crosscellar.intake.rules.view import VESSEL, View, together


def berries_times_weight(view: View, rule: Rule) -> pl.DataFrame:
    """Cluster weight against berries x berry weight; the rachis weighs a few percent."""
    ratio = pl.col("cluster_weight") / (pl.col("berry_weight") * pl.col("berries_per_cluster"))
    return _product(view, rule, ("cluster_weight", "berry_weight", "berries_per_cluster"), ratio)


def clusters_times_weight(view: View, rule: Rule) -> pl.DataFrame:
    """Yield of a vine (kg) against clusters x cluster weight (g)."""
    ratio = pl.col("yield_per_vine") * 1000 / (pl.col("clusters_per_vine") * pl.col("cluster_weight"))
    return _product(view, rule, ("yield_per_vine", "clusters_per_vine", "cluster_weight"), ratio)


def _product(view: View, rule: Rule, analytes: tuple[str, str, str], ratio: pl.Expr) -> pl.DataFrame:
    low, high = rule.settings["low"], rule.settings["high"]
    rows = together(view, *analytes).filter(ratio.is_finite() & ~ratio.is_between(low, high))
    return hits(
        rows,
        rule,
        items=tuple(f"{analyte}_item" for analyte in analytes),
        ratio=num(ratio),
        low=exact(pl.lit(low)),
        high=exact(pl.lit(high)),
    )


def ravaz_differs(view: View, rule: Rule) -> pl.DataFrame:
    """Ravaz index against yield / pruning weight of the same vines, whenever each was weighed."""

    def mean(analyte: str) -> pl.DataFrame:
        of = view.of(analyte)
        return of.group_by(list(VESSEL)).agg(pl.col("value").mean().alias(analyte))

    rows = view.of("ravaz_index")
    rows = rows.join(mean("yield_per_vine"), on=list(VESSEL), how="inner", maintain_order="left")
    rows = rows.join(mean("pruning_weight"), on=list(VESSEL), how="inner", maintain_order="left")
    expected = pl.col("yield_per_vine") / pl.col("pruning_weight")
    off = (pl.col("value") - expected).abs() > rule.settings["relative"] * expected
    rows = rows.filter(expected.is_finite() & off)
    return hits(rows, rule, value=exact(pl.col("value")), expected=num(expected))
