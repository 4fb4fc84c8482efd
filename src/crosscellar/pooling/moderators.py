"""Whether the effect changes with the cultivar, the colour, the season, the dose or the volume."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt
import polars as pl

from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling.covariance import Covariance, Floats
from crosscellar.pooling.designs import Columns, complete_effects, design_of, permutation_p, values_of
from crosscellar.pooling.intervals import NO_SCATTER
from crosscellar.pooling.nested import NestedFit, fit_common, fit_nested, label_codes, working_covariance
from crosscellar.pooling.robust import cr2, cr2_weighted

Method = Literal["reml", "ml", "moment", "paule_mandel", "common"]
Interval = Literal["auto", "hartung_knapp", "normal", "robust"]
METHODS: tuple[str, ...] = get_args(Method)
INTERVALS: tuple[str, ...] = get_args(Interval)


@dataclass(frozen=True, slots=True, eq=False)
class Moderated:
    """Effects explained by moderators.

    Attributes
    ----------
    terms
        Polars frame, one row a coefficient: `moderator`, `term`, `estimate`, `std_error`, `df`, `low`,
        `high`, `p`. A category's coefficient is its difference from the reference category.
    tests
        Polars frame, one row a moderator: `moderator`, `n_terms`, `f`, `df`, `df_rest`, `p`,
        `permutation_p`.
    tau2, tau2_without, explained
        Variance between true effects with and without the moderators, and the share explained (0 to 1;
        null where there was nothing to explain).
    q, q_df, q_p
        What sampling error alone does not explain after the moderators.
    factor
        The Hartung-Knapp factor, also where it is below 1.
    orders, exact
        How many orders of the sites the permutation p rests on, and whether that is all of them.
    moderators_looked_at
        How many were tried on these effects, as told by the caller: to be shown with the p.
    left_out
        Effects without a value of some moderator.
    """

    terms: pl.DataFrame
    tests: pl.DataFrame
    covariance: Floats
    tau2: float
    tau2_without: float
    explained: float | None
    q: float
    q_df: int
    q_p: float
    factor: float
    method: str
    interval_method: str
    level: float
    orders: int
    exact: bool
    n_effects: int
    n_sites: int
    left_out: int
    moderators_looked_at: int
    converged: bool
    remarks: tuple[str, ...]

    def row(self, term: str) -> dict[str, Any]:
        """One coefficient's row of `terms`."""
        found = self.terms.filter(pl.col("term") == term)
        if found.is_empty():
            raise UnknownName(f"no term {term}", next_step=f"There are: {', '.join(self.terms['term'])}.")
        return found.row(0, named=True)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    coefficients: Floats
    covariance: Floats
    tau2: float
    rest: float
    converged: bool
    nested: NestedFit | None
    remarks: tuple[str, ...]


def regress(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    moderators: Mapping[str, Any],
    *,
    site: Any = None,
    trial: Any = None,
    season: Any = None,
    covariance: Covariance | None = None,
    categories: Collection[str] = (),
    centred: bool = False,
    method: Method = "reml",
    interval: Interval = "auto",
    level: float = 0.95,
    looked_at: int | None = None,
    orders: int = 0,
    rng: np.random.Generator | None = None,
) -> Moderated:
    """The effects' dependence on one or several moderators, with what it explains of their spread.

    One effect a site: mixed-effects meta-regression; interval with the factor y'Py/(k - p) and t on k - p
    degrees of freedom (Knapp & Hartung 2003). Sites with several effects, or effects that share a control:
    the nested model with CR2 on sites (Pustejovsky & Tipton 2018). `moment` is the method of moments with
    moderators and `paule_mandel` the root of y'Py = k - p (Thompson & Sharp 1999; DerSimonian & Kacker
    2007). The permutation p exchanges the moderators between sites, all together (Higgins & Thompson
    2004), with the weights of the model without moderators: those do not change from order to order.

    Parameters
    ----------
    moderators
        Name to values, (n,). Numbers are taken as they are, words as categories (the first in order of
        name is the reference); `categories` names numeric ones to be taken as categories.
    centred
        Subtract the mean of numeric moderators, so that the intercept is the effect at their mean.
    looked_at
        How many moderators were tried on these effects in all; by default those named here.
    orders
        Random orders for the permutation p where there are more than 5,040; needs `rng`. With fewer, all
        are tried and `rng` is not used. 0: none, unless all can be tried.

    Raises
    ------
    NotComputable
        No moderator varies, or too few effects.
    """
    _check_words(method, interval)
    y, v, at, left_out = complete_effects(estimate, variance, moderators)
    sites = np.arange(y.size) if site is None else np.asarray(site)[at]
    part = covariance.take(at) if covariance is not None else None
    columns = design_of(moderators, at, categories=categories, centred=centred)
    code = label_codes(sites, y.size, "site")
    nested = bool(np.unique(code).size < y.size or (part is not None and part.value.size))
    extra = {
        "site": sites,
        "trial": None if trial is None else np.asarray(trial)[at],
        "season": None if season is None else np.asarray(season)[at],
        "covariance": part,
    }
    fit = _fit(y, v, columns.matrix, method=method, nested=nested, **extra)
    without = _fit(y, v, np.ones((y.size, 1)), method=method, nested=nested, **extra)
    k, p = columns.matrix.shape
    factor = fit.rest / (k - p)
    chosen = ("robust" if nested else "hartung_knapp") if interval == "auto" else interval
    spread, df = _spread_of(fit, y, columns.matrix, v, sites, chosen, factor)
    rest = fit_common(y, v, covariance=part, design=columns.matrix).q
    whole = working_covariance(without.nested) if without.nested else np.diag(v + without.tau2)
    permutation, tried, exact = permutation_p(y, whole, columns, code, orders=orders, rng=rng)
    terms = _terms(columns, fit.coefficients, spread, df, level)
    remarks = list(fit.remarks)
    if chosen == "hartung_knapp" and factor <= NO_SCATTER:
        remarks.append(
            "The moderators give every effect to the last digit, which says nothing of the errors: "
            "this interval rests on the trials' own variances."
        )
    elif chosen == "hartung_knapp" and factor < 1.0:
        remarks.append(
            f"Effects scatter less than their own errors allow (factor {factor:.2f}): "
            "this interval is narrower than the normal one."
        )
    if np.isnan(df).any():
        remarks.append("A category rests on one site: it has no interval that holds across sites.")
    if left_out:
        remarks.append(f"{left_out} effects have no value of a moderator and were left out.")
    return Moderated(
        terms=terms,
        tests=_tests(columns, fit.coefficients, spread, df, permutation),
        covariance=spread,
        tau2=fit.tau2,
        tau2_without=without.tau2,
        explained=max(0.0, 1.0 - fit.tau2 / without.tau2) if without.tau2 > 0.0 else None,
        q=rest,
        q_df=k - p,
        q_p=_chi2_tail(k - p, rest),
        factor=factor,
        method=method,
        interval_method=chosen,
        level=level,
        orders=tried,
        exact=exact,
        n_effects=k,
        n_sites=int(code.max()) + 1,
        left_out=left_out,
        moderators_looked_at=len(moderators) if looked_at is None else looked_at,
        converged=fit.converged,
        remarks=tuple(remarks),
    )


def subgroups(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    groups: Any,
    *,
    site: Any = None,
    trial: Any = None,
    season: Any = None,
    covariance: Covariance | None = None,
    method: Method = "reml",
    interval: Interval = "auto",
    level: float = 0.95,
) -> pl.DataFrame:
    """The mean effect in each category: `category`, `n_effects`, `n_sites`, `estimate`, ... `high`, `p`.

    All categories share one variance between sites: a category of two sites cannot give its own. Intervals
    as in `regress`; null where a category rests on one site and sites have several effects.
    """
    _check_words(method, interval)
    y, v, at, _ = complete_effects(estimate, variance, {"group": groups})
    label = np.array([str(value) for value in values_of(groups)])[at]
    named, member = np.unique(label, return_inverse=True)
    sites = np.arange(y.size) if site is None else np.asarray(site)[at]
    code = label_codes(sites, y.size, "site")
    part = covariance.take(at) if covariance is not None else None
    nested = bool(np.unique(code).size < y.size or (part is not None and part.value.size))
    design = (member[:, None] == np.arange(named.size)).astype(np.float64)
    fit = _fit(
        y,
        v,
        design,
        method=method,
        nested=nested,
        site=sites,
        trial=None if trial is None else np.asarray(trial)[at],
        season=None if season is None else np.asarray(season)[at],
        covariance=part,
    )
    chosen = ("robust" if nested else "hartung_knapp") if interval == "auto" else interval
    spread, df = _spread_of(fit, y, design, v, sites, chosen, fit.rest / (y.size - named.size))
    columns = Columns(design, tuple(str(name) for name in named), tuple(str(name) for name in named))
    table = _terms(columns, fit.coefficients, spread, df, level)
    counts = pl.DataFrame(
        {
            "category": named,
            "n_effects": np.bincount(member),
            "n_sites": [np.unique(code[member == g]).size for g in range(named.size)],
        }
    )
    return counts.hstack(table.drop("moderator", "term"))


def _check_words(method: str, interval: str) -> None:
    for word, allowed, what in ((method, METHODS, "method"), (interval, INTERVALS, "interval")):
        if word not in allowed:
            raise UnknownName(f"there is no {what} {word}", next_step=f"Allowed: {', '.join(allowed)}.")


def _fit(y: Floats, v: Floats, x: Floats, *, method: Method, nested: bool, **extra: Any) -> _Fit:
    """Coefficients under the asked estimator of the variance between sites."""
    if method in ("reml", "ml"):
        given = extra if nested else {"site": np.arange(y.size)}
        fit = fit_nested(y, v, design=x, method="ml" if method == "ml" else "reml", **given)
        left = fit.residuals
        rest = float(left @ _solved_against(fit, left))
        return _Fit(fit.coefficients, fit.covariance, fit.tau2, rest, fit.converged, fit, fit.remarks)
    if nested:
        raise NotComputable(
            f"{method} knows one effect a site, here sites have several",
            next_step="Use reml or ml.",
        )
    if y.size <= x.shape[1]:
        raise NotComputable(f"{y.size} effects cannot give {x.shape[1]} coefficients and their spread")
    tau2 = _tau2(y, v, x, method)
    coefficients, covariance, rest = _weighted(y, 1.0 / (v + tau2), x)
    return _Fit(coefficients, covariance, tau2, rest, True, None, ())


def _solved_against(fit: NestedFit, left: Floats) -> Floats:
    """V^-1 times residuals: what the random terms leave of them."""
    return np.asarray(np.linalg.solve(working_covariance(fit), left))


def _weighted(y: Floats, w: Floats, x: Floats) -> tuple[Floats, Floats, float]:
    covariance: Floats = np.asarray(np.linalg.inv(x.T @ (w[:, None] * x)), dtype=np.float64)
    coefficients = covariance @ (x.T @ (w * y))
    left = y - x @ coefficients
    return coefficients, covariance, float(w @ left**2)


def _tau2(y: Floats, v: Floats, x: Floats, method: Method) -> float:
    k, p = x.shape
    if method == "common":
        return 0.0
    w = 1.0 / v
    _, covariance, rest = _weighted(y, w, x)
    if method == "moment":
        trace = w.sum() - np.trace(covariance @ (x.T @ ((w**2)[:, None] * x)))
        return max(0.0, float((rest - (k - p)) / trace))
    if rest <= k - p:
        return 0.0
    from scipy.optimize import brentq

    top = float(v.max())
    while _weighted(y, 1.0 / (v + top), x)[2] > k - p:
        top *= 2.0
    return float(
        brentq(lambda t: _weighted(y, 1.0 / (v + t), x)[2] - (k - p), 0.0, top, xtol=1e-15, rtol=1e-14)
    )


def _spread_of(
    fit: _Fit, y: Floats, x: Floats, v: Floats, sites: Any, chosen: str, factor: float
) -> tuple[Floats, Floats]:
    """The covariance of the coefficients and their degrees of freedom under the chosen interval."""
    k, p = x.shape
    if chosen == "robust":
        if fit.nested is not None:
            result = cr2(fit.nested)
        else:
            result = cr2_weighted(y, site=sites, variance=v + fit.tau2, design=x)
        return result.covariance, result.df
    if chosen == "hartung_knapp":
        # Effects that the moderators give to the last digit say nothing of their errors.
        return (1.0 if factor <= NO_SCATTER else factor) * fit.covariance, np.full(p, float(k - p))
    return fit.covariance, np.full(p, np.inf)


def _terms(columns: Columns, coefficients: Floats, spread: Floats, df: Floats, level: float) -> pl.DataFrame:
    error = np.sqrt(np.diagonal(spread))
    half = _t_quantile(df, 0.5 + level / 2.0) * error
    with np.errstate(divide="ignore", invalid="ignore"):
        t = coefficients / error
    frame = pl.DataFrame(
        {
            "moderator": columns.owners,
            "term": columns.terms,
            "estimate": coefficients,
            "std_error": error,
            "df": df,
            "low": coefficients - half,
            "high": coefficients + half,
            "p": 2.0 * _t_tail(df, np.abs(t)),
        }
    )
    return frame.with_columns(pl.col(pl.Float64).fill_nan(None))


def _tests(
    columns: Columns, coefficients: Floats, spread: Floats, df: Floats, permutation: Mapping[str, float]
) -> pl.DataFrame:
    """Each moderator as a whole: F = b' spread^-1 b / m; with CR2, on the smallest of its terms' df."""
    from scipy.special import fdtrc

    rows: list[dict[str, Any]] = []
    for name in dict.fromkeys(columns.owners[1:]):
        at = [i for i, owner in enumerate(columns.owners) if owner == name]
        part = spread[np.ix_(at, at)]
        rest = float(df[at].min())
        row: dict[str, Any] = {"moderator": name, "n_terms": len(at), "f": None, "df": len(at)}
        row |= {"df_rest": None, "p": None, "permutation_p": permutation.get(name)}
        if np.isfinite(part).all() and np.linalg.eigvalsh(part)[0] > 0.0:
            f = float(coefficients[at] @ np.linalg.solve(part, coefficients[at])) / len(at)
            tail = _chi2_tail(len(at), f * len(at)) if math.isinf(rest) else float(fdtrc(len(at), rest, f))
            row |= {"f": f, "df_rest": rest, "p": tail}
        rows.append(row)
    floats = dict.fromkeys(("f", "df_rest", "p", "permutation_p"), pl.Float64)
    return pl.DataFrame(rows, schema_overrides=floats)


def _t_quantile(df: Floats, share: float) -> Floats:
    from scipy.special import ndtri, stdtrit

    finite = np.where(np.isinf(df), 1.0, df)
    return np.where(np.isinf(df), ndtri(share), stdtrit(finite, share))


def _t_tail(df: Floats, t: Floats) -> Floats:
    from scipy.special import ndtr, stdtr

    finite = np.where(np.isinf(df), 1.0, df)
    return np.where(np.isinf(df), ndtr(-t), stdtr(finite, -t))


def _chi2_tail(df: int, value: float) -> float:
    from scipy.special import chdtrc

    return float(chdtrc(df, value))
