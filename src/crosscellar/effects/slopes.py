"""The slope of a response on the level of treatment, with the covariance that a shared reference brings.

Every level is compared with the same reference, so the comparisons move together; generalized least squares
through the origin takes that into account.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crosscellar.errors import NotComputable

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope per unit of level.

    Attributes
    ----------
    estimate, variance
        The slope and its variance.
    lack_of_fit, lack_of_fit_df
        Weighted squares around the straight line, chi-square with these degrees of freedom if it is straight.
    """

    estimate: float
    variance: float
    lack_of_fit: float
    lack_of_fit_df: int


def slope_of_contrasts(level: npt.ArrayLike, contrast: npt.ArrayLike, covariance: npt.ArrayLike) -> Slope:
    """The slope through the origin of contrasts against a reference (Greenland & Longnecker 1992).

    (x' V^-1 x)^-1 x' V^-1 y, with variance (x' V^-1 x)^-1.

    Parameters
    ----------
    level, contrast
        Arrays of length k: level minus the reference's, response minus the reference's.
    covariance
        k by k covariance of the contrasts.
    """
    x, y = np.asarray(level, dtype=np.float64), np.asarray(contrast, dtype=np.float64)
    weighted = np.linalg.solve(np.asarray(covariance, dtype=np.float64), np.column_stack([x, y]))
    information = float(x @ weighted[:, 0])
    estimate = float(x @ weighted[:, 1]) / information
    rest = y - estimate * x
    return Slope(
        estimate=estimate,
        variance=1.0 / information,
        lack_of_fit=float(rest @ (weighted[:, 1] - estimate * weighted[:, 0])),
        lack_of_fit_df=x.size - 1,
    )


def slope_from_means(
    level: npt.ArrayLike,
    n: npt.ArrayLike,
    mean: npt.ArrayLike,
    sd: npt.ArrayLike,
    *,
    common_variance: bool = False,
) -> Slope:
    """The slope of arm means on level (Crippa & Orsini 2016); the first arm is the reference.

    Contrasts have variance sd_i^2/n_i + sd_0^2/n_0 and covariance sd_0^2/n_0; with `common_variance` every
    sd^2 is the one pooled over all arms.

    Parameters
    ----------
    level, n, mean, sd
        Arrays of length k + 1: each arm's level, vessels, mean and standard deviation.

    Raises
    ------
    NotComputable
        Fewer than two distinct levels, an arm of one vessel, or with `common_variance` no arm of two.
    """
    x, size, m, s = (np.asarray(a, dtype=np.float64) for a in (level, n, mean, sd))
    free = float((size - 1.0).sum())
    if np.unique(x).size < 2 or free <= 0 or (not common_variance and bool(np.any(size < 2))):
        raise NotComputable(
            "A slope needs two levels, and more than one vessel in every arm",
            next_step="Give arms with different levels, or share one variance with common_variance=True.",
        )
    pooled = float((np.where(size > 1, (size - 1.0) * s**2, 0.0)).sum()) / free
    of_mean = (np.full(size.shape, pooled) if common_variance else s**2) / size
    covariance = np.diag(of_mean[1:]) + of_mean[0]
    return slope_of_contrasts(x[1:] - x[0], m[1:] - m[0], covariance)


@dataclass(frozen=True, slots=True)
class CaseControlTable:
    """Counts that match adjusted odds ratios, and the covariance of the log odds ratios they imply."""

    cases: Array
    controls: Array
    log_odds_ratio: Array
    covariance: Array


def fitted_case_control(
    cases: npt.ArrayLike, controls: npt.ArrayLike, odds_ratio: npt.ArrayLike, variance: npt.ArrayLike
) -> CaseControlTable:
    """The table of counts whose crude odds ratios are the adjusted ones, margins kept.

    Greenland & Longnecker (1992): cases are fitted by Newton's method so that the row totals and the total of
    cases stay; correlations follow from 1/case + 1/control of the reference; covariances from these and the
    published variances.

    Parameters
    ----------
    cases, controls
        Counts of length k + 1, the reference first.
    odds_ratio, variance
        Adjusted odds ratios and variances of their logarithms, length k, without the reference.
    """
    a, b = np.asarray(cases, dtype=np.float64), np.asarray(controls, dtype=np.float64)
    log_or = np.log(np.asarray(odds_ratio, dtype=np.float64))
    spread = np.sqrt(np.asarray(variance, dtype=np.float64))
    rows, total = a + b, a.sum()
    fitted = (a * 1.0)[1:]
    for _ in range(100):
        reference = total - fitted.sum()
        e = log_or + np.log(reference) + np.log(rows[1:] - fitted)
        e = e - np.log(fitted) - np.log(rows[0] - reference)
        shared = 1.0 / reference + 1.0 / (rows[0] - reference)
        own = 1.0 / fitted + 1.0 / (rows[1:] - fitted)
        step = np.linalg.solve(np.diag(own) + shared, e)
        # A full step may leave the table; half steps come back into it.
        while (
            np.any(fitted + step <= 0)
            or np.any(fitted + step >= rows[1:])
            or not (0 < total - (fitted + step).sum() < rows[0])
        ):
            step = step / 2.0
        fitted = fitted + step
        if float(np.abs(step).max()) < 1e-12 * total:
            break
    else:
        raise NotComputable(
            "No table of counts matches these adjusted odds ratios",
            next_step="Check that counts and odds ratios come from the same table.",
        )
    reference = total - fitted.sum()
    shared = 1.0 / reference + 1.0 / (rows[0] - reference)
    crude = np.sqrt(shared + 1.0 / fitted + 1.0 / (rows[1:] - fitted))
    correlation = shared / np.outer(crude, crude)
    np.fill_diagonal(correlation, 1.0)
    all_cases = np.concatenate([[reference], fitted])
    return CaseControlTable(all_cases, rows - all_cases, log_or, correlation * np.outer(spread, spread))


def slope_from_case_control(
    level: npt.ArrayLike,
    cases: npt.ArrayLike,
    controls: npt.ArrayLike,
    odds_ratio: npt.ArrayLike,
    variance: npt.ArrayLike,
) -> Slope:
    """The slope of the log odds ratio per unit of level (Greenland & Longnecker 1992).

    `level`, `cases`, `controls` have the reference first; `odds_ratio` and `variance` (of its log) leave
    it out.
    """
    table = fitted_case_control(cases, controls, odds_ratio, variance)
    x = np.asarray(level, dtype=np.float64)
    return slope_of_contrasts(x[1:] - x[0], table.log_odds_ratio, table.covariance)
