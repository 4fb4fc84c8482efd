"""Triangle sessions: the share of tasters who tell treatment from control."""

from __future__ import annotations

import polars as pl

from crosscellar.effects.planned import SESSIONS, TRIANGLES, arms_of, only, planned_responses, trials_of
from crosscellar.effects.readings import finish
from crosscellar.effects.summaries import share_variance
from crosscellar.effects.triangles import GUESS, similarity_limit, triangle_results


def effects_of_picks(
    picks: pl.DataFrame,
    design: pl.DataFrame,
    responses: pl.DataFrame | None,
    *,
    question: str | None = None,
    response: str | None = None,
    stage: str | None = None,
    similar: float = 0.3,
    level: float = 0.95,
) -> pl.DataFrame:
    """The share of tasters who tell, a row for each trial, pair of arms and session; SESSIONS columns behind.

    Parameters
    ----------
    picks
        PICKS, each triangle of each taster.
    responses
        The planned responses; a trial whose triangle was not planned appears as monitored `triangle_correct`.
    similar
        The share of discriminators that `similarity_limit` would rule out (at a chance of 5 %).

    The estimate is 1.5 pc - 0.5, left negative where guessing would have done better, with variance
    2.25 pc (1 - pc)/n; where none or all were correct, that of the share (x + 1)/(n + 2) over n + 2. `low`
    and `high` are the exact limits (Clopper & Pearson 1934) carried over and cut at 0. A taster
    counts once a session: of several triangles by one taster in one session the first is taken. The answer is
    about the wines that were poured; another vessel of the same arm might differ more or less.
    """
    sessions = (
        picks.filter(pl.col("correct").is_not_null())
        .unique(
            subset=["trial_id", "session_id", "control_arm", "treatment_arm", "assessor_id"],
            keep="first",
            maintain_order=True,
        )
        .group_by("trial_id", "session_id", "control_arm", "treatment_arm")
        .agg(pl.col("correct").sum().cast(pl.Int32), pl.len().cast(pl.Int32).alias("tasters"))
        .sort("trial_id", "session_id", "treatment_arm")
    )
    # A result is made for each distinct count, of which there are few, and joined back.
    distinct = sessions.select("correct", "tasters").unique().sort("tasters", "correct")
    results = triangle_results(distinct.rows(), level=level)
    said = distinct.with_columns(
        pl.Series("p_value", [r.p_value for r in results], dtype=pl.Float64),
        pl.Series("critical", [r.critical for r in results], dtype=pl.Int32),
        pl.Series(
            "similarity_limit",
            [similarity_limit(r.n, discriminators=similar) for r in results],
            dtype=pl.Int32,
        ),
        pl.Series("exact_low", [r.discriminators_low for r in results], dtype=pl.Float64),
        pl.Series("exact_high", [r.discriminators_high for r in results], dtype=pl.Float64),
        pl.Series("d_prime", [r.d_prime for r in results], dtype=pl.Float64),
        pl.Series("d_prime_se", [r.d_prime_se for r in results], dtype=pl.Float64),
        pl.Series("estimate", [r.discriminators for r in results], dtype=pl.Float64),
        pl.Series(
            "variance",
            2.25
            * share_variance(
                distinct["correct"].cast(pl.Float64).to_numpy(),
                distinct["tasters"].cast(pl.Float64).to_numpy(),
            ),
            dtype=pl.Float64,
        ),
    )
    planned = planned_responses(responses, TRIANGLES).unique(
        subset="trial_id", keep="first", maintain_order=True
    )
    lost = (pl.col("status") == "lost").fill_null(False)
    edge = (pl.col("correct") == 0) | (pl.col("correct") == pl.col("tasters"))
    rows = (
        sessions.join(said, on=["correct", "tasters"], how="left")
        .join(planned, on="trial_id", how="left")
        .join(trials_of(design), on="trial_id", how="inner")
        .join(
            arms_of(design),
            left_on=["trial_id", "treatment_arm"],
            right_on=["trial_id", "arm_id"],
            how="left",
        )
        .select(
            pl.col("question_id").alias("question"),
            pl.col("response").fill_null("triangle_correct"),
            pl.col("stage").fill_null("sensory"),
            pl.col("role").fill_null("monitored"),
            pl.lit("discriminators").alias("measure"),
            pl.lit("share of tasters").alias("unit"),
            pl.col("trial_id").alias("trial"),
            pl.col("site_id").alias("site"),
            "season",
            pl.col("treatment_arm").alias("arm"),
            "estimate",
            "variance",
            pl.lit(None, dtype=pl.Float64).alias("df"),
            pl.lit("own").alias("variance_source"),
            pl.lit(None, dtype=pl.String).alias("shared"),
            pl.lit(None, dtype=pl.Float64).alias("shared_variance"),
            pl.col("tasters").alias("n_treatment"),
            pl.col("tasters").alias("n_control"),
            (pl.col("correct") / pl.col("tasters")).alias("mean_treatment"),
            pl.lit(GUESS).alias("mean_control"),
            pl.lit(None, dtype=pl.Float64).alias("prior_df"),
            pl.lit(None, dtype=pl.Float64).alias("prior_variance"),
            pl.lit(None, dtype=pl.Int32).alias("prior_trials"),
            (~lost).alias("usable"),
            pl.concat_str(
                [
                    pl.when(lost).then(pl.lit("trial lost, not pooled")),
                    pl.when(edge).then(pl.lit("none or all correct: variance from (x + 1)/(n + 2)")),
                    pl.lit("speaks for the wines that were poured"),
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
            "exact_low",
            "exact_high",
            *(pl.col("session_id").alias(name) if name == "session" else pl.col(name) for name in SESSIONS),
        )
    )
    limits = {"exact_low": pl.Float64, "exact_high": pl.Float64}
    effects = (
        finish(rows, same_laboratory=True, level=level, behind={**SESSIONS, **limits})
        .with_columns(low="exact_low", high="exact_high")
        .drop(limits)
    )
    return only(effects, question=question, response=response, stage=stage)
