"""What one trial of two arms can show by itself."""

from __future__ import annotations

import numpy as np
from scipy.special import nctdtr, stdtrit

from crosscellar.errors import NotComputable

_MOST = 100_000


def trial_power(vessels: int, *, difference: float, vessel_variance: float, level: float = 0.95) -> float:
    """The chance that a trial with this many vessels in each of two arms shows the difference.

    The two-sided t test on 2 n - 2 degrees of freedom, by the noncentral t (Cohen 1988): non-centrality
    difference / sqrt(2 variance / n). 0 for one vessel an arm: such a trial shows nothing by itself.

    Raises
    ------
    NotComputable
        For a variance that is not above 0 or fewer than one vessel.
    """
    if not vessel_variance > 0 or vessels < 1:
        raise NotComputable(
            "a trial needs vessels and a variance above 0",
            next_step="Give the variance between vessels, the square of their standard deviation.",
        )
    df = 2 * vessels - 2
    if df == 0:
        return 0.0
    shift = abs(difference) / np.sqrt(2.0 * vessel_variance / vessels)
    bound = stdtrit(df, 0.5 + 0.5 * level)
    return float(1.0 - nctdtr(df, shift, bound) + nctdtr(df, shift, -bound))


def vessels_for_difference(
    difference: float, vessel_variance: float, *, power: float = 0.8, level: float = 0.95
) -> int:
    """The least number of vessels in each of two arms with which one trial shows the difference.

    Raises
    ------
    NotComputable
        For a difference of 0, a power outside 0 to 1, or more vessels than any cellar has.
    """
    if difference == 0 or not 0 < power < 1:
        raise NotComputable(
            "no number of vessels shows a difference of 0, or with certainty",
            next_step="Give a difference that would matter and a power such as 0.8.",
        )
    low, high = 1, 2
    while trial_power(high, difference=difference, vessel_variance=vessel_variance, level=level) < power:
        low, high = high, 2 * high
        if high > _MOST:
            raise NotComputable(
                "the difference is too small for any number of vessels", next_step="Ask for a larger one."
            )
    while high - low > 1:
        middle = (low + high) // 2
        reached = trial_power(middle, difference=difference, vessel_variance=vessel_variance, level=level)
        low, high = (low, middle) if reached >= power else (middle, high)
    return high
