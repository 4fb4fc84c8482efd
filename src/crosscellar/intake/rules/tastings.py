"""Rules about triangle sessions and score sheets as a whole."""

from __future__ import annotations

import polars as pl

from crosscellar.contract.records import Rule
from crosscellar.intake.rules.hits import exact, hits, no_hits, num
from crosscellar.intake.rules.view import View

_TRIANGLE = ["trial_id", "session_id", "control_arm", "treatment_arm"]
_ORDERS = ("AAB", "ABA", "BAA", "BBA", "BAB", "ABB")
_ODD_IS_CONTROL = ("BBA", "BAB", "ABB")
_CHANCE = 1 / 3


def serving_unbalanced(view: View, rule: Rule) -> pl.DataFrame:
    """Sessions in which the six orders were not used equally often."""
    counts = [(pl.col("serving") == order).sum().over(_TRIANGLE) for order in _ORDERS]
    low, high = pl.min_horizontal(counts), pl.max_horizontal(counts)
    rows = view.picks.with_columns(low.alias("low"), high.alias("high"), _first().alias("first"))
    rows = rows.filter((pl.col("high") - pl.col("low") > rule.settings["most"]) & pl.col("first"))
    return hits(rows, rule, low=exact(pl.col("low")), high=exact(pl.col("high")))


def one_wine_always_odd(view: View, rule: Rule) -> pl.DataFrame:
    """Sessions in which the same wine was the odd one every time."""
    odd = pl.col("serving").is_in(_ODD_IS_CONTROL).mean().over(_TRIANGLE)
    many = pl.len().over(_TRIANGLE) >= rule.settings["least"]
    return hits(view.picks.filter(many & odd.is_in([0.0, 1.0])), rule, at=_place())


def assessor_twice(view: View, rule: Rule) -> pl.DataFrame:
    """An assessor's code that stands under several triangles of one session."""
    person = [*_TRIANGLE, "assessor_id"]
    rows = view.picks.with_columns(pl.len().over(person).alias("count")).filter(pl.col("count") > 1)
    return hits(
        rows,
        rule,
        at=pl.col("item_no").first().over(person),
        value=pl.col("assessor_id"),
        count=exact(pl.col("count")),
    )


def picks_below_chance(view: View, rule: Rule) -> pl.DataFrame:
    """Sessions with so few right picks that guessing would seldom give them: lower tail of B(n, 1/3).

    Under `p` the session is remarked on; under `hold_p`, where a swapped key is likelier than such guessing,
    all its picks wait.
    """
    if view.picks.is_empty():
        return no_hits()
    from scipy.special import bdtr

    rows = view.picks.with_columns(
        pl.len().over(_TRIANGLE).alias("total"),
        pl.col("correct").sum().over(_TRIANGLE).cast(pl.Int64).alias("count"),
        _first().alias("first"),
    )
    tail = bdtr(rows["count"].to_numpy().astype(float), rows["total"].to_numpy().astype(int), _CHANCE)
    rows = rows.with_columns(pl.Series("tail", tail, dtype=pl.Float64)).filter(
        pl.col("total") >= rule.settings["least"]
    )
    hardly = pl.col("tail") < rule.settings["hold_p"]
    seldom = (pl.col("tail") < rule.settings["p"]) & ~hardly & pl.col("first")
    count, total = exact(pl.col("count")), exact(pl.col("total"))
    return pl.concat(
        [
            hits(rows.filter(hardly), rule._replace(severity="hold"), at=_place(), count=count, total=total),
            hits(rows.filter(seldom), rule, count=count, total=total),
        ]
    )


def scales_mixed(view: View, rule: Rule) -> pl.DataFrame:
    """An attribute that one session scored on two scales."""
    panel = ["trial_id", "session_id", "attribute"]
    scales = pl.struct("scale_low", "scale_high").n_unique().over(panel)
    rows = view.scores.filter(scales > 1)
    place = pl.col("item_no").first().over(panel)
    return hits(rows, rule, at=place, attribute=pl.col("attribute"))


def flat_scorer(view: View, rule: Rule) -> pl.DataFrame:
    """An assessor who gave one attribute the same score all through a session."""
    person = ["trial_id", "session_id", "assessor_id", "attribute"]
    rows = view.scores.with_columns(
        pl.len().over(person).alias("count"),
        pl.col("score").n_unique().over(person).alias("different"),
        (pl.int_range(pl.len()).over(person) == 0).alias("first"),
    ).filter((pl.col("count") >= rule.settings["least"]) & (pl.col("different") == 1) & pl.col("first"))
    return hits(rows, rule, value=pl.col("assessor_id"), count=exact(pl.col("count")))


def anchors_reversed(view: View, rule: Rule) -> pl.DataFrame:
    """An assessor who scores an attribute against the panel, wine by wine: the ends of the scale exchanged?

    Pearson's r between an assessor's mean scores of the products and the mean of all others, tested by t with
    n - 2 degrees of freedom (lower tail) and multiplied by the number of such tests in the session. Told only
    where the others agree among each other: their mean r is `agreement` or more. Under `hold_p` the scores
    wait.
    """
    panel = ["trial_id", "session_id", "attribute"]
    person, product = [*panel, "assessor_id"], ["arm_id", "vessel_id"]
    own = view.scores.group_by([*person, *product], maintain_order=True).agg(pl.col("score").mean())
    everyone = [*panel, *product]
    others = (pl.col("score").sum().over(everyone) - pl.col("score")) / (pl.len().over(everyone) - 1)
    own = own.with_columns(others.alias("others")).filter(pl.col("others").is_finite())
    agreed = own.group_by(person, maintain_order=True).agg(
        pl.corr("score", "others").alias("r"), pl.len().alias("products")
    )
    agreed = agreed.filter(pl.col("r").is_finite() & (pl.col("products") >= rule.settings["least"]))
    if agreed.is_empty():
        return no_hits()
    from scipy.special import stdtr

    r = agreed["r"].to_numpy().clip(-1 + 1e-12, 1 - 1e-12)
    freedom = agreed["products"].to_numpy().astype(float) - 2.0
    tail = stdtr(freedom, r * (freedom / (1.0 - r * r)) ** 0.5)
    rest = (pl.col("r").sum().over(panel) - pl.col("r")) / (pl.len().over(panel) - 1)
    agreed = agreed.with_columns(
        pl.Series("tail", tail, dtype=pl.Float64) * pl.len().over("trial_id", "session_id"),
        rest.alias("rest"),
    )
    against = agreed.filter(
        (pl.col("rest") >= rule.settings["agreement"]) & (pl.col("tail") < rule.settings["p"])
    )
    rows = view.scores.join(
        against.select(*person, "r", "tail"), on=person, how="inner", maintain_order="left"
    )
    hardly = pl.col("tail") < rule.settings["hold_p"]
    first = pl.int_range(pl.len()).over(person) == 0
    who, of, ratio = pl.col("assessor_id"), pl.col("attribute"), num(pl.col("r"))
    place = pl.col("item_no").first().over(person)
    return pl.concat(
        [
            hits(
                rows.filter(hardly),
                rule._replace(severity="hold"),
                at=place,
                value=who,
                attribute=of,
                ratio=ratio,
            ),
            hits(rows.filter(~hardly & first), rule, value=who, attribute=of, ratio=ratio),
        ]
    )


def tasting_before_sample(view: View, rule: Rule) -> pl.DataFrame:
    """A tasting dated before the trial's wine had been made: before the first sample of its juice or wine."""
    made = (
        view.readings.filter(pl.col("stage").is_in(["juice", "inoculation", "end_primary"]))
        .select("trial_id", "sample_date")
        .collect()
        .group_by("trial_id")
        .agg(pl.col("sample_date").min().alias("made"))
    )
    parts = []
    for tasted in (view.picks, view.scores):
        rows = tasted.join(made, on="trial_id", how="inner").filter(pl.col("session_date") < pl.col("made"))
        session = ["trial_id", "session_id", "file_no"]
        parts.append(
            hits(
                rows,
                rule,
                at=pl.col("item_no").first().over(session),
                value=pl.col("session_date"),
                other_value=pl.col("made"),
            )
        )
    return pl.concat(parts)


def _first() -> pl.Expr:
    """Whether a pick is the first of its session."""
    return pl.int_range(pl.len()).over(_TRIANGLE) == 0


def _place() -> pl.Expr:
    return pl.col("item_no").first().over(_TRIANGLE)
