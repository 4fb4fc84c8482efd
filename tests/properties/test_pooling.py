"""What must hold of pooling for all effects, whatever their numbers."""

from __future__ import annotations

import math
from typing import Any
from unittest.mock import patch

import numpy as np
import polars as pl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from crosscellar.pooling import adjust, pool, pool_each

METHODS = st.sampled_from(["reml", "ml", "moment", "paule_mandel", "common"])
NUMBERS = (
    *("estimate", "std_error", "df", "low", "high", "p_value", "prediction_low", "prediction_high"),
    *("tau2", "tau2_low", "tau2_high", "q", "q_p", "i2", "i2_tau2", "h2"),
    *("chance_above_zero", "chance_above_smallest"),
)


@st.composite
def effects(draw: st.DrawFn, least: int = 2, most: int = 9, sites: bool = False) -> pl.DataFrame:
    size = draw(st.integers(least, most))
    number = st.floats(-3, 3, allow_nan=False).map(lambda x: round(x, 6))
    estimate = draw(st.lists(number, min_size=size, max_size=size))
    variance = [round(10**x, 9) for x in draw(st.lists(st.floats(-2.5, 0.5), min_size=size, max_size=size))]
    frame = pl.DataFrame({"estimate": estimate, "variance": variance})
    if sites:
        where = draw(st.lists(st.integers(0, 4), min_size=size, max_size=size))
        frame = frame.with_columns(pl.Series("site", [f"s{at}" for at in where]))
    return frame


def same(one: float | None, other: float | None, rel: float = 1e-6, scale: float = 1.0) -> bool:
    a, b = (math.nan if x is None else x for x in (one, other))
    return (math.isnan(a) and math.isnan(b)) or a == b or abs(a - b) <= rel * max(abs(a), abs(b), scale)


def answers(frame: pl.DataFrame, **options: Any) -> dict[str, Any]:
    pooled = pool(frame, smallest_difference=0.5, **options)
    return {name: getattr(pooled, name) for name in [*NUMBERS, "verdict", "interval_method"]}


@given(effects(), METHODS, st.floats(-50, 50))
@settings(max_examples=60, deadline=None)
def test_a_shift_of_all_effects_moves_the_mean_and_nothing_else(
    frame: pl.DataFrame, method: str, shift: float
) -> None:
    before = pool(frame, method=method)
    after = pool(frame.with_columns(pl.col("estimate") + shift), method=method)
    for name in ("estimate", "low", "high"):
        assert same(getattr(after, name), getattr(before, name) + shift)
    for name in ("std_error", "tau2", "tau2_low", "q", "i2"):
        assert same(getattr(after, name), getattr(before, name))


@given(effects(), METHODS, st.sampled_from([1e-4, 0.01, 3.0, 1000.0]))
@settings(max_examples=60, deadline=None)
def test_a_change_of_unit_scales_the_answer(frame: pl.DataFrame, method: str, factor: float) -> None:
    before = pool(frame, method=method)
    after = pool(
        frame.with_columns(pl.col("estimate") * factor, pl.col("variance") * factor**2), method=method
    )
    for name, power in (("estimate", 1), ("low", 1), ("high", 1), ("std_error", 1), ("tau2", 2), ("q", 0)):
        ours, expected = getattr(after, name), getattr(before, name) * factor**power
        assert same(ours, expected, scale=factor**power), name
    assert after.verdict == before.verdict


@given(effects(sites=True), st.randoms(use_true_random=False))
@settings(max_examples=12, deadline=None)
def test_the_order_of_rows_and_the_names_of_sites_change_nothing(frame: pl.DataFrame, random: Any) -> None:
    order = list(range(frame.height))
    random.shuffle(order)
    turned = frame[order].with_columns(pl.lit("zz-") + pl.col("site"))
    one, other = answers(frame), answers(turned)
    assert one["verdict"] == other["verdict"]
    for name in NUMBERS:
        assert same(one[name], other[name], rel=1e-5), name


@given(effects(), st.sampled_from(["increase", "either", "no_change"]))
@settings(max_examples=40, deadline=None)
def test_the_mirror_image_has_the_mirrored_answer(frame: pl.DataFrame, wanted: str) -> None:
    mirrored = {"increase": "decrease"}.get(wanted, wanted)
    one = pool(frame, wanted=wanted, smallest_difference=0.5)
    other = pool(frame.with_columns(-pl.col("estimate")), wanted=mirrored, smallest_difference=0.5)
    assert one.verdict == other.verdict
    assert same(one.low, -other.high)
    assert same(one.prediction_low, -other.prediction_high)
    assert one.sites_each_way == other.sites_each_way[::-1]
    if wanted == "increase":
        assert same(one.chance_above_zero, other.chance_above_zero)


@given(
    st.lists(effects(least=1, most=7, sites=True), min_size=1, max_size=5),
    METHODS,
    st.sampled_from(["auto", "normal", "robust"]),
)
@settings(max_examples=15, deadline=None)
def test_splitting_into_groups_and_pooling_each_equals_pool_each(
    parts: list[pl.DataFrame], method: str, interval: str
) -> None:
    whole = pl.concat([part.with_columns(question=pl.lit(f"q{at}")) for at, part in enumerate(parts)])
    each = pool_each(whole, "question", method=method, interval=interval, smallest_difference=0.5)
    assert each["question"].to_list() == [f"q{at}" for at in range(len(parts))]
    for row, part in zip(each.iter_rows(named=True), parts, strict=True):
        alone = answers(part, method=method, interval=interval)
        assert row["verdict"] == alone["verdict"]
        assert row["interval_method"] == alone["interval_method"]
        for name in NUMBERS:
            assert same(row[name], alone[name], rel=1e-9), name


@given(effects(least=3))
@settings(max_examples=60, deadline=None)
def test_reml_is_the_highest_point_of_its_likelihood(frame: pl.DataFrame) -> None:
    """Beside a plain search over tau2 of the restricted likelihood written out (Harville 1977)."""
    y, v = frame["estimate"].to_numpy(), frame["variance"].to_numpy()

    def height(tau2: float) -> float:
        w = 1 / (v + tau2)
        mean = (w * y).sum() / w.sum()
        return float(-0.5 * (np.log(v + tau2).sum() + np.log(w.sum()) + (w * (y - mean) ** 2).sum()))

    best = max(height(tau2) for tau2 in np.concatenate([[0.0], np.geomspace(1e-6, 50, 400)]))
    assert height(pool(frame).tau2) >= best - 1e-6


@given(effects(least=3))
@settings(max_examples=40, deadline=None)
def test_the_interval_of_tau2_is_where_q_meets_the_chi_square(frame: pl.DataFrame) -> None:
    """Viechtbauer 2007; the chi-square tail from scipy.stats."""
    from scipy import stats

    y, v = frame["estimate"].to_numpy(), frame["variance"].to_numpy()
    pooled = pool(frame)

    def q_at(tau2: float) -> float:
        w = 1 / (v + tau2)
        return float((w * (y - (w * y).sum() / w.sum()) ** 2).sum())

    for end, tail in ((pooled.tau2_low, 0.025), (pooled.tau2_high, 0.975)):
        reached = stats.chi2.sf(q_at(end), frame.height - 1)
        if end > 0:
            assert reached == pytest.approx(tail, rel=1e-6)
        else:
            assert reached >= tail - 1e-9


@given(st.lists(st.floats(0, 1), min_size=1, max_size=12), st.sampled_from(["benjamini_hochberg", "holm"]))
@settings(max_examples=60, deadline=None)
def test_adjusted_p_values_agree_with_statsmodels(p: list[float], method: str) -> None:
    from statsmodels.stats.multitest import multipletests

    name = {"benjamini_hochberg": "fdr_bh", "holm": "holm"}[method]
    with patch("gc.collect"):  # it sweeps the whole process at every call
        theirs = multipletests(p, method=name)[1]
    np.testing.assert_allclose(adjust(p, method=method), theirs, atol=1e-12)


@given(effects(least=2))
@settings(max_examples=40, deadline=None)
def test_paule_mandel_and_the_common_effect_agree_with_statsmodels(frame: pl.DataFrame) -> None:
    from statsmodels.stats.meta_analysis import combine_effects

    y, v = frame["estimate"].to_numpy(), frame["variance"].to_numpy()
    assume(np.ptp(y) > 1e-3)
    theirs = combine_effects(y, v, method_re="iterated", atol=1e-12, maxiter=500)
    ours, common = pool(frame, method="paule_mandel"), pool(frame, method="common")
    assert same(common.estimate, float(theirs.mean_effect_fe), rel=1e-8)
    assert same(common.q, float(theirs.q), rel=1e-8)
    if ours.tau2 > 1e-6 and theirs.tau2 > 0:  # its iteration gives 0 where it did not settle
        assert same(ours.tau2, float(theirs.tau2), rel=1e-4)
        assert same(ours.estimate, float(theirs.mean_effect_re), rel=1e-4)
    with np.errstate(invalid="ignore"):  # it does not cut a negative tau2 at 0
        raw = float(combine_effects(y, v, method_re="chi2").tau2)
    assert same(pool(frame, method="moment").tau2, max(0.0, raw), rel=1e-8)
