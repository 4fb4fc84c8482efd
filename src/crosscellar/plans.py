"""What more sites, vessels and assessors would buy, from what the network knows so far."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import polars as pl

from crosscellar.answers import judgement_of, tau_scale_of
from crosscellar.contract import Contract
from crosscellar.effects import Scale, default_measure
from crosscellar.effects.measures import stage_groups
from crosscellar.errors import CrosscellarError, NotComputable
from crosscellar.planning import (
    VERDICTS_OF,
    Prices,
    cheapest_plan,
    panel_for_difference,
    panel_for_similarity,
    plan_replication,
    vessels_needed,
)
from crosscellar.pooling import Pooled
from crosscellar.pooling.verdict import NO_EFFECT
from crosscellar.results import PanelAnswer, PlanAnswer, PrecisionAnswer

SITES = (0, 1, 2, 3, 4, 6, 8)
VESSELS = (1, 2, 3)
#: Shares of assessors that could tell, where none is asked for.
SHARES = (0.2, 0.3, 0.4, 0.5)
#: Half-widths of a lot's mean, as shares of it, where none is asked for.
PRECISIONS = (0.3, 0.2, 0.1, 0.05)
#: The median of a half-normal of scale 1 (the 75 % quantile of the normal).
_HALF_NORMAL_MEDIAN: Final = 0.6744897501960817
#: No treatment makes a hundred times as much: the largest supposed effect, as a natural log.
_LARGEST_LOG: Final = math.log(100.0)


def read_prices(path: Path) -> Prices:
    """Prices from a small TOML table: per_sample, per_vessel, per_site, per_assessor, currency.

    Raises
    ------
    CrosscellarError
        When the file is not there or is no TOML.
    """
    try:
        return Prices.of(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError as fault:
        raise CrosscellarError(
            "there is no price table here",
            where=path,
            next_step='Write one with per_sample = 35, per_site = 400, currency = "EUR".',
        ) from fault
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise CrosscellarError(
            f"the price table cannot be read ({fault})",
            where=path,
            next_step="Write lines as per_sample = 35.",
        ) from fault


@dataclass(frozen=True, slots=True)
class Known:
    """What a plan of one question rests on, on the scale of its effects.

    `words` says where the variances are from; `vessel_df` are the degrees of freedom behind that between
    vessels.
    """

    measure: str
    unit: str
    between_sites: float
    between_trials: float
    vessel_variance: float
    vessel_df: float
    words: str

    @property
    def scale(self) -> Scale:
        """How numbers of the plan are read out."""
        return Scale(self.measure, self.unit)


def known_of(
    question: Mapping[str, Any],
    pooled: Pooled | None,
    effects: pl.DataFrame,
    contract: Contract,
    priors: Callable[[], pl.DataFrame],
) -> Known:
    """What is known so far of the primary response of a question, or else of its analyte in the network.

    Parameters
    ----------
    pooled
        The answer for the primary response; None where no trial has an effect.
    effects
        EFFECTS of the whole network.
    priors
        The network's vessel variances (the first frame of `variance_priors`), asked for where no effect of
        the question has one.

    Raises
    ------
    NotComputable
        When no trial of the network tells how far vessels differ on the response, or it is a triangle test.
    """
    name, response = str(question["question_id"]), str(question["primary_response"])
    stage = question["primary_stage"]
    if response == "triangle":
        raise NotComputable(
            f"{name} is answered by triangle tests: assessors decide it, not vessels",
            next_step="Ask how many assessors it takes with `crosscellar plan --panel`.",
        )
    measure = pooled.measure if pooled is not None else judgement_of(question, contract).measure
    if measure is None:
        measure = default_measure(contract, response) if response in contract.analytes else "difference"
    in_logs = measure == "log_ratio"
    analyte = contract.analytes.get(response)
    unit = pooled.unit if pooled is not None else "" if in_logs or analyte is None else analyte.unit
    own = effects.filter(
        (pl.col("question") == name)
        & (pl.col("response") == response)
        & pl.col("prior_variance").is_not_null()
        & pl.col("usable")
    )
    if own.height:
        vessel, df = own["prior_variance"].median(), own["prior_df"].median()
    else:
        vessel, df = _lent(priors(), response, stage, in_logs, contract)
    if not (isinstance(vessel, float) and vessel > 0):
        raise NotComputable(
            f"no trial of the network tells how far vessels differ on {response}, the response of {name}",
            next_step="It takes three trials, of any question, that measured it in several vessels an arm.",
        )
    there = pooled.n_sites if pooled is not None else 0
    if pooled is not None and there > 1:
        sites = float(pooled.sigma2.get("site", pooled.tau2))
        trials = float(pooled.sigma2.get("trial", 0.0))
        whence = "as seen so far"
    else:
        one_vessel_each = pl.Series([2.0 * vessel])
        variances = own["variance"] if own.height else one_vessel_each
        prior = tau_scale_of(variances, effects, name, {"response": response, "measure": measure})
        sites, trials = (_HALF_NORMAL_MEDIAN * prior.scale) ** 2, 0.0
        seen = "no site has" if there == 0 else "only one site has"
        learnt = "other questions" if prior.source == "learnt" else "the default prior"
        whence = f"that between sites from {learnt}, for {seen} an effect yet"
    scale = Scale(measure, unit)
    trial_words = f", between trials of a site {scale.spread_words(trials)}" if trials > 0 else ""
    kind = "coefficients of variation" if scale.is_log_ratio else "standard deviations"
    words = (
        f"Spread between sites {scale.spread_words(sites)}{trial_words}, "
        f"between vessels {scale.spread_words(vessel)} ({kind}; {whence})."
    )
    return Known(measure, unit, sites, trials, vessel, df if isinstance(df, float) else math.inf, words)


def _lent(
    priors: pl.DataFrame, response: str, stage: str | None, in_logs: bool, contract: Contract
) -> tuple[float | None, float | None]:
    """The network's vessel variance of an analyte: that of its stages, else over all stages."""
    groups = dict(stage_groups(contract).iter_rows())
    kept = priors.filter(
        (pl.col("analyte") == response)
        & (pl.col("log") == in_logs)
        & ~pl.col("paired")
        & pl.col("prior_variance").is_not_null()
    )
    for group in (groups.get(stage or ""), None):
        found = kept.filter(pl.col("stage_group").eq_missing(pl.lit(group, dtype=pl.String)))
        if found.height:
            return found["prior_variance"][0], found["prior_df"][0]
    return None, None


def read_effect(given: float | str | None, scale: Scale) -> float | None:
    """A supposed effect on the scale of the effects: a number of it, or `10%` where effects are ratios.

    Raises
    ------
    NotComputable
        For a text that is no number, a percentage where effects are no ratios, or a ratio beyond a hundred: a
    log of 10 was meant as 10 %.
    """
    if given is None:
        return None
    text = str(given).strip().replace(" ", "")
    try:
        if not text.endswith("%"):
            effect = float(text)
        else:
            effect = math.log1p(float(text[:-1]) / 100.0) if scale.is_log_ratio else math.nan
    except ValueError:
        effect = math.nan
    if math.isfinite(effect) and not (scale.is_log_ratio and abs(effect) > _LARGEST_LOG):
        return effect
    unit = "in per cent, as 10%, or as a natural log" if scale.is_log_ratio else f"in {scale.shown_unit}"
    raise NotComputable(f"an effect of {given} cannot be planned with", next_step=f"Give it {unit}.")


def plan_question(
    question: Mapping[str, Any],
    pooled: Pooled | None,
    known: Known,
    contract: Contract,
    *,
    sites: Sequence[int] = SITES,
    vessels: Sequence[int] = VESSELS,
    again: Sequence[int] | None = None,
    effect: float | str | None = None,
    prices: Prices | None = None,
    chance: float = 0.8,
    samples_per_vessel: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> PlanAnswer:
    """The plan for the primary response of one question.

    `again` are numbers of the sites there are that try it once more; left out, where `sites` has 0: none, and
    all of them without a new site. `effect` is the true mean effect supposed, on the scale of the effects or
    as `10%`. Where it is left out: none where no change is wanted, else the smallest difference that matters
    in the wanted direction, else the mean so far.

    Raises
    ------
    NotComputable
        When nothing says which effect to plan for, or for a chance outside 0 to 1.
    """
    if not 0 < chance < 1:
        raise NotComputable(f"a chance of {chance:g} cannot be", next_step="Give a share such as 0.8.")
    scale = known.scale
    wanted = str(question["wanted"])
    d = (
        pooled.smallest_difference
        if pooled is not None
        else judgement_of(question, contract).smallest_difference
    )
    supposed = read_effect(effect, scale)
    if supposed is None and wanted == "no_change" and d is not None:
        supposed = 0.0
    if supposed is None and d is not None:
        so_far = pooled.estimate if pooled is not None else math.nan
        supposed = -d if wanted == "decrease" or (wanted != "increase" and so_far < 0) else d
    if supposed is None and pooled is not None and math.isfinite(pooled.estimate):
        supposed = pooled.estimate
    if supposed is None:
        raise NotComputable(
            f"nothing says which effect of {question['question_id']} to plan for",
            next_step="Give --effect, or a smallest difference in the register.",
        )

    def planned(sites: Sequence[int], again: Sequence[int]) -> pl.DataFrame:
        return plan_replication(
            tau2=known.between_sites,
            between_trials=known.between_trials,
            vessel_variance=known.vessel_variance,
            more_sites=sites,
            vessels=vessels,
            again=again,
            effect=supposed,
            smallest_difference=d,
            wanted=wanted,
            so_far=pooled.effects if pooled is not None else None,
            level=pooled.level if pooled is not None else 0.95,
            progress=progress,
        )

    plan = planned(sites, again or (0,))
    if again is None and 0 in sites and pooled is not None and pooled.n_sites:
        plan = pl.concat([plan, planned((0,), (pooled.n_sites,))])
    plan = _as_it_stands(plan, pooled).sort("more_sites", "again", "vessels")
    best = None
    if prices is not None:
        plan = prices.of_plan(plan, samples_per_vessel=samples_per_vessel)
        best = cheapest_plan(plan, chance=chance)
    return PlanAnswer(
        question=str(question["question_id"]),
        title=str(question["title"]),
        verdict=pooled.verdict if pooled is not None else NO_EFFECT,
        supposed=supposed,
        basis=f"Supposed: {_supposition(supposed, scale)}. {known.words}",
        plan=plan,
        best=best,
        chance=chance,
        currency=prices.currency if prices else "",
        log_scale=scale.is_log_ratio,
        unit=known.unit,
    )


def _as_it_stands(plan: pl.DataFrame, pooled: Pooled | None) -> pl.DataFrame:
    """The plan, its rows without any new trial told by the verdict there is: that is known, not simulated."""
    verdict = NO_EFFECT if pooled is None else pooled.verdict
    nothing = (pl.col("more_sites") == 0) & (pl.col("again") == 0)
    return plan.with_columns(
        pl.when(nothing).then(float(verdict in told)).otherwise(pl.col(name)).alias(name)
        for name, told in VERDICTS_OF.items()
    )


def _supposition(effect: float, scale: Scale) -> str:
    return f"a true mean effect of {scale.words(effect)}" if effect else "no true effect on average"


def panel_plan(shares: Sequence[float] = SHARES, *, chance: float = 0.8, risk: float = 0.05) -> PanelAnswer:
    """How many assessors a triangle panel needs, for each share of them that could tell the wines apart.

    The least panel by exact binomials (ISO 4120:2021), once to show a difference and once to show
    similarity.

    Parameters
    ----------
    shares
        Who could tell, each above 0 and below 1.
    chance
        Of showing it, wanted.
    risk
        Of showing it wrongly, allowed.

    Raises
    ------
    NotComputable
        For shares outside 0 to 1, or panels beyond 2,000.
    """
    rows = []
    for share in shares:
        for aim, panel in (
            ("a difference", panel_for_difference(discriminators=share, power=chance, alpha=risk)),
            ("similarity", panel_for_similarity(discriminators=share, power=chance, beta=risk)),
        ):
            rows.append({"share": share, "to_show": aim, **asdict(panel)})
    return PanelAnswer(pl.DataFrame(rows), chance, risk)


def precision_plan(
    half_widths: Sequence[float], *, cv: float, cv_df: float | None, words: str
) -> PrecisionAnswer:
    """How many vessels a lot's mean needs to be known to within each half-width (shares of the mean)."""
    rows = [
        {"half_width": half, "vessels": vessels_needed(cv=cv, half_width=half, cv_df=cv_df)}
        for half in half_widths
    ]
    return PrecisionAnswer(pl.DataFrame(rows), cv, words)


def precision_of(known: Known, half_widths: Sequence[float], *, mean: float) -> PrecisionAnswer:
    """`precision_plan` with the vessels' spread that the network knows for a question's response.

    On the log scale the coefficient of variation is sqrt(exp(s2) - 1) (Aitchison and Brown 1957), else the
    standard deviation over `mean`, that of the vessels measured so far.
    """
    if known.scale.is_log_ratio:
        cv = math.sqrt(math.expm1(known.vessel_variance))
    else:
        cv = math.sqrt(known.vessel_variance) / abs(mean) if mean else math.nan
    df = known.vessel_df if math.isfinite(known.vessel_df) else None
    worth = f", worth {known.vessel_df:.3g} degrees of freedom" if df is not None else ""
    return precision_plan(
        half_widths, cv=cv, cv_df=df, words=f"as replicated trials of the network had it{worth}"
    )
