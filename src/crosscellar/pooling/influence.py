"""What an answer rests on: without each site in turn, and season by season."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Protocol

import polars as pl

from crosscellar.pooling.verdict import ONE_SITE


class Answered(Protocol):
    """What is read of an answer here."""

    @property
    def n_effects(self) -> int: ...
    @property
    def n_sites(self) -> int: ...
    @property
    def estimate(self) -> float: ...
    @property
    def std_error(self) -> float: ...
    @property
    def low(self) -> float: ...
    @property
    def high(self) -> float: ...
    @property
    def prediction_low(self) -> float: ...
    @property
    def prediction_high(self) -> float: ...
    @property
    def tau2(self) -> float: ...
    @property
    def verdict(self) -> str: ...


class Refit(Protocol):
    """What asks the same again of other rows, of several tables at once by `each`."""

    def __call__(self, rows: pl.DataFrame, /) -> Any: ...
    def each(self, parts: Sequence[pl.DataFrame], /) -> Sequence[Answered]: ...


class Refittable(Answered, Protocol):
    """An answer that can be asked again of other rows."""

    @property
    def effects(self) -> pl.DataFrame: ...
    @property
    def refit(self) -> Refit | None: ...
    @property
    def without_site(self) -> pl.DataFrame: ...


_SHOWN: Final[dict[str, type[pl.DataType]]] = {
    "n_effects": pl.Int64,
    "n_sites": pl.Int64,
    "estimate": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "prediction_low": pl.Float64,
    "prediction_high": pl.Float64,
    "tau2": pl.Float64,
    "verdict": pl.String,
}

_LEFT_OUT: Final[dict[str, type[pl.DataType]]] = {
    "site": pl.String,
    "weight": pl.Float64,
    "own_effects": pl.Int64,
    "own_estimate": pl.Float64,
    **_SHOWN,
    "shift": pl.Float64,
    "verdict_changes": pl.Boolean,
}


def _shown(answer: Answered) -> dict[str, object]:
    return {name: getattr(answer, name) for name in _SHOWN}


def leave_out_sites(pooled: Refittable) -> pl.DataFrame:
    """One row a site: the answer without it, its `weight`, its `shift`, whether the verdict changes.

    `shift` is (estimate with all sites - estimate without this one) / standard error without it: how many
    standard errors the site moves the answer. `own_estimate` is the mean of the site's `own_effects`,
    weighted by their variances: by it a site goes up or down. A site is left out with all its
    seasons and arms.
    """
    if pooled.refit is None or pooled.n_sites < 2:
        return pl.DataFrame(schema=_LEFT_OUT)
    of_site = pooled.effects.partition_by("site", maintain_order=True, as_dict=True)
    sites = [str(site) for (site,) in of_site]
    answers = pooled.refit.each([pooled.effects.filter(pl.col("site") != site) for site in sites])
    rows = [
        {
            "site": site,
            "weight": of_site[site,]["weight"].sum(),
            "own_effects": of_site[site,].height,
            "own_estimate": _own(of_site[site,]),
            **_shown(without),
            "shift": (
                (pooled.estimate - without.estimate) / without.std_error if without.std_error > 0 else None
            ),
            "verdict_changes": without.verdict != pooled.verdict,
        }
        for site, without in zip(sites, answers, strict=True)
    ]
    return pl.DataFrame(rows, schema=_LEFT_OUT)


def _own(effects: pl.DataFrame) -> float:
    """The mean of these effects, weighted by their own variances."""
    estimate, variance = (effects[name].to_numpy() for name in ("estimate", "variance"))
    return float((estimate / variance).sum() / (1.0 / variance).sum())


def hanging_site(pooled: Refittable) -> str | None:
    """The site without which the verdict would be another: the one that moves the estimate most, or None."""
    if pooled.n_sites < 3:
        return None
    changing = (
        pooled.without_site.filter(pl.col("verdict_changes") & (pl.col("verdict") != ONE_SITE))
        .with_columns((pl.col("estimate") - pooled.estimate).abs().alias("moved"))
        .sort("moved", descending=True, nulls_last=True, maintain_order=True)
    )
    return str(changing["site"][0]) if changing.height else None


def accumulate_seasons(pooled: Refittable) -> pl.DataFrame:
    """One row a season: the answer from all effects up to and with it; no rows where seasons are unknown."""
    schema: dict[str, pl.DataType | type[pl.DataType]] = {"season": pooled.effects.schema["season"], **_SHOWN}
    if pooled.refit is None or pooled.effects["season"].null_count():
        return pl.DataFrame(schema=schema)
    seasons = pooled.effects["season"].unique().sort()
    answers = pooled.refit.each([pooled.effects.filter(pl.col("season") <= season) for season in seasons])
    rows = [{"season": season, **_shown(answer)} for season, answer in zip(seasons, answers, strict=True)]
    return pl.DataFrame(rows, schema=schema)
