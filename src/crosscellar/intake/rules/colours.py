"""Rules about colour, tannin and aroma: what the wine's own colour, oak and method make likely."""

from __future__ import annotations

from typing import Final

import polars as pl

from crosscellar.contract.records import Rule
from crosscellar.intake.rules.elsewhere import elsewhere
from crosscellar.intake.rules.hits import exact, hits, no_hits, num
from crosscellar.intake.rules.view import View, together

_WINE: Final = 60
_AROMAS: Final = ("oak", "volatile phenols", "grape aroma", "ferment aroma", "taints", "sulfides")
_OAK: Final = r"\b(oak|barrel|barrique|puncheon|hogshead|foudre|stave|chip|cask|wood)"
#: Peers that themselves range over more than this (half the spread of the middle half, in decades) say
#: nothing about a factor of a thousand.
_STEADY: Final = 0.5
_LEAST: Final = 3


def colour_unlike_wine(view: View, rule: Rule) -> pl.DataFrame:
    """Reds without colour and whites with it, once the wine is made."""
    low_red = (
        (pl.col("colour") == "red")
        & (pl.col("analyte") == "a520")
        & (pl.col("value") <= rule.settings["red_a520"])
    )
    white = pl.col("colour") == "white"
    high_white = white & (
        ((pl.col("analyte") == "a520") & (pl.col("value") >= rule.settings["white_a520"]))
        | ((pl.col("analyte") == "anthocyanins") & (pl.col("value") >= rule.settings["white_anthocyanins"]))
    )
    rows = view.of("a520", "anthocyanins").filter((pl.col("order") >= _WINE) & (low_red | high_white))
    return hits(rows, rule, analyte=pl.col("name"), value=exact(pl.col("value")), colour=pl.col("colour"))


def chroma_differs(view: View, rule: Rule) -> pl.DataFrame:
    """Chroma and hue angle against what a* and b* give: the root of their squares, and their angle."""
    a, b = pl.col("cielab_a"), pl.col("cielab_b")
    chroma = (a**2 + b**2).sqrt()
    length = together(view, "cielab_c", "cielab_a", "cielab_b").with_columns(chroma.alias("expected"))
    length = length.filter((pl.col("cielab_c") - pl.col("expected")).abs() > rule.settings["slack"])
    angle = together(view, "cielab_h", "cielab_a", "cielab_b").with_columns(
        pl.arctan2(b, a).degrees().alias("expected"), chroma.alias("chroma")
    )
    turn = (pl.col("cielab_h") - pl.col("expected") + 180) % 360 - 180
    angle = angle.filter(
        (turn.abs() > rule.settings["slack_degrees"]) & (pl.col("chroma") > rule.settings["least_chroma"])
    )
    names = view.contract.analytes
    return pl.concat(
        [
            hits(
                rows,
                rule,
                items=(f"{analyte}_item",),
                analyte=pl.lit(names[analyte].name),
                value=exact(pl.col(analyte)),
                expected=num(pl.col("expected")),
            )
            for analyte, rows in (("cielab_c", length), ("cielab_h", angle))
        ]
    )


def tannin_methods_mixed(view: View, rule: Rule) -> pl.DataFrame:
    """Trials in which some vessels have their tannin by one method only, and others by the other only."""
    contrast = ["trial_id", "stage"]
    rows = view.of(*rule.analytes)
    vessels = rows.group_by([*contrast, "vessel_id"], maintain_order=True).agg(
        pl.col("analyte").unique().sort().str.join("+").alias("methods"),
        pl.col("item_no").drop_nulls().first(),
    )
    only = vessels.filter(pl.col("methods").is_in(rule.analytes))
    mixed = only.group_by(contrast, maintain_order=True).agg(
        pl.col("methods").n_unique().alias("several"), pl.col("item_no").drop_nulls().first()
    )
    return hits(mixed.filter(pl.col("several") > 1), rule)


def aroma_unit_slip(view: View, rule: Rule) -> pl.DataFrame:
    """Columns of an aroma compound a thousand times off all others: the whole column waits.

    Too high counts where the values are unusual as they stand; too low where they lie under what the method
    sees or what is usual.
    """
    aromas = [one.id for one in view.contract.analytes.values() if one.group in _AROMAS]
    sees = {one.id: one.detection_limit_typical for one in view.contract.analytes.values()}
    asked = ("file_no", "sheet", "analyte", "stage", "item_no", "value", "unusual_low", "unusual_high")
    rows = view.of(*aromas, columns=(*asked, "name", "in_unit")).filter(pl.col("value") > 0)
    rows = rows.with_columns(
        pl.col("value").log10().alias("decades"),
        pl.col("analyte").replace_strict(sees, default=None, return_dtype=pl.Float64).alias("sees"),
    )
    place, group = ["file_no", "sheet"], ["analyte", "stage"]
    column = [*place, *group]
    columns = rows.filter(pl.col("item_no").is_not_null()).group_by(column, maintain_order=True).agg(
        pl.col("decades").median().alias("middle"),
        pl.len().alias("readings"),
        pl.col("unusual_low", "unusual_high", "sees").first(),
    )  # fmt: skip
    level = 10.0 ** pl.col("middle")
    unusual = (level > pl.col("unusual_high")) | (level < pl.max_horizontal("sees", "unusual_low"))
    columns = columns.filter(unusual & (pl.col("readings") >= _LEAST))
    if columns.is_empty():
        return no_hits()
    peers = elsewhere(rows, columns, place, group)
    off = pl.col("middle") - pl.col("there")
    far = (off.abs() - rule.settings["decades"]).abs() <= rule.settings["within"]
    found, floor = 10.0 ** pl.col("middle"), pl.max_horizontal("sees", "unusual_low")
    unlikely = pl.when(off > 0).then(found > pl.col("unusual_high")).otherwise(found < floor)
    slipped = columns.join(peers, on=column, how="inner").filter(
        far & unlikely & (pl.col("spread") < _STEADY) & (pl.col("peers") >= _LEAST)
    )
    if slipped.is_empty():
        return no_hits()
    told = rows.join(
        slipped.select(*column, "middle", "there"), on=column, how="inner", maintain_order="left"
    )
    return hits(
        told.filter(pl.col("item_no").is_not_null()),
        rule,
        at=pl.col("item_no").first().over(column),
        ratio=num(10.0 ** (pl.col("middle") - pl.col("there"))),
    )


def oak_without_oak(view: View, rule: Rule) -> pl.DataFrame:
    """Oak lactone where neither vessel, arm nor question of the register speaks of oak or a barrel."""
    rows = view.of("whisky_lactone_cis").filter(
        (pl.col("value") > rule.settings["high"])
        & ~pl.col("about").str.contains(_OAK)
        & (pl.col("about").str.strip_chars() != "")
    )
    return hits(rows, rule, value=exact(pl.col("value")))


def ethylphenol_ratio(view: View, rule: Rule) -> pl.DataFrame:
    """4-ethylphenol over 4-ethylguaiacol, where there is enough of the first to tell."""
    low, high = rule.settings["low"], rule.settings["high"]
    ratio = pl.col("ethylphenol_4") / pl.col("ethylguaiacol_4")
    rows = together(view, "ethylphenol_4", "ethylguaiacol_4").filter(
        (pl.col("ethylphenol_4") > rule.settings["least"])
        & (pl.col("ethylguaiacol_4") > 0)
        & ~ratio.is_between(low, high)
    )
    items = ("ethylphenol_4_item", "ethylguaiacol_4_item")
    said = {"low": exact(pl.lit(low)), "high": exact(pl.lit(high))}
    return hits(rows, rule, items=items, ratio=num(ratio), **said)
