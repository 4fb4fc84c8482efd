"""Arms against their control: the estimate, its variance and what must be said about it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl

from crosscellar.effects.measures import NOTHING_LENT, ONLY_DIRECTION
from crosscellar.effects.moderation import lean
from crosscellar.effects.places import Integers, matches
from crosscellar.effects.spreads import COMPARED
from crosscellar.effects.summaries import hedges_correction

#: When something is said of an effect, and what.
Said = tuple[pl.Expr, pl.Expr]

#: The arm of a slope, which belongs to none of them alone.
ALL_LEVELS: Final = "all levels"

_JOINED: Final = ["comparison"]

#: What an effect takes from the arm it is compared with.
_OF_CONTROL: Final = (
    "arm",
    "arm_id",
    "mean",
    "n",
    "weight",
    "labs",
    "methods",
    "all_censored",
    "fit_variance",
)


def arm_effects(
    plans: pl.DataFrame,
    means: pl.DataFrame,
    lent: pl.DataFrame,
    unseen: pl.DataFrame,
    design: pl.DataFrame,
) -> pl.DataFrame:
    """Treatment minus control, a row for each treatment arm of each plan that has both measured."""
    pairs = _pairs(plans, means, lent).join(unseen, on="arm", how="left")
    pairs = pairs.join(
        unseen.rename({"arm": "arm_control", "missing": "missing_control"}), on="arm_control", how="left"
    )
    estimated = _estimate(_moderate(pairs))
    no_log, none_seen = pl.col("no_log"), pl.col("all_censored") | pl.col("all_censored_control")
    computable = pl.col("estimate").is_not_null() & (pl.col("refused") == "")
    both_beyond = pl.col("all_censored") & pl.col("all_censored_control")
    remark = _remarks(
        estimated,
        [
            (pl.col("refused") != "", pl.col("refused")),
            (no_log, pl.lit("a reading of 0 or below has no logarithm: ask for difference")),
            (both_beyond, pl.lit("beyond the limit in both arms: no effect to compute")),
            (
                pl.col("all_censored") & ~both_beyond,
                pl.lit(f"every treatment vessel beyond the limit: {ONLY_DIRECTION}"),
            ),
            (
                pl.col("all_censored_control") & ~both_beyond,
                pl.lit(f"every control vessel beyond the limit: {ONLY_DIRECTION}"),
            ),
            (
                pl.col("censored") & ~none_seen,
                pl.when(pl.col("fit_variance").is_not_null())
                .then(pl.lit("some vessels beyond a limit: by maximum likelihood"))
                .otherwise(
                    pl.lit(
                        "some vessels beyond a limit, and those within too few or too alike to tell how far "
                        "vessels differ: no effect to compute"
                    )
                ),
            ),
            *_common_remarks(),
            _count_words("missing", "treatment"),
            _count_words("missing_control", "control"),
        ],
    )
    several = pl.col("several")
    shared = pl.concat_str([pl.col("trial_id"), pl.lit("/"), pl.col("arm_id_control")])
    effects = estimated.with_columns(
        _said_where(estimated, several, shared, otherwise=None).alias("shared"),
        pl.when(several).then(pl.col("shared_variance")).alias("shared_variance"),
        remark,
        _apart(estimated).alias("other_laboratory"),
        (
            computable & ~none_seen & ~no_log & pl.col("variance").is_not_null() & (pl.col("variance") > 0)
        ).alias("usable"),
        _unit_words(pl.col("log")).alias("unit_shown"),
    ).with_columns(
        pl.when(computable & ~none_seen & ~no_log).then(pl.col(name)).alias(name)
        for name in ("estimate", "variance", "df", "shared_variance")
    )
    return _in_order(effects, design)


def _pairs(plans: pl.DataFrame, means: pl.DataFrame, lent: pl.DataFrame) -> pl.DataFrame:
    """Each plan with each treatment arm of its comparison, the control (`_control`) and what was lent to it.

    `several` tells that the control serves more than one treatment. Comparisons count up in `means` and
    `lent`, so that rows are found by place.
    """
    treatments, controls = (means["role"].eq(role).arg_true().to_numpy() for role in ("treatment", "control"))
    of_plan, of_arm = _comparison(plans), _comparison(means)
    plan, treatment = matches(of_plan, of_arm[treatments])
    several = (np.bincount(of_plan[plan]) > 1)[of_plan[plan]]
    pair, control = matches(of_plan[plan], of_arm[controls])
    plan, treatment, several = plan[pair], treatments[treatment[pair]], several[pair]
    _, loan = matches(of_plan[plan], _comparison(lent))
    return pl.concat(
        [
            plans[plan],
            means.drop(*COMPARED, "comparison").rename({"role": "role_right"})[treatment],
            means.select(pl.col(name).alias(f"{name}_control") for name in _OF_CONTROL)[controls[control]],
            lent.drop(*COMPARED, "comparison")[loan],
            pl.DataFrame({"several": several}),
        ],
        how="horizontal",
    )


def _comparison(frame: pl.DataFrame) -> Integers:
    return frame["comparison"].cast(pl.Int64).to_numpy()


def slope_effects(
    plans: pl.DataFrame,
    means: pl.DataFrame,
    lent: pl.DataFrame,
    design: pl.DataFrame,
) -> pl.DataFrame:
    """The change per unit of level, a row for each plan with three or more levels measured."""
    arms = (
        plans.join(means.drop(COMPARED), on=_JOINED, how="inner")
        .filter(pl.col("level").is_not_null() & pl.col("mean").is_not_null() & ~pl.col("no_log"))
        .filter(pl.col("level").n_unique().over(_JOINED) >= 3)
        .sort("arm")
    )
    x, y, w = pl.col("level"), pl.col("mean"), pl.col("weight")
    control = pl.col("role_right") == "control"
    lines = (
        arms.with_columns(
            ((x * w).sum().over(_JOINED) / w.sum().over(_JOINED)).alias("x_mean"),
        )
        .group_by(_JOINED, maintain_order=True)
        .agg(
            *(pl.col(name).first() for name in COMPARED),
            (((x - pl.col("x_mean")) * y * w).sum() / ((x - pl.col("x_mean")) ** 2 * w).sum()).alias(
                "estimate"
            ),
            ((x - pl.col("x_mean")) ** 2 * w).sum().alias("leverage"),
            pl.col("n").filter(~control).sum().alias("n"),
            pl.col("n").filter(control).sum().alias("n_control"),
            y.filter(control).first().alias("mean_control"),
            pl.lit(None, dtype=pl.Float64).alias("mean"),
            pl.lit(None, dtype=pl.Float64).alias("level"),
            pl.col("level_unit").drop_nulls().first(),
            pl.col("volume_l").mean(),
            pl.col("unit").first(),
            pl.col("censored").any(),
            pl.col("labs_left_out").any(),
            pl.col("outside").sum(),
            pl.col("labs").n_unique().alias("kinds_of_labs"),
            pl.col("question_id").first(),
            pl.col("role").first(),
            pl.col("measure").first(),
            pl.col("refused").first(),
        )
        .join(lent.drop(COMPARED), on=_JOINED, how="left")
    )
    moderated = _moderate(lines.filter(~pl.col("censored")))
    effects = moderated.with_columns(
        pl.lit(ALL_LEVELS).alias("arm_id"),
        (pl.col("s2") / pl.col("leverage")).alias("variance"),
        pl.lit(None, dtype=pl.String).alias("shared"),
        pl.lit(None, dtype=pl.Float64).alias("shared_variance"),
        _remarks(moderated, _common_remarks()),
        pl.when(pl.col("kinds_of_labs") > 1)
        .then(pl.lit("the arms went to different laboratories"))
        .otherwise(pl.lit(""))
        .alias("other_laboratory"),
        (pl.col("s2").is_not_null() & (pl.col("s2") > 0)).alias("usable"),
        pl.concat_str(
            [_unit_words(pl.col("log")), pl.lit(" per "), pl.col("level_unit").fill_null("level")]
        ).alias("unit_shown"),
    )
    return _in_order(effects, design)


def _moderate(pairs: pl.DataFrame) -> pl.DataFrame:
    """The vessel variance `s2` of each comparison with its `df` and `variance_source`."""
    paired = pl.col("compared_in_blocks")
    own_df = pairs.select(
        pl.when(paired).then("block_df").otherwise("within_df").cast(pl.Float64).fill_null(0.0).alias("df")
    )["df"]
    own = pairs.select(pl.when(paired).then("block_variance").otherwise("within_variance").alias("own"))[
        "own"
    ]
    s2, df = lean(
        own.cast(pl.Float64).fill_null(0.0).to_numpy(),
        own_df.to_numpy(),
        pairs["prior_df"].cast(pl.Float64).to_numpy(),
        pairs["prior_variance"].cast(pl.Float64).to_numpy(),
    )
    lent = pl.col("prior_df").is_not_null()
    return pairs.with_columns(
        own_df.alias("own_df"),
        pl.Series("s2", s2, dtype=pl.Float64).fill_nan(None),
        pl.Series("df", np.where(df > 0, df, np.nan), dtype=pl.Float64).fill_nan(None),
    ).with_columns(
        pl.when(lent & (pl.col("own_df") > 0))
        .then(pl.lit("moderated"))
        .when(lent)
        .then(pl.lit("borrowed"))
        .when(pl.col("own_df") > 0)
        .then(pl.lit("own"))
        .otherwise(pl.lit("none"))
        .alias("variance_source")
    )


def _estimate(pairs: pl.DataFrame) -> pl.DataFrame:
    difference = pl.col("mean") - pl.col("mean_control")
    share = 1.0 / pl.col("weight") + 1.0 / pl.col("weight_control")
    fitted = pl.col("censored") & pl.col("fit_variance").is_not_null()
    plain = pairs.with_columns(
        difference.alias("estimate"),
        pl.when(fitted)
        .then(pl.col("fit_variance") + pl.col("fit_variance_control") - 2.0 * pl.col("fit_shared"))
        .when(~pl.col("censored"))
        .then(pl.col("s2") * share)
        .alias("variance"),
        pl.when(fitted)
        .then(pl.col("fit_variance_control"))
        .when(~pl.col("censored"))
        .then(pl.col("s2") / pl.col("weight_control"))
        .alias("shared_variance"),
        pl.when(pl.col("censored")).then(pl.col("fit_df")).otherwise(pl.col("df")).alias("df"),
        pl.when(pl.col("censored"))
        .then(
            pl.when(pl.col("fit_df").is_null())
            .then(pl.lit("none"))
            .when(pl.col("prior_df").is_null())
            .then(pl.lit("own"))
            .when(pl.col("fit_df") > pl.col("prior_df"))
            .then(pl.lit("moderated"))
            .otherwise(pl.lit("borrowed"))
        )
        .otherwise(pl.col("variance_source"))
        .alias("variance_source"),
    )
    standard = pl.col("measure") == "standardized"
    if plain.filter(standard).is_empty():
        return plain
    # Hedges (1981): the variance of d is the chance error of the means plus that of the standard deviation.
    j = pl.Series("j", hedges_correction(plain["df"].fill_null(0.0).to_numpy()), dtype=pl.Float64).fill_nan(
        None
    )
    d = pl.col("estimate") / pl.col("s2").sqrt()
    usual = ~pl.col("censored")
    return plain.with_columns(j).with_columns(
        pl.when(standard & usual)
        .then(pl.col("j") * d)
        .when(~standard)
        .then(pl.col("estimate"))
        .alias("estimate"),
        pl.when(standard & usual)
        .then(pl.col("j") ** 2 * (share + d**2 / (2.0 * pl.col("df"))))
        .when(~standard)
        .then(pl.col("variance"))
        .alias("variance"),
        pl.when(standard & usual)
        .then(pl.col("j") ** 2 / pl.col("weight_control"))
        .when(~standard)
        .then(pl.col("shared_variance"))
        .alias("shared_variance"),
    )


def _remarks(effects: pl.DataFrame, said: Sequence[Said]) -> pl.Series:
    """What holds of each effect, joined."""
    words = pl.concat_str(
        [pl.when(when).then(words) for when, words in said], separator="; ", ignore_nulls=True
    ).fill_null("")
    some = pl.any_horizontal(when.fill_null(False) for when, _ in said)
    return _said_where(effects, some, words, otherwise="").alias("remark")


def _said_where(effects: pl.DataFrame, when: pl.Expr, words: pl.Expr, *, otherwise: str | None) -> pl.Series:
    """The words where `when` holds; text is put together for no other row."""
    some = effects.select(when.fill_null(False)).to_series()
    said = pl.repeat(otherwise, effects.height, dtype=pl.String, eager=True)
    return said.scatter(some.arg_true(), effects.filter(some).select(words).to_series())


def _common_remarks() -> list[Said]:
    return [
        (
            (pl.col("variance_source") == "borrowed") & (pl.col("n") == 1) & (pl.col("n_control") == 1),
            pl.format("one vessel an arm: variance borrowed from {} replicated trials", "prior_trials"),
        ),
        (
            (pl.col("variance_source") == "none") & ~pl.col("censored"),
            pl.lit(NOTHING_LENT),
        ),
        (
            (pl.col("s2") == 0) & (pl.col("variance_source") == "own"),
            pl.lit("the vessels of each arm read alike: no variance, not pooled"),
        ),
        (pl.col("prior_from") == "all stages", pl.lit("variance lent over all stages")),
        (
            pl.col("prior_from") == "unpaired trials",
            pl.lit("variance lent by unpaired trials, on the wide side"),
        ),
        (
            pl.col("labs_left_out"),
            pl.lit(
                "readings of a second laboratory that did not measure every arm, or fewer vessels, left out"
            ),
        ),
        (pl.col("outside") > 0, pl.format("{} vessels outside complete blocks left out", "outside")),
    ]


def _apart(effects: pl.DataFrame) -> pl.Series:
    """What to say where control and treatment were not measured alike; empty where they were."""
    other_lab = pl.col("labs") != pl.col("labs_control")
    other_method = (
        (pl.col("methods") != pl.col("methods_control"))
        & (pl.col("methods") != "")
        & (pl.col("methods_control") != "")
    )
    sentence = "control measured by {}, treatment by {}: {} differ, not pooled"
    words = (
        pl.when(other_lab)
        .then(pl.format(sentence, "labs_control", "labs", pl.lit("laboratories")))
        .when(other_method)
        .then(pl.format(sentence, "methods_control", "methods", pl.lit("methods")))
    )
    return _said_where(effects, other_lab.fill_null(False) | other_method, words, otherwise="")


def _unit_words(log: pl.Expr) -> pl.Expr:
    return (
        pl.when(pl.col("measure") == "standardized")
        .then(pl.lit("standard deviations"))
        .when(log)
        .then(pl.lit("log ratio"))
        .otherwise(pl.col("unit"))
    )


def _count_words(column: str, arm: str) -> Said:
    return pl.col(column).is_not_null(), pl.format(arm + " vessels not measured: {}", column)


def _in_order(effects: pl.DataFrame, design: pl.DataFrame) -> pl.DataFrame:
    """The columns of EFFECTS, with what the register knows of each trial, and those `finish` needs."""
    trials = design.select(
        "trial_id", "season", "site_id", "cultivar", "colour", "status", "status_reason"
    ).unique(subset="trial_id", keep="first", maintain_order=True)
    shown = pl.col("log") & (pl.col("measure") != "standardized")
    lost = pl.col("status") == "lost"
    back = effects.join(trials, on="trial_id", how="left")
    return back.select(
        pl.col("question_id").alias("question"),
        pl.col("analyte").alias("response"),
        "stage",
        "role",
        "measure",
        pl.col("unit_shown").alias("unit"),
        pl.col("trial_id").alias("trial"),
        pl.col("site_id").alias("site"),
        "season",
        pl.col("arm_id").cast(pl.String).alias("arm"),
        "estimate",
        "variance",
        "df",
        "variance_source",
        "shared",
        "shared_variance",
        pl.col("n").cast(pl.Int32).alias("n_treatment"),
        pl.col("n_control").cast(pl.Int32),
        pl.when(shown).then(pl.col("mean").exp()).otherwise(pl.col("mean")).alias("mean_treatment"),
        pl.when(shown)
        .then(pl.col("mean_control").exp())
        .otherwise(pl.col("mean_control"))
        .alias("mean_control"),
        "prior_df",
        "prior_variance",
        "prior_trials",
        (pl.col("usable") & ~lost.fill_null(False)).alias("usable"),
        pl.concat_str(
            [
                pl.when(lost).then(
                    pl.format(
                        "trial lost: {}, not pooled", pl.col("status_reason").fill_null("no reason given")
                    )
                ),
                pl.when(pl.col("remark") != "").then(pl.col("remark")),
            ],
            separator="; ",
            ignore_nulls=True,
        )
        .fill_null("")
        .alias("remark"),
        "cultivar",
        "colour",
        "level",
        "volume_l",
        "other_laboratory",
        "n_blocks",
        "prior_from",
    )
