"""Comparisons with vessels below a limit: their arm means by maximum likelihood."""

from __future__ import annotations

import numpy as np
import polars as pl

from crosscellar.effects.censored import censored_arms

#: Columns that a censored fit gives to an arm: its mean, its own variance of the mean, its covariance with
#: the control, and the fit's vessel variance and degrees of freedom.
FITTED = {"mean": pl.Float64, "fit_variance": pl.Float64, "fit_shared": pl.Float64, "fit_df": pl.Float64}


def replace_censored(means: pl.DataFrame, cells: pl.DataFrame, lent: pl.DataFrame) -> pl.DataFrame:
    """The arm means, those of censored comparisons by likelihood, with FITTED columns behind.

    `mean` is null in an arm where no vessel was quantified; `fit_variance` and the others are null outside
    censored comparisons.
    """
    plain = means.with_columns(
        pl.lit(None, dtype=kind).alias(name) for name, kind in FITTED.items() if name != "mean"
    )
    some = cells.filter(pl.col("censored") & ~pl.col("no_log"))
    if some.is_empty():
        return plain
    priors = lent.select("comparison", "prior_df", "prior_variance")
    groups = some.join(priors, on="comparison", how="left", maintain_order="left").group_by(
        "comparison", maintain_order=True
    )
    fitted = pl.concat([_fit(group) for _, group in groups])
    return (
        plain.drop(*FITTED)
        .join(fitted, on="arm", how="left", maintain_order="left")
        .join(means.select("arm", pl.col("mean").alias("plain")), on="arm", maintain_order="left")
        .with_columns(
            pl.when(pl.col("censored") & ~pl.col("no_log")).then("mean").otherwise("plain").alias("mean")
        )
        .drop("plain")
        .select(plain.columns)
    )


def _fit(group: pl.DataFrame) -> pl.DataFrame:
    """One comparison: a row an arm, the control first so that covariances with it can be read off."""
    arms = (
        group.select("arm", "role").unique().sort(pl.col("role") != "control", "arm").with_row_index("arm_no")
    )
    numbered = group.join(arms.select("arm", "arm_no"), on="arm", maintain_order="left")
    low, high = numbered["low"].to_numpy(), numbered["high"].to_numpy()
    if group["log"][0]:
        with np.errstate(divide="ignore"):
            low, high = np.log(np.maximum(low, 0.0)), np.log(high)
    prior_df, prior_variance = group["prior_df"][0], group["prior_variance"][0]
    fit = censored_arms(
        low,
        high,
        numbered["arm_no"].to_numpy(),
        prior_df=float(prior_df) if prior_df is not None else 0.0,
        prior_variance=float(prior_variance) if prior_variance is not None else float("nan"),
    )
    diagonal = np.diag(fit.covariance)
    return (
        arms.select("arm")
        .with_columns(
            pl.Series("mean", fit.mean).fill_nan(None),
            pl.Series("fit_variance", diagonal).fill_nan(None),
            pl.Series("fit_shared", fit.covariance[0]).fill_nan(None),
            pl.lit(fit.df if fit.df > 0 else None, dtype=pl.Float64).alias("fit_df"),
        )
        .select("arm", *FITTED)
    )
