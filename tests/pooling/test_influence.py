"""What an answer rests on is told: single sites, single seasons."""

from __future__ import annotations

import polars as pl
import pytest

from crosscellar.pooling import pool

#: Five sites that agree and one, with a small variance, that carries the rest over the line.
CARRIED = pl.DataFrame(
    {
        "estimate": [0.16, 0.15, -0.01, 0.02, 0.30, 0.14],
        "variance": [0.001, 0.01, 0.01, 0.01, 0.02, 0.01],
        "site": ["carrier", "b", "c", "d", "e", "f"],
        "season": [2021, 2021, 2022, 2022, 2023, 2023],
    }
)


def test_leaving_out_a_site_is_pooling_the_others() -> None:
    pooled = pool(CARRIED, wanted="increase")
    for row in pooled.without_site.iter_rows(named=True):
        others = pool(CARRIED.filter(pl.col("site") != row["site"]), wanted="increase")
        assert row["estimate"] == pytest.approx(others.estimate, rel=1e-12)
        assert row["low"] == pytest.approx(others.low, rel=1e-12)
        assert row["verdict"] == others.verdict
        assert row["verdict_changes"] == (others.verdict != pooled.verdict)
    assert pooled.without_site["weight"].sum() == pytest.approx(1)


def test_a_site_is_left_out_with_all_its_seasons() -> None:
    pooled = pool(CARRIED.with_columns(site=pl.Series(["a", "a", "b", "b", "c", "d"])))
    assert dict(pooled.without_site.select("site", "n_effects").iter_rows()) == {
        "a": 4,
        "b": 4,
        "c": 5,
        "d": 5,
    }


def test_the_site_that_the_verdict_hangs_on_is_named() -> None:
    pooled = pool(CARRIED, wanted="increase")
    assert pooled.verdict.startswith("holds")
    assert pooled.hangs_on_site == "carrier"
    assert pool(CARRIED.filter(pl.col("site") != "carrier"), wanted="increase").verdict == "undecided"


def test_no_site_is_named_where_none_decides() -> None:
    firm = pool(
        {"estimate": [1.0, 1.1, 0.9, 1.05, 0.95], "variance": [0.001] * 5, "site": list("abcde")},
        wanted="increase",
    )
    assert firm.hangs_on_site is None
    assert pool({"estimate": [1.0, 1.1], "variance": [0.001] * 2}).hangs_on_site is None


def test_seasons_accumulate_to_the_whole() -> None:
    pooled = pool(CARRIED)
    seasons = pooled.by_season
    assert seasons["season"].to_list() == [2021, 2022, 2023]
    assert seasons["n_sites"].to_list() == [2, 4, 6]
    assert seasons["estimate"][-1] == pytest.approx(pooled.estimate)


def test_without_seasons_nothing_accumulates() -> None:
    assert pool(CARRIED.drop("season")).by_season.height == 0
