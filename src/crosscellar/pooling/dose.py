"""How the effect grows with the dose, across sites: from trials with several levels against one control."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from crosscellar.errors import NotComputable
from crosscellar.pooling.covariance import Covariance, Floats, independent
from crosscellar.pooling.layers import blocks_by_size
from crosscellar.pooling.nested import NestedFit, fit_nested, label_codes, trial_codes
from crosscellar.pooling.robust import Robust, cr2


@dataclass(frozen=True, slots=True, eq=False)
class DoseFit:
    """The network's dose-response.

    Attributes
    ----------
    slopes
        Polars frame, one row a trial: `site`, `trial`, `levels`, `estimate` (change per unit of level),
        `variance`, `std_error`, `lack_of_fit`, `lack_of_fit_df`, `lack_of_fit_p`.
    fit
        Coefficients per unit of level, and per squared unit where a bend was asked for, with random slopes
        between sites and between a site's trials.
    robust
        The same coefficients with CR2 errors on sites; None for one site.
    lack_of_fit, lack_of_fit_df, lack_of_fit_p
        Summed over trials: what straight lines of their own leave, against sampling error.
    bend_p
        Two-sided p of the squared term from `robust`; None without one.
    """

    slopes: pl.DataFrame
    fit: NestedFit
    robust: Robust | None
    lack_of_fit: float
    lack_of_fit_df: int
    lack_of_fit_p: float | None
    bend_p: float | None

    @property
    def slope(self) -> float:
        """The network's change per unit of level."""
        return float(self.fit.coefficients[0])


def trial_slopes(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    step: npt.ArrayLike,
    *,
    trial: Any,
    site: Any = None,
    covariance: Covariance | None = None,
) -> pl.DataFrame:
    """Each trial's slope through its control, by generalized least squares, with its lack of fit.

    b = x'S^-1 y / x'S^-1 x with variance 1 / x'S^-1 x, S holding the covariance of effects that share the
    control (Greenland & Longnecker 1992; Crippa & Orsini 2016); lack of fit y'S^-1 y - b^2 x'S^-1 x on the
    number of levels less one. For differences of means this is the weighted regression of all arm means,
    the control's too, on the level.

    Parameters
    ----------
    estimate, variance
        Effects of each level against the control, (n,).
    step
        Level of the treatment less level of the control, (n,), not 0.
    """
    y, v, x, sampling = _checked(estimate, variance, step, covariance)
    names = np.array([str(name) for name in trial], dtype=str)
    sites = names if site is None else np.array([str(name) for name in site], dtype=str)
    code = trial_codes(label_codes(sites, y.size, "site"), names, sampling)
    rows_of: list[pl.DataFrame] = []
    for rows, block in blocks_by_size(v, sampling, code):
        solved = np.linalg.solve(block, np.stack([x[rows], y[rows]], axis=2))
        weight = np.einsum("bi,bi->b", x[rows], solved[:, :, 0])
        slope = np.einsum("bi,bi->b", x[rows], solved[:, :, 1]) / weight
        left = y[rows] - slope[:, None] * x[rows]
        lack = np.einsum("bi,bi->b", left, solved[:, :, 1] - slope[:, None] * solved[:, :, 0])
        levels = rows.shape[1]
        frame = {
            "site": sites[rows[:, 0]],
            "trial": names[rows[:, 0]],
            "levels": np.full(rows.shape[0], levels),
            "estimate": slope,
            "variance": 1.0 / weight,
            "std_error": np.sqrt(1.0 / weight),
            "lack_of_fit": lack if levels > 1 else np.zeros_like(lack),
            "lack_of_fit_df": np.full(rows.shape[0], levels - 1),
        }
        rows_of.append(pl.DataFrame(frame))
    table = pl.concat(rows_of).sort("site", "trial")
    tail = _tail(table["lack_of_fit_df"].to_numpy(), table["lack_of_fit"].to_numpy())
    return table.with_columns(pl.Series("lack_of_fit_p", tail).fill_nan(None))


def dose_response(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    step: npt.ArrayLike,
    *,
    trial: Any,
    site: Any,
    covariance: Covariance | None = None,
    bend: bool = False,
    method: Literal["reml", "ml"] = "reml",
) -> DoseFit:
    """The network's slope with random slopes by site and trial, and the lack of fit of straight lines.

    All levels of all trials enter one model, y = x (b + site + trial) + sampling error, with the covariance
    of effects that share a control. With a straight line this gives what pooling the trials' slopes gives;
    the one-stage form also takes a squared term (`bend`), to which trials with a single level contribute
    (Crippa, Discacciati, Bottai, Spiegelman & Orsini 2019).

    Raises
    ------
    NotComputable
        A step of 0, fewer effects than coefficients, or a bend that the levels cannot show.
    """
    y, v, x, sampling = _checked(estimate, variance, step, covariance)
    slopes = trial_slopes(y, v, x, trial=trial, site=site, covariance=sampling)
    if bend and np.unique(np.abs(x)).size < 2:
        raise NotComputable(
            "all treatments stand at one step from their control: no bend can be seen",
            next_step="Ask for the straight line.",
        )
    design = np.column_stack([x, x**2]) if bend else x[:, None]
    fit = fit_nested(y, v, site=site, trial=trial, covariance=sampling, design=design, slope=x, method=method)
    robust = cr2(fit) if fit.n_sites > 1 else None
    lack, df = float(slopes["lack_of_fit"].sum()), int(slopes["lack_of_fit_df"].sum())
    tail = float(_tail(np.array([df]), np.array([lack]))[0])
    return DoseFit(
        slopes=slopes,
        fit=fit,
        robust=robust,
        lack_of_fit=lack,
        lack_of_fit_df=df,
        lack_of_fit_p=tail if df else None,
        bend_p=float(robust.p_values[1]) if bend and robust is not None else None,
    )


def _checked(
    estimate: npt.ArrayLike, variance: npt.ArrayLike, step: npt.ArrayLike, covariance: Covariance | None
) -> tuple[Floats, Floats, Floats, Covariance]:
    y = np.asarray(estimate, dtype=np.float64)
    v = np.asarray(variance, dtype=np.float64)
    x = np.asarray(step, dtype=np.float64)
    if not y.size == v.size == x.size:
        raise NotComputable(f"{y.size} estimates, {v.size} variances and {x.size} levels do not match")
    if not (np.isfinite(y).all() and np.isfinite(v).all() and (v > 0).all()):
        raise NotComputable("an effect has no estimate or no positive variance")
    if not np.isfinite(x).all() or (x == 0).any():
        raise NotComputable(
            "a treatment has no level, or the level of its control",
            next_step="Give each effect's step in level from its control; leave out those without one.",
        )
    return y, v, x, independent(y.size) if covariance is None else covariance


def _tail(df: npt.NDArray[Any], value: Floats) -> Floats:
    """Upper tail of chi-square, NaN where there are no degrees of freedom."""
    from scipy.special import chdtrc

    some = df > 0
    return np.where(some, chdtrc(np.where(some, df, 1), np.maximum(value, 0.0)), np.nan)
