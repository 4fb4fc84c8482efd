"""Intervals of the mean effect and of a new site's effect, from numbers or arrays."""

from __future__ import annotations

import numpy as np

from crosscellar.pooling.heterogeneity import Floats


def t_quantile(df: Floats, level: float) -> Floats:
    """The two-sided Student t factor at `level`; infinite `df` gives the normal's, `df` below 1 gives NaN."""
    from scipy.special import ndtri, stdtrit

    upper = 0.5 + level / 2.0
    sizes, back = np.unique(np.asarray(df, dtype=np.float64), return_inverse=True)
    with np.errstate(invalid="ignore"):
        factor = np.where(
            np.isinf(sizes),
            ndtri(upper),
            stdtrit(np.where(np.isfinite(sizes) & (sizes > 0), sizes, np.nan), upper),
        )
    return np.asarray(factor[back].reshape(np.shape(df)))


def p_two_sided(statistic: Floats, df: Floats) -> Floats:
    """The two-sided p-value of a t statistic; infinite `df` takes the normal."""
    return np.asarray(2.0 * share_above(np.abs(statistic), df))


def share_above(statistic: Floats, df: Floats) -> Floats:
    """P(T > statistic) of Student's t on `df`; infinite `df` takes the normal, `df` of 0 or less gives NaN."""
    from scipy.special import ndtr, stdtr

    where, df = np.broadcast_arrays(np.asarray(statistic, dtype=np.float64), np.asarray(df, dtype=np.float64))
    usable = np.isfinite(df) & (df > 0)
    return np.where(
        np.isinf(df), ndtr(-where), np.where(usable, stdtr(np.where(usable, df, 1.0), -where), np.nan)
    )


def hartung_knapp_factor(q: Floats, count: Floats) -> Floats:
    """What the squared standard error is multiplied by: sum w (y - mean)^2 / (k - 1), w at the estimated tau2.

    Below 1 the interval is narrower than the model's own; that is told, not hidden (Hartung & Knapp 2001,
    Stat Med 20:3875-3889; Sidik & Jonkman 2002, Stat Med 21:3153-3159).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(q / (count - 1.0))


def around(estimate: Floats, std_error: Floats, df: Floats, level: float) -> tuple[Floats, Floats]:
    """The interval estimate -+ t(df) std_error, low and high."""
    half = t_quantile(df, level) * std_error
    return np.asarray(estimate - half), np.asarray(estimate + half)


def prediction(
    estimate: Floats, std_error: Floats, tau2: Floats, df: Floats, level: float
) -> tuple[Floats, Floats]:
    """The interval for the true effect at a new site: estimate -+ t(df) sqrt(tau2 + std_error^2).

    With df = k - 2 (Higgins, Thompson & Spiegelhalter 2009, J R Stat Soc A 172:137-159, equation 12): NaN for
    two sites, very wide for three. `std_error` is the model's own, 1 / sqrt(sum w), as in that paper.
    """
    return around(estimate, np.sqrt(tau2 + std_error**2), df, level)


def chance_beyond(bound: float, estimate: Floats, std_error: Floats, tau2: Floats, df: Floats) -> Floats:
    """The chance that the true effect at a new site lies above `bound`, from the same t as `prediction`."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return share_above((bound - estimate) / np.sqrt(tau2 + std_error**2), df)
