"""What more sites and vessels would buy for a question, from what the network knows so far."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

import polars as pl

from crosscellar.effects import Scale
from crosscellar.errors import CrosscellarError, NotComputable
from crosscellar.planning import Prices, cheapest_plan, plan_replication
from crosscellar.pooling import Pooled
from crosscellar.results import PlanAnswer

SITES = (0, 1, 2, 3, 4, 6, 8)
VESSELS = (1, 2, 3)


def read_prices(path: Path) -> Prices:
    """Prices from a small TOML table: per_sample, per_vessel, per_site, per_assessor, currency.

    Raises
    ------
    CrosscellarError
        When the file is not there or is no TOML.
    """
    try:
        return Prices.of(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError as fault:
        raise CrosscellarError(
            "there is no price table here",
            where=path,
            next_step='Write one with per_sample = 35, per_site = 400, currency = "EUR".',
        ) from fault
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise CrosscellarError(
            f"the price table cannot be read ({fault})",
            where=path,
            next_step="Write lines as per_sample = 35.",
        ) from fault


def plan_question(
    pooled: Pooled,
    effects: pl.DataFrame,
    *,
    title: str,
    sites: Sequence[int] = SITES,
    vessels: Sequence[int] = VESSELS,
    effect: float | None = None,
    prices: Prices | None = None,
    chance: float = 0.8,
    samples_per_vessel: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> PlanAnswer:
    """The plan for the primary response of one question.

    The variance between sites is the question's so far; that between vessels is the one its effects lean on.
    `effect` is the true mean effect supposed, on the scale of the effects: the smallest difference that
    matters where it is left out, else the mean so far.

    Raises
    ------
    NotComputable
        When fewer than two sites have an effect, or no vessel variance is known.
    """
    own = effects.filter(
        (pl.col("response") == pooled.response) & pl.col("prior_variance").is_not_null() & pl.col("usable")
    )
    if pooled.n_sites < 2 or own.is_empty():
        raise NotComputable(
            "too little is known of this question to plan on it",
            next_step="It takes two sites with usable effects.",
        )
    vessel_variance = float(own["prior_variance"].median())  # type: ignore[arg-type]
    supposed = effect
    if supposed is None:
        d = pooled.smallest_difference
        down = pooled.wanted == "decrease" or (pooled.wanted != "increase" and pooled.estimate < 0)
        supposed = pooled.estimate if d is None else (-d if down else d)
    plan = plan_replication(
        tau2=pooled.tau2 if math.isfinite(pooled.tau2) else 0.0,
        vessel_variance=vessel_variance,
        more_sites=sites,
        vessels=vessels,
        effect=supposed,
        smallest_difference=pooled.smallest_difference,
        wanted=pooled.wanted,
        so_far=pooled.effects,
        level=pooled.level,
        progress=progress,
    )
    best = None
    if prices is not None:
        plan = prices.of_plan(plan, samples_per_vessel=samples_per_vessel)
        best = cheapest_plan(plan, chance=chance)
    scale = Scale(pooled.measure, pooled.unit)
    basis = (
        f"Supposed: a true mean effect of {scale.words(supposed)}; spread between sites and between vessels "
        f"as seen so far (tau {math.sqrt(pooled.tau2):.3g}, vessel sd {math.sqrt(vessel_variance):.3g}"
        f"{' on the log scale' if scale.is_log_ratio else ''})."
    )
    return PlanAnswer(
        question=pooled.question,
        title=title,
        verdict=pooled.verdict,
        basis=basis,
        plan=plan,
        best=best,
        chance=chance,
        currency=prices.currency if prices else "",
        log_scale=scale.is_log_ratio,
        unit=pooled.unit,
    )
