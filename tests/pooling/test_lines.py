"""Zeros and least places of functions of one number, against scipy and numbers known by heart."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize_scalar
from scipy.special import ndtr

from crosscellar.errors import NotComputable
from crosscellar.pooling.lines import crossing, lowest

SHAPES: list[tuple[Callable[[float], float], float, float]] = [
    (lambda x: x**3 - 2.0, 0.0, 3.0),
    (lambda x: math.cos(x) - x, -1.0, 2.0),
    (lambda x: float(ndtr(x)) - 0.975, -80.0, 80.0),
    (lambda x: math.exp(-x) - 1e-6, 0.0, 60.0),
    (lambda x: -1.0 if x < 0.3 else 1.0, 0.0, 1.0),
]


@pytest.mark.parametrize(("height", "low", "high"), SHAPES)
def test_a_crossing_is_that_of_scipy(height: Callable[[float], float], low: float, high: float) -> None:
    # External: scipy.optimize.brentq.
    found = crossing(height, low, high, within=1e-12)
    assert found == pytest.approx(brentq(height, low, high, xtol=1e-12), abs=1e-11)
    assert crossing(height, high, low, within=1e-12) == pytest.approx(found, abs=1e-11)


def test_a_crossing_that_is_flat_for_long_is_found() -> None:
    # By construction: the ninth power of less than 1e-3 is below 1e-27.
    assert crossing(lambda x: (x - 1.0) ** 9, -2.0, 5.0, within=1e-9) == pytest.approx(1.0, abs=1e-3)


def test_a_zero_at_an_end_is_found_and_no_crossing_is_said() -> None:
    assert crossing(lambda x: x, 0.0, 1.0, within=1e-9) == 0.0
    assert crossing(lambda x: x - 1.0, 0.0, 1.0, within=1e-9) == 1.0
    with pytest.raises(NotComputable):
        crossing(lambda x: x * x + 1.0, -1.0, 1.0, within=1e-9)


@given(st.floats(-5.0, 5.0), st.floats(0.1, 10.0), st.floats(-8.0, -5.5), st.floats(5.5, 8.0))
@settings(deadline=None, max_examples=60)
def test_the_least_place_of_a_valley_is_found(at: float, steep: float, low: float, high: float) -> None:
    # External: by construction.
    assume(low < at < high)
    place, height = lowest(lambda x: steep * math.log(math.cosh(x - at)) + 2.0, low, high, within=1e-7)
    assert place == pytest.approx(at, abs=1e-5)
    assert height == pytest.approx(2.0, abs=1e-9)


@pytest.mark.parametrize(
    ("height", "low", "high"),
    [
        (lambda x: x, 1.0, 3.0),
        (lambda x: -x, 1.0, 3.0),
        (lambda x: abs(x - 0.3), 0.0, 1.0),
        (lambda x: math.gamma(x), 0.5, 4.0),
        (lambda x: 4.0, 0.0, 1.0),
    ],
    ids=["at the low end", "at the high end", "a corner", "the gamma function", "flat"],
)
def test_the_least_place_is_that_of_scipy(height: Callable[[float], float], low: float, high: float) -> None:
    # External: scipy.optimize.minimize_scalar, bounded.
    found = minimize_scalar(height, bounds=(low, high), method="bounded", options={"xatol": 1e-8})
    place, least = lowest(height, low, high, within=1e-8)
    assert place == pytest.approx(found.x, abs=1e-6)
    assert least == pytest.approx(found.fun, abs=1e-7)
