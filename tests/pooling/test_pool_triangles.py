"""Triangle sessions go through pool on their counts, and a share of tasters is judged as a share."""

from __future__ import annotations

import math
import re

import polars as pl
import pytest

from crosscellar.pooling import pool, pool_each
from crosscellar.pooling.triangles import pool_triangles


def sessions(correct: list[int], tasters: list[int]) -> pl.DataFrame:
    """Sessions as effects: share of discriminators 1.5 pc - 0.5 with variance 2.25 pc (1 - pc) / n."""
    frame = pl.DataFrame({"correct": correct, "tasters": tasters}).with_columns(
        site=pl.format("s{}", pl.int_range(pl.len())), measure=pl.lit("discriminators")
    )
    pc = (pl.col("correct") + 1) / (pl.col("tasters") + 2)
    return frame.with_columns(
        estimate=1.5 * pl.col("correct") / pl.col("tasters") - 0.5,
        variance=2.25 * pc * (1 - pc) / pl.col("tasters"),
    )


def test_counts_take_the_binomial_likelihood() -> None:
    frame = sessions([14, 16, 12, 18], [24, 24, 20, 26])
    pooled, exact = pool(frame), pool_triangles(frame["correct"], frame["tasters"], site=frame["site"])
    assert pooled.interval_method == "exact"
    assert pooled.method == "binomial"
    assert (pooled.estimate, pooled.low, pooled.high) == (exact.discriminators, exact.low, exact.high)
    assert pooled.p_value == exact.p_value
    assert pooled.weights.sum() == pytest.approx(1)


def test_none_and_all_correct_are_pooled_as_they_are() -> None:
    frame = sessions([0, 12, 8], [12, 12, 12])
    pooled = pool(frame, smallest_difference=0.3)
    assert 0 <= pooled.low <= pooled.estimate <= pooled.high <= 1
    assert math.isfinite(pooled.chance_above_smallest)


def test_a_share_above_zero_at_new_sites_needs_the_smallest_share_that_matters() -> None:
    """The interval for a new site lies above 0 by construction: that alone must not make the verdict."""
    clear = sessions([20, 21, 19, 22, 20], [24, 24, 24, 24, 24])
    assert pool(clear, wanted="increase").verdict == "holds on average"
    assert pool(clear, wanted="increase", smallest_difference=0.2).verdict == "holds at new sites"
    assert "new site" in pool(clear, smallest_difference=0.2).reason


def test_guessing_is_undecided_or_no_difference_that_matters() -> None:
    guessing = sessions([8, 8, 8, 8, 7, 9], [24] * 6)
    assert pool(guessing).verdict == "undecided"
    assert pool(guessing, smallest_difference=0.4, wanted="no_change").verdict == "no difference that matters"
    assert "% of tasters" in pool(guessing).reason


def test_tasters_who_tell_work_against_a_wine_that_should_not_change() -> None:
    clear = sessions([20, 21, 19], [24, 24, 24])
    assert pool(clear, wanted="no_change", smallest_difference=0.1).verdict == "works against"


def test_an_asked_interval_is_taken_instead() -> None:
    assert pool(sessions([14, 16, 12], [24, 24, 20]), interval="normal").interval_method == "normal"


def test_pool_each_gives_triangles_the_same_answer() -> None:
    one, other = sessions([14, 16, 12], [24, 24, 20]), sessions([8, 9, 7], [24, 24, 20])
    frame = pl.concat([one.with_columns(question=pl.lit("a")), other.with_columns(question=pl.lit("b"))])
    each = pool_each(frame, "question", wanted="increase")
    for row, part in zip(each.iter_rows(named=True), (one, other), strict=True):
        alone = pool(part, wanted="increase")
        assert row["interval_method"] == "exact"
        assert row["low"] == alone.low
        assert row["verdict"] == alone.verdict


def test_the_block_prints_without_a_spread_that_was_not_computed() -> None:
    text = str(pool(sessions([14, 16, 12, 18], [24, 24, 20, 26])))
    assert "nan" not in text
    assert "exact" in text


def test_the_reason_tells_shares_of_tasters_in_whole_per_cent() -> None:
    reason = pool(sessions([26, 11, 21], [36, 18, 30]), wanted="either", smallest_difference=0.2).reason
    assert not re.search(r"[0-9][.][0-9]+ (to|%)", reason.replace("95 %", "")), reason


def test_the_answer_of_tasters_speaks_of_who_can_tell_and_of_no_chance_that_is_not_known() -> None:
    told = str(pool(sessions([14, 16, 12], [24, 24, 20])))
    assert "  who can tell" in told
    assert "mean effect" not in told
    assert "not given" not in told
