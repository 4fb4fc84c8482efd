from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS, WLS

from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling.covariance import Floats, from_shared_controls
from crosscellar.pooling.moderators import regress, subgroups
from crosscellar.pooling.nested import fit_nested
from crosscellar.pooling.robust import cr2

RNG = np.random.default_rng(42)
K = 14
VOLUME = RNG.uniform(2, 30, K)
COLOUR = np.array(["red", "white"] * 7)
VARIANCE = RNG.uniform(0.004, 0.02, K)
ESTIMATE = 0.1 + 0.01 * VOLUME + RNG.normal(0, 0.1, K)


def test_equal_variances_give_ordinary_least_squares_with_its_t_intervals() -> None:
    # statsmodels OLS: with one variance the Knapp-Hartung interval is the textbook regression interval.
    outside = OLS(ESTIMATE, np.column_stack([np.ones(K), VOLUME])).fit()
    result = regress(ESTIMATE, np.full(K, 0.001), {"volume_l": VOLUME})
    row = result.row("volume_l")
    assert row["estimate"] == pytest.approx(outside.params[1], rel=1e-9)
    assert row["std_error"] == pytest.approx(outside.bse[1], rel=1e-6)
    assert row["p"] == pytest.approx(outside.pvalues[1], rel=1e-5)
    assert [row["low"], row["high"]] == pytest.approx(outside.conf_int()[1].tolist(), rel=1e-5)


def test_given_the_spread_the_coefficients_are_weighted_least_squares() -> None:
    # statsmodels WLS with weights 1 / (v + tau2); its scale is the Knapp-Hartung factor.
    result = regress(ESTIMATE, VARIANCE, {"colour": COLOUR, "volume_l": VOLUME})
    design = np.column_stack([np.ones(K), COLOUR == "white", VOLUME])
    outside = WLS(ESTIMATE, design, weights=1 / (VARIANCE + result.tau2)).fit()
    assert result.terms["estimate"].to_list() == pytest.approx(outside.params.tolist(), rel=1e-9)
    assert result.factor == pytest.approx(outside.scale, rel=1e-9)
    assert result.terms["std_error"].to_list() == pytest.approx(outside.bse.tolist(), rel=1e-9)
    whole = outside.f_test(np.eye(3)[1:2])
    assert result.tests["f"][0] == pytest.approx(float(whole.fvalue), rel=1e-8)


def test_a_category_of_three_is_tested_as_a_whole() -> None:
    group = np.array(["a", "b", "c"] * 5)[:K]
    result = regress(ESTIMATE, np.full(K, 0.001), {"cultivar": group})
    # scipy: one-way analysis of variance.
    outside = stats.f_oneway(*(ESTIMATE[group == g] for g in "abc"))
    row = result.tests.row(0, named=True)
    assert (row["df"], row["df_rest"]) == (2, K - 3)
    assert row["f"] == pytest.approx(outside.statistic, rel=1e-6)
    assert row["p"] == pytest.approx(outside.pvalue, rel=1e-5)
    assert result.terms["term"].to_list() == ["intercept", "cultivar: b against a", "cultivar: c against a"]


def test_all_orders_of_few_sites_give_the_permutation_p_by_counting() -> None:
    y, x = ESTIMATE[:6], VOLUME[:6]
    result = regress(y, np.full(6, 0.01), {"volume_l": x})
    # With equal variances the statistic rises with |r|: counted over all 720 orders with numpy's r.
    seen = abs(np.corrcoef(x, y)[0, 1])
    all_r = [abs(np.corrcoef(np.array(order), y)[0, 1]) for order in itertools.permutations(x)]
    expected = np.mean(np.array(all_r) >= seen - 1e-12)
    assert result.exact and result.orders == 720
    assert result.tests["permutation_p"][0] == pytest.approx(expected, abs=1e-12)


def test_random_orders_come_from_the_generator_that_is_passed() -> None:
    def p_with(seed: int) -> float | None:
        got = regress(ESTIMATE, VARIANCE, {"volume_l": VOLUME}, orders=499, rng=np.random.default_rng(seed))
        assert not got.exact and got.orders == 500
        return got.tests["permutation_p"][0]

    assert p_with(1) == p_with(1)
    assert regress(ESTIMATE, VARIANCE, {"volume_l": VOLUME}).tests["permutation_p"][0] is None


def nested_sites() -> tuple[Floats, Floats, Floats, Floats]:
    rng = np.random.default_rng(9)
    site = np.repeat(np.arange(9), 3)
    variance = rng.uniform(0.005, 0.02, 27)
    y = 0.2 + rng.normal(0, 0.2, 9)[site] + rng.normal(0, 0.1, 27)
    return y, variance, site, rng.normal(size=27)


def test_sites_with_several_effects_are_clustered() -> None:
    y, variance, site, x = nested_sites()
    result = regress(y, variance, {"level": x}, site=site)
    direct = cr2(fit_nested(y, variance, site=site, design=np.column_stack([np.ones(27), x])))
    assert result.interval_method == "robust"
    assert result.row("level")["std_error"] == pytest.approx(direct.std_errors[1], rel=1e-12)
    assert result.row("level")["df"] == pytest.approx(direct.df[1], rel=1e-12)
    assert result.tests["permutation_p"][0] is None


def test_a_site_level_moderator_is_exchanged_between_whole_sites() -> None:
    y, variance, site, _ = nested_sites()
    keep = site < 6
    colour = np.where(site % 2 == 0, "red", "white")
    result = regress(y[keep], variance[keep], {"colour": colour[keep]}, site=site[keep])
    assert result.exact and result.orders == 720
    # 3 of 6 sites: 20 splits, each met with its mirror image, so p is a multiple of 1/10.
    assert result.tests["permutation_p"][0] == pytest.approx(
        round(10 * result.tests["permutation_p"][0]) / 10
    )


def test_a_moderator_that_explains_all_spread_explains_one() -> None:
    x = np.repeat([0.0, 1.0], 6)
    y = x + 0.01 * np.tile([-1.0, 0.0, 1.0], 4)
    result = regress(y, np.full(12, 0.01), {"level": x})
    assert result.explained == 1.0 and result.tau2 == 0.0
    assert "narrower than the normal one" in result.remarks[0]
    flat = regress(np.tile([-0.01, 0.01], 6), np.full(12, 0.01), {"level": x})
    assert flat.explained is None


def test_centring_moves_the_intercept_alone() -> None:
    plain = regress(ESTIMATE, VARIANCE, {"volume_l": VOLUME})
    centred = regress(ESTIMATE, VARIANCE, {"volume_l": VOLUME}, centred=True)
    assert centred.row("volume_l")["estimate"] == pytest.approx(plain.row("volume_l")["estimate"])
    moved = plain.row("intercept")["estimate"] + plain.row("volume_l")["estimate"] * VOLUME.mean()
    assert centred.row("intercept")["estimate"] == pytest.approx(moved)


def test_effects_without_a_value_are_left_out_and_counted() -> None:
    volume = [None, float("nan"), *VOLUME[2:].tolist()]
    result = regress(ESTIMATE, VARIANCE, {"volume_l": volume})
    whole = regress(ESTIMATE[2:], VARIANCE[2:], {"volume_l": VOLUME[2:]})
    assert result.left_out == 2 and result.n_effects == K - 2
    assert result.row("volume_l")["estimate"] == pytest.approx(whole.row("volume_l")["estimate"])
    assert any("2 effects have no value" in remark for remark in result.remarks)


def test_numbers_can_be_taken_as_categories_and_all_tries_are_told() -> None:
    season = np.repeat([2021, 2022], 7)
    result = regress(ESTIMATE, VARIANCE, {"season": season}, categories=["season"], looked_at=5)
    assert result.terms["term"].to_list()[1] == "season: 2022 against 2021"
    assert result.moderators_looked_at == 5


def test_subgroups_of_one_variance_are_their_means_under_a_common_spread() -> None:
    table = subgroups(ESTIMATE, np.full(K, 0.001), COLOUR)
    red, white = ESTIMATE[COLOUR == "red"], ESTIMATE[COLOUR == "white"]
    pooled = np.sqrt(((red - red.mean()) ** 2).sum() + ((white - white.mean()) ** 2).sum())
    assert table["category"].to_list() == ["red", "white"]
    assert table["estimate"].to_list() == pytest.approx([red.mean(), white.mean()])
    assert table["std_error"][0] == pytest.approx(pooled / np.sqrt(K - 2) / np.sqrt(7), rel=1e-6)
    assert table["n_sites"].to_list() == [7, 7]


def test_a_subgroup_of_one_site_has_a_mean_but_no_interval() -> None:
    y, variance, site, _ = nested_sites()
    table = subgroups(y, variance, np.where(site == 0, "alone", "others"), site=site)
    alone, others = table.row(0, named=True), table.row(1, named=True)
    assert alone["estimate"] is not None and alone["low"] is None and alone["n_sites"] == 1
    assert others["low"] < others["estimate"] < others["high"]


def test_arms_that_share_a_control_are_nested_even_with_one_trial_a_site() -> None:
    level = np.tile([1.0, 2.0], 7)
    site = np.repeat(np.arange(7), 2)
    shared = from_shared_controls(site.tolist(), np.full(K, 0.003))
    result = regress(ESTIMATE, VARIANCE, {"level": level}, site=site, trial=site, covariance=shared)
    assert result.interval_method == "robust"
    assert result.row("level")["std_error"] > 0


@pytest.mark.parametrize(
    ("moderators", "words"),
    [
        ({"colour": ["red"] * K}, "colour is the same"),
        ({"volume_l": [5.0] * K}, "volume_l is the same"),
        ({}, "no moderator"),
        ({"volume_l": [1.0, 2.0]}, "2 values of volume_l"),
    ],
)
def test_what_cannot_moderate_is_refused_by_name(moderators: dict[str, list[object]], words: str) -> None:
    with pytest.raises(NotComputable, match=words):
        regress(ESTIMATE, VARIANCE, moderators)


def test_words_that_are_not_known_are_refused() -> None:
    with pytest.raises(UnknownName, match="method best"):
        regress(ESTIMATE, VARIANCE, {"volume_l": VOLUME}, method="best")  # type: ignore[arg-type]
    with pytest.raises(NotComputable, match="one effect a site"):
        regress(ESTIMATE, VARIANCE, {"volume_l": VOLUME}, site=np.arange(K) // 2, method="moment")


def test_categories_whose_effects_tie_prove_nothing_where_their_trials_are_coarse() -> None:
    result = regress([0.2, 0.2, 0.3], [1.0, 1.0, 1.0], {"colour": ["red", "red", "white"]})
    row = result.row("colour: white against red")
    # The difference of 0.1 has the variance 1 + 1 / 2.
    assert row["std_error"] == pytest.approx(1.5**0.5)
    assert row["low"] < 0 < row["high"]
    assert "to the last digit" in result.remarks[0]


def test_the_unit_of_a_moderator_changes_no_answer() -> None:
    frame = [np.tile(["a", "b", "c", "d", "e", "f", "g"], 2), np.full(K, 0.01)]
    plain = regress(ESTIMATE, frame[1], {"volume_l": VOLUME}, site=frame[0]).row("volume_l")
    small = regress(ESTIMATE, frame[1], {"volume_l": VOLUME * 1e9}, site=frame[0]).row("volume_l")
    assert small["p"] == pytest.approx(plain["p"], rel=1e-6)
    assert small["estimate"] == pytest.approx(plain["estimate"] / 1e9, rel=1e-6)
