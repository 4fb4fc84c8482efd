"""Effects nested in trials nested in sites, with seasons crossing sites where the data allow it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from crosscellar.errors import NotComputable
from crosscellar.pooling.ascent import Parts, Peak, Slope, highest_peaks
from crosscellar.pooling.covariance import Covariance, Floats, Integers, independent
from crosscellar.pooling.layers import Gathered, Layers, gather

COMPONENTS = ("site", "trial", "season")
#: Seasons enter the model from this many seasons and sites on.
FEWEST_SEASONS = 3
FEWEST_SITES = 3


@dataclass(frozen=True, slots=True, eq=False)
class NestedFit:
    """Coefficients and variances of effects nested in trials and sites.

    Attributes
    ----------
    coefficients, covariance, std_errors
        One for each column of the design: (p,), (p, p), (p,). Without a design, the network's mean.
    sigma2, sigma2_se
        The variance between sites, between a site's trials and, where fitted, between seasons; standard
        errors from the expected information. A variance that the data cannot tell apart is absent.
    log_likelihood, method, converged, iterations
        At the highest mode found; `converged` is false where the climb did not end.
    weights
        (n, p): coefficients = weights' estimate.
    remarks
        What was left out of the model and why, in sentences.
    """

    coefficients: Floats
    covariance: Floats
    sigma2: Mapping[str, float]
    sigma2_se: Mapping[str, float]
    log_likelihood: float
    method: str
    converged: bool
    iterations: int
    weights: Floats
    n_effects: int
    n_sites: int
    n_trials: int
    n_seasons: int
    remarks: tuple[str, ...]
    estimate: Floats = field(repr=False)
    variance: Floats = field(repr=False)
    sampling: Covariance = field(repr=False)
    design: Floats = field(repr=False)
    slope: Floats = field(repr=False)
    site_code: Integers = field(repr=False)
    trial_code: Integers = field(repr=False)
    season_code: Integers | None = field(repr=False)
    solved_design: Floats = field(repr=False)

    @property
    def std_errors(self) -> Floats:
        """Model standard errors of the coefficients, (p,)."""
        return np.sqrt(np.diagonal(self.covariance))

    @property
    def tau2(self) -> float:
        """All variance between effects that is not sampling error."""
        return float(sum(self.sigma2.values()))

    @property
    def residuals(self) -> Floats:
        """Estimate minus what the coefficients give, (n,)."""
        return np.asarray(self.estimate - self.design @ self.coefficients)


def fit_nested(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    *,
    site: Any,
    trial: Any = None,
    season: Any = None,
    covariance: Covariance | None = None,
    design: npt.ArrayLike | None = None,
    slope: npt.ArrayLike | None = None,
    method: Literal["reml", "ml"] = "reml",
) -> NestedFit:
    """The coefficients, variances and likelihood of y = X b + site + trial (+ season) + sampling error.

    Restricted or full maximum likelihood of a model with two nested levels above known sampling errors
    (Konstantopoulos 2011; Cheung 2014), the covariance of effects that share a control included (Gleser &
    Olkin 2009). The likelihood may have several modes: a grid of starts is looked at, every peak of it is
    climbed by Newton steps within the bounds, and the highest is returned. A variance whose best value is
    0 is returned as 0.

    Parameters
    ----------
    estimate, variance
        Effects and their sampling variances, (n,).
    site, trial, season
        Labels, (n,). Without `trial` every effect is a trial of its own, but effects that share a control
        are one trial. Trials of two sites are different trials even where their labels agree.
    covariance
        Sampling covariances within trials; none when left out.
    design
        (n, p) with a column of ones where an intercept is wanted; the mean alone when left out.
    slope
        (n,) What the random terms multiply: 1 when left out; the step in level for random slopes.

    Raises
    ------
    NotComputable
        Too few effects, a variance that is not positive, a design of deficient rank, or a covariance
        between effects of different trials.
    """
    problem = nested_problem(
        estimate,
        variance,
        site=site,
        trial=trial,
        season=season,
        covariance=covariance,
        design=design,
        slope=slope,
    )
    return fit_side_by_side([problem], method=method)[0]


class NestedProblem(NamedTuple):
    """Effects ready for `fit_side_by_side`: what `fit_nested` was given, checked, coded and reduced."""

    estimate: Floats
    variance: Floats
    sampling: Covariance
    design: Floats
    slope: Floats
    site_code: Integers
    trial_code: Integers
    season_code: Integers | None
    n_seasons: int
    layers: Gathered
    free: tuple[bool, bool, bool]
    remarks: tuple[str, ...]


def nested_problem(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    *,
    site: Any,
    trial: Any = None,
    season: Any = None,
    covariance: Covariance | None = None,
    design: npt.ArrayLike | None = None,
    slope: npt.ArrayLike | None = None,
) -> NestedProblem:
    """What `fit_nested` says of its parameters, and raises for them."""
    y, v = _checked(estimate, variance)
    n = y.size
    x = np.ones((n, 1)) if design is None else np.asarray(design, dtype=np.float64).reshape(n, -1)
    z = np.ones(n) if slope is None else np.asarray(slope, dtype=np.float64)
    if n <= x.shape[1]:
        raise NotComputable(
            f"{n} effects cannot give {x.shape[1]} coefficients and their spread",
            next_step="Pool more effects or ask for fewer moderators.",
        )
    white = x / np.sqrt(v)[:, None]
    if not np.isfinite(x).all() or np.linalg.matrix_rank(white / np.linalg.norm(white, axis=0)) < x.shape[1]:
        raise NotComputable(
            "the moderators cannot be told apart: some are a combination of the others",
            next_step="Leave one of them out.",
        )
    sampling = independent(n) if covariance is None else covariance
    site_code = label_codes(site, n, "site")
    trial_code = trial_codes(site_code, trial, sampling)
    season_code, remark = _season_codes(season, site_code, n)
    if season_code is not None and _spanned(x, z, season_code):
        season_code, remark = None, "Seasons have no variance of their own: the moderators tell them apart."
    if _spanned(x, z, trial_code):
        raise NotComputable(
            "the moderators tell every trial apart: nothing is left that shows how far trials differ",
            next_step="Pool more trials or ask for fewer moderators.",
        )
    remarks = [remark] if remark else []
    columns = [x]
    if season_code is not None:
        columns.append(_indicators(z, season_code))
    layers = gather(
        np.column_stack([*columns, y]),
        p=x.shape[1],
        variance=v,
        covariance=sampling,
        slope=z,
        site=site_code,
        trial=trial_code,
    )
    free, told = _free_components(layers)
    return NestedProblem(
        estimate=y,
        variance=v,
        sampling=sampling,
        design=x,
        slope=z,
        site_code=site_code,
        trial_code=trial_code,
        season_code=season_code,
        n_seasons=0 if season is None else int(np.unique(_labels(season)).size),
        layers=layers,
        free=free,
        remarks=(*remarks, *told),
    )


def fit_side_by_side(problems: Sequence[NestedProblem], *, method: Literal["reml", "ml"]) -> list[NestedFit]:
    """What `fit_nested` gives for each, fitted at once; their designs have as many columns each."""
    slopes = [
        Slope(problem.layers, problem.free, _spread(problem.estimate, problem.design, problem.slope))
        for problem in problems
    ]
    peaks = highest_peaks(slopes, restricted=method == "reml")
    return [_fitted(problem, peak, method) for problem, peak in zip(problems, peaks, strict=True)]


def _fitted(problem: NestedProblem, peak: Peak, method: str) -> NestedFit:
    named = [name for name, is_free in zip(COMPONENTS, problem.free, strict=True) if is_free]
    coefficients, spread_of, solved = _coefficients(problem.layers, peak)
    unsettled = ("The variances did not settle: treat this answer as provisional.",)
    return NestedFit(
        coefficients=coefficients,
        covariance=spread_of,
        sigma2=MappingProxyType({name: float(peak.theta[COMPONENTS.index(name)]) for name in named}),
        sigma2_se=MappingProxyType(_variance_errors(peak, named)),
        log_likelihood=peak.log_likelihood,
        method=method,
        converged=peak.converged,
        iterations=peak.iterations,
        weights=np.asarray(solved @ spread_of),
        n_effects=problem.estimate.size,
        n_sites=int(problem.site_code.max()) + 1,
        n_trials=int(problem.trial_code.max()) + 1,
        n_seasons=problem.n_seasons,
        remarks=problem.remarks if peak.converged else problem.remarks + unsettled,
        estimate=problem.estimate,
        variance=problem.variance,
        sampling=problem.sampling,
        design=problem.design,
        slope=problem.slope,
        site_code=problem.site_code,
        trial_code=problem.trial_code,
        season_code=problem.season_code,
        solved_design=solved,
    )


class CommonFit(NamedTuple):
    """Generalized least squares under sampling error alone: `q` is what it leaves, on `df`."""

    coefficients: Floats
    covariance: Floats
    q: float
    df: int

    @property
    def std_errors(self) -> Floats:
        return np.sqrt(np.diagonal(self.covariance))


def fit_common(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    *,
    covariance: Covariance | None = None,
    design: npt.ArrayLike | None = None,
) -> CommonFit:
    """The coefficients that all sites have in common, the covariance of shared controls accounted for.

    b = (X'S^-1 X)^-1 X'S^-1 y with covariance (X'S^-1 X)^-1; Q = (y - Xb)'S^-1 (y - Xb) (Gleser & Olkin
    2009).

    Raises
    ------
    NotComputable
        As `fit_nested`, but as many effects as coefficients are enough.
    """
    y, v = _checked(estimate, variance)
    x = np.ones((y.size, 1)) if design is None else np.asarray(design, dtype=np.float64).reshape(y.size, -1)
    sampling = independent(y.size) if covariance is None else covariance
    one_site = np.zeros(y.size, dtype=np.int64)
    layers = gather(
        np.column_stack([x, y]),
        p=x.shape[1],
        variance=v,
        covariance=sampling,
        slope=np.ones(y.size),
        site=one_site,
        trial=trial_codes(one_site, None, sampling),
    )
    cross = layers.levels(np.zeros(1), np.zeros(1))[4][0]
    p = x.shape[1]
    spread: Floats = np.asarray(np.linalg.inv(cross[:p, :p]), dtype=np.float64)
    coefficients = spread @ cross[:p, p]
    q = float(cross[p, p] - cross[:p, p] @ coefficients)
    return CommonFit(coefficients, spread, q, y.size - p)


def working_covariance(fit: NestedFit) -> Floats:
    """The full (n, n) covariance of the effects under the fit: for few effects, it grows with n squared."""
    full = fit.sampling.matrix(fit.variance)
    levels = {"site": fit.site_code, "trial": fit.trial_code, "season": fit.season_code}
    zz = fit.slope[:, None] * fit.slope
    for name, sigma2 in fit.sigma2.items():
        code = levels[name]
        if code is not None:
            full += sigma2 * zz * (code[:, None] == code)
    return full


def _checked(estimate: npt.ArrayLike, variance: npt.ArrayLike) -> tuple[Floats, Floats]:
    y = np.asarray(estimate, dtype=np.float64).ravel()
    v = np.asarray(variance, dtype=np.float64).ravel()
    if y.size != v.size:
        raise NotComputable(f"{y.size} estimates but {v.size} variances")
    if not np.isfinite(y).all() or not (np.isfinite(v).all() and (v > 0).all()):
        raise NotComputable(
            "an effect has no estimate or no positive variance",
            next_step="Leave out effects whose estimate or variance is missing.",
        )
    return y, v


def _labels(values: Any) -> npt.NDArray[np.str_]:
    return np.array([str(value) for value in values], dtype=str)


def label_codes(values: Any, n: int, what: str) -> Integers:
    """Codes from 0 for labels of any kind, in their order as text."""
    labels = _labels(values)
    if labels.size != n:
        raise NotComputable(f"{n} effects but {labels.size} labels of {what}")
    return np.asarray(np.unique(labels, return_inverse=True)[1], dtype=np.int64)


def trial_codes(site: Integers, trial: Any, sampling: Covariance) -> Integers:
    """Codes that rise with the site, one for each trial; effects that share a control are one trial."""
    n = site.size
    if trial is not None:
        within = label_codes(trial, n, "trial")
    elif sampling.value.size:
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        links = coo_array((np.ones(sampling.first.size), (sampling.first, sampling.second)), shape=(n, n))
        within = connected_components(links, directed=False)[1].astype(np.int64)
    else:
        within = np.arange(n)
    both = site * (int(within.max()) + 1) + within
    code: Integers = np.unique(both, return_inverse=True)[1].astype(np.int64)
    if (code[sampling.first] != code[sampling.second]).any():
        raise NotComputable(
            "effects of different trials or sites share a control",
            next_step="Give effects that share a control the same trial.",
        )
    return code


def _season_codes(season: Any, site: Integers, n: int) -> tuple[Integers | None, str]:
    """Season codes where seasons can be told from sites, else None with the reason."""
    if season is None:
        return None, ""
    code = label_codes(season, n, "season")
    seasons, sites = int(code.max()) + 1, int(site.max()) + 1
    if seasons < 2:
        return None, ""
    if seasons < FEWEST_SEASONS or sites < FEWEST_SITES:
        return None, (
            f"Seasons have no variance of their own: {seasons} seasons at {sites} sites, "
            f"it takes {FEWEST_SEASONS} of each."
        )
    seen = np.zeros((sites, seasons), dtype=bool)
    seen[site, code] = True
    if (seen.sum(axis=0) > 1).sum() < 2 or (seen.sum(axis=1) > 1).sum() < 2:
        return None, "Seasons have no variance of their own: too few sites were seen in the same seasons."
    return code, ""


def _indicators(z: Floats, code: Integers) -> Floats:
    return np.asarray((code[:, None] == np.arange(code.max() + 1)) * z[:, None])


def _spanned(x: Floats, z: Floats, code: Integers) -> bool:
    """Whether several moderators say all that a level says: its variance could then be anything."""
    if x.shape[1] == 1 or x.shape[1] <= code.max():
        return False
    both = np.column_stack([x, _indicators(z, code)])
    return bool(np.linalg.matrix_rank(both / np.linalg.norm(both, axis=0)) == x.shape[1])


def _free_components(layers: Layers) -> tuple[tuple[bool, bool, bool], list[str]]:
    """Which of site, trial and season variances the data can tell apart."""
    sites, trials = layers.site_start.size, layers.precision.size
    if sites == 1:
        return (False, trials > 1, layers.q > 0), ["One site: no variance between sites can be seen."]
    return (True, trials > sites, layers.q > 0), []


def _spread(y: Floats, x: Floats, z: Floats) -> float:
    """The variance about the unweighted fit on the scale of the random terms: where starts are laid out."""
    left = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return float(left @ left / (y.size - x.shape[1]) / np.mean(z * z))


def _coefficients(layers: Gathered, peak: Peak) -> tuple[Floats, Floats, Floats]:
    """b, (X'V^-1 X)^-1 and V^-1 X at the peak."""
    p, q = layers.p, layers.q
    parts = Parts(layers, peak.theta[None])
    cross = parts.full[0]
    inverse: Floats = np.asarray(np.linalg.inv(cross[: p + q, : p + q]), dtype=np.float64)
    coefficients = (inverse @ cross[: p + q, p + q])[:p]
    covariance = inverse[:p, :p]
    of_site, of_trial = parts.t_raw[0][0], parts.t_raw[1][0]
    pull = (peak.theta[1] * of_trial + peak.theta[0] * of_site[layers.site_of])[layers.trial_of]
    solved = layers.solved[:, 1:] - layers.solved[:, :1] * pull
    solved[:, p : p + q] *= np.sqrt(peak.theta[2])
    x_part, q_part = solved[:, :p], solved[:, p : p + q]
    if q:
        prior = cross[p : p + q, p : p + q]
        x_part = x_part - q_part @ np.linalg.solve(prior, cross[p : p + q, :p])
    return coefficients, covariance, np.asarray(x_part)


def _variance_errors(peak: Peak, named: list[str]) -> dict[str, float]:
    at = [COMPONENTS.index(name) for name in named]
    if not at:
        return {}
    information = peak.expected[np.ix_(at, at)]
    try:
        spread = np.diagonal(np.linalg.inv(information))
        error = np.sqrt(np.where(spread > 0.0, spread, np.nan))
    except np.linalg.LinAlgError:
        error = np.full(len(at), np.nan)
    return dict(zip(named, (float(e) for e in error), strict=True))
