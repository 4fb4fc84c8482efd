"""One question's effects pooled: the mean, where a new site may lie, and the verdict."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import polars as pl

from crosscellar.effects.measures import FURTHEST, ONLY_DIRECTION
from crosscellar.effects.scale import Scale
from crosscellar.errors import NotComputable
from crosscellar.pooling.bayes import BayesFit, TauScale
from crosscellar.pooling.choices import check_method
from crosscellar.pooling.frames import Columns, Effects, about, effects_of, several, tidy
from crosscellar.pooling.intervals import around, chance_beyond, p_two_sided
from crosscellar.pooling.models import ENDS, Outcome, Task, fit_each, takes_prior
from crosscellar.pooling.result import Pooled
from crosscellar.pooling.verdict import check_wanted, judge, many, reason_of

_SEVERAL_ARMS: Final = (
    "Some trials have several treatment arms: the mean stands for the arms that were tried together, for no "
    "single one of them."
)


@dataclass(frozen=True, slots=True)
class Asked:
    """How effects are to be pooled; called with tidy rows it gives the answer."""

    method: str
    interval: str
    level: float
    smallest_difference: float | None
    wanted: str
    tau_scale: float | TauScale | Callable[[], TauScale] | None
    unit: str | None
    beside: bool = True

    def __call__(self, rows: pl.DataFrame) -> Pooled:
        """The answer from tidy rows (see `frames.tidy`)."""
        return self.each([rows])[0]

    def each(self, parts: Sequence[pl.DataFrame]) -> list[Pooled]:
        """The answer from each of several tables of tidy rows, worked side by side."""
        return answers_of([(self, rows) for rows in parts])

    def task(self, effects: Effects, kept: pl.DataFrame, measure: str) -> Task:
        """What is to be fitted, the prior's scale looked up where a prior is taken."""
        method, interval, beside = self.method, self.interval, self.beside
        tau_scale = self.tau_scale
        if callable(tau_scale):
            taken = takes_prior(effects, kept, method=method, interval=interval, beside=beside)
            tau_scale = tau_scale() if taken else None
        return Task(effects, kept, method, interval, self.level, tau_scale, measure, beside)

    def record(
        self,
        outcome: Outcome,
        effects: Effects,
        rows: pl.DataFrame,
        kept: pl.DataFrame,
        said: dict[str, str],
        *,
        tau_scale: float | TauScale | None,
    ) -> Pooled:
        """The record of what was fitted."""
        excluded = rows.clear() if kept is rows else rows.filter(pl.col("left_out") != "")
        outcome = _within(outcome, FURTHEST.get(said["measure"], math.inf))
        n_sites, n_effects = len(effects.sites), effects.estimate.size
        d = self.smallest_difference
        verdict = str(
            judge(
                n_sites=np.array([n_sites]),
                n_effects=np.array([n_effects]),
                low=np.array([outcome.low]),
                high=np.array([outcome.high]),
                prediction_low=np.array([_beyond_doubt(outcome, d)]),
                prediction_high=np.array([outcome.prediction_high]),
                equivalence_low=np.array([outcome.equivalence_low]),
                equivalence_high=np.array([outcome.equivalence_high]),
                smallest_difference=np.array([math.nan if d is None else d]),
                wanted=np.array([self.wanted]),
            )[0]
        )
        up = self.wanted == "increase" or (self.wanted != "decrease" and not outcome.estimate < 0)
        return Pooled(
            question=said["question"],
            response=said["response"],
            stage=said["stage"],
            role=said["role"],
            measure=said["measure"],
            unit=said["unit"],
            n_effects=n_effects,
            n_sites=n_sites,
            n_seasons=kept["season"].n_unique() - kept["season"].has_nulls(),
            estimate=outcome.estimate,
            std_error=outcome.std_error,
            df=outcome.df,
            low=outcome.low,
            high=outcome.high,
            level=self.level,
            statistic=outcome.estimate / outcome.std_error if outcome.std_error > 0 else math.nan,
            p_value=outcome.p_value,
            equivalence_low=outcome.equivalence_low,
            equivalence_high=outcome.equivalence_high,
            prediction_low=outcome.prediction_low,
            prediction_high=outcome.prediction_high,
            prediction_df=outcome.prediction_df,
            tau2=outcome.tau2,
            tau2_std_error=outcome.tau2_std_error,
            tau2_low=outcome.tau2_low,
            tau2_high=outcome.tau2_high,
            sigma2=outcome.sigma2,
            q=outcome.q,
            q_df=outcome.q_df,
            q_p=outcome.q_p,
            i2=outcome.i2,
            i2_tau2=outcome.i2_tau2,
            h2=outcome.h2,
            method=outcome.method or self.method,
            interval_method=outcome.interval_method,
            interval_why=outcome.interval_why,
            converged=outcome.converged,
            narrower_than_common=outcome.narrower_than_common,
            verdict=verdict,
            reason=reason_of(
                verdict,
                scale=Scale.of(said["measure"], said["unit"], outcome.estimate, outcome.std_error),
                n_effects=n_effects,
                n_sites=n_sites,
                estimate=outcome.estimate,
                low=outcome.low,
                high=outcome.high,
                level=self.level,
                prediction_low=outcome.prediction_low,
                prediction_high=outcome.prediction_high,
                equivalence_low=outcome.equivalence_low,
                equivalence_high=outcome.equivalence_high,
                smallest_difference=d,
                wanted=self.wanted,
                between_share=outcome.i2_tau2,
                p_value=outcome.p_value,
            ),
            wanted=self.wanted,
            smallest_difference=d,
            direction="up" if up else "down",
            chance_above_zero=_chance(outcome, 0.0, up=up),
            chance_above_smallest=math.nan if d is None else _chance(outcome, abs(d), up=up),
            sites_each_way=_each_way(effects),
            bayes=outcome.bayes,
            weights=outcome.weights,
            effects=kept.with_columns(pl.Series("weight", outcome.weights, dtype=pl.Float64)),
            excluded=excluded,
            remarks=(*outcome.remarks, *_of_no_size(excluded), *_of_several_arms(kept, n_sites)),
            refit=replace(self, beside=False, tau_scale=tau_scale),
        )


def _of_no_size(excluded: pl.DataFrame) -> tuple[str, ...]:
    """What leaving out effects of which only the direction is known does to the mean."""
    if excluded.is_empty():
        return ()
    count = excluded.filter(pl.col("left_out").str.contains(ONLY_DIRECTION, literal=True)).height
    if not count:
        return ()
    left = "is left out: it tells" if count == 1 else "are left out: they tell"
    words = (
        f"{many(count, 'effect')} with every vessel of one arm beyond a limit {left} a direction and no size"
    )
    return (f"{words}, of which the mean knows nothing.",)


def _of_several_arms(kept: pl.DataFrame, n_sites: int) -> tuple[str, ...]:
    """What the mean stands for where some trial compares several treatment arms with its control."""
    if n_sites < 2 or kept["shared"].null_count() == kept.height:
        return ()
    arms = kept.drop_nulls(["trial", "arm"]).group_by("site", "trial").agg(pl.col("arm").n_unique())["arm"]
    return (_SEVERAL_ARMS,) if arms.gt(1).any() else ()


def _kept(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows that are pooled: the same frame where all are."""
    pooled = rows["left_out"] == ""
    return rows if pooled.all() else rows.filter(pooled)


def answers_of(questions: Sequence[tuple[Asked, pl.DataFrame]]) -> list[Pooled]:
    """The answer to each from its tidy rows; what is nested in sites is fitted at once."""
    kept = [_kept(rows) for _, rows in questions]
    effects = [effects_of(rows) for rows in kept]
    said = [
        about(own if own.height else rows) | ({} if asked.unit is None else {"unit": asked.unit})
        for (asked, rows), own in zip(questions, kept, strict=True)
    ]
    tasks = {
        at: asked.task(effects[at], kept[at], said[at]["measure"])
        for at, (asked, _) in enumerate(questions)
        if len(effects[at].sites) > 1
    }
    outcomes = dict(zip(tasks, fit_each(list(tasks.values())), strict=True))
    return [
        asked.record(
            outcomes[at] if at in outcomes else _shown(effects[at], kept[at], asked.level),
            effects[at],
            rows,
            kept[at],
            said[at],
            tau_scale=tasks[at].tau_scale if at in tasks else None,
        )
        for at, (asked, rows) in enumerate(questions)
    ]


def pool(
    frame: Any,
    *,
    method: str = "reml",
    interval: str = "auto",
    level: float = 0.95,
    estimate: str = "estimate",
    variance: str = "variance",
    std_error: str = "std_error",
    site: str = "site",
    season: str = "season",
    trial: str = "trial",
    arm: str = "arm",
    df: str = "df",
    shared: str = "shared",
    shared_variance: str = "shared_variance",
    smallest_difference: float | None = None,
    wanted: str = "either",
    tau_scale: float | TauScale | Callable[[], TauScale] | None = None,
    unit: str | None = None,
) -> Pooled:
    """The network's answer from one question's effects.

    With one effect a site: the mean with weights 1 / (v + tau2), on Student's t with sites - 1 degrees of
    freedom (Hartung & Knapp 2001); where the variances come with degrees of freedom, with an error that
    allows for estimated weights (Meier 1953; Kackar & Harville 1984). With several effects at some site:
    trials nested in sites (Konstantopoulos 2011) and, where the data can tell, crossed with seasons, with the
    full covariance of shared controls (Gleser & Olkin 2009), and a CR2 interval clustered on sites
    (Pustejovsky & Tipton 2018). Triangle sessions with their counts go through the exact binomial likelihood
    (Stijnen, Hamza & Özdemir 2010). Rows whose `usable` is false, or that have no estimate or positive
    variance, are listed in `excluded`, not pooled.

    Parameters
    ----------
    frame
        A polars, pandas or Arrow table, a lazy frame, or a mapping of columns; one row an effect.
    method
        Estimator of the variance between sites: `reml`, `ml`, `moment`, `paule_mandel` or `common`.
    interval
        `hartung_knapp`, `estimated_weights` (Hartung-Knapp, widened because tau2 and the variances are
        estimates, with a prediction interval that knows how uncertain tau2 is), `normal`, `robust` (CR2 with
        Satterthwaite degrees of freedom, clustered on site), `bayes` (half-normal prior on tau) or `auto`.
    level
        Of all intervals; two one-sided tests use 1 - 2 (1 - level).
    estimate, variance, std_error, site, season, trial, arm, df, shared, shared_variance
        What those columns are called. Without sites every effect counts as a site of its own.
    smallest_difference
        The smallest difference that matters, on the scale of the estimates (a log for log ratios).
    wanted
        `increase`, `decrease`, `no_change` or `either`.
    tau_scale
        Scale of the half-normal prior, or what gives it, called where a prior is taken; a stated default when
        left out.
    unit
        Overrides the frame's unit in words.

    Raises
    ------
    UnknownName
        For a missing column or an unknown method, interval or direction.
    NotComputable
        For a level outside 0.5 to 1, Hartung-Knapp with several effects a site, a shared control without its
        variance, effects of several measures, units or responses, or what is no table.
    """
    check_method(method, interval, level)
    columns = Columns(
        estimate=estimate,
        variance=variance,
        std_error=std_error,
        site=site,
        season=season,
        trial=trial,
        arm=arm,
        df=df,
        shared=shared,
        shared_variance=shared_variance,
    )
    asked = Asked(
        method=method,
        interval=interval,
        level=level,
        smallest_difference=_difference(smallest_difference),
        wanted=check_wanted(wanted),
        tau_scale=tau_scale,
        unit=unit,
    )
    rows = tidy(frame, columns)
    check_alike(_kept(rows))
    return asked(rows)


def check_alike(kept: pl.DataFrame) -> None:
    """Nothing when the pooled rows have one measure, one unit and one response.

    Raises
    ------
    NotComputable
        For effects that have no common mean.
    """
    apart = several(kept)
    if apart is not None:
        name, found = apart
        raise NotComputable(
            f"The effects are of several {name}s ({', '.join(found[:4])}{' …' if len(found) > 4 else ''}), "
            "which have no common mean",
            next_step="Keep those of one response, or pool them apart: "
            'pool_each(effects, by=["question", "response", "stage", "measure", "unit"]).',
        )


def _difference(smallest: float | None) -> float | None:
    """The smallest difference as a number, None where it is missing (NaN)."""
    try:
        number = math.nan if smallest is None else float(smallest)
    except (TypeError, ValueError) as fault:
        raise NotComputable(
            f"The smallest difference {smallest!r} is no number",
            next_step="Give it on the scale of the estimates: log(1.05) for 5 % where they are log ratios.",
        ) from fault
    return None if math.isnan(number) else number


def _shown(effects: Effects, kept: pl.DataFrame, level: float) -> Outcome:
    """A single effect with its own interval, or nothing: what is not pooled has no mean."""
    nothing = math.nan
    estimate = std_error = low = high = p_value = nothing
    df = nothing
    if effects.estimate.size == 1:
        estimate, std_error = float(effects.estimate[0]), math.sqrt(effects.variance[0])
        own = kept["df"][0]
        df = math.inf if own is None else float(own)
        low, high = (float(end) for end in around(estimate, std_error, df, level))
        p_value = float(p_two_sided(estimate / std_error, df))
    size = effects.estimate.size
    return Outcome(
        estimate=estimate,
        std_error=std_error,
        model_std_error=std_error,
        df=df,
        low=low,
        high=high,
        p_value=p_value,
        equivalence_low=nothing,
        equivalence_high=nothing,
        prediction_low=nothing,
        prediction_high=nothing,
        prediction_df=nothing,
        tau2=nothing,
        tau2_std_error=nothing,
        tau2_low=nothing,
        tau2_high=nothing,
        sigma2={},
        q=nothing,
        q_df=nothing,
        q_p=nothing,
        i2=nothing,
        i2_tau2=nothing,
        h2=nothing,
        converged=True,
        narrower_than_common=False,
        weights=np.full(size, 1.0 if size == 1 else math.nan),
        interval_method="none",
        interval_why="fewer than two sites",
    )


def _within(outcome: Outcome, most: float) -> Outcome:
    """The outcome with its intervals cut where no effect of its measure lies."""

    def cut(told: Outcome | BayesFit, names: Sequence[str]) -> dict[str, Any]:
        return {name: float(np.clip(getattr(told, name), -most, most)) for name in names}

    bayes = outcome.bayes
    if bayes is not None:
        bayes = replace(bayes, **cut(bayes, ("low", "high", "new_low", "new_high")))
    return outcome._replace(bayes=bayes, **cut(outcome, ENDS))


def _beyond_doubt(outcome: Outcome, d: float | None) -> float:
    """The lower end of the prediction interval, as the verdict reads it.

    A share of tasters who can tell lies above 0 by construction: it speaks for new sites only where it lies
    above the smallest share that matters.
    """
    if outcome.triangles is None or (d is not None and outcome.prediction_low > abs(d)):
        return outcome.prediction_low
    return math.nan


def _chance(outcome: Outcome, beyond: float, *, up: bool) -> float:
    """The chance that a new site's effect lies beyond 0 or the smallest difference, upwards or downwards."""
    if outcome.triangles is not None:
        return outcome.triangles.chance_new_above(beyond) if up and 0 < beyond < 1 else math.nan
    if outcome.interval_method == "bayes" and outcome.bayes is not None:
        return outcome.bayes.chance_new_above(beyond) if up else 1 - outcome.bayes.chance_new_above(-beyond)
    side = 1.0 if up else -1.0
    if outcome.at_new_sites is not None:
        if math.isnan(outcome.prediction_low):
            return math.nan
        below = float(outcome.at_new_sites.below(beyond if up else -beyond)[0])
        return 1.0 - below if up else below
    return float(
        chance_beyond(
            beyond,
            side * outcome.estimate,
            outcome.model_std_error,
            outcome.tau2,
            outcome.prediction_df,
        )
    )


def _each_way(effects: Effects) -> tuple[int, int]:
    """How many sites lie above and how many below 0, each by the weighted mean of its own effects."""
    total = np.bincount(
        effects.site, weights=effects.estimate / effects.variance, minlength=len(effects.sites)
    )
    return int((total > 0).sum()), int((total < 0).sum())
