"""The two-level random-effects answer to many questions at once."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from crosscellar.pooling.confidence import new_site
from crosscellar.pooling.estimators import ESTIMATORS
from crosscellar.pooling.heterogeneity import (
    Flags,
    Floats,
    Questions,
    h2_of_q,
    i2_of_q,
    i2_of_tau2,
    q_profile,
    typical_variance,
    weigh,
)
from crosscellar.pooling.intervals import (
    NO_SCATTER,
    around,
    chance_beyond,
    doubt_of_weights,
    hartung_knapp_factor,
    p_two_sided,
    prediction,
    t_quantile,
)
from crosscellar.pooling.mixtures import NormalMixture


class Answers(NamedTuple):
    """One answer a question, every array of shape (questions,), on the scale of the estimates.

    Attributes
    ----------
    estimate, std_error, df, low, high, statistic, p_value
        The mean effect; `std_error` and `df` are those of its interval (Hartung-Knapp's or the model's).
    model_std_error
        1 / sqrt(sum w), whatever the interval.
    equivalence_low, equivalence_high
        The interval of two one-sided tests: at 90 % where `level` is 95 %.
    prediction_low, prediction_high
        For the true effect at a new site: t on k - 2, or mixed over the confidence distribution of tau2.
    tau2, tau2_std_error, tau2_low, tau2_high, converged
        Variance between sites with its Q-profile interval; whether the iterations ended.
    q, q_df, q_p, i2, i2_tau2, h2, typical_variance
        Heterogeneity; `i2` from Q, `i2_tau2` from tau2, both shares from 0 to 1.
    narrower_than_common
        The interval is narrower than the common-effect normal interval of the same effects.
    no_scatter
        The effects agree to the last digit, so that the interval rests on their own variances.
    at_new_sites
        The distribution behind the prediction interval of `estimated_weights`.
    """

    estimate: Floats
    std_error: Floats
    model_std_error: Floats
    df: Floats
    low: Floats
    high: Floats
    statistic: Floats
    p_value: Floats
    equivalence_low: Floats
    equivalence_high: Floats
    prediction_low: Floats
    prediction_high: Floats
    prediction_df: Floats
    tau2: Floats
    tau2_std_error: Floats
    tau2_low: Floats
    tau2_high: Floats
    converged: Flags
    q: Floats
    q_df: Floats
    q_p: Floats
    i2: Floats
    i2_tau2: Floats
    h2: Floats
    typical_variance: Floats
    narrower_than_common: Flags
    no_scatter: Flags
    at_new_sites: NormalMixture | None = None

    def columns(self) -> dict[str, np.ndarray[Any, np.dtype[Any]]]:
        """The arrays by name."""
        every = self._asdict()
        return {name: values for name, values in every.items() if isinstance(values, np.ndarray)}

    def chance_beyond(self, bound: Floats | float, up: Flags) -> Floats:
        """The chance that the true effect at a new site lies beyond `bound`, upwards or downwards."""
        if self.at_new_sites is None:
            side = np.where(up, 1.0, -1.0)
            return chance_beyond(
                bound, side * self.estimate, self.model_std_error, self.tau2, self.prediction_df
            )
        below = self.at_new_sites.below(np.where(up, bound, -np.asarray(bound)))
        return np.where(np.isnan(self.prediction_low), np.nan, np.where(up, 1.0 - below, below))


def equivalence_level(level: float) -> float:
    """The level of the interval that two one-sided tests at (1 - level) come to: 0.90 for 0.95.

    Schuirmann 1987, J Pharmacokinet Biopharm 15:657-680.
    """
    return 1.0 - 2.0 * (1.0 - level)


def answer(questions: Questions, *, method: str, interval: str, level: float) -> Answers:
    """The answers of questions that have two effects or more, one effect a site.

    Weights are 1 / (v + tau2) with tau2 from `method` (a key of `ESTIMATORS`); `interval` is
    `hartung_knapp` (t on k - 1), `estimated_weights` (the same, its variance raised by `doubt_of_weights`;
    the prediction interval from `new_site`, at least as wide as the mean's) or `normal`. Effects that agree
    to the last digit (readings are rounded, and few sites then tie) have a factor of 0, which is no evidence
    of anything: theirs is 1.
    """
    from scipy.special import chdtrc

    tau2 = ESTIMATORS[method](questions)
    at_zero = weigh(questions, np.zeros(len(questions)))
    now = weigh(questions, tau2.value)
    estimate = questions.centre + now.mean
    model_std_error = 1.0 / np.sqrt(now.sum1)
    df = np.asarray(questions.count - 1.0)
    at_new_sites = None
    no_scatter = np.zeros(len(questions), dtype=np.bool_)
    if interval in {"hartung_knapp", "estimated_weights"}:
        scatter = hartung_knapp_factor(now.q, questions.count)
        no_scatter = scatter <= NO_SCATTER
        factor = np.where(no_scatter, 1.0, scatter)
        if interval == "estimated_weights":
            factor = factor * (1.0 + doubt_of_weights(questions, tau2.value))
        std_error, interval_df = model_std_error * np.sqrt(factor), df
    else:
        std_error, interval_df = model_std_error, np.full(len(questions), np.inf)
    low, high = around(estimate, std_error, interval_df, level)
    equivalence_low, equivalence_high = around(estimate, std_error, interval_df, equivalence_level(level))
    prediction_df = np.asarray(questions.count - 2.0)
    if interval == "estimated_weights":
        at_new_sites = new_site(questions)
        tail = 0.5 * (1.0 - level)
        few = questions.count < 3
        prediction_low = np.where(few, np.nan, np.minimum(at_new_sites.quantile(tail), low))
        prediction_high = np.where(few, np.nan, np.maximum(at_new_sites.quantile(1.0 - tail), high))
        prediction_df = np.full(len(questions), np.nan)
    else:
        prediction_low, prediction_high = prediction(
            estimate, model_std_error, tau2.value, prediction_df, level
        )
    tau2_low, tau2_high, found = q_profile(questions, level, (at_zero, now))
    with np.errstate(divide="ignore", invalid="ignore"):
        statistic = estimate / std_error
    typical = typical_variance(questions)
    common_half = t_quantile(np.inf, level) / np.sqrt(at_zero.sum1)
    return Answers(
        estimate=estimate,
        std_error=std_error,
        model_std_error=model_std_error,
        df=interval_df,
        low=low,
        high=high,
        statistic=statistic,
        p_value=p_two_sided(statistic, interval_df),
        equivalence_low=equivalence_low,
        equivalence_high=equivalence_high,
        prediction_low=prediction_low,
        prediction_high=prediction_high,
        prediction_df=prediction_df,
        tau2=tau2.value,
        tau2_std_error=tau2.std_error,
        tau2_low=tau2_low,
        tau2_high=tau2_high,
        converged=tau2.converged & found,
        q=at_zero.q,
        q_df=df,
        q_p=np.asarray(chdtrc(df, at_zero.q)),
        i2=i2_of_q(at_zero.q, df),
        i2_tau2=i2_of_tau2(tau2.value, typical),
        h2=h2_of_q(at_zero.q, df),
        typical_variance=typical,
        no_scatter=no_scatter,
        narrower_than_common=0.5 * (high - low) < common_half * (1.0 - 1e-12),
        at_new_sites=at_new_sites,
    )
