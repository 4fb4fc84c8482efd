"""The answer to one question, as a frozen record that prints itself."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import numpy as np
import polars as pl

from crosscellar.effects.scale import Scale
from crosscellar.errors import NotComputable
from crosscellar.pooling.bayes import BayesFit
from crosscellar.pooling.heterogeneity import Floats
from crosscellar.pooling.influence import Refit, accumulate_seasons, hanging_site, leave_out_sites
from crosscellar.pooling.verdict import chance_words, many

#: Keys of the JSON answer that scripts may hold on to, and those that stand beside them.
_AGREED: Final = (
    *("question", "response", "stage", "measure", "unit", "n_effects", "n_sites", "n_seasons"),
    *("estimate", "std_error", "low", "high", "level", "df", "prediction_low", "prediction_high"),
    *("tau2", "i2", "q", "q_p", "method", "interval_method", "verdict", "reason"),
)
_BESIDE: Final = (
    *("p_value", "p_adjusted", "tau2_low", "tau2_high", "i2_tau2", "h2", "q_df", "interval_why", "converged"),
    *("narrower_than_common", "wanted", "smallest_difference", "direction", "chance_above_zero"),
    "chance_above_smallest",
)

#: More trials than this that are left out for one reason, or sites beside one, are not all named.
_MOST_NAMED: Final = 6

Plotter = Callable[["Pooled", Path], Path]

#: The drawing of a forest plot, lent by the room that draws; empty until it is.
_plotters: list[Plotter] = []


def set_plotter(plotter: Plotter) -> None:
    """Lend `Pooled.plot` the function that draws: `plotter(pooled, path)` gives the path written."""
    _plotters[:] = [plotter]


@dataclass(frozen=True, eq=False)
class Pooled:
    """The network's answer to one question, on the scale of the estimates (log ratios stay logs).

    A number that cannot honestly be given is NaN (null in JSON): the prediction interval of two sites, the
    mean of one.

    Attributes
    ----------
    question, response, stage, role, measure, unit
        What was pooled, "" where the frame did not say.
    n_effects, n_sites, n_seasons
        What went in; one site over three seasons is one site.
    estimate, std_error, df, low, high, level, statistic, p_value
        The mean effect with its interval and the two-sided p of no effect; `df` is infinite for a normal
        interval. For `bayes`, the posterior median, its sd, equal tails, and no p.
    equivalence_low, equivalence_high
        The interval of two one-sided tests of being too small to matter, at 90 % where `level` is 95 %
        (Schuirmann 1987).
    prediction_low, prediction_high, prediction_df
        Where the true effect at a new site is expected: t on sites - 2 (Higgins, Thompson & Spiegelhalter
        2009); with `estimated_weights`, normals mixed over the confidence distribution of tau2 (no df).
    tau2, tau2_std_error, tau2_low, tau2_high
        Variance of true effects: between sites, or the sum of `sigma2` when sites have several effects (no
        interval then). The interval is the Q-profile's at `level`.
    sigma2
        The variance between sites, between a site's trials and, where told apart, between seasons.
    q, q_df, q_p, i2, i2_tau2, h2
        Q about the common effect; `i2` = max(0, (Q - df)/Q) and `i2_tau2` = tau2 / (tau2 + typical sampling
        variance), both from 0 to 1; `h2` = Q/df.
    method, interval_method, interval_why
        The estimator of tau2, the interval taken, and why.
    converged, narrower_than_common
        Whether all iterations ended; whether the interval is narrower than the common-effect normal interval.
    verdict, reason
        The rule's answer and the sentence.
    wanted, smallest_difference
        As asked; the difference on the scale of the estimates.
    direction
        "up" or "down": the wanted direction, or that of the estimate where either is wanted.
    chance_above_zero, chance_above_smallest
        The chance that the true effect at a new site lies beyond 0, and beyond the smallest difference that
        matters, in `direction`; from the distribution behind the prediction interval.
    sites_each_way
        How many sites lie above and how many below 0.
    bayes
        The half-normal interval beside, for 2 to 4 sites or on request.
    weights
        Share of each pooled effect in the mean, in the order of `effects`.
    effects, excluded
        The rows that were pooled, with `weight`, and those that were not, with `left_out` saying why.
    remarks
        What a careful reader should be told, in sentences.
    p_adjusted
        For monitored responses, after `adjust_monitored`; NaN before.
    refit
        Pools other rows of the same question in the same way; `each` several tables of rows at once.
    """

    question: str
    response: str
    stage: str
    role: str
    measure: str
    unit: str
    n_effects: int
    n_sites: int
    n_seasons: int
    estimate: float
    std_error: float
    df: float
    low: float
    high: float
    level: float
    statistic: float
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
    method: str
    interval_method: str
    interval_why: str
    converged: bool
    narrower_than_common: bool
    verdict: str
    reason: str
    wanted: str
    smallest_difference: float | None
    direction: str
    chance_above_zero: float
    chance_above_smallest: float
    sites_each_way: tuple[int, int]
    bayes: BayesFit | None
    weights: Floats
    effects: pl.DataFrame = field(repr=False)
    excluded: pl.DataFrame = field(repr=False)
    remarks: tuple[str, ...] = ()
    p_adjusted: float = math.nan
    refit: Refit | None = field(default=None, repr=False)

    @property
    def scale(self) -> Scale:
        """How numbers of this answer are read out: decimals by its standard error, else by its effects'."""
        estimate, error = self.estimate, self.std_error
        if not (math.isfinite(error) and error > 0) and self.effects.height:
            estimate, error = 0.0, float(np.sqrt(np.nanmedian(self.effects["variance"].to_numpy())))
        return Scale.of(self.measure, self.unit, estimate, error)

    @cached_property
    def without_site(self) -> pl.DataFrame:
        """The answer without each site in turn, one row a site.

        site, its weight, how many effects it has and their mean, the numbers of the answer without it,
        `shift` (how many standard errors it moves the estimate) and `verdict_changes`.
        """
        return leave_out_sites(self)

    @cached_property
    def hangs_on_site(self) -> str | None:
        """The site without which the verdict would be another; None when no single site decides it.

        Where several would, the one whose absence moves the estimate most. Not asked of two sites, where
        either one alone is no network.
        """
        return hanging_site(self)

    @cached_property
    def by_season(self) -> pl.DataFrame:
        """The answer as it stood after each season, one row a season, with the numbers of the answer."""
        return accumulate_seasons(self)

    def plot(self, path: str | Path) -> Path:
        """The path of the forest plot written there: `path` ends in .svg, .png or .pdf.

        Raises
        ------
        NotComputable
            When nothing that draws has been loaded.
        """
        if not _plotters:
            raise NotComputable(
                "Nothing here can draw a forest plot",
                next_step="Import crosscellar itself, which lends the drawing to this record.",
            )
        return _plotters[0](self, Path(path))

    def as_json(self) -> dict[str, Any]:
        """The answer as plain values, the effects as rows with `weight`; what cannot be given is NaN.

        Which site the verdict hangs on is asked of tested responses alone: a monitored one has no verdict.
        """
        rows = self.effects.select(
            "trial",
            "site",
            "season",
            "arm",
            "estimate",
            "std_error",
            "df",
            (
                pl.col("variance_source")
                if "variance_source" in self.effects.columns
                else pl.lit(None, dtype=pl.String).alias("variance_source")
            ),
            "weight",
        )
        return {
            **{name: getattr(self, name) for name in _AGREED},
            "effects": rows.to_dicts(),
            **{name: getattr(self, name) for name in _BESIDE},
            "sigma2": dict(self.sigma2),
            "hangs_on_site": self.hangs_on_site if self.role != "monitored" else None,
            "sites_above": self.sites_each_way[0],
            "sites_below": self.sites_each_way[1],
            "excluded": self.excluded.select("trial", "site", "season", "arm", "left_out").to_dicts(),
            "remarks": list(self.remarks),
        }

    def lines(self) -> list[tuple[str, str]]:
        """The answer as pairs of a heading and its words, in reading order, as a terminal shows it."""
        scale = self.scale
        sites = f"{many(self.n_effects, 'effect')} from {many(self.n_sites, 'site')}"
        if self.n_seasons:
            sites += f", {many(self.n_seasons, 'season')}"
        read = [("verdict", self.verdict), ("why", self.reason), ("evidence", sites)]
        if math.isfinite(self.estimate) and self.n_effects:
            percent = f"{100 * self.level:g} %"
            read.append(
                (
                    "who can tell" if scale.is_share else "mean effect" if self.n_sites > 1 else "its effect",
                    f"{scale.words(self.estimate)} ({percent}: {scale.span(self.low, self.high)})",
                )
            )
        if math.isfinite(self.prediction_low):
            read.append(("a new site", scale.span(self.prediction_low, self.prediction_high)))
            if math.isfinite(self.chance_above_zero):
                read.append((f"chance {self.direction}", chance_words(self.chance_above_zero)))
            if math.isfinite(self.chance_above_smallest) and self.smallest_difference is not None:
                d = abs(self.smallest_difference) * (1 if self.direction == "up" else -1)
                read.append((f"chance beyond {scale.words(d)}", chance_words(self.chance_above_smallest)))
        if self.bayes is not None and self.interval_method != "bayes":
            beside = scale.range(self.bayes.low, self.bayes.high)
            read.append(
                ("with a prior", f"{scale.words(self.bayes.median)} ({100 * self.level:g} %: {beside})")
            )
        if self.n_sites > 1:
            up, down = self.sites_each_way
            ways = "above guessing, {} below" if scale.is_share else "up, {} down"
            read.append(("sites", f"{up} {ways.format(down)}"))
            if self.role != "monitored" and self.hangs_on_site is not None:
                read.append(("hangs on", self._hanging(self.hangs_on_site)))
        if self.n_sites > 1 and math.isfinite(self.q):
            spread = f"tau {math.sqrt(self.tau2):.3g}, I2 {100 * self.i2:.0f} %"
            read.append(("between sites", f"{spread}, Q {self.q:.3g} on {self.q_df:g} (p {self.q_p:.2g})"))
        if self.n_sites > 1:
            read.append(("method", f"{self.method}, {self.interval_method}: {self.interval_why}"))
        if self.excluded.height:
            read.append(("left out", _left_out(self.excluded)))
        read.extend(("note", remark) for remark in self.remarks)
        return read

    def _hanging(self, site: str) -> str:
        """What the verdict would be without this site, and without others that it hangs on as well."""
        asked = pl.col("verdict_changes").fill_null(value=False) | (pl.col("site") == site)
        verdict = dict(self.without_site.filter(asked).select("site", "verdict").iter_rows())
        told = f"site {site}: without it the verdict would be “{verdict.pop(site)}”"
        if len(verdict) > _MOST_NAMED:
            return f"{told}; it hangs on {len(verdict)} other sites as well"
        return told + "".join(f", without {other} “{it}”" for other, it in verdict.items())

    def title(self) -> str:
        """What was pooled, in one line."""
        where = f"{self.response} at {self.stage}" if self.stage else self.response
        return " · ".join(part for part in (self.question, where, self.measure) if part) or "Pooled effect"

    def __repr__(self) -> str:
        return f"<Pooled {self.title()}: {self.verdict}>"

    def __str__(self) -> str:
        read = self.lines()
        width = max(len(heading) for heading, _ in read)
        return "\n".join([self.title(), *(f"  {heading:<{width}}  {words}" for heading, words in read)])

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th style='text-align:left'>{html.escape(heading)}</th>"
            f"<td style='text-align:left'>{html.escape(words)}</td></tr>"
            for heading, words in self.lines()
        )
        return f"<table><caption>{html.escape(self.title())}</caption><tbody>{rows}</tbody></table>"


def _left_out(excluded: pl.DataFrame) -> str:
    """How many effects are not pooled, and why, reason by reason, with their trials."""
    reasons = excluded.group_by("left_out", maintain_order=True).agg(pl.col("trial").drop_nulls())
    told = [
        f"{reason} ({', '.join(trials[:_MOST_NAMED])}{' …' if len(trials) > _MOST_NAMED else ''})"
        if trials
        else reason
        for reason, trials in reasons.iter_rows()
    ]
    return f"{many(excluded.height, 'effect')}: {'; '.join(told)}"
