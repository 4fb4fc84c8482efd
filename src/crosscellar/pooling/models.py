"""One question's effects through the model that fits them: two levels, nested, or with a prior."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np
import polars as pl

from crosscellar.pooling.answers import answer, equivalence_level
from crosscellar.pooling.bayes import BayesFit, TauScale, default_tau_scale, half_normal
from crosscellar.pooling.choices import ONE_A_SITE, interval_taken
from crosscellar.pooling.covariance import Covariance, from_shared_controls, independent
from crosscellar.pooling.frames import Effects
from crosscellar.pooling.heterogeneity import (
    Floats,
    h2_of_q,
    i2_of_q,
    i2_of_tau2,
    side_by_side,
    typical_variance,
)
from crosscellar.pooling.intervals import NO_SCATTER, around, p_two_sided, prediction, t_quantile
from crosscellar.pooling.mixtures import NormalMixture
from crosscellar.pooling.nested import NestedFit, fit_side_by_side, nested_problem
from crosscellar.pooling.robust import Robust, cr2, cr2_weighted

if TYPE_CHECKING:
    from crosscellar.pooling.triangles import TrianglePool

#: With this many sites or fewer, an interval that has a prior for tau stands beside the one without.
FEW_SITES: Final = 4
#: Where the intervals of an outcome end.
ENDS: Final = (
    *("low", "high", "prediction_low", "prediction_high"),
    *("equivalence_low", "equivalence_high"),
)

#: Estimators that have a likelihood behind them.
_LIKELY: Final[tuple[Literal["reml"], Literal["ml"]]] = ("reml", "ml")

_NO_SCATTER: Final = (
    "The sites agree to the last digit, which says nothing of their errors: this interval rests on the "
    "trials' own variances."
)
_NONE_SEEN: Final = (
    "No spread between sites was seen, which so few effects cannot rule out: the range for a new site may be "
    "too narrow."
)
_NARROW: Final = (
    "The effects agree better than their variances would lead one to expect, so this interval is narrower "
    "than that of a common effect; trust it with care."
)


class Outcome(NamedTuple):
    """What a model says of one question; the fields are those of `Pooled`."""

    estimate: float
    std_error: float
    model_std_error: float
    df: float
    low: float
    high: float
    p_value: float
    equivalence_low: float
    equivalence_high: float
    prediction_low: float
    prediction_high: float
    prediction_df: float
    tau2: float
    tau2_std_error: float
    tau2_low: float
    tau2_high: float
    sigma2: Mapping[str, float]
    q: float
    q_df: float
    q_p: float
    i2: float
    i2_tau2: float
    h2: float
    converged: bool
    narrower_than_common: bool
    weights: Floats
    interval_method: str
    interval_why: str
    bayes: BayesFit | None = None
    remarks: tuple[str, ...] = ()
    method: str = ""
    triangles: TrianglePool | None = None
    at_new_sites: NormalMixture | None = None


class Task(NamedTuple):
    """Effects of two sites or more, with their rows, and how they are to be pooled."""

    effects: Effects
    rows: pl.DataFrame
    method: str
    interval: str
    level: float
    tau_scale: float | TauScale | None
    measure: str
    beside: bool


def fit_each(tasks: Sequence[Task]) -> list[Outcome]:
    """The outcome of each; what is nested in sites is fitted at once.

    Triangle sessions (`has_counts`) go through the exact binomial likelihood unless an interval or an
    estimator without one is asked for.
    """
    taken = [_interval(task) for task in tasks]
    sampling = [
        independent(task.effects.estimate.size) if interval is None else _sampling(task.rows)
        for task, interval in zip(tasks, taken, strict=True)
    ]
    problems = {
        at: nested_problem(
            task.effects.estimate,
            task.effects.variance,
            site=task.effects.site,
            trial=_trials(task.rows),
            season=None if task.rows["season"].null_count() else task.rows["season"].to_list(),
            covariance=sampling[at],
        )
        for at, task in enumerate(tasks)
        if taken[at] is not None and task.effects.repeated and task.method in _LIKELY
    }
    fitted: dict[int, NestedFit] = {}
    for method in _LIKELY:
        alike = [at for at in problems if tasks[at].method == method]
        fits = fit_side_by_side([problems[at] for at in alike], method=method)
        fitted |= dict(zip(alike, fits, strict=True))
    return [_outcome(task, taken[at], sampling[at], fitted.get(at)) for at, task in enumerate(tasks)]


def _interval(task: Task) -> tuple[str, str] | None:
    """The interval taken, and why; None for counts, which have one of their own."""
    if _goes_by_counts(task.rows, task.method, task.interval):
        return None
    effects = task.effects
    return interval_taken(
        task.interval, task.method, repeated=effects.repeated, estimated=effects.df is not None
    )


def _sampling(rows: pl.DataFrame) -> Covariance:
    if rows["shared"].null_count() == rows.height:
        return independent(rows.height)
    return from_shared_controls(rows["shared"].to_list(), rows["shared_variance"].to_numpy())


def _outcome(
    task: Task, interval: tuple[str, str] | None, sampling: Covariance, fitted: NestedFit | None
) -> Outcome:
    effects, rows, method, level = task.effects, task.rows, task.method, task.level
    if interval is None:
        return _counted(rows, level)
    taken, why = interval
    if fitted is not None:
        outcome = _nested(effects, sampling, fitted, interval=taken, level=level)
    else:
        outcome = _two_level(effects, method=method, interval=taken, level=level)
        told = []
        if effects.repeated and method != "common":
            told.append(
                f"By {method} effects of one site differ as much as those of several: tau2 is the spread of "
                "all. reml and ml tell sites from their trials."
            )
        if sampling.value.size:
            told.append(f"The control that arms share is not allowed for by {method}; reml and ml do.")
        outcome = outcome._replace(remarks=(*outcome.remarks, *told))
    if takes_prior(effects, rows, method=method, interval=task.interval, beside=task.beside):
        prior = _prior(task.tau_scale, effects, task.measure)
        outcome = _with_prior(outcome, effects, rows, sampling, prior, level=level, taken=taken == "bayes")
    return outcome._replace(interval_method=taken, interval_why=why)


def takes_prior(effects: Effects, rows: pl.DataFrame, *, method: str, interval: str, beside: bool) -> bool:
    """Whether `fit` asks for a prior on tau: for its interval, or for one that stands beside it."""
    few = beside and len(effects.sites) <= FEW_SITES and method != "common"
    return (interval == "bayes" or few) and not _goes_by_counts(rows, method, interval)


def _goes_by_counts(rows: pl.DataFrame, method: str, interval: str) -> bool:
    return interval == "auto" and method in _LIKELY and has_counts(rows)


def has_counts(rows: pl.DataFrame) -> bool:
    """Whether these are triangle sessions with their counts: measure `discriminators`, correct, tasters."""
    if not {"measure", "correct", "tasters"} <= set(rows.columns):
        return False
    counts = rows["correct"].null_count() + rows["tasters"].null_count() == 0
    return counts and bool((rows["measure"] == "discriminators").all())


def _counted(rows: pl.DataFrame, level: float) -> Outcome:
    """Triangle sessions on the binomial likelihood with a random site effect: see `pool_triangles`."""
    from crosscellar.pooling.triangles import pool_triangles_at

    said, same = pool_triangles_at(
        (level, equivalence_level(level)),
        rows["correct"].to_numpy(),
        rows["tasters"].to_numpy(),
        site=rows["site"].to_list(),
    )
    nothing = math.nan
    tasters = rows["tasters"].cast(pl.Float64).to_numpy()
    return Outcome(
        estimate=said.discriminators,
        std_error=nothing,
        model_std_error=nothing,
        df=float(said.n_sites - 1),
        low=said.low,
        high=said.high,
        p_value=said.p_value,
        equivalence_low=same.low,
        equivalence_high=same.high,
        prediction_low=said.new_low,
        prediction_high=said.new_high,
        prediction_df=nothing,
        tau2=said.spread**2,
        tau2_std_error=nothing,
        tau2_low=nothing,
        tau2_high=nothing,
        sigma2={"site": said.spread**2},
        q=nothing,
        q_df=nothing,
        q_p=nothing,
        i2=nothing,
        i2_tau2=nothing,
        h2=nothing,
        converged=said.converged,
        narrower_than_common=False,
        weights=tasters / tasters.sum(),
        interval_method="exact",
        interval_why="correct picks on the binomial likelihood, sites as a random effect",
        remarks=(
            *said.remarks,
            "The variance between sites is that of the logit of the share of tasters who can tell.",
        ),
        method="binomial",
        triangles=said,
    )


def _prior(tau_scale: float | TauScale | None, effects: Effects, measure: str) -> TauScale:
    if isinstance(tau_scale, TauScale):
        return tau_scale
    if tau_scale is None:
        return default_tau_scale(effects.variance, measure=measure)
    words = f"Prior for the spread between sites: half-normal with scale {tau_scale:g}, as given."
    return TauScale(float(tau_scale), "given", 0, words)


def _two_level(effects: Effects, *, method: str, interval: str, level: float) -> Outcome:
    """One variance between effects; sites that repeat are allowed for in the interval alone."""
    count = np.array([float(effects.estimate.size)])
    questions = side_by_side(
        effects.estimate[:, np.newaxis],
        effects.variance[:, np.newaxis],
        count,
        None if effects.df is None else effects.df[:, np.newaxis],
    )
    inner = interval if interval in ONE_A_SITE else "normal"
    answers = answer(questions, method=method, interval=inner, level=level)
    said = {name: values[0].item() for name, values in answers.columns().items()}
    weight = 1.0 / (effects.variance + said["tau2"])
    remarks: list[str] = []
    sites = len(effects.sites)
    if effects.repeated:
        said |= {"prediction_df": float(sites - 2), "tau2_low": np.nan, "tau2_high": np.nan}
        said["prediction_low"], said["prediction_high"] = _scalars(
            prediction(
                said["estimate"],
                said["model_std_error"],
                said["tau2"],
                sites - 2,
                level,
            )
        )
        if interval == "normal":
            remarks.append("Effects of one site are counted as independent here, which they are not.")
    if interval in ONE_A_SITE and said["narrower_than_common"]:
        remarks.append(_NARROW)
    if said["no_scatter"]:
        remarks.append(_NO_SCATTER)
    if said["tau2"] == 0.0 and method != "common" and sites > 2 and said["tau2_high"] > 0:
        consequence = (
            "the range for a new site allows for that"
            if answers.at_new_sites is not None
            else "the range for a new site may be too narrow"
        )
        remarks.append(
            f"No spread between sites was seen, yet a tau of up to {math.sqrt(said['tau2_high']):.3g} is not "
            f"ruled out: {consequence}."
        )
    if not said["converged"]:
        remarks.append("The search for the variance between sites did not settle: treat this as provisional.")
    outcome = Outcome(
        **{name: said[name] for name in Outcome._fields if name in said},
        at_new_sites=answers.at_new_sites,
        sigma2={"site": said["tau2"]},
        weights=weight / weight.sum(),
        interval_method=interval,
        interval_why="",
        remarks=tuple(remarks),
    )
    if interval != "robust":
        return outcome
    clustered = cr2_weighted(effects.estimate, site=effects.site, variance=effects.variance + said["tau2"])
    return _clustered(outcome, clustered, effects, level)


def _nested(
    effects: Effects, sampling: Covariance, fitted: NestedFit, *, interval: str, level: float
) -> Outcome:
    """Trials within sites, seasons across them where told apart, shared controls in full."""
    estimate, std_error = float(fitted.coefficients[0]), float(fitted.std_errors[0])
    tau2, sites = fitted.tau2, len(effects.sites)
    q, df = _general_q(effects, sampling), effects.estimate.size - 1.0
    count = np.array([float(effects.estimate.size)])
    typical = typical_variance(
        side_by_side(effects.estimate[:, np.newaxis], effects.variance[:, np.newaxis], count)
    )
    from scipy.special import chdtrc

    low, high = _scalars(around(estimate, std_error, np.inf, level))
    same = _scalars(around(estimate, std_error, np.inf, equivalence_level(level)))
    new = _scalars(prediction(estimate, std_error, tau2, sites - 2, level))
    outcome = Outcome(
        estimate=estimate,
        std_error=std_error,
        model_std_error=std_error,
        df=np.inf,
        low=low,
        high=high,
        p_value=float(p_two_sided(estimate / std_error, np.inf)),
        equivalence_low=same[0],
        equivalence_high=same[1],
        prediction_low=new[0],
        prediction_high=new[1],
        prediction_df=float(sites - 2),
        tau2=tau2,
        tau2_std_error=np.nan,
        tau2_low=np.nan,
        tau2_high=np.nan,
        sigma2=dict(fitted.sigma2),
        q=q,
        q_df=df,
        q_p=float(chdtrc(df, q)),
        i2=float(i2_of_q(q, df)),
        i2_tau2=float(i2_of_tau2(np.array([tau2]), typical)[0]),
        h2=float(h2_of_q(q, df)),
        converged=fitted.converged,
        narrower_than_common=False,
        weights=fitted.weights[:, 0],
        interval_method=interval,
        interval_why="",
        remarks=(*fitted.remarks, _NONE_SEEN) if tau2 == 0.0 and sites > 2 else fitted.remarks,
    )
    return _clustered(outcome, cr2(fitted), effects, level) if interval == "robust" else outcome


def _clustered(outcome: Outcome, clustered: Robust, effects: Effects, level: float) -> Outcome:
    std_error, df = float(clustered.std_errors[0]), float(clustered.df[0])
    estimate, remarks = outcome.estimate, outcome.remarks
    if std_error**2 <= NO_SCATTER * outcome.model_std_error**2:
        std_error, remarks = outcome.model_std_error, (*remarks, _NO_SCATTER)
    low, high = _scalars(around(estimate, std_error, df, level))
    same = _scalars(around(estimate, std_error, df, equivalence_level(level)))
    common = t_quantile(np.inf, level) / np.sqrt((1.0 / effects.variance).sum())
    narrower = bool(0.5 * (high - low) < common * (1 - 1e-12))
    if narrower:
        remarks = (*remarks, _NARROW)
    return outcome._replace(
        std_error=std_error,
        df=df,
        low=low,
        high=high,
        p_value=float(p_two_sided(estimate / std_error, df)) if std_error > 0 else np.nan,
        equivalence_low=same[0],
        equivalence_high=same[1],
        narrower_than_common=narrower,
        remarks=remarks,
    )


def _with_prior(
    outcome: Outcome,
    effects: Effects,
    rows: pl.DataFrame,
    sampling: Covariance,
    prior: TauScale,
    *,
    level: float,
    taken: bool,
) -> Outcome:
    def posterior(at: float) -> BayesFit:
        return half_normal(
            effects.estimate,
            effects.variance,
            scale=prior.scale,
            level=at,
            site=effects.site,
            trial=_trials(rows),
            covariance=sampling,
        )

    beside = posterior(level)
    remarks = (*outcome.remarks, prior.words)
    if not taken:
        return outcome._replace(bayes=beside, remarks=remarks)
    same = posterior(equivalence_level(level))
    return outcome._replace(
        estimate=beside.median,
        std_error=beside.std_dev,
        df=np.nan,
        low=beside.low,
        high=beside.high,
        p_value=np.nan,
        equivalence_low=same.low,
        equivalence_high=same.high,
        prediction_low=beside.new_low,
        prediction_high=beside.new_high,
        prediction_df=np.nan,
        at_new_sites=None,
        narrower_than_common=False,
        bayes=beside,
        remarks=remarks,
    )


def _trials(rows: pl.DataFrame) -> list[str] | None:
    """Trial labels, or None where the frame has none; an effect without one is a trial of its own."""
    if rows["trial"].null_count() == rows.height:
        return None
    return [
        f"row {at}" if trial is None else f"trial {trial}" for at, trial in enumerate(rows["trial"].to_list())
    ]


def _general_q(effects: Effects, sampling: Covariance) -> float:
    """Q about the common effect with the sampling covariance in full: r' V^-1 r."""
    ones = np.ones(effects.estimate.size)
    if sampling.value.size:
        solved = np.linalg.solve(sampling.matrix(effects.variance), np.column_stack([ones, effects.estimate]))
        common = (ones @ solved[:, 1]) / (ones @ solved[:, 0])
        return float((effects.estimate - common) @ (solved[:, 1] - common * solved[:, 0]))
    weight = 1.0 / effects.variance
    common = (weight @ effects.estimate) / weight.sum()
    return float(weight @ (effects.estimate - common) ** 2)


def _scalars(pair: tuple[Floats, Floats]) -> tuple[float, float]:
    return float(pair[0]), float(pair[1])
