"""Effects from published summaries: means with standard deviations, or counts of events."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from crosscellar.contract.frames import as_frame
from crosscellar.errors import NotComputable, UnknownName

Array = npt.NDArray[np.float64]
SummaryMeasure = Literal[
    "difference", "log_ratio", "standardized", "risk_difference", "log_risk_ratio", "log_odds"
]
SmallSample = Literal["none", "delta", "sigma"]
StandardizedVariance = Literal["corrected", "plain", "unbiased"]

_MEANS: Final = (
    "n_treatment",
    "mean_treatment",
    "sd_treatment",
    "n_control",
    "mean_control",
    "sd_control",
)
_COUNTS: Final = ("events_treatment", "n_treatment", "events_control", "n_control")
_NEGATIVE: Final = "a standard deviation below 0"
_COLUMNS: Final = {
    "difference": _MEANS,
    "log_ratio": _MEANS,
    "standardized": _MEANS,
    "risk_difference": _COUNTS,
    "log_risk_ratio": _COUNTS,
    "log_odds": _COUNTS,
}


def hedges_correction(df: npt.ArrayLike) -> Array:
    """The exact factor J(df) that takes the bias off a standardized difference (array).

    Gamma(df/2) / (sqrt(df/2) Gamma((df - 1)/2)) (Hedges 1981, eq. 6e); NaN below 2 degrees of freedom.
    """
    from scipy.special import gammaln

    m = np.asarray(df, dtype=np.float64)
    safe = np.where(m > 1.0, m, 2.0)
    # Above 1e6 the gamma functions cancel to noise while 1 - 3/(4 df - 1) is exact to double precision.
    exact = np.exp(gammaln(safe / 2) - gammaln((safe - 1) / 2)) / np.sqrt(safe / 2)
    j = np.where(safe > 1e6, 1.0 - 3.0 / (4.0 * safe - 1.0), exact)
    return np.where(m > 1.0, j, np.nan)


def effects_from_summary(
    frame: Any,
    *,
    measure: SummaryMeasure = "log_ratio",
    small_sample: SmallSample = "none",
    standardized_variance: StandardizedVariance = "corrected",
) -> pl.DataFrame:
    """The frame with `estimate`, `variance`, `df` and `remark` added, a row for each trial.

    Parameters
    ----------
    frame
        A polars, pandas or Arrow table, a lazy frame, or a mapping of columns; one row a trial.
        For `difference`, `log_ratio`, `standardized`: n_treatment, mean_treatment, sd_treatment, n_control,
        mean_control, sd_control. For `risk_difference`, `log_risk_ratio`, `log_odds`: events_treatment,
        n_treatment, events_control, n_control.
    measure
        difference: mean t - mean c, sd_t^2/n_t + sd_c^2/n_c.
        log_ratio: ln(mean t / mean c), sd_t^2/(n_t m_t^2) + sd_c^2/(n_c m_c^2) (Hedges, Gurevitch & Curtis
        1999, eq. 1).
        standardized: Hedges g on the pooled standard deviation, exact J (Hedges 1981).
        risk_difference: p_t - p_c, p_t q_t/n_t + p_c q_c/n_c; an arm at 0 or n takes the variance of the
        share (x + 1)/(n + 2) over n + 2 (Agresti & Caffo 2000), since its plain variance would be 0.
        log_risk_ratio: ln(p_t/p_c), 1/x_t - 1/n_t + 1/x_c - 1/n_c (Katz et al. 1978).
        log_odds: ln odds ratio, the sum of the reciprocals of the four counts (Woolf 1955).
        For the last two an arm at 0 or n has a half added to all four counts of its trial (Haldane 1956;
        Gart & Zweifel 1967), and trials with 0 or n in both arms alike carry no information: no estimate.
    small_sample
        For log_ratio: `delta` or `sigma`, the two corrections of Lajeunesse (2015, eqs. 8 to 11).
    standardized_variance
        corrected: J^2 (1/n_h + d^2/(2 N)); plain: 1/n_h + g^2/(2 N); unbiased: 1/n_h + (1 - (m - 2)/(m J^2))
        g^2, with n_h = n_t n_c/(n_t + n_c), N = n_t + n_c, m = N - 2 (Hedges 1981).

    A row that has no honest value keeps null there, and its `remark` says why.

    Raises
    ------
    UnknownName
        A measure or option that does not exist.
    NotComputable
        A column is missing, or holds what is no number.
    """
    if measure not in _COLUMNS:
        raise UnknownName(
            f"There is no measure {measure!r}", next_step=f"Known are: {', '.join(sorted(_COLUMNS))}."
        )
    if small_sample not in ("none", "delta", "sigma"):
        raise UnknownName(
            f"There is no small-sample correction {small_sample!r}",
            next_step="Known are: none, delta, sigma.",
        )
    if standardized_variance not in ("corrected", "plain", "unbiased"):
        raise UnknownName(
            f"There is no variance {standardized_variance!r} of a standardized difference",
            next_step="Known are: corrected, plain, unbiased.",
        )
    table = as_frame(frame)
    missing = [name for name in _COLUMNS[measure] if name not in table.columns]
    if missing:
        raise NotComputable(
            f"For {measure} the columns {', '.join(missing)} are missing",
            next_step=f"Give {', '.join(_COLUMNS[measure])}.",
        )
    values = [_numbers(table, name) for name in _COLUMNS[measure]]
    with np.errstate(invalid="ignore", divide="ignore"):
        if measure == "standardized":
            estimate, variance, df, remark = _standardized(*values, how=standardized_variance)
        elif measure == "difference":
            estimate, variance, df, remark = _difference(*values)
        elif measure == "log_ratio":
            estimate, variance, df, remark = _log_ratio(*values, correction=small_sample)
        else:
            estimate, variance, df, remark = count_effects(*values, measure=measure)
        wrong = _cannot_be(values, counts=_COLUMNS[measure] is _COUNTS)
    remark = np.where(wrong != "", wrong, remark)
    estimate, variance, df = (np.where(wrong != "", np.nan, found) for found in (estimate, variance, df))
    return table.with_columns(
        pl.Series("estimate", estimate, dtype=pl.Float64).fill_nan(None),
        pl.Series("variance", variance, dtype=pl.Float64).fill_nan(None),
        pl.Series("df", df, dtype=pl.Float64).fill_nan(None),
        pl.Series("remark", remark.tolist(), dtype=pl.String),
    )


def _numbers(table: pl.DataFrame, name: str) -> Array:
    try:
        return table[name].cast(pl.Float64).to_numpy()
    except pl.exceptions.PolarsError as fault:
        raise NotComputable(
            f"The column {name} holds what is no number", next_step="Give one number in each row."
        ) from fault


def _cannot_be(values: Sequence[Array], *, counts: bool) -> npt.NDArray[np.str_]:
    """What cannot be in each row's numbers of vessels, events or standard deviations; "" where all can."""
    sizes = [values[1], values[3]] if counts else [values[0], values[3]]
    size = np.any([(n < 1) | (n != np.floor(n)) for n in sizes], axis=0)
    if counts:
        events = zip((values[0], values[2]), sizes, strict=True)
        other = np.any([(x < 0) | (x > n) | (x != np.floor(x)) for x, n in events], axis=0)
    else:
        other = (values[2] < 0) | (values[5] < 0)
    told = "events that cannot be: whole numbers from 0 to those of vessels" if counts else _NEGATIVE
    return np.where(size, "a number of vessels that cannot be: whole, 1 or more", np.where(other, told, ""))


Effects = tuple[Array, Array, Array, npt.NDArray[np.str_]]


def _difference(n_t: Array, m_t: Array, sd_t: Array, n_c: Array, m_c: Array, sd_c: Array) -> Effects:
    few = (n_t < 2) | (n_c < 2)
    variance = np.where(few, np.nan, sd_t**2 / n_t + sd_c**2 / n_c)
    return m_t - m_c, variance, n_t + n_c - 2.0, _few_words(few)


def _log_ratio(
    n_t: Array, m_t: Array, sd_t: Array, n_c: Array, m_c: Array, sd_c: Array, *, correction: SmallSample
) -> Effects:
    no_log = (m_t <= 0) | (m_c <= 0)
    few = (n_t < 2) | (n_c < 2)
    share_t, share_c = sd_t**2 / (n_t * m_t**2), sd_c**2 / (n_c * m_c**2)
    estimate = np.log(m_t / m_c)
    variance = share_t + share_c
    if correction == "delta":
        estimate = estimate + 0.5 * (share_t - share_c)
        variance = variance + 0.5 * (share_t**2 + share_c**2)
    elif correction == "sigma":
        up_t, up_c = np.log1p(share_t), np.log1p(share_c)
        estimate = estimate + 0.5 * (up_t - up_c)
        variance = 2.0 * (share_t + share_c) - (up_t + up_c)
    words = np.where(no_log, "a mean of 0 or below has no logarithm: ask for difference", _few_words(few))
    return (
        np.where(no_log, np.nan, estimate),
        np.where(no_log | few, np.nan, variance),
        n_t + n_c - 2.0,
        words,
    )


def _standardized(
    n_t: Array, m_t: Array, sd_t: Array, n_c: Array, m_c: Array, sd_c: Array, *, how: StandardizedVariance
) -> Effects:
    total = n_t + n_c
    m = total - 2.0
    pooled = np.sqrt(
        (np.where(n_t > 1, (n_t - 1) * sd_t**2, 0) + np.where(n_c > 1, (n_c - 1) * sd_c**2, 0)) / m
    )
    d = (m_t - m_c) / pooled
    j = hedges_correction(m)
    g = j * d
    base = 1.0 / n_t + 1.0 / n_c
    if how == "corrected":
        variance = j**2 * (base + d**2 / (2.0 * total))
    elif how == "plain":
        variance = base + g**2 / (2.0 * total)
    else:
        variance = base + (1.0 - (m - 2.0) / (m * j**2)) * g**2
    few, level = m < 2, pooled == 0
    words = np.where(
        few,
        "fewer than four vessels in all: no standardized difference",
        np.where(level, "no scatter between vessels: no standardized difference", ""),
    )
    unknown = few | level
    return np.where(unknown, np.nan, g), np.where(unknown, np.nan, variance), m, words


def count_effects(x_t: Array, n_t: Array, x_c: Array, n_c: Array, *, measure: str) -> Effects:
    """Estimate, variance, df (infinite: counts bring their own variance) and remark of event counts."""
    edge_t, edge_c = (x_t == 0) | (x_t == n_t), (x_c == 0) | (x_c == n_c)
    edge = edge_t | edge_c
    nothing = (n_t < 1) | (n_c < 1)
    if measure == "risk_difference":
        estimate = x_t / n_t - x_c / n_c
        variance = share_variance(x_t, n_t) + share_variance(x_c, n_c)
        words = np.where(edge, "an arm at none or all: its variance from (x + 1)/(n + 2)", "")
        unknown = nothing
    else:
        unknown = nothing | ((x_t == 0) & (x_c == 0)) | ((x_t == n_t) & (x_c == n_c))
        half = np.where(edge, 0.5, 0.0)
        if measure == "log_risk_ratio":
            a, c, na, nc = x_t + half, x_c + half, n_t + 2 * half, n_c + 2 * half
            estimate = np.log(a / na) - np.log(c / nc)
            variance = 1 / a - 1 / na + 1 / c - 1 / nc
        else:
            a, b, c, d = x_t + half, n_t - x_t + half, x_c + half, n_c - x_c + half
            estimate = np.log(a * d / (b * c))
            variance = 1 / a + 1 / b + 1 / c + 1 / d
        words = np.where(half > 0, "a half added to each count: an arm at none or all", "")
    words = np.where(unknown, "none or all in both arms: no effect to compute", words)
    df = np.where(unknown, np.nan, np.inf)
    return np.where(unknown, np.nan, estimate), np.where(unknown, np.nan, variance), df, words


def exact_p(x_t: npt.ArrayLike, n_t: npt.ArrayLike, x_c: npt.ArrayLike, n_c: npt.ArrayLike) -> Array:
    """The chance of counts as uneven as these or more if the arms do not differ (array of the same length).

    Two-sided exact test, both margins held: the hypergeometric probabilities no greater than the observed one
    (Fisher 1935). It needs no correction where an arm is at 0 or n.
    """
    from scipy.special import gammaln

    a, n1, c, n2 = (np.asarray(v, dtype=np.float64)[:, None] for v in (x_t, n_t, x_c, n_c))
    events = a + c
    x = np.arange(float(n1.max(initial=0.0)) + 1.0)[None, :]

    def log_choose(n: Array, k: Array) -> Array:
        return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1), dtype=np.float64)

    possible = (x <= n1) & (x <= events) & (events - x <= n2)
    held = np.where(possible, x, a)
    log_p = log_choose(n1, held) + log_choose(n2, events - held) - log_choose(n1 + n2, events)
    seen = log_choose(n1, a) + log_choose(n2, c) - log_choose(n1 + n2, events)
    # Probabilities that are equal in exact arithmetic differ by rounding.
    rare = possible & (log_p <= seen + 1e-9)
    return np.asarray(np.minimum(1.0, np.where(rare, np.exp(log_p), 0.0).sum(axis=1)), dtype=np.float64)


def share_variance(events: Array, n: Array) -> Array:
    """The variance of a share of events: p (1 - p)/n, at 0 or n that of (x + 1)/(n + 2) over n + 2."""
    p, held = events / n, (events + 1.0) / (n + 2.0)
    edge = (events == 0) | (events == n)
    return np.where(edge, held * (1.0 - held) / (n + 2.0), p * (1.0 - p) / n)


def _few_words(few: npt.NDArray[np.bool_]) -> npt.NDArray[np.str_]:
    return np.where(few, "one vessel in an arm: no variance of its own", "")
