from __future__ import annotations

import numpy as np
import pytest

from crosscellar.errors import NotComputable
from crosscellar.pooling.covariance import Floats, from_shared_controls
from crosscellar.pooling.dose import dose_response, trial_slopes
from crosscellar.pooling.nested import fit_nested


def network(bend: float = 0.0) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Eight sites, two trials each, three levels, one control a trial."""
    rng = np.random.default_rng(21)
    site = np.repeat(np.arange(8), 6)
    trial = np.repeat(np.arange(16), 3)
    step = np.tile([10.0, 20.0, 40.0], 16)
    control = np.full(48, 0.01)
    slope = 0.02 + rng.normal(0, 0.006, 8)[site] + rng.normal(0, 0.003, 16)[trial]
    error = rng.normal(0, 0.1, 48) + rng.normal(0, 0.1, 16)[trial]
    return slope * step + bend * step**2 + error, np.full(48, 0.02), step, site, trial + 100 * control


def test_the_one_stage_slope_is_the_pooled_slope_of_the_trials() -> None:
    y, v, step, site, trial = network()
    shared = from_shared_controls(trial.tolist(), np.full(48, 0.01))
    one = dose_response(y, v, step, trial=trial, site=site, covariance=shared)
    two = fit_nested(one.slopes["estimate"], one.slopes["variance"], site=one.slopes["site"])
    assert one.slope == pytest.approx(two.coefficients[0], rel=1e-8)
    assert one.fit.std_errors[0] == pytest.approx(two.std_errors[0], rel=1e-8)
    for name in ("site", "trial"):
        assert one.fit.sigma2[name] == pytest.approx(two.sigma2[name], rel=1e-5)
    assert one.slopes.height == 16 and one.lack_of_fit_df == 32
    assert one.bend_p is None


def test_lack_of_fit_of_straight_lines_is_small_and_of_bent_ones_large() -> None:
    # The data are simulated straight and bent: what a chi-square test must not and must find.
    for bend, low, high in ((0.0, 0.01, 1.0), (0.001, 0.0, 1e-6)):
        y, v, step, site, trial = network(bend)
        shared = from_shared_controls(trial.tolist(), np.full(48, 0.01))
        result = dose_response(y, v, step, trial=trial, site=site, covariance=shared, bend=True)
        assert result.lack_of_fit_p is not None and result.bend_p is not None
        assert low <= result.lack_of_fit_p <= high
        assert result.fit.coefficients[1] == pytest.approx(bend, abs=3e-4)
        assert (result.bend_p < 0.01) is (bend > 0)


def test_a_trial_of_one_level_has_a_slope_and_no_lack_of_fit() -> None:
    slope = trial_slopes([0.4, 0.2], [0.04, 0.02], [4.0, -2.0], trial=["a", "b"])
    assert slope["estimate"].to_list() == pytest.approx([0.1, -0.1])
    assert slope["variance"].to_list() == pytest.approx([0.0025, 0.005])
    assert slope["lack_of_fit"].to_list() == [0.0, 0.0]
    assert slope["lack_of_fit_p"].to_list() == [None, None]


def test_the_unit_of_the_level_rescales_the_slope() -> None:
    y, v, step, site, trial = network()
    grams = dose_response(y, v, step, trial=trial, site=site)
    kilos = dose_response(y, v, step / 1000, trial=trial, site=site)
    assert kilos.slope == pytest.approx(1000 * grams.slope, rel=1e-7)
    assert kilos.lack_of_fit == pytest.approx(grams.lack_of_fit, rel=1e-9)


def test_one_site_has_a_slope_but_no_error_across_sites() -> None:
    result = dose_response([0.1, 0.3], [0.01, 0.01], [1.0, 2.0], trial=["t", "t"], site=["a", "a"])
    assert result.robust is None
    assert "One site" in result.fit.remarks[0]


def test_levels_that_cannot_carry_a_slope_are_refused() -> None:
    with pytest.raises(NotComputable, match="level of its control"):
        trial_slopes([0.1, 0.2], [0.01, 0.01], [0.0, 1.0], trial=["a", "b"])
    with pytest.raises(NotComputable, match="no bend can be seen"):
        dose_response([0.1, 0.2, 0.3], [0.01] * 3, [2.0] * 3, trial="abc", site="abc", bend=True)
