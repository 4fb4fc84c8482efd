"""Where a function of one number crosses zero, and where it is least, between two ends.

Both are Brent's (1973, Algorithms for Minimization without Derivatives, chapters 4 and 5), written out here
because importing a whole package of optimisers takes longer than a question's answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from crosscellar.errors import NotComputable

_GOLDEN: Final = (3.0 - math.sqrt(5.0)) / 2.0
_ROUNDING: Final = math.ulp(1.0)
_MOST_STEPS: Final = 500


def crossing(height: Callable[[float], float], low: float, high: float, *, within: float) -> float:
    """The place between `low` and `high` where `height` is 0, to `within` or as close as rounding allows.

    Raises
    ------
    NotComputable
        When it has the same sign at both ends.
    """
    a, b = low, high
    fa, fb = height(a), height(b)
    if fa == 0.0 or fb == 0.0:
        return a if fa == 0.0 else b
    if (fa > 0.0) == (fb > 0.0):
        raise NotComputable("the function has the same sign at both ends", next_step="Widen the ends.")
    c, fc = a, fa
    step = before = b - a
    for _ in range(_MOST_STEPS):
        if abs(fc) < abs(fb):
            a, b, c = b, c, b
            fa, fb, fc = fb, fc, fb
        allowed = 2.0 * _ROUNDING * abs(b) + within / 2.0
        half = (c - b) / 2.0
        if abs(half) <= allowed or fb == 0.0:
            break
        if abs(before) >= allowed and abs(fa) > abs(fb):
            p, q = _interpolated(a, b, c, (fa, fb, fc))
            if 2.0 * p < min(3.0 * half * q - abs(allowed * q), abs(before * q)):
                before, step = step, p / q
            else:
                before = step = half
        else:
            before = step = half
        a, fa = b, fb
        b += step if abs(step) > allowed else math.copysign(allowed, half)
        fb = height(b)
        if (fb > 0.0) == (fc > 0.0):
            c, fc = a, fa
            before = step = b - a
    return b


def _interpolated(a: float, b: float, c: float, heights: tuple[float, float, float]) -> tuple[float, float]:
    """The step from `b` to where a parabola in the heights, or a line, crosses zero: p / q with p >= 0."""
    fa, fb, fc = heights
    s = fb / fa
    if a == c:
        p, q = (c - b) * s, 1.0 - s
    else:
        u, r = fa / fc, fb / fc
        p = s * ((c - b) * u * (u - r) - (b - a) * (r - 1.0))
        q = (u - 1.0) * (r - 1.0) * (s - 1.0)
    return (p, -q) if p > 0.0 else (-p, q)


def lowest(
    height: Callable[[float], float], low: float, high: float, *, within: float
) -> tuple[float, float]:
    """The place between `low` and `high` where `height` is least, to `within`, and the height there.

    With several valleys it is one of them.
    """
    a, b = low, high
    x = second = third = a + _GOLDEN * (b - a)
    fx = f_second = f_third = height(x)
    step = before = 0.0
    for _ in range(_MOST_STEPS):
        middle = (a + b) / 2.0
        allowed = math.sqrt(_ROUNDING) * abs(x) + within / 3.0
        if abs(x - middle) <= 2.0 * allowed - (b - a) / 2.0:
            break
        golden = True
        if abs(before) > allowed:
            r = (x - second) * (fx - f_third)
            q = (x - third) * (fx - f_second)
            p = (x - third) * q - (x - second) * r
            q = 2.0 * (q - r)
            p, q = (-p, q) if q > 0.0 else (p, -q)
            if abs(p) < abs(q * before / 2.0) and q * (a - x) < p < q * (b - x):
                before, step = step, p / q
                golden = False
                if min(x + step - a, b - x - step) < 2.0 * allowed:
                    step = math.copysign(allowed, middle - x)
        if golden:
            before = (a if x >= middle else b) - x
            step = _GOLDEN * before
        u = x + (step if abs(step) >= allowed else math.copysign(allowed, step))
        fu = height(u)
        if fu <= fx:
            a, b = (x, b) if u >= x else (a, x)
            third, f_third, second, f_second, x, fx = second, f_second, x, fx, u, fu
        else:
            a, b = (u, b) if u < x else (a, u)
            if fu <= f_second or second == x:
                third, f_third, second, f_second = second, f_second, u, fu
            elif fu <= f_third or third in (x, second):
                third, f_third = u, fu
    return x, fx
