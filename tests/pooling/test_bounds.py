"""Shares differ by 100 percentage points at most, and no interval of such a difference says more."""

from __future__ import annotations

import polars as pl
import pytest

import crosscellar as cc

ENDS = ("low", "high", "prediction_low", "prediction_high", "equivalence_low", "equivalence_high")
#: Ferments that stuck: all of them in one arm at two sites, none more than in the other at the third.
EFFECTS = pl.DataFrame(
    {
        "measure": ["risk_difference"] * 3,
        "site": ["alder", "birch", "cedar"],
        "estimate": [1.0, 0.9, 0.0],
        "variance": [0.05, 0.06, 0.08],
    }
)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("interval", ["auto", "normal", "robust", "bayes"])
def test_a_difference_of_shares_is_told_within_100_percentage_points(sign: float, interval: str) -> None:
    effects = EFFECTS.with_columns(pl.col("estimate") * sign)
    pooled = cc.pool(effects, interval=interval)
    plain = cc.pool(effects.drop("measure"), interval=interval)
    assert max(abs(plain.prediction_low), abs(plain.prediction_high)) > 1
    for name in ENDS:
        cut = min(1.0, max(-1.0, getattr(plain, name)))
        assert getattr(pooled, name) == pytest.approx(cut, abs=1e-12), name
    if pooled.bayes is not None:
        told = pooled.bayes
        assert max(abs(end) for end in (told.low, told.high, told.new_low, told.new_high)) <= 1
    assert (pooled.verdict, pooled.estimate) == (plain.verdict, plain.estimate)
    assert "to +100 percentage points" in str(pooled) if sign > 0 else "-100 to" in str(pooled)


def test_many_questions_at_once_are_told_within_them_too() -> None:
    effects = pl.concat(
        [
            EFFECTS.with_columns(question=pl.lit("stuck")),
            EFFECTS.with_columns(question=pl.lit("acidity"), measure=pl.lit("difference")),
        ]
    )
    many = cc.pool_each(effects, by=["question"])
    shares, others = many.rows(named=True)
    one = cc.pool(EFFECTS)
    ends = [name for name in ENDS if name in shares]
    assert {name: shares[name] for name in ends} == pytest.approx({name: getattr(one, name) for name in ends})
    assert shares["prediction_high"] == 1.0
    assert others["prediction_high"] > 1.0


def test_one_site_is_told_within_them_too() -> None:
    pooled = cc.pool(EFFECTS.head(1))
    assert pooled.low == pytest.approx(1.0 - 1.959964 * 0.05**0.5)
    assert pooled.high == 1.0
