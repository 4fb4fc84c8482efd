"""Rules about the digits as they were typed: rounded to 0 and 5, or two of them exchanged."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import polars as pl

from crosscellar.contract.records import Rule
from crosscellar.intake.beside import few, put_beside
from crosscellar.intake.rules.hits import hits, no_hits, num, share
from crosscellar.intake.rules.view import IN_TAB, IN_TRIAL, View

_NUMBER: Final = r"^[+-]?[0-9]+(?:[.,][0-9]+)?$"
_MOST_DECIMALS: Final = 5
#: Neighbouring digits that may be exchanged, counted from the last.
_PLACES: Final = range(6)
#: The share of two digits of ten.
_FREE: Final = 0.2
#: A column of few different numbers says nothing about its digits.
_DIFFERENT: Final = 8
#: The median of absolute deviations times this is a standard deviation, for a normal law.
_MAD: Final = 1.4826


def _typed(rows: pl.DataFrame) -> pl.DataFrame:
    """Numbers of the batch with `typed`, the number in the sheet, and `decimals`, how many it has."""
    text = pl.col("text_sent").str.strip_chars()
    rows = rows.filter(pl.col("item_no").is_not_null() & text.str.contains(_NUMBER))
    after = text.str.extract(r"[.,]([0-9]+)$").fill_null("").str.len_chars()
    return rows.with_columns(
        text.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False).alias("typed"),
        after.cast(pl.Int32).alias("decimals"),
    ).filter(pl.col("decimals") <= _MOST_DECIMALS)


def terminal_digits(view: View, rule: Rule) -> pl.DataFrame:
    """Columns in which far more readings end in 0 or 5 than measured digits would: upper tail of B(n, 0.2).

    The last digit is that of the column's most decimals: a spreadsheet drops closing zeros. Whole numbers and
    ferment logs, read off coarse scales, are left out.
    """
    column = "in_tab"
    # Each different text of a column is read once, however often it stands there.
    some = view.sampled.filter(pl.col("item_no").is_not_null())
    texts = some.select("text_sent", "item_no", "name", in_tab=IN_TAB).collect()
    sizes = texts.group_by(column).len()
    large = sizes.filter(pl.col("len") >= rule.settings["least"])
    if large.is_empty():
        return no_hits()
    if large.height < sizes.height:
        texts = texts.join(large, on=column, how="semi", maintain_order="left")
    texts = texts.group_by([column, "text_sent"], maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("times"), pl.col("item_no", "name").first()
    )
    rows = _typed(texts).with_columns(pl.col("decimals").max().over(column).alias("places"))
    last = ((pl.col("typed").abs() * 10.0 ** pl.col("places")).round(0) % 10).cast(pl.Int32)
    columns = (
        rows.filter(pl.col("places") > 0)
        .group_by(column, maintain_order=True)
        .agg(
            pl.col("times").sum().alias("total"),
            pl.col("times").filter(last.is_in([0, 5])).sum().alias("ending"),
            pl.col("typed").n_unique().alias("different"),
            pl.col("item_no").first(),
            pl.col("name").first(),
        )
        .filter((pl.col("total") >= rule.settings["least"]) & (pl.col("different") >= _DIFFERENT))
        .filter(least_tail(pl.col("ending"), pl.col("total"), _FREE) < rule.settings["p"])
    )
    if columns.is_empty():
        return no_hits()
    tails = [
        upper_tail(ending, total, _FREE)
        for ending, total in zip(*columns.select("ending", "total"), strict=True)
    ]
    rounded = columns.filter(pl.Series(tails, dtype=pl.Float64) < rule.settings["p"])
    return hits(rounded, rule, analyte=pl.col("name"), share=share(pl.col("ending") / pl.col("total")))


def upper_tail(successes: int, trials: int, chance: float) -> float:
    """The chance of so many successes or more under B(trials, chance).

    From the first term on, each is the one before times (n - k) p / ((k + 1) (1 - p)). They are added up
    here, as scipy takes longer to load than a sheet of a few hundred readings to judge.
    """
    if successes <= trials * chance:
        return 1.0 - upper_tail(trials - successes + 1, trials, 1 - chance) if successes > 0 else 1.0
    counts = np.arange(successes, trials, dtype=np.float64)
    ratios = (trials - counts) / (counts + 1) * (chance / (1 - chance))
    ways = math.lgamma(trials + 1) - math.lgamma(successes + 1) - math.lgamma(trials - successes + 1)
    first = math.exp(ways + successes * math.log(chance) + (trials - successes) * math.log1p(-chance))
    return first * (1 + float(np.cumprod(ratios).sum()))


def least_tail(successes: pl.Expr, trials: pl.Expr, chance: float) -> pl.Expr:
    """What the upper tail of B(trials, chance) is at least: most columns need no exact one.

    exp(-n D) / sqrt(8 n a (1 - a)) for a share `a` above the chance, D the relative entropy of `a` to it
    (Ash 1965, Information Theory, lemma 4.7.2); a quarter up to the chance (Greenberg and Mohri 2014), 0
    where all succeed. Both from memory.
    """
    share_of = successes / trials
    entropy = share_of * (share_of / chance).log()
    entropy += (1 - share_of) * ((1 - share_of) / (1 - chance)).log()
    bound = (-trials * entropy).exp() / (8 * trials * share_of * (1 - share_of)).sqrt()
    return pl.when(share_of <= chance).then(0.25).when(share_of >= 1).then(0.0).otherwise(bound)


def digits_swapped(view: View, rule: Rule) -> pl.DataFrame:
    """Numbers far from the others of their trial that two digits exchanged would bring back among them.

    How far is counted in robust standard deviations of an analyte at a stage within trials, all trials of the
    network together, the store's included. Only numbers that stand as typed are looked at.
    """
    told = ("item_no", "value", "text_sent", "name", "in_unit")
    sampled = view.sampled.select("kind_no", *told, trial=IN_TRIAL).collect()
    # The many small groups of trials are told apart in half the time where each stands together.
    grouped = sampled.select("trial", "value").sort("trial").group_by("trial", maintain_order=True)
    trials = grouped.agg(pl.len().alias("beside"), pl.col("value").median().alias("middle"))
    trials = trials.filter(pl.col("beside") > rule.settings["least_beside"])
    middle = put_beside(sampled.select("trial"), trials.select("trial", "middle"), "trial")["middle"]
    apart = sampled.select("kind_no", off=(sampled["value"] - middle).abs())
    within = apart.drop_nulls("off").group_by("kind_no")
    kinds = within.agg((pl.col("off").median() * _MAD).alias("spread"), pl.len().alias("peers"))
    kinds = kinds.filter((pl.col("peers") > rule.settings["least_peers"]) & (pl.col("spread") > 0))
    spread = put_beside(apart.select("kind_no"), kinds.select("kind_no", "spread"), "kind_no")["spread"]
    far = few(sampled.with_columns(middle, spread), apart["off"] / spread > rule.settings["far"])
    rows = _typed(far).filter(pl.col("typed") == pl.col("value"))
    if rows.is_empty():
        return no_hits()
    scale = 10.0 ** pl.col("decimals")
    whole = (pl.col("value").abs() * scale).round(0).cast(pl.Int64)
    candidates = []
    for place in _PLACES:
        low, high = 10**place, 10 ** (place + 1)
        one, other = (whole // low) % 10, (whole // high) % 10
        there = whole >= high
        exchanged = whole + (one - other) * high + (other - one) * low
        # nobody types a zero in front: the first digit of a number is exchanged with another only
        led = (whole // high >= 10) | (one > 0)
        candidates.append(
            pl.when(there & led & (one != other)).then(exchanged / scale * pl.col("value").sign())
        )
    fits = [
        pl.when((candidate - pl.col("middle")).abs() < rule.settings["near"] * pl.col("spread")).then(
            candidate
        )
        for candidate in candidates
    ]
    rows = rows.with_columns(pl.coalesce(fits).alias("suggested")).drop_nulls("suggested")
    return hits(
        rows,
        rule,
        suggested=num(pl.col("suggested")),
    )
