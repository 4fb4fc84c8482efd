"""What the network lends is told with its size, its worth and how many trials it rests on."""

from __future__ import annotations

import math

import polars as pl

from crosscellar.effects import prior_words


def lent(**changed: object) -> pl.DataFrame:
    row = {
        "measure": "log_ratio",
        "unit": "log ratio",
        "prior_df": 8.0,
        "prior_variance": math.log(1.12) ** 2,
        "prior_trials": 14,
        "variance_source": "borrowed",
    }
    return pl.DataFrame([{**row, **changed}])


def test_a_prior_on_logs_is_told_in_per_cent() -> None:
    (sentence,) = prior_words(lent())
    assert "differ by 12 %" in sentence
    assert "14 replicated trials" in sentence
    assert "8 degrees of freedom" in sentence


def test_a_prior_on_the_own_scale_keeps_its_unit() -> None:
    (sentence,) = prior_words(lent(measure="difference", unit="pH", prior_variance=0.0009))
    assert "differ by 0.03 pH" in sentence


def test_nothing_is_told_of_a_prior_that_lent_nothing() -> None:
    assert prior_words(lent(variance_source="own")) == []
    assert prior_words(lent(prior_variance=None)) == []
