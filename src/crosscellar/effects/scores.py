"""Panel scores: what assessors gave the treatment beyond the control, within assessor and session."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from crosscellar.effects.moderation import LEAST_TRIALS
from crosscellar.effects.panels import panel_fit
from crosscellar.effects.planned import PANELS, SCORE, arms_of, only, planned_responses, trials_of
from crosscellar.effects.readings import finish


def effects_of_scores(
    scores: pl.DataFrame,
    design: pl.DataFrame,
    responses: pl.DataFrame | None,
    *,
    question: str | None = None,
    response: str | None = None,
    stage: str | None = None,
    level: float = 0.95,
) -> pl.DataFrame:
    """Treatment minus control in points of the scale, a row for each trial, arm and attribute planned.

    Parameters
    ----------
    scores
        SCORES. Repeat scores of one assessor, session and wine are averaged first.
    responses
        The planned responses, written `score:ATTRIBUTE`. None: every attribute, as monitored.

    The difference is within assessor, with assessor and session random (`panel_fit`). Its variance is the
    tasting error plus a vessel variance times 1/n_t + 1/n_c, since a panel that tasted one vessel an arm
    knows those wines and not the treatment. The vessel variance of an attribute is what the mean scores of
    vessels of one arm differ by beyond the tasting error, averaged over the trials that poured several
    vessels an arm; with fewer than three such trials it is not known, and the remark says that the effect
    speaks for the wines poured. Degrees of freedom: assessors - 1.
    """
    attributes = scores["attribute"].unique().to_list()
    names = {f"{SCORE}{name}": name for name in attributes} | {name: name for name in attributes}
    planned = planned_responses(responses, names)
    if responses is None:
        planned = (
            scores.select("trial_id", "attribute")
            .unique()
            .select(
                "trial_id",
                (pl.lit(SCORE) + pl.col("attribute")).alias("response"),
                pl.lit("sensory").alias("stage"),
                pl.lit("monitored").alias("role"),
                pl.lit(None, dtype=pl.String).alias("measure"),
            )
        )
    planned = planned.with_columns(
        pl.col("response").replace_strict(names, return_dtype=pl.String).alias("attribute")
    )
    wanted = only(
        planned.join(
            trials_of(design).select("trial_id", pl.col("question_id").alias("question")), on="trial_id"
        ),
        question=question,
        response=response,
        stage=stage,
    )
    tasted = _tasted(scores, design)
    asked = wanted.select("attribute").unique()
    fitted = pl.DataFrame(
        list(_fits(tasted.join(asked, on="attribute", how="semi"))),
        schema={
            "trial_id": pl.String,
            "attribute": pl.String,
            "arm": pl.String,
            "estimate": pl.Float64,
            "tasting": pl.Float64,
            "tasting_shared": pl.Float64,
            "residual": pl.Float64,
            "assessors": pl.Int32,
            "converged": pl.Boolean,
        },
        orient="row",
    )
    vessel_variance = _vessel_variance(tasted, fitted)
    rows = _rows(wanted, fitted, tasted, vessel_variance, design)
    return finish(rows, same_laboratory=True, level=level, behind=PANELS)


def _tasted(scores: pl.DataFrame, design: pl.DataFrame) -> pl.DataFrame:
    """One score for each assessor, session and wine."""
    return (
        scores.filter(pl.col("score").is_finite())
        .with_columns(pl.col("vessel_id").fill_null(""))
        .group_by("trial_id", "attribute", "session_id", "assessor_id", "arm_id", "vessel_id")
        .agg(pl.col("score").mean(), pl.col("scale_low").first(), pl.col("scale_high").first())
        .join(arms_of(design), on=["trial_id", "arm_id"], how="inner")
        .sort("trial_id", "attribute", "session_id", "assessor_id", "arm_id", "vessel_id")
    )


def _fits(tasted: pl.DataFrame) -> Iterator[tuple[object, ...]]:
    for (trial, attribute), rows in tasted.group_by("trial_id", "attribute", maintain_order=True):
        treatments = rows.filter(pl.col("role_of_arm") == "treatment")["arm_id"].unique().sort().to_list()
        control = rows.filter(pl.col("role_of_arm") == "control")["arm_id"].unique().to_list()
        assessors = rows["assessor_id"].n_unique()
        if not treatments or len(control) != 1 or assessors < 2 or rows["score"].n_unique() < 2:
            continue
        number = {name: place for place, name in enumerate([control[0], *treatments])}
        fit = panel_fit(
            rows["score"].to_numpy(),
            rows["arm_id"].replace_strict(number, return_dtype=pl.Int64).to_numpy(),
            (rows["assessor_id"].rank("dense") - 1).to_numpy(),
            (rows["session_id"].rank("dense") - 1).to_numpy(),
        )
        shared = fit.residual / rows.filter(pl.col("role_of_arm") == "control").height
        for place, arm in enumerate(treatments):
            yield (
                trial,
                attribute,
                arm,
                float(fit.difference[place]),
                float(fit.covariance[place, place]),
                shared,
                fit.residual,
                assessors,
                fit.converged,
            )


def _vessel_variance(tasted: pl.DataFrame, fitted: pl.DataFrame) -> pl.DataFrame:
    """attribute, vessel_variance, vessel_trials, for the attributes of at least three trials that tell."""
    residual = fitted.group_by("trial_id", "attribute").agg(pl.col("residual").first())
    return (
        tasted.filter(pl.col("vessel_id") != "")
        .group_by("trial_id", "attribute", "arm_id", "vessel_id")
        .agg(pl.col("score").mean(), pl.len().alias("glasses"))
        .group_by("trial_id", "attribute", "arm_id")
        .agg(
            ((pl.col("score") - pl.col("score").mean()) ** 2).sum().alias("squares"),
            (pl.len() - 1).alias("df"),
            (1.0 / pl.col("glasses")).mean().alias("per_glass"),
        )
        .filter(pl.col("df") > 0)
        .join(residual, on=["trial_id", "attribute"], how="inner")
        .group_by("attribute")
        .agg(
            (
                (pl.col("squares") - pl.col("df") * pl.col("residual") * pl.col("per_glass")).sum()
                / pl.col("df").sum()
            )
            .clip(lower_bound=0.0)
            .alias("vessel_variance"),
            pl.col("trial_id").n_unique().cast(pl.Int32).alias("vessel_trials"),
        )
        .filter(pl.col("vessel_trials") >= LEAST_TRIALS)
    )


def _rows(
    wanted: pl.DataFrame,
    fitted: pl.DataFrame,
    tasted: pl.DataFrame,
    vessel_variance: pl.DataFrame,
    design: pl.DataFrame,
) -> pl.DataFrame:
    arms = tasted.group_by("trial_id", "attribute", "arm_id").agg(
        pl.col("role_of_arm").first(),
        pl.col("vessel_id").n_unique().cast(pl.Int32).alias("n"),
        pl.col("score").mean(),
        pl.col("scale_low").first(),
        pl.col("scale_high").first(),
        pl.col("level").first(),
        pl.col("volume_l").first(),
    )
    control = arms.filter(pl.col("role_of_arm") == "control").select(
        "trial_id",
        "attribute",
        pl.col("arm_id").alias("control_arm"),
        pl.col("n").alias("n_control"),
        pl.col("score").alias("mean_control"),
    )
    known = pl.col("vessel_variance").is_not_null()
    lost = (pl.col("status") == "lost").fill_null(False)
    several = pl.col("arm").n_unique().over("trial_id", "attribute") > 1
    return (
        wanted.join(fitted, on=["trial_id", "attribute"], how="inner")
        .join(arms, left_on=["trial_id", "attribute", "arm"], right_on=["trial_id", "attribute", "arm_id"])
        .join(control, on=["trial_id", "attribute"])
        .join(vessel_variance, on="attribute", how="left")
        .join(trials_of(design), on="trial_id", how="left")
        .with_columns(
            (
                pl.col("tasting")
                + pl.col("vessel_variance").fill_null(0.0) * (1.0 / pl.col("n") + 1.0 / pl.col("n_control"))
            ).alias("variance"),
            (pl.col("tasting_shared") + pl.col("vessel_variance").fill_null(0.0) / pl.col("n_control")).alias(
                "covariance"
            ),
        )
        .select(
            "question",
            "response",
            "stage",
            "role",
            pl.lit("difference").alias("measure"),
            pl.format("points ({} to {})", _plain("scale_low"), _plain("scale_high")).alias("unit"),
            pl.col("trial_id").alias("trial"),
            pl.col("site_id").alias("site"),
            "season",
            "arm",
            "estimate",
            pl.when("converged").then("variance").alias("variance"),
            (pl.col("assessors") - 1).cast(pl.Float64).alias("df"),
            pl.when(~pl.col("converged"))
            .then(pl.lit("none"))
            .when(known)
            .then(pl.lit("borrowed"))
            .otherwise(pl.lit("own"))
            .alias("variance_source"),
            pl.when(several).then(pl.concat_str(["trial_id", pl.lit("/"), "control_arm"])).alias("shared"),
            pl.when(several & pl.col("converged")).then("covariance").alias("shared_variance"),
            pl.col("n").alias("n_treatment"),
            "n_control",
            pl.col("score").alias("mean_treatment"),
            "mean_control",
            pl.lit(None, dtype=pl.Float64).alias("prior_df"),
            pl.col("vessel_variance").alias("prior_variance"),
            pl.col("vessel_trials").alias("prior_trials"),
            (pl.col("converged") & ~lost).alias("usable"),
            pl.concat_str(
                [
                    pl.when(lost).then(pl.lit("trial lost, not pooled")),
                    pl.when(~pl.col("converged")).then(
                        pl.lit("the mixed model did not converge: not pooled")
                    ),
                ],
                separator="; ",
                ignore_nulls=True,
            ).alias("remark"),
            "cultivar",
            "colour",
            "level",
            "volume_l",
            pl.lit("").alias("other_laboratory"),
            pl.lit(None, dtype=pl.Int32).alias("n_blocks"),
            pl.lit(None, dtype=pl.String).alias("prior_from"),
            "assessors",
        )
    )


def _plain(column: str) -> pl.Expr:
    """A number as text, without a needless decimal."""
    return pl.col(column).round(2).cast(pl.String).str.replace(r"\.0$", "")
