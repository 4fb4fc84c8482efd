"""What a plan costs, and the cheapest one that does the job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import polars as pl

from crosscellar.errors import NotComputable, UnknownName


@dataclass(frozen=True, slots=True)
class Prices:
    """What things cost, all in one currency.

    Attributes
    ----------
    per_sample
        One sample through the laboratory, all its analytes.
    per_vessel
        Everything else that one more vessel costs.
    per_site
        What a new site costs whatever its size: travel, training, the coordinator's days.
    per_assessor
        One assessor in one session.
    currency
        What stands behind the amounts.
    """

    per_sample: float
    per_vessel: float = 0.0
    per_site: float = 0.0
    per_assessor: float = 0.0
    currency: str = ""

    @classmethod
    def of(cls, table: Mapping[str, Any]) -> Prices:
        """Prices from a table such as a TOML file holds.

        Raises
        ------
        UnknownName
            For a key that is no price.
        NotComputable
            For an amount that is missing, negative or no number.
        """
        known = [field.name for field in fields(cls)]
        if strange := [name for name in table if name not in known]:
            raise UnknownName(
                f"{strange[0]!r} is not a price that is known here", next_step=f"Use {', '.join(known)}."
            )
        for name in known[:-1]:
            amount = table.get(name, 0.0)
            number = isinstance(amount, int | float) and not isinstance(amount, bool)
            if not (number and 0 <= amount < float("inf")) or (name == "per_sample" and name not in table):
                raise NotComputable(
                    f"the price {name} is {table.get(name, 'missing')}",
                    next_step="Give an amount of 0 or more.",
                )
        amounts = {name: float(table[name]) for name in known[:-1] if name in table}
        return cls(**amounts, currency=str(table.get("currency", "")))

    def of_plan(self, plan: pl.DataFrame, *, samples_per_vessel: int = 1, arms: int = 2) -> pl.DataFrame:
        """The plan (`PLAN`) with `samples` and `cost`: `vessels` in each of `arms`, at sites new or again.

        A site that tries it again costs its vessels and samples, not what a new site costs beside them.
        """
        vessels = (pl.col("more_sites") + pl.col("again")) * arms * pl.col("vessels")
        return plan.with_columns((vessels * samples_per_vessel).alias("samples")).with_columns(
            (
                pl.col("more_sites") * self.per_site
                + vessels * self.per_vessel
                + pl.col("samples") * self.per_sample
            ).alias("cost")
        )


def cheapest_plan(
    plan: pl.DataFrame, *, chance: float | None = 0.8, half_width: float | None = None
) -> dict[str, Any] | None:
    """The row of least cost that reaches the chance of a verdict and the half-width, None if no row does.

    Of rows that cost the same, the one with more sites: sites tell more about other sites than vessels do.

    Parameters
    ----------
    plan
        From `Prices.of_plan`.
    chance
        Least `chance_decided`; None asks for none.
    half_width
        Greatest expected half-width; None asks for none.
    """
    enough = plan
    if chance is not None:
        enough = enough.filter(pl.col("chance_decided") >= chance)
    if half_width is not None:
        enough = enough.filter(pl.col("half_width") <= half_width)
    if enough.is_empty():
        return None
    return enough.sort("cost", "more_sites", descending=[False, True]).row(0, named=True)
