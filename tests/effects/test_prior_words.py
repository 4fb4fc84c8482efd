"""What the network lends is told with its size, its worth and how many trials it rests on."""

from __future__ import annotations

import math

import polars as pl

from crosscellar.effects import prior_words, variance_words
from crosscellar.effects.measures import NOTHING_LENT


def lent(**changed: object) -> pl.DataFrame:
    row = {
        "measure": "log_ratio",
        "unit": "log ratio",
        "prior_df": 8.0,
        # A lognormal quantity of this variance varies by 12 % of its mean (Aitchison and Brown 1957).
        "prior_variance": math.log1p(0.12**2),
        "prior_trials": 14,
        "variance_source": "borrowed",
    }
    return pl.DataFrame([{**row, **changed}])


def test_a_prior_on_logs_is_told_in_per_cent() -> None:
    (sentence,) = prior_words(lent())
    assert "differ by 12 % (coefficient of variation" in sentence
    assert "14 replicated trials" in sentence
    assert "8 degrees of freedom" in sentence


def test_a_prior_on_the_own_scale_keeps_its_unit() -> None:
    (sentence,) = prior_words(lent(measure="difference", unit="pH", prior_variance=0.0009))
    assert "differ by 0.030 pH" in sentence


def test_a_slopes_prior_is_told_in_the_unit_of_its_vessels() -> None:
    (sentence,) = prior_words(lent(measure="slope", unit="g/L per kg/hL", prior_variance=0.04))
    assert "differ by 0.20 g/L (standard deviation" in sentence
    (sentence,) = prior_words(lent(measure="slope", unit="log ratio per %"))
    assert "differ by 12 %" in sentence


def test_a_standardized_effects_prior_is_what_it_is_divided_by() -> None:
    (sentence,) = prior_words(lent(measure="standardized", unit="standard deviations"))
    assert "the standard deviation that effects are divided by (from 14 replicated trials" in sentence


def test_nothing_is_told_of_a_prior_that_lent_nothing() -> None:
    assert prior_words(lent(variance_source="own")) == []
    assert prior_words(lent(prior_variance=None)) == []


def test_priors_of_trials_with_and_without_blocks_are_told_apart() -> None:
    frame = pl.concat(
        [
            lent().with_columns(n_blocks=pl.lit(None, dtype=pl.Int32)),
            lent(prior_variance=0.001, prior_trials=3).with_columns(n_blocks=pl.lit(2, dtype=pl.Int32)),
        ]
    )
    without, within = sorted(prior_words(frame), key=lambda words: "trials in blocks" in words)
    assert without.startswith(
        "Lent by the network to trials without blocks: vessels of one arm differ by 12 %"
    )
    assert "to trials in blocks: vessels of one arm, blocks set aside, differ by 3.2 %" in within


def test_an_effect_that_is_lent_nothing_is_told_so_once() -> None:
    row = {"variance_source": "none", "n_treatment": 1, "n_control": 1, "remark": f"{NOTHING_LENT}; another"}
    assert variance_words(row) == NOTHING_LENT
    assert "too few" in variance_words({**row, "remark": ""})
