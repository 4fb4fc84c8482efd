from __future__ import annotations

import numpy as np
import pytest

from crosscellar.errors import NotComputable
from crosscellar.pooling.covariance import from_matrix, from_reference_counts, from_shared_controls


def test_only_effects_with_the_same_key_are_tied() -> None:
    shared = from_shared_controls(["A", None, "A", "B", "", "A"], [0.1, None, 0.1, 0.3, np.nan, 0.1])
    pairs = sorted(zip(shared.first.tolist(), shared.second.tolist(), strict=True))
    assert pairs == [(0, 2), (0, 5), (2, 5)]
    assert shared.value.tolist() == pytest.approx([0.1] * 3)


def test_unequal_variances_of_one_control_keep_the_matrix_positive_definite() -> None:
    control = np.array([0.04, 0.09, 0.01])
    matrix = from_shared_controls(["A"] * 3, control).matrix(control * 1.01)
    assert matrix[0, 1] == pytest.approx(0.06)
    assert np.linalg.eigvalsh(matrix)[0] > 0


def test_a_matrix_survives_the_way_there_and_back() -> None:
    matrix = np.array([[1.0, 0.0, 0.2], [0.0, 2.0, 0.0], [0.2, 0.0, 3.0]])
    read = from_matrix(matrix)
    assert read.first.tolist() == [0] and read.second.tolist() == [2]
    np.testing.assert_array_equal(read.matrix(np.diag(matrix)), matrix)


def test_taking_effects_renumbers_their_ties() -> None:
    read = from_shared_controls(["A", "B", "A", "B"], [0.1, 0.2, 0.1, 0.2]).take([3, 0, 1])
    np.testing.assert_allclose(read.matrix(np.ones(3)), [[1.0, 0.0, 0.2], [0.0, 1.0, 0.0], [0.2, 0.0, 1.0]])


def test_a_shared_control_without_variance_is_named() -> None:
    with pytest.raises(NotComputable, match="the control T07-C"):
        from_shared_controls(["T07-C", "T07-C"], [0.1, None])


@pytest.mark.parametrize("matrix", [[[1.0, 0.5]], [[1.0, 0.5], [0.4, 1.0]]])
def test_a_matrix_that_is_no_covariance_is_refused(matrix: list[list[float]]) -> None:
    with pytest.raises(NotComputable, match="covariance matrix"):
        from_matrix(matrix)


def test_crude_odds_ratios_are_fitted_by_the_counts_themselves() -> None:
    events, without = np.array([20.0, 30.0, 25.0]), np.array([80.0, 60.0, 50.0])
    log_odds = np.log(events / without)
    cell = 1 / events + 1 / without
    shared, fitted, rest = from_reference_counts(
        events, without, log_odds[1:] - log_odds[0], cell[1:] + cell[0]
    )
    np.testing.assert_allclose(fitted, events, rtol=1e-10)
    np.testing.assert_allclose(rest, without, rtol=1e-10)
    # With crude odds ratios the covariance is the variance of the reference level's log odds.
    assert shared.value[0] == pytest.approx(cell[0], rel=1e-10)


def test_a_level_without_events_is_refused() -> None:
    with pytest.raises(NotComputable, match="no odds"):
        from_reference_counts([0, 5], [10, 5], [1.0], [0.5])
