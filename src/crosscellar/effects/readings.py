"""All effects of a store's readings in one pass."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.frames import EFFECTS, Columns
from crosscellar.effects.arms import arm_means, missing_vessels
from crosscellar.effects.contrasts import arm_effects, slope_effects
from crosscellar.effects.limits import replace_censored
from crosscellar.effects.measures import FURTHEST, planned_measures, stage_groups
from crosscellar.effects.places import Integers, in_order, matches, numbered, starts_of
from crosscellar.effects.spreads import (
    COMPARED,
    fit_priors,
    lend,
    mark_blocks,
    number_arms,
    observed_variances,
    spreads,
    trials_lending,
)
from crosscellar.effects.together import together
from crosscellar.effects.vessels import MEASURED, vessel_values
from crosscellar.errors import NotComputable

#: Columns that stand behind those of EFFECTS: the interval of this one effect, a log ratio as % change, the
#: blocks it was compared in, and which trials lent the prior.
BEHIND: Final = {
    "low": pl.Float64,
    "high": pl.Float64,
    "percent": pl.Float64,
    "n_blocks": pl.Int32,
    "prior_from": pl.String,
}


def effects_of_readings(
    readings: pl.DataFrame,
    design: pl.DataFrame,
    responses: pl.DataFrame | None,
    contract: Contract,
    *,
    question: str | None = None,
    response: str | None = None,
    stage: str | None = None,
    measure: str | None = None,
    same_laboratory: bool = True,
    level: float = 0.95,
    priors: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Every planned effect that the readings allow: EFFECTS, and BEHIND it what is shown with one trial.

    Parameters
    ----------
    readings
        READINGS-like: the current readings of the *whole* store. Trials that are not asked for still lend
        their variance.
    design
        DESIGN, a row for each vessel.
    responses
        trial_id, response, stage, role, and if wanted `measure` (null: the analyte's default). A null stage
        takes every stage measured. None: everything measured, as monitored.
    question, response, stage
        Keep the effects of these only.
    measure
        One measure for all: difference, log_ratio, standardized or slope (trials with three or more levels).
    same_laboratory
        False makes effects usable though control and treatment went to different laboratories or methods.
    level
        Of the interval `low` to `high`, by t on the effect's degrees of freedom.
    priors
        What the network lends, fitted before by `variance_priors` to all its readings: `readings`, `design`
        and `responses` may then be of some trials only.

    A vessel is one replicate; repeat readings are averaged (`vessel_values`). The estimate is mean t - mean c
    on the analyte's own scale (`difference`), of logarithms (`log_ratio`; means shown are geometric), in
    standard deviations (`standardized`, Hedges 1981 with the exact J of the degrees of freedom used) or per
    unit of level (`slope`: vessels share one variance, so that generalized least squares on contrasts with a
    shared control is weighted least squares on arm means). Its variance is s2 (1/n_t + 1/n_c), the trial's
    variance pooled over its arms and moderated by every replicated trial of the analyte (`variance_priors`);
    paired by block, 2 s2/blocks with the variance left within blocks. `shared_variance` is s2/n_c.
    An effect that cannot be computed keeps null, `usable` false and the reason in `remark`.

    Raises
    ------
    NotComputable
        A `response` was named for which the measure makes no sense.
    UnknownName
        No such measure.
    """
    known = _known_responses(responses, contract)
    if known == []:
        return pl.DataFrame(schema={**EFFECTS, **BEHIND})

    def measured() -> pl.DataFrame:
        return vessel_values(readings, design, analytes=known)

    if responses is not None and (responses["stage"].fill_null("") != "").all():
        # A plan that names its stages needs not wait for what was measured.
        nothing = pl.DataFrame(schema=dict.fromkeys(MEASURED, pl.String))
        vessels, planned = together(
            measured,
            lambda: _planned(nothing, design, responses, contract, measure),
            readings=readings.height,
        )
    else:
        vessels = measured()
        planned = _planned(vessels, design, responses, contract, measure)
    asked = _asked(planned, question, response, stage)
    if response is not None and asked.height and asked["refused"].ne("").all():
        raise NotComputable(str(asked["refused"][0]))
    cells = mark_blocks(_on_scales(vessels, planned, contract))
    groups = _alike(stage_groups(contract), cells)
    ready = cells.filter(pl.col("y").is_not_null() & ~pl.col("spoiled"))

    def variances() -> tuple[pl.DataFrame, pl.DataFrame]:
        spread = spreads(ready)
        if priors is not None:
            return spread, priors
        return spread, fit_priors(trials_lending(observed_variances(spread, groups)))

    def comparisons() -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
        compared = cells.select(*COMPARED, "comparison", "paired", "spoiled")[
            starts_of(cells["comparison"].to_numpy())
        ]
        plans, here = _of_comparisons(asked, compared), cells
        if plans.height < compared.height:
            asked_for = pl.col("comparison").is_in(plans["comparison"].implode())
            here, compared = cells.filter(asked_for), compared.filter(asked_for)
        return compared, plans, here, arm_means(here)

    (spread, fitted), (compared, plans, here, arms) = together(
        variances, comparisons, readings=readings.height
    )
    each = compared.select(*COMPARED, "comparison", (pl.col("paired") & ~pl.col("spoiled")).alias("paired"))
    own = spread.drop(*COMPARED, "paired")
    if each["comparison"].equals(own["comparison"]):
        each = each.hstack(own.drop("comparison"))
    else:
        each = each.join(own, on="comparison", how="left", maintain_order="left")
    lent = lend(each, fitted, groups).rename({"paired": "compared_in_blocks"})
    means = replace_censored(arms, here, lent)
    design = _alike(design, cells)
    unseen = missing_vessels(design, here, means)
    is_slope = pl.col("measure") == "slope"
    effects = arm_effects(plans.filter(~is_slope), means, lent, unseen, design)
    slopes = plans.filter(is_slope)
    if slopes.height:
        effects = pl.concat([effects, slope_effects(slopes, means, lent, design)])
    return finish(effects, same_laboratory=same_laboratory, level=level)


def variance_priors(
    readings: pl.DataFrame,
    design: pl.DataFrame,
    contract: Contract,
    *,
    responses: pl.DataFrame | None = None,
    measure: str | None = None,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The fitted priors and the observed variances they were fitted to, two frames.

    The first has PRIORS: analyte, log (variances of logarithms), paired, stage_group (null: all stages),
    prior_df, prior_variance, prior_trials, pooled_df. The second: trial_id, analyte, log, paired, stage,
    stage_group, df, variance.
    """
    vessels = vessel_values(readings, design)
    observed = _observed(vessels, _planned(vessels, design, responses, contract, measure), contract)
    return fit_priors(trials_lending(observed)), observed.with_columns(
        pl.col(*MEASURED, "stage_group").cast(pl.String)
    )


def trial_variances(
    readings: pl.DataFrame, design: pl.DataFrame, contract: Contract, *, log: bool
) -> pl.DataFrame:
    """What each trial lends (`trials_lending`) on one scale, of logarithms or of readings, trial by trial.

    A trial's rows come from its own readings and vessels alone, so that those of some trials can take the
    place of the rows that these had before a change. The order of `readings` makes no difference, and no unit
    is looked at.
    """
    vessels = vessel_values(readings.with_columns(pl.lit(None, dtype=pl.String).alias("unit")), design)
    scales = vessels.select(pl.col("analyte").cast(pl.String).unique(), pl.lit(log).alias("log"))
    lending = trials_lending(_observed(vessels, scales, contract))
    return lending.cast({pl.Enum: pl.String}).sort("trial_id", maintain_order=True)


def priors_of_trials(lending: pl.DataFrame) -> pl.DataFrame:
    """The priors (PRIORS) of what `trial_variances` tells of all trials."""
    groups = lending.partition_by("analyte", "log", "paired", "stage_group", maintain_order=True)
    return fit_priors(pl.concat(groups) if groups else lending)


def _observed(vessels: pl.DataFrame, scales: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """The variance of every replicated trial on these scales (analyte, log)."""
    cells = mark_blocks(_on_scales(vessels, scales, contract))
    spread = spreads(cells.filter(pl.col("y").is_not_null() & ~pl.col("spoiled")))
    return observed_variances(spread, _alike(stage_groups(contract), cells))


def _known_responses(responses: pl.DataFrame | None, contract: Contract) -> list[str] | None:
    """The analytes that anything is planned for; None: all are."""
    if responses is None:
        return None
    return [name for name in responses["response"].unique() if name in contract.analytes]


def _alike(frame: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """The rows of which something was measured, their identifiers of the kinds that `cells` has."""
    names = [name for name in (*MEASURED, "arm_id", "vessel_id") if name in frame.columns]
    return frame.with_columns(pl.col(name).cast(cells.schema[name], strict=False) for name in names).filter(
        pl.all_horizontal(pl.col(name).is_not_null() for name in names)
    )


def _of_comparisons(asked: pl.DataFrame, compared: pl.DataFrame) -> pl.DataFrame:
    """The plans whose comparison was measured, with its number and its names as `compared` has them."""
    known = _alike(asked, compared)

    def place(frame: pl.DataFrame) -> Integers:
        numbers = np.zeros(frame.height, dtype=np.int64)
        for name in MEASURED:
            here, size = numbered(frame[name])
            numbers = numbers * size + here
        return np.asarray(numbers * 2 + frame["log"].to_numpy(), dtype=np.int64)

    of_plan, of_comparison = matches(place(known), place(compared))
    return known[of_plan].with_columns(compared["comparison"][of_comparison])


def finish(
    effects: pl.DataFrame, *, same_laboratory: bool, level: float, behind: Columns | None = None
) -> pl.DataFrame:
    """The effects with their interval, the laboratories judged, in EFFECTS order."""
    from scipy.special import stdtrit

    apart = pl.col("other_laboratory")
    remark = pl.concat_str(
        [
            pl.when(pl.col("remark") != "").then(pl.col("remark")),
            pl.when(apart != "").then(apart),
        ],
        separator="; ",
        ignore_nulls=True,
    ).fill_null("")
    usable = pl.col("usable") & ((apart == "") if same_laboratory else pl.lit(True))
    judged = effects.with_columns(remark.alias("remark"), usable.fill_null(False).alias("usable"))
    # No degrees of freedom beside a variance means that it is known from counts: the normal limit of t.
    df = judged["df"].fill_null(float("inf")).to_numpy()
    kinds, kind = np.unique(df, return_inverse=True)
    quantiles = stdtrit(kinds, 0.5 + level / 2.0)[kind]
    quantile = pl.Series("quantile", quantiles, dtype=pl.Float64).fill_nan(None)
    percent = pl.when(pl.col("measure") == "log_ratio").then((pl.col("estimate").exp() - 1.0) * 100.0)
    most = pl.col("measure").replace_strict(FURTHEST, default=math.inf, return_dtype=pl.Float64)
    return (
        judged.with_columns(quantile, pl.col("variance").sqrt().alias("std_error"), percent.alias("percent"))
        .with_columns(
            (pl.col("estimate") - pl.col("quantile") * pl.col("std_error")).clip(-most, most).alias("low"),
            (pl.col("estimate") + pl.col("quantile") * pl.col("std_error")).clip(-most, most).alias("high"),
        )
        .pipe(in_order, ["question", "role", "response", "stage", "season", "site", "trial", "arm"])
        .select(pl.col(name).cast(kind) for name, kind in {**EFFECTS, **BEHIND, **(behind or {})}.items())
    )


def _planned(
    vessels: pl.DataFrame,
    design: pl.DataFrame,
    responses: pl.DataFrame | None,
    contract: Contract,
    measure: str | None,
) -> pl.DataFrame:
    """Each planned comparison: question_id, trial_id, analyte, stage, role, measure, log, refused."""
    known = pl.DataFrame({"analyte": list(contract.analytes)}, schema={"analyte": pl.String})
    questions = design.select("trial_id", "question_id").unique()
    measured = _in_turn(vessels).cast(pl.String)
    if responses is None:
        wanted = measured.with_columns(
            pl.lit("monitored").alias("role"), pl.lit(None, dtype=pl.String).alias("hint")
        )
    else:
        hint = (
            pl.col("measure").cast(pl.String)
            if "measure" in responses.columns
            else pl.lit(None, dtype=pl.String)
        )
        listed = responses.select(
            "trial_id",
            pl.col("response").alias("analyte"),
            pl.when(pl.col("stage") == "").then(None).otherwise(pl.col("stage")).alias("stage"),
            "role",
            hint.alias("hint"),
        )
        any_stage = (
            listed.filter(pl.col("stage").is_null())
            .drop("stage")
            .join(measured, on=["trial_id", "analyte"], how="inner")
            .select(listed.columns)
        )
        wanted = pl.concat([listed.filter(pl.col("stage").is_not_null()), any_stage])
    wanted = wanted.join(known, on="analyte", how="semi", maintain_order="left").join(
        questions, on="trial_id", how="inner", maintain_order="left"
    )
    place = np.zeros(wanted.height, dtype=np.int64)
    for name in MEASURED:
        numbers, size = numbered(wanted[name])
        place = place * size + numbers
    wanted = wanted.filter(pl.Series(place, dtype=pl.Int64).is_first_distinct())
    asked = wanted.select("analyte", "hint").unique()
    kinds = planned_measures(asked["analyte"].to_list(), contract, asked["hint"].to_list(), measure=measure)
    return wanted.join(kinds, on=["analyte", "hint"], how="left", nulls_equal=True).drop("hint")


def _in_turn(vessels: pl.DataFrame) -> pl.DataFrame:
    """The trials, analytes and stages measured, each once, of vessels that stand in this order."""
    places = vessels.select(MEASURED)
    changed = pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift()) for name in MEASURED)
    return places.filter(changed)


def _asked(
    planned: pl.DataFrame, question: str | None, response: str | None, stage: str | None
) -> pl.DataFrame:
    wanted = {"question_id": question, "analyte": response, "stage": stage}
    keep = [pl.col(column) == value for column, value in wanted.items() if value is not None]
    return planned.filter(*keep) if keep else planned


def _on_scales(vessels: pl.DataFrame, planned: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """Vessel values on each scale that is compared, with `y` and what spoils it.

    `y` is null where the vessel is censored or has no logarithm; `spoiled` marks every cell of a comparison
    that has such a vessel.
    """
    scales = _alike(planned.select("analyte", "log").unique(), vessels)
    if scales["analyte"].is_duplicated().any():
        on_scale = vessels.join(scales, on="analyte", how="inner", maintain_order="left").sort(
            *COMPARED, "arm_id", "vessel_id"
        )
    else:
        on_scale = _on_one_scale(vessels, scales)
    on_scale = number_arms(on_scale)
    circular = [
        name
        for name in scales["analyte"].unique().cast(pl.String)
        if contract.analytes[name].scale == "circular"
    ]
    exact = pl.col("low") == pl.col("high")
    if circular:
        on_scale = _unwound(on_scale, circular)
    y = (
        pl.when(~exact)
        .then(None)
        .when(~pl.col("log"))
        .then(pl.col("low"))
        .when(pl.col("low") > 0)
        .then(pl.when(pl.col("low") > 0).then(pl.col("low")).log())
    )
    negative = pl.col("log") & exact & (pl.col("low") <= 0)
    return on_scale.with_columns(
        y.alias("y"),
        _comparison_has(on_scale, ~exact).alias("censored"),
        _comparison_has(on_scale, negative).alias("no_log"),
    ).with_columns((pl.col("censored") | pl.col("no_log")).alias("spoiled"))


def _on_one_scale(vessels: pl.DataFrame, scales: pl.DataFrame) -> pl.DataFrame:
    """The vessels of analytes that have a scale, with `log`; each analyte has one scale at most."""
    analytes, size = numbered(vessels["analyte"])
    log = np.full(size - 1, -1)
    log[scales["analyte"].to_physical().to_numpy()] = scales["log"].cast(pl.Int64).to_numpy()
    on_scale = vessels.with_columns(pl.Series("log", (log == 1)[analytes]))
    return on_scale if (log >= 0).all() else on_scale.filter(pl.Series((log >= 0)[analytes]))


def _comparison_has(cells: pl.DataFrame, what: pl.Expr) -> pl.Expr:
    return pl.col("comparison").is_in(cells.filter(what)["comparison"].unique().implode())


def _unwound(on_scale: pl.DataFrame, circular: list[str]) -> pl.DataFrame:
    """Angles brought within half a turn of their trial's mean direction, so that 359 and 1 lie 2 apart."""
    angle = pl.col("low").radians()
    mean = pl.arctan2(angle.sin().sum().over("comparison"), angle.cos().sum().over("comparison")).degrees()
    near = mean + ((pl.col("low") - mean + 180.0) % 360.0) - 180.0
    is_angle = pl.col("analyte").is_in(circular)
    return on_scale.with_columns(
        pl.when(is_angle).then(near).otherwise(pl.col("low")).alias("low"),
        pl.when(is_angle).then(near).otherwise(pl.col("high")).alias("high"),
    )
