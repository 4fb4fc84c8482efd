"""More sites, more vessels: closed forms against simulation and against statsmodels."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from statsmodels.stats.power import TTestPower

from crosscellar.errors import NotComputable
from crosscellar.planning import expected_half_width, plan_replication, site_effects
from crosscellar.pooling import pool_each


@pytest.mark.parametrize(
    ("variances", "tau2"),
    [([0.02] * 4, 0.01), ([0.02] * 8, 0.0), ([0.01, 0.02, 0.04, 0.02, 0.01, 0.03], 0.02)],
)
def test_the_planned_half_width_is_the_mean_of_simulated_ones(variances: list[float], tau2: float) -> None:
    runs, k = 3000, len(variances)
    draws = np.random.default_rng(5).standard_normal((runs, k)) * np.sqrt(tau2 + np.array(variances))
    frame = pl.DataFrame(
        {
            "run": np.repeat(np.arange(runs), k),
            "site": np.tile([f"s{at}" for at in range(k)], runs),
            "estimate": draws.ravel(),
            "variance": np.tile(variances, runs),
        }
    )
    found = pool_each(frame, by="run", interval="hartung_knapp").select((pl.col("high") - pl.col("low")) / 2)
    # Four standard errors of the simulated mean, and 3 % for tau2 being estimated where variances differ.
    sure = 4 * float(found.to_series().std()) / np.sqrt(runs)
    planned = expected_half_width(variances, tau2=tau2)
    slack = 0.0 if len(set(variances)) == 1 else 0.03 * planned
    assert planned == pytest.approx(float(found.to_series().mean()), abs=sure + slack)


@pytest.mark.parametrize("sites", [3, 5, 10])
def test_the_chance_that_an_effect_holds_is_the_power_of_the_t_test_on_sites(sites: int) -> None:
    # With equal variances and one trial a site the interval is that of a one-sample t test (Hartung & Knapp
    # 2001); its upper side alone counts.
    tau2, vessel_variance, effect, runs = 0.01, 0.02, 0.25, 4000
    spread = np.sqrt(tau2 + vessel_variance)  # two vessels an arm
    known = TTestPower().power(effect / spread, nobs=sites, alpha=0.025, alternative="larger")
    plan = plan_replication(
        tau2=tau2,
        vessel_variance=vessel_variance,
        more_sites=[sites],
        vessels=[2],
        effect=effect,
        wanted="increase",
        simulations=runs,
    )
    chance = plan["chance_holds"].item()
    assert chance == pytest.approx(known, abs=4 * np.sqrt(known * (1 - known) / runs))


def test_more_of_either_buys_more() -> None:
    plan = plan_replication(
        tau2=0.01,
        vessel_variance=0.02,
        more_sites=[1, 3, 6],
        vessels=[1, 3],
        effect=0.2,
        wanted="increase",
        smallest_difference=0.1,
        so_far=pl.DataFrame({"site": ["a", "b"], "estimate": [0.1, 0.3], "variance": [0.02, 0.02]}),
        simulations=400,
    )
    by_sites = plan.filter(pl.col("vessels") == 1)
    assert by_sites["half_width"].is_sorted(descending=True)
    assert by_sites["chance_decided"].is_sorted()
    for _, rows in plan.group_by("more_sites"):
        assert rows.sort("vessels")["half_width"].is_sorted(descending=True)
    assert plan["sites"].to_list() == [3, 3, 5, 5, 8, 8]


def test_a_plan_is_the_same_from_the_same_seed_and_tells_its_progress() -> None:
    told: list[tuple[int, int]] = []

    def plan(seed: int) -> pl.DataFrame:
        return plan_replication(
            tau2=0.01,
            vessel_variance=0.02,
            more_sites=[2, 4],
            vessels=[1, 2],
            effect=0.2,
            simulations=200,
            seed=seed,
            progress=lambda done, of: told.append((done, of)),
        )

    assert plan(1).equals(plan(1))
    assert not plan(1).equals(plan(2))
    assert told[:4] == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_one_site_decides_nothing() -> None:
    plan = plan_replication(
        tau2=0, vessel_variance=0.02, more_sites=[0, 1], vessels=[3], effect=1, simulations=50
    )
    assert plan["chance_decided"].to_list() == [0, 0]
    assert plan["half_width"].to_list() == [float("inf"), float("inf")]


def test_the_trials_of_a_site_count_as_one_site() -> None:
    frame = pl.DataFrame(
        {
            "site": ["a", "a", "b", "c"],
            "estimate": [0.1, 0.4, 0.2, None],
            "variance": [0.01, 0.02, 0.03, 0.01],
            "usable": [True, True, True, True],
        }
    )
    got = site_effects(frame)
    # By hand: weights 100 and 50, so (10 + 20) / 150 and 1 / 150.
    assert got["site"].to_list() == ["a", "b"]
    assert got["estimate"].to_list() == pytest.approx([0.2, 0.2])
    assert got["variance"].to_list() == pytest.approx([1 / 150, 0.03])


@pytest.mark.parametrize(
    "change",
    [
        {"tau2": -1.0},
        {"vessel_variance": 0.0},
        {"more_sites": []},
        {"again": [-1]},
        {"vessels": [0]},
        {"simulations": 0},
    ],
)
def test_a_plan_of_nothing_is_refused(change: dict[str, object]) -> None:
    asked: dict[str, object] = {
        "tau2": 0.01,
        "vessel_variance": 0.02,
        "more_sites": [1],
        "vessels": [1],
        "effect": 0.2,
        **change,
    }
    with pytest.raises(NotComputable):
        plan_replication(**asked)  # type: ignore[arg-type]


def test_seasons_that_differ_at_a_site_make_its_mean_less_sure() -> None:
    frame = pl.DataFrame({"site": ["a", "a", "b"], "estimate": [1.0, 3.0, 0.0], "variance": [1.0, 1.0, 2.0]})
    # By hand: two trials of variance 1 + 3 each make 4 / 2; one of 2 + 3 makes 5.
    assert site_effects(frame, between_trials=3.0)["variance"].to_list() == [2.0, 5.0]


def test_arms_that_share_a_control_tell_less_of_their_site_than_as_many_trials() -> None:
    """The variance of the mean is w' V w / (sum w)^2, V with the control's error off the diagonal."""
    frame = pl.DataFrame(
        {
            "site": ["a", "a", "a", "b"],
            "trial": ["a1", "a1", "a2", "b1"],
            "estimate": [0.1, 0.3, 0.2, 0.0],
            "variance": [0.04, 0.06, 0.05, 0.02],
            "shared": ["a1/c", "a1/c", None, None],
            "shared_variance": [0.02, 0.02, None, None],
        }
    )
    between = 0.01
    v = np.diag([0.04, 0.06, 0.05]) + between * np.eye(3)
    v[0, 1] = v[1, 0] = 0.02 + between
    w = 1 / np.diag(v)
    found = site_effects(frame, between_trials=between)
    assert found["site"].to_list() == ["a", "b"]
    assert found["estimate"][0] == pytest.approx(w @ np.array([0.1, 0.3, 0.2]) / w.sum())
    assert found["variance"].to_list() == pytest.approx([w @ v @ w / w.sum() ** 2, 0.03])


def test_a_site_again_is_drawn_around_what_it_showed() -> None:
    """Against the conditional of the joint normal of both trials of each site, drawn another way.

    Both have mean `effect`; variances tau2 + v and tau2 + w, covariance tau2 (normal theory, no source).
    """
    tau2, vessel_variance, effect, runs = 0.01, 0.02, 0.15, 4000
    so_far = pl.DataFrame(
        {"site": ["a", "b", "c"], "estimate": [0.3, 0.05, 0.2], "variance": [0.03, 0.01, 0.02]}
    )
    plan = plan_replication(
        tau2=tau2,
        vessel_variance=vessel_variance,
        more_sites=[0, 2],
        again=[0, 2, 3],
        vessels=[2],
        effect=effect,
        so_far=so_far,
        wanted="increase",
        simulations=runs,
    )
    assert plan["again"].to_list() == [0, 0, 2, 2, 3, 3]
    assert plan["sites"].to_list() == [3, 5, 3, 5, 3, 5]
    new = 2 * vessel_variance / 2
    # The two sites that are least sure are a (0.03) and c (0.02).
    halves = [expected_half_width([v * new / (v + new) for v in (0.03, 0.02)] + [0.01], tau2=tau2)]
    halves.append(expected_half_width([v * new / (v + new) for v in (0.03, 0.01, 0.02)], tau2=tau2))
    without = plan.filter(pl.col("more_sites") == 0)
    assert without["half_width"].to_list()[1:] == pytest.approx(halves)

    rng = np.random.default_rng(9)
    y, v = (so_far[name].to_numpy() for name in ("estimate", "variance"))
    share = tau2 / (tau2 + v)
    second = rng.normal(effect + share * (y - effect), np.sqrt(tau2 + new - share * tau2), (runs, 3))
    mean = (y / v + second / new) / (1 / v + 1 / new)
    frame = pl.DataFrame(
        {
            "run": np.repeat(np.arange(runs), 3),
            "site": np.tile(["a", "b", "c"], runs),
            "estimate": mean.ravel(),
            "variance": np.tile(1 / (1 / v + 1 / new), runs),
        }
    )
    found = pool_each(frame, by="run", interval="estimated_weights", wanted="increase")["verdict"]
    known = float(found.str.starts_with("holds").mean() or 0.0)
    assert 0.05 < known < 0.95
    chance = without["chance_holds"][2]
    assert chance == pytest.approx(known, abs=4 * np.sqrt(2 * known * (1 - known) / runs))


def test_no_more_sites_can_try_it_again_than_there_are() -> None:
    with pytest.raises(NotComputable, match="1 site did so far"):
        plan_replication(
            tau2=0.01,
            vessel_variance=0.02,
            more_sites=[1],
            again=[2],
            vessels=[1],
            effect=0.1,
            so_far=pl.DataFrame({"site": ["a"], "estimate": [0.1], "variance": [0.02]}),
        )
