"""How many vessels a lot's mean needs for a stated precision."""

from __future__ import annotations

import math
from typing import Final

from scipy.special import stdtrit

from crosscellar.errors import NotComputable

#: Beyond this many vessels no cellar can follow, and the answer is that the precision is out of reach.
_MOST: Final = 10_000_000


def vessel_half_width(vessels: int, *, cv: float, level: float = 0.95, cv_df: float | None = None) -> float:
    """The half-width of a lot's mean from this many vessels, relative to the mean.

    t cv / sqrt(n), with t on `cv_df` degrees of freedom where the CV was estimated before (those behind the
    CV), else on n - 1 (Student 1908). Infinite for one vessel without `cv_df`.

    Raises
    ------
    NotComputable
        A CV that is not above 0, a level outside 0 to 1, fewer than one vessel, or `cv_df` not above 0.
    """
    _check(cv, level, cv_df)
    if vessels < 1:
        raise NotComputable(
            f"{vessels} vessels have no mean", next_step="Give a whole number of at least one."
        )
    df = float(vessels - 1) if cv_df is None else cv_df
    if df == 0:
        return math.inf
    return float(stdtrit(df, 0.5 + 0.5 * level)) * cv / math.sqrt(vessels)


def vessels_unrounded(*, cv: float, half_width: float, level: float = 0.95, cv_df: float) -> float:
    """The number of vessels, before rounding up, when the CV comes with `cv_df` degrees of freedom.

    (t cv / half_width)^2.
    """
    _check(cv, level, cv_df)
    _check_width(half_width)
    return float((stdtrit(cv_df, 0.5 + 0.5 * level) * cv / half_width) ** 2)


def vessels_needed(
    cv: float = 0.15, half_width: float = 0.10, level: float = 0.95, *, cv_df: float | None = None
) -> int:
    """The least number of vessels whose mean is known to within `half_width` of itself.

    Parameters
    ----------
    cv
        Standard deviation between the vessels of a lot over their mean: 0.15 is 15 %.
    half_width
        Half of the interval's width over the mean.
    level
        Of the interval.
    cv_df
        Degrees of freedom behind the CV, where it was learnt from earlier lots (nine for a lot of ten).
        Without it the CV will be estimated from the vessels themselves: t on n - 1, iterated.

    Raises
    ------
    NotComputable
        For a CV, half-width or level that cannot be, and for more vessels than can be counted.
    """
    _check(cv, level, cv_df)
    _check_width(half_width)
    if cv_df is not None:
        # A whole number but for rounding in the last digits is that whole number.
        exact = vessels_unrounded(cv=cv, half_width=half_width, level=level, cv_df=cv_df)
        return max(1, math.ceil(exact * (1.0 - 1e-12)))
    low, high = 1, 2
    while vessel_half_width(high, cv=cv, level=level) > half_width:
        low, high = high, 2 * high
        if high > _MOST:
            raise NotComputable(
                f"a half-width of {100 * half_width:g} % is out of reach at a CV of {100 * cv:g} %",
                next_step="Allow a wider interval.",
            )
    while high - low > 1:
        middle = (low + high) // 2
        if vessel_half_width(middle, cv=cv, level=level) <= half_width:
            high = middle
        else:
            low = middle
    return high


def _check(cv: float, level: float, cv_df: float | None) -> None:
    if not (math.isfinite(cv) and cv > 0):
        raise NotComputable(f"a CV of {cv:g} cannot be", next_step="Give it as a share: 0.15 for 15 %.")
    if not 0 < level < 1:
        raise NotComputable(f"a level of {level:g} cannot be", next_step="Give a share such as 0.95.")
    if cv_df is not None and not cv_df > 0:
        raise NotComputable(
            f"{cv_df:g} degrees of freedom cannot be behind a CV",
            next_step="Give the number of vessels it was estimated from, less one.",
        )


def _check_width(half_width: float) -> None:
    if not 0 < half_width < 1:
        raise NotComputable(
            f"a half-width of {half_width:g} cannot be", next_step="Give it as a share: 0.10 for 10 %."
        )
