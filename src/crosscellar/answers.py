"""From effects to the network's answer: on which measure, against which difference, pooled how."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache, partial
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import polars as pl

from crosscellar.contract import Contract
from crosscellar.effects.scale import Scale
from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling import Pooled, adjust_monitored
from crosscellar.pooling.bayes import TauScale, default_tau_scale, learn_tau_scale
from crosscellar.pooling.choices import check_method
from crosscellar.pooling.frames import Columns, tidy
from crosscellar.pooling.models import FEW_SITES
from crosscellar.pooling.pool import Asked as AskedOfOne
from crosscellar.pooling.pool import answers_of
from crosscellar.pooling.verdict import check_wanted
from crosscellar.register import Register

if TYPE_CHECKING:
    from crosscellar.pooling.dose import DoseFit
    from crosscellar.store import Store

#: What can be asked of `--by`: columns of the effects.
MODERATORS: Final = ("cultivar", "colour", "season", "level", "volume_l")

_PERCENT: Final = ("%", "percent", "per cent", "pct")

#: Random orders for the permutation p of a moderator, where not all can be tried.
ORDERS: Final = 2_000


class Judgement(NamedTuple):
    """How the primary response of a question is judged.

    `measure` is None for the analyte's default; `smallest_difference` stands on the scale of the effects (a
    log for log ratios); `words` says it as the register does.
    """

    measure: str | None
    smallest_difference: float | None
    words: str


def judgement_of(question: Mapping[str, Any], contract: Contract) -> Judgement:
    """On which measure the register's smallest difference makes sense, and what it comes to there.

    A share in % of an analyte is a log ratio: ln(1 + p) for a wanted increase, -ln(1 - p) for a decrease,
    and the nearer of both where no direction is wanted. An amount in the analyte's own unit asks for the
    plain difference, and % is that unit where figures are in % already (alcohol). For triangle sessions the
    difference is the share of discriminators.

    Raises
    ------
    UnknownName
        When the unit is neither % nor one of the analyte, or one that no single factor converts.
    """
    d, unit = question["smallest_difference"], question["smallest_difference_unit"]
    response = str(question["primary_response"])
    if d is None:
        return Judgement(None, None, "")
    d = abs(float(d))
    shown = f"{d:g} {unit}" if unit else f"{d:g}"
    measure = _judged_by(question, contract)
    if response == "triangle":
        return Judgement(measure, d / 100.0 if _is_percent(unit) else d, shown)
    if measure == "log_ratio":
        share = d / 100.0
        falls = question["wanted"] == "decrease" and share < 1.0
        return Judgement(measure, -math.log1p(-share) if falls else math.log1p(share), shown)
    if measure == "difference":
        analyte = contract.analytes[response]
        other = unit and unit != analyte.unit
        reading = contract.read_unit(response, unit, declared_basis=_basis(analyte.unit)) if other else None
        if reading is not None and reading.usable and reading.formula:
            raise UnknownName(
                f"the smallest difference of {question['question_id']} is in {unit}, and how much that is in "
                f"{analyte.unit} depends on the level",
                next_step=f"Give it in {analyte.unit}.",
            )
        if reading is not None and not reading.usable:
            raise UnknownName(
                f"the smallest difference of {question['question_id']} is in {unit}, which is no unit of "
                f"{analyte.name}",
                next_step=f"Give it in {analyte.unit} or in %.",
            )
        factor = reading.factor if reading is not None else 1.0
        return Judgement(measure, d * factor, f"{d * factor:g} {analyte.unit}")
    return Judgement(measure, d, shown)


def _judged_by(question: Mapping[str, Any], contract: Contract) -> str | None:
    """The measure on which a question's smallest difference stands; None for the default."""
    analyte = contract.analytes.get(str(question["primary_response"]))
    if question["smallest_difference"] is None or analyte is None:
        return None
    share = _is_percent(question["smallest_difference_unit"]) and not analyte.unit.startswith("%")
    return "log_ratio" if share else "difference"


def _is_percent(unit: str | None) -> bool:
    return (unit or "").strip().casefold() in _PERCENT


def _basis(unit: str) -> str | None:
    return unit.partition(" as ")[2] or None


def planned_responses(register: Register, contract: Contract) -> pl.DataFrame:
    """The register's responses with the measure on which each question's primary response is judged."""
    judged = {
        row["question_id"]: _judged_by(row, contract) for row in register.questions.iter_rows(named=True)
    }
    primary = register.trials.select("trial_id", "question_id").join(
        register.questions.select("question_id", "primary_response", "primary_stage"), on="question_id"
    )
    return (
        register.responses.join(primary, on="trial_id", how="left")
        .with_columns(
            pl.when(pl.col("response") == pl.col("primary_response"))
            .then(pl.col("question_id").replace_strict(judged, default=None, return_dtype=pl.String))
            .alias("measure")
        )
        .select("trial_id", "response", "stage", "role", "measure")
    )


def effects_in_store(
    store: Store,
    register: Register,
    contract: Contract,
    *,
    alone: str | None = None,
    like: Collection[str] = (),
    as_of: date | datetime | None = None,
    **asked: Any,
) -> pl.DataFrame:
    """What a store's trials showed, by `effects_of_store`, which takes what is `asked` further.

    `alone` is a question: only what is planned in its trials is looked at then, in every trial of the
    network. Responses of other names lend these nothing, so that no number is another; a triangle that was
    not planned counts as monitored, and so every planned triangle stays. `like` names responses: these only
    are looked at then, in every trial.
    """
    from crosscellar.effects import analytes_needed, effects_of_store
    from crosscellar.effects.planned import SCORE, TRIANGLES

    planned = planned_responses(register, contract)
    if alone is not None:
        planned = _planned_like(planned, register, alone)
    if like:
        planned = planned.filter(pl.col("response").is_in([*like, *TRIANGLES]))
    names = planned["response"].unique().to_list()
    tasted = not like or not {*TRIANGLES}.isdisjoint(like)
    if alone is not None:
        own = register.trials.filter(pl.col("question_id") == alone)["trial_id"].to_list()
        tasted = store.tasted(own)
    scored = any(name.startswith(SCORE) for name in names)
    needed = analytes_needed(names, contract)
    return effects_of_store(
        store.measured(analytes=needed, as_of=as_of),
        register.design(),
        planned,
        contract,
        picks=store.picked(as_of=as_of) if tasted else None,
        scores=store.scored(as_of=as_of) if scored else None,
        **asked,
    )


def effects_of_one_in_store(
    store: Store,
    register: Register,
    contract: Contract,
    *,
    question: str,
    whole: Callable[[], Register],
    same_laboratory: bool = True,
) -> pl.DataFrame:
    """The effects of one question, as `effects_in_store` makes them, out of a large store.

    `register` has the question's trials at least; `whole` gives that of all, where others are needed.
    """
    from crosscellar.lending import effects_of_one

    trials = register.trials.filter(pl.col("question_id") == question)["trial_id"].implode()
    return effects_of_one(
        store,
        register.design().filter(pl.col("question_id") == question),
        planned_responses(register, contract).filter(pl.col("trial_id").is_in(trials)),
        contract,
        question=question,
        network=cache(lambda: (whole().design(), planned_responses(whole(), contract))),
        same_laboratory=same_laboratory,
    )


def _planned_like(planned: pl.DataFrame, register: Register, question: str) -> pl.DataFrame:
    """What is planned in any trial under the names that a question's trials plan, and every triangle."""
    from crosscellar.effects.planned import TRIANGLES

    trials = register.trials.filter(pl.col("question_id") == question)["trial_id"]
    own = planned.filter(pl.col("trial_id").is_in(trials.implode()))["response"].to_list()
    return planned.filter(pl.col("response").is_in([*own, *TRIANGLES]))


class Asked(NamedTuple):
    """How a question's effects are pooled; `measure` is None for the default."""

    method: str = "reml"
    interval: str = "auto"
    level: float = 0.95
    by: str | None = None
    measure: str | None = None
    moderators_looked_at: int = 1


@dataclass(frozen=True, slots=True)
class Pools:
    """The pooled answers of one question: the primary first, the monitored adjusted together."""

    pooled: tuple[Pooled, ...]
    prior_words: str = ""
    by: Mapping[str, Any] = field(default_factory=dict)
    dose: DoseFit | None = None


def pool_question(
    effects: pl.DataFrame,
    question: Mapping[str, Any],
    contract: Contract,
    *,
    asked: Asked,
    everything: pl.DataFrame | Callable[[str], pl.DataFrame] | None = None,
) -> Pools:
    """The answers for each response of one question's effects.

    Parameters
    ----------
    effects
        EFFECTS of this question.
    everything
        EFFECTS of the whole network, to learn how far sites usually differ on the same analyte; or what gives
        them for one response, called where an answer has a prior: few sites, or an interval that asks for it.
    """
    judged = judgement_of(question, contract)
    check_method(asked.method, asked.interval, asked.level)
    tidied = tidy(effects, Columns())
    several: list[tuple[AskedOfOne, pl.DataFrame]] = []
    scales: list[Callable[[], TauScale]] = []
    for key in _in_order(effects):
        rows = _of_one_unit(_rows(tidied, key))
        primary = key["role"] == "primary"
        # A smallest difference stands on one scale: it says nothing on that of another measure.
        fits = key["measure"] == judged.measure if judged.measure else asked.measure is None
        scales.append(cache(partial(_scale_of, rows, everything, str(question["question_id"]), key)))
        how = AskedOfOne(
            method=asked.method,
            interval=asked.interval,
            level=asked.level,
            smallest_difference=judged.smallest_difference if primary and fits else None,
            wanted=check_wanted(str(question["wanted"])) if primary else "either",
            tau_scale=scales[-1],
            unit=None,
        )
        several.append((how, rows))
    pooled = answers_of(several)
    with_prior = (
        scale
        for answer, scale in zip(pooled, scales, strict=True)
        if answer.role == "primary" and answer.bayes is not None
    )
    prior_words = next((scale().words for scale in with_prior), "")
    by = {}
    if asked.by is not None and pooled:
        by = moderated(pooled[0], asked.by, looked_at=asked.moderators_looked_at)
    dose = dose_of(pooled[0]) if pooled and pooled[0].role == "primary" else None
    return Pools(adjust_monitored(pooled), prior_words, by, dose)


def _scale_of(
    rows: pl.DataFrame,
    everything: pl.DataFrame | Callable[[str], pl.DataFrame] | None,
    question: str,
    key: Mapping[str, Any],
) -> TauScale:
    usable = rows.filter(pl.col("usable") & (pl.col("variance") > 0))
    alike = everything(str(key["response"])) if callable(everything) else everything
    if alike is not None:
        alike = alike.filter(pl.col("unit").is_in(usable["unit"].unique().implode(), nulls_equal=True))
    return tau_scale_of(usable["variance"], alike, question, key)


def take_prior(effects: pl.DataFrame, interval: str) -> list[str]:
    """The responses whose answers have a prior for how far sites differ, as far as the effects show."""
    usable = effects.filter(pl.col("usable") & (pl.col("variance") > 0))
    sites = usable.group_by("response").agg(pl.col("site").n_unique())
    few = sites.filter(pl.col("site").is_between(2, FEW_SITES) | (interval == "bayes"))
    return few["response"].sort().to_list()


def dose_of(pooled: Pooled) -> DoseFit | None:
    """The change per unit of level, where some trial has several levels; None elsewhere.

    Controls count as level 0 unless the effects have a column `control_level`.
    """
    effects = pooled.effects
    if "level" not in effects.columns or pooled.n_sites < 2:
        return None
    levels = effects.group_by("trial").agg(pl.col("level").drop_nulls().n_unique())
    if not levels["level"].ge(2).any():
        return None
    from crosscellar.pooling.explained import dose

    base = "control_level" if "control_level" in effects.columns else 0.0
    try:
        return dose(effects, control_level=base)
    except NotComputable:
        return None


def _in_order(effects: pl.DataFrame) -> list[dict[str, Any]]:
    """What these effects are of: the primary response first; without a measure last."""
    keys = effects.select("role", "response", "stage", "measure").unique().rows(named=True)

    def place(key: Mapping[str, Any]) -> tuple[object, ...]:
        others = ((key[name] is None, key[name] or "") for name in ("response", "stage", "measure"))
        return key["role"] != "primary", *others

    return sorted(keys, key=place)


def _rows(effects: pl.DataFrame, key: Mapping[str, Any]) -> pl.DataFrame:
    return effects.filter(
        pl.all_horizontal(
            pl.col(name).eq_missing(pl.lit(value, dtype=pl.String)) for name, value in key.items()
        )
    )


def _of_one_unit(rows: pl.DataFrame) -> pl.DataFrame:
    """The tidy rows, those left out that stand in another unit than most sites have, as scores on two scales.

    Points of two scales have no common mean, and no factor between them is known.
    """
    usable = pl.col("left_out") == ""
    units = rows.filter(usable).group_by("unit").agg(pl.col("site").n_unique(), pl.len())
    if units.height < 2:
        return rows
    most = units.sort("site", "len", "unit", descending=[True, True, False])["unit"][0]
    told = pl.format("in {}, where those pooled are in {}", pl.col("unit"), pl.lit(most))
    apart = usable & (pl.col("unit") != most)
    return rows.with_columns(
        pl.when(apart).then(told).otherwise("left_out").alias("left_out"), (pl.col("usable") & ~apart)
    )


def tau_scale_of(
    variances: pl.Series, everything: pl.DataFrame | None, question: str, key: Mapping[str, Any]
) -> TauScale:
    """How far sites usually differ on a response (`key`: response, measure), learnt from other questions.

    `variances` are those of the question's effects, for the default.
    """
    default = default_tau_scale(variances.to_numpy(), measure=str(key["measure"] or ""))
    if everything is None or variances.is_empty():
        return default
    alike = everything.filter(
        (pl.col("response") == key["response"])
        & (pl.col("measure") == key["measure"])
        & pl.col("usable")
        & (pl.col("variance") > 0)
    )
    weight = 1.0 / pl.col("variance")
    by_site = alike.group_by("question", "stage", "site").agg(
        ((pl.col("estimate") * weight).sum() / weight.sum()).alias("estimate"),
        (1.0 / weight.sum()).alias("variance"),
    )
    others = {
        f"{name} {stage}": (part["estimate"].to_numpy(), part["variance"].to_numpy())
        for (name, stage), part in by_site.sort("question", "stage", "site").group_by(
            ["question", "stage"], maintain_order=True
        )
        if name != question
    }
    return learn_tau_scale(others, default=default)


def moderated(pooled: Pooled, by: str, *, looked_at: int = 1) -> dict[str, Any]:
    """What a moderator makes of the effects of one answer: slopes or groups, and how many were looked at.

    Raises
    ------
    UnknownName
        When it is none of `MODERATORS`.
    """
    from crosscellar.pooling.covariance import from_shared_controls
    from crosscellar.pooling.moderators import regress, subgroups

    if by not in MODERATORS:
        raise UnknownName(f"there is no moderator {by!r}", next_step=f"Use one of: {', '.join(MODERATORS)}.")
    rows = pooled.effects.filter(pl.col(by).is_not_null())
    covariance = from_shared_controls(rows["shared"].to_list(), rows["shared_variance"].to_numpy())
    site, trial, season = (rows[name].to_list() for name in ("site", "trial", "season"))
    y, v = rows["estimate"].to_numpy(), rows["variance"].to_numpy()
    fit = regress(
        y,
        v,
        {by: rows[by].to_list()},
        site=site,
        trial=trial,
        season=season,
        covariance=covariance,
        centred=True,
        level=pooled.level,
        looked_at=looked_at,
        orders=ORDERS,
        rng=np.random.default_rng(20260101),
    )
    found: dict[str, Any] = {"moderator": by, "looked_at": looked_at, "fit": fit}
    if rows[by].dtype == pl.String or by == "season":
        words = rows[by].cast(pl.String).to_list()
        found["groups"] = subgroups(
            y,
            v,
            words,
            site=site,
            trial=trial,
            season=season,
            covariance=covariance,
            level=pooled.level,
        )
    return found


def with_control_levels(effects: pl.DataFrame, arms: pl.DataFrame) -> pl.DataFrame:
    """The effects with `control_level`: the level of their trial's control, 0 where none is given."""
    controls = arms.filter(pl.col("role") == "control").select(
        pl.col("trial_id").alias("trial"), pl.col("level").fill_null(0.0).alias("control_level")
    )
    return effects.join(controls, on="trial", how="left", maintain_order="left")


def level_units(effects: pl.DataFrame, arms: pl.DataFrame) -> list[str]:
    """The units in which the trials of these effects give their levels, in the order of the alphabet."""
    own = pl.col("trial_id").is_in({*effects["trial"].to_list()})
    return sorted({*arms.filter(own & pl.col("level").is_not_null())["level_unit"].to_list()} - {None})


def dose_words(fit: DoseFit, pooled: Pooled, level_unit: str) -> str:
    """The dose-response in one sentence."""
    per = level_unit or "unit of level"
    # A slope is far smaller than a mean where levels are large numbers: its own error gives its decimals.
    error = fit.robust.std_errors if fit.robust is not None else fit.fit.std_errors
    scale = Scale.of(pooled.measure, pooled.unit, fit.slope, float(error[0]))
    words = f"By level, over sites: {scale.words(fit.slope)} per {per}"
    if fit.robust is not None:
        low, high = fit.robust.interval(pooled.level)
        words += f" ({100 * pooled.level:g} % interval {scale.range(float(low[0]), float(high[0]))})"
    if fit.lack_of_fit_p is not None:
        bent = "leave more than chance" if fit.lack_of_fit_p < 0.05 else "fit"
        words += f"; straight lines {bent} (p {fit.lack_of_fit_p:.2g})"
    return f"{words}."
