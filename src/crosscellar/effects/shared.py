"""Treatments that share a control: how their effects move together.

When one control serves several treatments, its chance error sits in each effect. The covariance is the
control's share of the variance.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def shared_control_difference(variance_control: npt.ArrayLike, n_control: npt.ArrayLike) -> Array:
    """The covariance of two differences that share a control: s2 / n of the control's vessels."""
    return np.asarray(variance_control, dtype=np.float64) / np.asarray(n_control, dtype=np.float64)


def shared_control_log_ratio(
    mean_control: npt.ArrayLike, sd_control: npt.ArrayLike, n_control: npt.ArrayLike
) -> Array:
    """The covariance of two log ratios that share a control: sd^2 / (n mean^2) (Lajeunesse 2011)."""
    mean, sd = np.asarray(mean_control, dtype=np.float64), np.asarray(sd_control, dtype=np.float64)
    return sd**2 / (np.asarray(n_control, dtype=np.float64) * mean**2)


def shared_control_standardized(
    estimate: npt.ArrayLike, n_treatment: npt.ArrayLike, n_control: float, *, n_total: float
) -> Array:
    """The covariance matrix of standardized differences that share a control and a standard deviation.

    Variances 1/n_t + 1/n_c + d^2 / (2 N), covariances 1/n_c + d_i d_j / (2 N), N all vessels of the trial
    (Gleser & Olkin 2009, eqs. 19.19 and 19.20).

    Parameters
    ----------
    estimate, n_treatment
        Arrays of one length k, a value for each treatment.
    n_control, n_total
        Vessels of the control, and of all arms that went into the standard deviation.
    """
    d = np.asarray(estimate, dtype=np.float64)
    n_t = np.asarray(n_treatment, dtype=np.float64)
    return np.diag(1.0 / n_t) + 1.0 / n_control + np.outer(d, d) / (2.0 * n_total)
