"""What a question's page says in sentences."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any, Final

import polars as pl

from crosscellar.pooling import Pooled
from crosscellar.pooling.verdict import many
from crosscellar.report.numbers import Reading, chance

#: More sites than this on which a verdict hangs are counted and not named.
_MOST_NAMED: Final = 4

#: Methods as a statistician reads them.
_METHODS: Final = {
    "reml": "REML",
    "ml": "maximum likelihood",
    "moment": "method of moments",
    "paule_mandel": "Paule and Mandel",
    "common": "common effect",
}
_INTERVALS: Final = {
    "hartung_knapp": "interval of Hartung and Knapp",
    "estimated_weights": "interval of Hartung and Knapp, widened for estimated weights",
    "robust": "cluster-robust interval",
    "bayes": "interval with a half-normal prior",
}


#: What a finding's message says an assessor did.
_ASSESSOR: Final = re.compile(r"\bAssessor .+? (?=(?:answered|gave|scored) )")


def without_assessors(message: str) -> str:
    """A finding's message without the code of the assessor that it speaks of."""
    return _ASSESSOR.sub("One assessor ", message)


def method_words(pooled: Pooled) -> str:
    """How the mean and its interval were made, for a statistician."""
    interval = _INTERVALS.get(pooled.interval_method, f"{pooled.interval_method} interval")
    return f"{_METHODS.get(pooled.method, pooled.method)}, {interval}: {pooled.interval_why}."


def compared_words(question: Mapping[str, Any], response: str, trials: int) -> str:
    """What was compared, what was hoped for, and how many trials this season tried it."""
    wanted = {
        "increase": "An increase was wanted",
        "decrease": "A decrease was wanted",
        "no_change": "No change was wanted",
    }.get(str(question["wanted"]), "Either direction was of interest")
    d, unit = question["smallest_difference"], question["smallest_difference_unit"]
    matters = f"; the smallest difference that matters is {d:g} {unit or ''}".rstrip() if d else ""
    season = many(trials, "trial") if trials else "No trial"
    return f"Compared: {response}. {wanted}{matters}. {season} this season."


def sentence_of(title: str, pooled: Pooled, reading: Reading) -> str:
    """The question and its answer as page one tells it."""
    if not pooled.n_effects:
        if pooled.excluded.height:
            return f"{title} Readings have come in, but none gives an effect that can be pooled yet."
        return f"{title} No comparable readings have come in yet."
    if pooled.n_sites < 2:
        return f"{title} Tried at one site only: shown, not pooled."
    told = "Share who can tell" if pooled.scale.is_share else "Mean effect"
    return (
        f"{title} {told} over {many(pooled.n_sites, 'site')}: {reading.words(pooled.estimate)} "
        f"(95 % interval {reading.interval(pooled.low, pooled.high, unit=True)})."
    )


def chances_words(pooled: Pooled, names: Mapping[str, str]) -> tuple[str, ...]:
    """What a new site may expect, how sites went so far, and which of them decide; `names` by site."""
    if pooled.n_sites < 2 or not math.isfinite(pooled.chance_above_zero):
        return ()
    way = "an increase" if pooled.direction == "up" else "a decrease"
    words = [f"The chance that a new site would see {way}: {chance(pooled.chance_above_zero)}"]
    if math.isfinite(pooled.chance_above_smallest):
        words[0] += f"; {way} that matters: {chance(pooled.chance_above_smallest)}"
    words[0] += "."
    up, down = pooled.sites_each_way
    words.append(f"So far {_sites(up)} went up and {_sites(down)} went down.")
    if pooled.hangs_on_site is not None:
        words.append(_hanging(pooled, names))
    return tuple(words)


def _hanging(pooled: Pooled, names: Mapping[str, str]) -> str:
    """Which sites the verdict hangs on, and what it would be; the table without one site has all of them."""
    changing = pooled.without_site.filter(pl.col("verdict_changes").fill_null(value=False))
    by_verdict: dict[str, list[str]] = {}
    for site, verdict in changing.select("site", "verdict").iter_rows():
        by_verdict.setdefault(verdict, []).append(names.get(site, site))
    if changing.height > _MOST_NAMED:
        it = f"“{next(iter(by_verdict))}”" if len(by_verdict) == 1 else "another"
        among = f"{changing.height} of the {pooled.n_sites}"
        return f"The verdict hangs on single sites: without any one of {among}, it would be {it}."
    parts = [
        f"without {_either(sorted(sites))} it would be “{verdict}”" for verdict, sites in by_verdict.items()
    ]
    return (
        f"The verdict hangs on {'one site' if changing.height == 1 else 'single sites'}: {', '.join(parts)}."
    )


def _either(sites: list[str]) -> str:
    """One of these: `A, B or C`."""
    return sites[0] if len(sites) == 1 else f"{', '.join(sites[:-1])} or {sites[-1]}"


def _sites(count: int) -> str:
    return {0: "no site", 1: "one site"}.get(count, f"{count} sites")


def evidence_words(pooled: Pooled) -> str:
    """How many effects, sites and seasons the answer rests on."""
    seasons = many(pooled.n_seasons, "season")
    return f"{many(pooled.n_effects, 'effect')} from {many(pooled.n_sites, 'site')} in {seasons}"
