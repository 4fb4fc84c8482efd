"""Many questions at once: every group keeps its place, its numbers and its own fault."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest

from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling import pool, pool_each

NUMBERS = (
    *("estimate", "std_error", "df", "low", "high", "p_value", "prediction_low", "prediction_high"),
    *("tau2", "tau2_std_error", "tau2_low", "tau2_high", "q", "q_df", "q_p", "i2", "i2_tau2", "h2"),
    *("chance_above_zero", "chance_above_smallest"),
)


def mixed() -> pl.DataFrame:
    """Groups of many sizes, one of them with sites that repeat, in mingled order."""
    rng = np.random.default_rng(11)
    parts = []
    for at, size in enumerate([1, 2, 3, 3, 5, 8, 13, 21, 40, 6]):
        site = [f"s{i}" for i in range(size)]
        if at == 9:
            site = ["a", "a", "b", "b", "c", "d"]
        parts.append(
            pl.DataFrame(
                {
                    "question": [f"q{at}"] * size,
                    "stage": ["bottling"] * size,
                    "site": site,
                    "estimate": rng.normal(0.2, 0.4, size),
                    "variance": np.exp(rng.normal(-3, 1, size)),
                    "d": [0.1 * (at + 1)] * size,
                    "wanted": [["increase", "decrease", "either", "no_change"][at % 4]] * size,
                }
            )
        )
    return pl.concat(parts).sample(fraction=1, shuffle=True, seed=2)


@pytest.mark.parametrize("method", ["reml", "ml", "moment", "paule_mandel", "common"])
@pytest.mark.parametrize("interval", ["auto", "normal"])
def test_each_group_has_the_numbers_of_pool(method: str, interval: str) -> None:
    frame = mixed()
    each = pool_each(
        frame,
        ["question", "stage"],
        method=method,
        interval=interval,
        smallest_difference="d",
        wanted="wanted",
    )
    assert each["question"].to_list() == frame["question"].unique(maintain_order=True).to_list()
    for row in each.iter_rows(named=True):
        part = frame.filter(pl.col("question") == row["question"])
        alone = pool(
            part, method=method, interval=interval, smallest_difference=part["d"][0], wanted=part["wanted"][0]
        )
        for name in ("n_effects", "n_sites", "verdict", "direction", "converged", "interval_method"):
            assert row[name] == getattr(alone, name), name
        for name in NUMBERS:
            expected = getattr(alone, name)
            if math.isnan(expected):
                assert row[name] is None, name
            else:
                assert row[name] == pytest.approx(expected, rel=1e-9, abs=1e-12), name


def test_a_group_with_nothing_to_pool_keeps_its_place() -> None:
    frame = pl.DataFrame(
        {
            "question": ["a", "b", "c", "c"],
            "estimate": [0.1, None, 0.3, 0.4],
            "variance": [0.1, 0.1, 0.1, 0.2],
        }
    )
    each = pool_each(frame, "question")
    assert each["question"].to_list() == ["a", "b", "c"]
    assert each["n_effects"].to_list() == [1, 0, 2]
    assert each["verdict"].to_list() == ["one site only", "no effect computable", "undecided"]


def test_groups_of_a_missing_key_are_one_group() -> None:
    frame = pl.DataFrame(
        {"question": [None, None, "a"], "estimate": [0.1, 0.3, 0.4], "variance": [0.1, 0.1, 0.2]}
    )
    assert pool_each(frame, "question")["n_effects"].to_list() == [2, 1]


def test_the_fault_of_one_group_does_not_stop_the_others() -> None:
    frame = pl.DataFrame(
        {
            "question": ["a", "a", "a", "b", "b"],
            "site": ["x", "x", "y", "x", "y"],
            "shared": ["c", "c", None, None, None],
            "estimate": [0.1, 0.2, 0.3, 0.2, 0.3],
            "variance": [0.1] * 5,
        }
    )
    each = pool_each(frame, "question")
    assert "variance" in each["remark"][0]
    assert each["estimate"][0] is None
    assert each["remark"][1] == ""
    assert each["estimate"][1] == pytest.approx(0.25)


def test_an_empty_frame_gives_no_rows_with_the_same_columns() -> None:
    empty = mixed().head(0)
    assert pool_each(empty, "question").columns == pool_each(mixed(), "question").columns
    assert pool_each(empty, "question").height == 0


def test_an_unknown_column_is_named() -> None:
    with pytest.raises(UnknownName, match="'vintage'"):
        pool_each(mixed(), ["vintage"])
    with pytest.raises(NotComputable, match="'q'"):
        pool_each(mixed().with_columns(q=1), ["q"])
    with pytest.raises(UnknownName, match="'smallest'"):
        pool_each(mixed(), ["question"], smallest_difference="smallest")


@pytest.mark.parametrize("sites", [3, 6])
@pytest.mark.parametrize("tau", [0.0, 0.3])
def test_the_default_interval_holds_the_truth_about_as_often_as_it_says(sites: int, tau: float) -> None:
    """Effects drawn with known variances about a true mean of 1: 95 % to within four simulation errors."""
    rng = np.random.default_rng([sites, int(10 * tau)])
    runs = 4_000
    variance = 0.04 * np.exp(rng.normal(0, 0.3, (runs, sites)))
    effect = 1.0 + rng.normal(size=(runs, sites)) * np.sqrt(variance + tau**2)
    each = pool_each(
        {
            "question": np.repeat(np.arange(runs), sites),
            "estimate": effect.ravel(),
            "variance": variance.ravel(),
        },
        "question",
    )
    held = each.select(((pl.col("low") <= 1.0) & (pl.col("high") >= 1.0)).mean()).item()
    assert abs(held - 0.95) < 4 * np.sqrt(0.95 * 0.05 / runs)


@pytest.mark.long
def test_every_one_of_ten_thousand_questions_settles() -> None:
    rng = np.random.default_rng(4)
    size = rng.integers(3, 31, 10_000)
    total = int(size.sum())
    variance = 0.04 * np.exp(rng.normal(0, 1.5, total))
    tau = np.repeat(rng.choice([0, 0.1, 0.5], 10_000), size)
    frame = pl.DataFrame(
        {
            "question": np.repeat(np.arange(10_000), size),
            "estimate": rng.normal(size=total) * np.sqrt(variance + tau**2),
            "variance": variance,
        }
    )
    for method in ("reml", "ml", "paule_mandel"):
        assert pool_each(frame, "question", method=method)["converged"].all()
