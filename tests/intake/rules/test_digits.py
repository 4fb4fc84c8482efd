"""The bound by which most columns need no exact tail of the binomial law."""

from __future__ import annotations

import polars as pl
import pytest
from scipy.stats import binom

from crosscellar.intake.rules.digits import least_tail


@pytest.mark.parametrize("trials", [1, 2, 5, 20, 50, 300, 5000])
def test_the_bound_is_never_above_the_tail_that_scipy_gives_and_near_it_where_it_counts(trials: int) -> None:
    counts = pl.DataFrame({"ending": range(trials + 1)})
    bound = counts.select(least_tail(pl.col("ending"), pl.lit(trials), 0.2)).to_series()
    tail = pl.Series(binom.sf(counts["ending"].to_numpy() - 1, trials, 0.2))
    assert not bound.is_nan().any()
    assert (bound <= tail + 1e-12).all()
    told = (tail < 1e-3) & (tail > 1e-12) & (counts["ending"] < trials)
    assert (bound.filter(told) > tail.filter(told) / 100).all()
