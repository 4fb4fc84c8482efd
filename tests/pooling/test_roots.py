from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from scipy.optimize import brentq

from crosscellar.pooling.roots import rising_root


def cube(x: float) -> tuple[float, float]:
    return x**3 - 2.0, 3.0 * x**2


def steep(x: float) -> tuple[float, float]:
    return math.tanh(40.0 * (x - 0.9)), 40.0 / math.cosh(40.0 * (x - 0.9)) ** 2


def flat(x: float) -> tuple[float, float]:
    return (x - 0.3) ** 5, 5.0 * (x - 0.3) ** 4


@pytest.mark.parametrize(("function", "low", "high"), [(cube, -5.0, 40.0), (steep, -3.0, 7.0)])
def test_the_root_is_that_of_brent(
    function: Callable[[float], tuple[float, float]], low: float, high: float
) -> None:
    # scipy.optimize.brentq, Brent (1973).
    expected = brentq(lambda x: function(x)[0], low, high, xtol=1e-14)
    assert rising_root(function, low, high, close=1e-13) == pytest.approx(expected, abs=1e-12)


def test_a_root_without_a_slope_is_come_close_to() -> None:
    assert rising_root(flat, -1.0, 2.0, close=1e-9) == pytest.approx(0.3, abs=1e-7)


def test_a_function_above_zero_everywhere_gives_the_lower_end() -> None:
    assert rising_root(lambda x: (1.0, 0.0), 2.0, 3.0, close=1e-9) == pytest.approx(2.0, abs=1e-8)
