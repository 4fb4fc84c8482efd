from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling.covariance import from_shared_controls
from crosscellar.pooling.dose import dose_response
from crosscellar.pooling.explained import by_category, dose, moderate
from crosscellar.pooling.moderators import regress

RNG = np.random.default_rng(17)


def effects() -> pl.DataFrame:
    """Six sites, a trial in each of two seasons, two levels against one control; the last row not usable."""
    site = np.repeat(np.arange(6), 4)
    trial = np.repeat(np.arange(12), 2)
    level = np.tile([10.0, 30.0], 12)
    return pl.DataFrame(
        {
            "site": [f"cellar {s}" for s in site],
            "trial": [f"T{t:02d}" for t in trial],
            "season": np.tile([2021, 2021, 2022, 2022], 6),
            "level": level,
            "colour": np.where(site < 3, "red", "white"),
            "estimate": 0.004 * level + RNG.normal(0, 0.05, 6)[site] + RNG.normal(0, 0.05, 24),
            "variance": np.full(24, 0.004),
            "shared": [f"T{t:02d} control" for t in trial],
            "shared_variance": np.full(24, 0.002),
            "usable": [True] * 23 + [False],
        }
    )


FRAME = effects()
USABLE = FRAME.filter("usable")
SHARED = from_shared_controls(USABLE["shared"].to_list(), USABLE["shared_variance"].to_list())


def test_a_frame_gives_what_its_arrays_give() -> None:
    by_name = moderate(FRAME, ["level", "colour"])
    by_hand = regress(
        USABLE["estimate"],
        USABLE["variance"],
        {"level": USABLE["level"], "colour": USABLE["colour"]},
        site=USABLE["site"],
        trial=USABLE["trial"],
        covariance=SHARED,
        centred=True,
    )
    assert by_name.n_effects == 23
    assert by_name.terms.equals(by_hand.terms)
    assert by_name.tests["moderator"].to_list() == ["level", "colour"]


def test_seasons_are_words_and_colours_have_their_means() -> None:
    assert "season: 2022 against 2021" in moderate(FRAME, "season").terms["term"].to_list()
    table = by_category(FRAME, "colour")
    assert table["category"].to_list() == ["red", "white"]
    assert table["n_effects"].to_list() == [12, 11]


def test_the_dose_of_a_frame_counts_from_the_level_of_the_control() -> None:
    plain = dose(FRAME)
    by_hand = dose_response(
        USABLE["estimate"],
        USABLE["variance"],
        USABLE["level"],
        trial=USABLE["trial"],
        site=USABLE["site"],
        covariance=SHARED,
    )
    assert plain.slope == pytest.approx(by_hand.slope, rel=1e-12)
    named = dose(FRAME.with_columns(base=pl.lit(5.0)), control_level="base")
    assert named.slope == pytest.approx(dose(FRAME, control_level=5.0).slope, rel=1e-12)
    assert named.slope > plain.slope


def test_columns_and_levels_that_are_not_there_are_named() -> None:
    with pytest.raises(UnknownName, match="no column cultivar"):
        moderate(FRAME, "cultivar")
    with pytest.raises(NotComputable, match="no effect has a step in level"):
        dose(FRAME.with_columns(level=pl.lit(None, dtype=pl.Float64)))
