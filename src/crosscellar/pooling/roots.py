"""Where a rising function is 0."""

from __future__ import annotations

from collections.abc import Callable

_STEPS = 200


def rising_root(
    at: Callable[[float], tuple[float, float]], low: float, high: float, *, close: float
) -> float:
    """The place between `low` and `high` where a function is 0 that is below 0 at `low` and above at `high`.

    `at` gives the function's value and its slope. Newton's steps; one that would leave what is known to hold
    the root, or that comes no closer than halving would, is a halving instead. Ends when a step is no longer
    than `close`.
    """
    here, before = 0.5 * (low + high), high - low
    for _ in range(_STEPS):
        value, slope = at(here)
        if value < 0.0:
            low = here
        else:
            high = here
        step = -value / slope if slope > 0.0 else before
        if not low <= here + step <= high or abs(step) > 0.5 * before:
            step = 0.5 * (low + high) - here
        here, before = here + step, abs(step)
        if before <= close:
            break
    return here
