"""Rules that ask the same analyte elsewhere: slips of the decimal or the unit, columns exchanged."""

from __future__ import annotations

from typing import Final

import polars as pl

from crosscellar.contract.records import Rule
from crosscellar.intake.rules.elsewhere import elsewhere
from crosscellar.intake.rules.hits import exact, hits, no_hits, num
from crosscellar.intake.rules.view import LOG, View, usual

_GROUP: Final = ["analyte", "stage", "colour"]
_PLACE: Final = ["file_no", "sheet"]
_COLUMN: Final = [*_PLACE, *_GROUP]
#: What a slip is judged by, and what is said of it.
_TOLD: Final = (*_COLUMN, "item_no", "value", "decades", "unusual_low", "unusual_high", "name", "in_unit")
#: Peers that themselves range over more than this (half the spread of the middle half, in decades) say
#: nothing about a factor of ten.
_STEADY: Final = 0.15
#: How many decades two columns must be off, together, before and after an exchange.
_OFF: Final = 0.6
_NEAR: Final = 0.3
_PAIRS: Final = (
    ("so2_free", "so2_total"),
    ("malic_acid", "lactic_acid"),
    ("glucose", "fructose"),
    ("a420", "a520"),
    ("calcium", "potassium"),
)
_DECADES: Final = (-2, -1, 1, 2)
#: Factors under this could be a difference between wines; they are left to the rules that name them.
_LEAST_FACTOR: Final = 4.0
_WINE: Final = 60


def _steady(view: View) -> pl.Expr:
    """Whether an analyte keeps within some decades in sound wine.

    Those that may go to nothing (sugar left, malic acid, free SO2) have no such spread: a factor of ten or a
    hundred may be a ferment that stopped, and their partners and series are asked instead.
    """
    known = [analyte for analyte, record in view.contract.analytes.items() if record.spread_decades]
    return pl.col("analyte").is_in(known)


def decimal_slip(view: View, rule: Rule) -> pl.DataFrame:
    """Values ten or a hundred times off their peers, unusual as they stand and usual without the slip.

    Peers are readings of the same analyte, stage and colour of wine, the store's included. They count where
    there are enough of them, beside this one, and where they lie close together.
    """
    rows = view.unusual.filter(_steady(view) & pl.col("item_no").is_not_null())
    if rows.is_empty():
        return no_hits()
    groups = (
        view.positive.join(rows.lazy(), on=_GROUP, how="semi", nulls_equal=True)
        .select(*_GROUP, "decades")
        .collect()
        .group_by(_GROUP)
        .agg(
            pl.len().alias("peers"),
            pl.col("decades").median().alias("middle"),
            ((pl.col("decades").quantile(0.75) - pl.col("decades").quantile(0.25)) / 2).alias("spread"),
        )
    )
    rows = rows.join(groups, on=_GROUP, how="left", nulls_equal=True, maintain_order="left")
    off = pl.col("decades") - pl.col("middle")
    step = pl.lit(None, dtype=pl.Float64)
    for decade in _DECADES:
        step = (
            pl.when((off - decade).abs() < rule.settings["within_decades"])
            .then(float(decade))
            .otherwise(step)
        )
    rows = rows.with_columns(step.alias("step")).filter(
        pl.col("step").is_not_null()
        & (pl.col("peers") > rule.settings["least_peers"])
        & (pl.col("spread") < _STEADY)
    )
    rows = rows.with_columns((pl.col("value") / 10.0 ** pl.col("step")).round_sig_figs(12).alias("suggested"))
    rows = rows.filter(usual(pl.col("suggested")))
    slipped = _slipped_columns(view, rule.settings["within_decades"], 3)
    rows = rows.join(slipped.select(_COLUMN), on=_COLUMN, how="anti", nulls_equal=True)
    return hits(
        rows,
        rule,
        ratio=num(10.0 ** pl.col("step")),
        suggested=exact(pl.col("suggested")),
    )


def _slipped_columns(view: View, within: float, least_peers: float) -> pl.DataFrame:
    """Columns of the batch whose median is a factor of the unit table away from that of all others."""
    # A column of which no value is unusual has no unusual middle.
    odd = view.unusual.filter(pl.col("item_no").is_not_null()).select(_COLUMN).unique()
    of_odd = view.positive.filter(pl.col("analyte").is_in(odd["analyte"].unique().implode()))
    rows = of_odd.select(_TOLD).collect()
    own = rows.filter(pl.col("item_no").is_not_null())
    own = own.join(odd, on=_COLUMN, how="semi", nulls_equal=True, maintain_order="left")
    columns = own.group_by(_COLUMN, maintain_order=True).agg(
        pl.col("decades").median().alias("middle"),
        pl.len().alias("readings"),
        pl.col("name", "in_unit", "unusual_low", "unusual_high").first(),
    )  # fmt: skip
    # What is usual as it stands is never told: only the others are held against their peers.
    columns = columns.filter((pl.col("readings") >= least_peers) & ~usual(10.0 ** pl.col("middle")))
    if columns.is_empty():
        return columns.with_columns(factor=pl.lit(1.0), choices=pl.lit(""))
    peers = elsewhere(rows, columns, _PLACE, _GROUP).rename({"there": "peer_middle"})
    columns = columns.join(peers, on=_COLUMN, how="inner", nulls_equal=True).filter(
        (pl.col("peers") >= least_peers) & (pl.col("spread") < _STEADY)
    )
    near = columns.join(_factors(view, columns), on="analyte", how="inner").filter(
        (pl.col("middle") - pl.col("peer_middle") - pl.col("factor").log10()).abs() <= within
    )
    found = 10.0 ** pl.col("middle")
    near = near.filter(~usual(found) & usual(found / pl.col("factor")))
    gap = (pl.col("middle") - pl.col("peer_middle") - pl.col("factor").log10()).abs()
    return near.with_columns(gap.alias("gap")).sort("gap").unique(_COLUMN, keep="first", maintain_order=True)


def _factors(view: View, columns: pl.DataFrame) -> pl.DataFrame:
    """How far a column lies off when a listed unit of its analyte was meant and the usual one was read."""
    rows: dict[tuple[str, float], str] = {}
    for analyte in columns["analyte"].unique().sort().to_list():
        for unit in view.contract.analytes[analyte].units:
            reading = view.contract.read_unit(analyte, unit)
            if reading.formula or reading.offset or not reading.factor:
                continue
            factor = (
                reading.alternatives[0].factor
                if reading.outcome == "needs_basis" and reading.alternatives
                else reading.factor
            )
            if max(factor, 1 / factor) >= _LEAST_FACTOR:
                rows.setdefault((analyte, 1 / factor), unit)
    return pl.DataFrame(
        [(analyte, factor, unit) for (analyte, factor), unit in rows.items()],
        schema={"analyte": pl.String, "factor": pl.Float64, "choices": pl.String},
        orient="row",
    )


def _levels(view: View, *analytes: str) -> pl.DataFrame:
    """What is `positive` of these analytes."""
    asked = (*(name for name in _TOLD if name != "decades"), "lab")
    rows = view.of(*analytes, columns=asked).filter((pl.col("value") > 0) & (pl.col("stage") != LOG))
    return rows.with_columns(pl.col("value").log10().alias("decades"))


def unit_slip(view: View, rule: Rule) -> pl.DataFrame:
    """Columns that are a unit's factor away from all others: the whole column waits."""
    slipped = _slipped_columns(view, rule.settings["within_decades"], rule.settings["least_peers"])
    if slipped.is_empty():
        return no_hits()
    told = slipped.select(*_COLUMN, "factor", "choices", "middle", "peer_middle")
    rows = view.positive.filter(pl.col("item_no").is_not_null()).select(*_TOLD).collect()
    return hits(
        rows.join(told, on=_COLUMN, how="inner", nulls_equal=True, maintain_order="left"),
        rule,
        at=pl.col("item_no").first().over(_COLUMN),
        ratio=num(10.0 ** (pl.col("middle") - pl.col("peer_middle"))),
        choices=pl.col("choices"),
    )


def columns_swapped_pair(view: View, rule: Rule) -> pl.DataFrame:
    """Two columns whose levels are each other's: in line with all others only if they are exchanged."""
    return pl.concat([_exchanged(view, rule, one, other) for one, other in _PAIRS])


def _exchanged(view: View, rule: Rule, one: str, other: str) -> pl.DataFrame:
    rows = _levels(view, one, other).select(_TOLD)
    place = ["file_no", "sheet", "stage", "colour"]
    levels = rows.filter(pl.col("item_no").is_not_null()).group_by([*place, "analyte"]).agg(
        pl.col("decades").median().alias("here"), pl.len().alias("readings")
    )  # fmt: skip
    levels = levels.filter(pl.col("readings") >= 3)
    if levels["analyte"].n_unique() < 2:
        return no_hits()
    there = elsewhere(rows, levels, _PLACE, _GROUP).drop("spread")
    levels = levels.join(there, on=_COLUMN, how="inner", nulls_equal=True).filter(pl.col("peers") >= 3)
    first = levels.filter(pl.col("analyte") == one).drop("analyte", "readings", "peers")
    second = levels.filter(pl.col("analyte") == other).drop("analyte", "readings", "peers")
    both = first.join(second, on=place, how="inner", suffix="_other", nulls_equal=True)
    now = (pl.col("here") - pl.col("there")).abs() + (pl.col("here_other") - pl.col("there_other")).abs()
    then = (pl.col("here") - pl.col("there_other")).abs() + (pl.col("here_other") - pl.col("there")).abs()
    found = both.filter((now > _OFF) & (then < _NEAR)).select(place)
    told = rows.join(found, on=place, how="inner", nulls_equal=True, maintain_order="left")
    told = told.filter(pl.col("item_no").is_not_null())
    names = view.contract.analytes
    return hits(
        told,
        rule,
        at=pl.col("item_no").first().over(place),
        analyte=pl.lit(names[one].name),
        other=pl.lit(names[other].name),
    )


def ph_and_ta_swapped(view: View, rule: Rule) -> pl.DataFrame:
    """Tabs in which most pH are no pH and most acidities would be one; refused values count too."""
    low, high = rule.settings["low"], rule.settings["high"]
    value, sheet = pl.col("value"), ["file_no", "sheet"]
    rows = view.typed.filter(
        pl.col("analyte").is_in(["ph", "titratable_acidity"]) & (pl.col("qualifier") == "")
    )
    is_ph = pl.col("analyte") == "ph"
    odd = pl.when(is_ph).then(~value.is_between(low, high)).otherwise(value.is_between(low, high))
    rows = rows.with_columns(odd.alias("odd")).with_columns(
        pl.col("odd").filter(is_ph).mean().over(sheet).alias("ph_odd"),
        pl.col("odd").filter(~is_ph).mean().over(sheet).alias("ta_odd"),
        pl.col("odd").filter(is_ph).sum().over(sheet).alias("count"),
    )
    share = rule.settings["share"]
    rows = rows.filter((pl.col("ph_odd") >= share) & (pl.col("ta_odd") >= share) & (pl.col("count") >= 2))
    return hits(rows, rule, at=pl.col("item_no").first().over(sheet), count=exact(pl.col("count")))


def ta_as_sulfuric(view: View, rule: Rule) -> pl.DataFrame:
    """A laboratory whose titratable acidity is, stage by stage, two thirds of what all others find."""
    group = ["stage", "colour"]
    rows = _levels(view, "titratable_acidity").filter(pl.col("lab") != "")
    levels = rows.group_by([*group, "lab"]).agg(
        pl.col("decades").median().alias("here"), pl.len().alias("readings"),
        pl.col("item_no").drop_nulls().first(),
    )  # fmt: skip
    others = levels.join(levels, on=group, how="inner", suffix="_other", nulls_equal=True)
    others = others.filter((pl.col("lab") != pl.col("lab_other")) & (pl.col("readings_other") >= 6))
    both = others.filter(pl.col("readings") >= 6).group_by("lab", maintain_order=True).agg(
        (pl.col("here") - pl.col("here_other")).median().alias("gap"),
        pl.col("item_no").drop_nulls().first(),
    )  # fmt: skip
    ratio = 10.0 ** pl.col("gap")
    off = (ratio - rule.settings["ratio"]).abs() <= rule.settings["within"]
    return hits(both.filter(off), rule)


def ta_in_g_per_100ml(view: View, rule: Rule) -> pl.DataFrame:
    """Columns of titratable acidity that are all in the range of g/100 mL."""
    sheet = ["file_no", "sheet"]
    rows = view.typed.filter((pl.col("analyte") == "titratable_acidity") & (pl.col("qualifier") == ""))
    middle = pl.col("value").median().over(sheet)
    rows = rows.filter(
        middle.is_between(rule.settings["low"], rule.settings["high"]) & (pl.len().over(sheet) >= 2)
    )
    return hits(
        rows,
        rule,
        at=pl.col("item_no").first().over(sheet),
        value=num(pl.col("value").median().over(sheet)),
        suggested=num(10 * pl.col("value").median().over(sheet)),
    )


def va_in_g_per_100ml(view: View, rule: Rule) -> pl.DataFrame:
    """Columns of volatile acidity in wine that are all low, and usual if they were g/100 mL."""
    sheet = ["file_no", "sheet"]
    rows = view.of("volatile_acidity").filter((pl.col("order") >= _WINE) & pl.col("item_no").is_not_null())
    value = pl.col("value")
    rows = rows.with_columns(
        value.median().over(sheet).alias("middle"),
        value.max().over(sheet).alias("highest"),
        (10 * value <= pl.col("unusual_high")).all().over(sheet).alias("would_fit"),
        pl.len().over(sheet).alias("cells"),
    ).filter(
        (pl.col("middle") < rule.settings["median"])
        & (pl.col("highest") < rule.settings["highest"])
        & pl.col("would_fit")
        & (pl.col("cells") >= rule.settings["least"])
    )
    return hits(
        rows,
        rule,
        at=pl.col("item_no").first().over(sheet),
        value=num(pl.col("middle")),
        suggested=num(10 * pl.col("middle")),
    )
