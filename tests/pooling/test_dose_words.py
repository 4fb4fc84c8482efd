"""The dose-response in words."""

from __future__ import annotations

import polars as pl

from crosscellar.answers import dose_of, dose_words
from crosscellar.pooling import pool


def test_a_slope_is_shown_to_its_own_error_and_never_rounded_to_nothing() -> None:
    levels, off = [50.0, 100.0, 200.0], {"a": 0.9, "b": 1.1, "c": 0.7, "d": 1.3}
    frame = pl.DataFrame(
        [
            {"site": site, "trial": site, "arm": f"{level}", "level": level, "estimate": 0.002 * level * by}
            for site, by in off.items()
            for level in levels
        ]
    ).with_columns(
        variance=pl.lit(0.02), shared=pl.col("site"), shared_variance=pl.lit(0.01), unit=pl.lit("g/L")
    )
    pooled = pool(frame)
    fit = dose_of(pooled)
    assert fit is not None
    assert fit.slope > 0.0019
    words = dose_words(fit, pooled, "mg/L")
    assert "+0.00 g/L" not in words
    assert "+0.0020" in words or "+0.00200" in words
