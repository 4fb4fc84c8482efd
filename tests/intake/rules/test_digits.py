"""The bound by which most columns need no exact tail of the binomial law."""

from __future__ import annotations

import polars as pl
import pytest
from scipy.stats import binom

from crosscellar.intake.rules.digits import least_tail, upper_tail


@pytest.mark.parametrize("trials", [1, 2, 5, 20, 50, 300, 5000])
def test_the_bound_is_never_above_the_tail_that_scipy_gives_and_near_it_where_it_counts(trials: int) -> None:
    counts = pl.DataFrame({"ending": range(trials + 1)})
    bound = counts.select(least_tail(pl.col("ending"), pl.lit(trials), 0.2)).to_series()
    tail = pl.Series(binom.sf(counts["ending"].to_numpy() - 1, trials, 0.2))
    assert not bound.is_nan().any()
    assert (bound <= tail + 1e-12).all()
    told = (tail < 1e-3) & (tail > 1e-12) & (counts["ending"] < trials)
    assert (bound.filter(told) > tail.filter(told) / 100).all()


@pytest.mark.parametrize("trials", [1, 2, 5, 20, 50, 300, 5000, 100_000])
def test_the_tail_is_the_one_that_scipy_gives(trials: int) -> None:
    for ending in {0, 1, trials // 5, trials // 5 + 1, int(0.22 * trials), trials // 3, trials}:
        own, other = upper_tail(ending, trials, 0.2), float(binom.sf(ending - 1, trials, 0.2))
        assert own == pytest.approx(other, rel=1e-8, abs=1e-290)
