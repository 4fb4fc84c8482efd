"""The spread of vessels: the dots are what the prior was fitted to, the band is its own, the words say so."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from crosscellar.contract import load_contract
from crosscellar.effects import moderate_variances
from crosscellar.effects.spreads import fit_priors, trials_lending
from crosscellar.errors import CrosscellarError
from crosscellar.report.drawing import draw
from crosscellar.report.variances import (
    VesselSpread,
    draw_variances,
    variances_figure,
    variances_sketch,
    vessel_spreads,
)

EffectsOf = Callable[..., pl.DataFrame]


def spread_of(trials: int, *, seed: int = 4) -> VesselSpread:
    """Variances of so many trials around 0.01 on the log scale, with their fitted prior."""
    chance = np.random.default_rng(seed)
    df = chance.integers(1, 5, trials).astype(float)
    variance = 0.01 * chance.chisquare(df) / df
    prior = moderate_variances(variance, df)
    d0 = min(prior.prior_df, float(df.sum())) if trials > 2 else math.nan
    return VesselSpread(
        "Volatile acidity, bottled", True, "g/L", tuple(variance), tuple(df), prior.prior_variance, d0
    )


def test_the_dots_are_the_variances_that_give_back_the_prior(effects_of: EffectsOf) -> None:
    chance = np.random.default_rng(9)
    observed = pl.DataFrame(
        {
            "trial_id": [f"t{place // 2}" for place in range(16)],
            "analyte": "volatile_acidity",
            "log": True,
            "paired": False,
            "stage": ["bottled", "pre_bottling"] * 8,
            "stage_group": "ageing",
            "df": [float(2 + place // 2 % 3) for place in range(16)],
            "variance": 0.01 * chance.gamma(1.5, 1.0, 16),
        }
    )
    priors = fit_priors(trials_lending(observed))
    (spread,) = vessel_spreads(effects_of(["a", "b"]), priors, observed, load_contract())
    assert spread.label.startswith("Volatile acidity, bottled")
    assert len(spread.variances) == 8
    again = moderate_variances(spread.variances, spread.df)
    assert again.prior_variance == pytest.approx(spread.prior_variance)
    assert min(again.prior_df, sum(spread.df)) == pytest.approx(spread.prior_df)


def test_the_band_is_that_of_the_f_distribution() -> None:
    # Upper and lower 5 % points of F(3, 10) in printed tables: 3.708, and 1 / F(10, 3) = 1 / 8.786.
    spread = VesselSpread("x", True, "", (), (), 0.01, 10.0)
    low, high = spread.band(3.0)
    assert high == pytest.approx(0.01 * 3.708, rel=2e-4)
    assert low == pytest.approx(0.01 / 8.786, rel=2e-4)


def test_nine_trials_in_ten_lie_in_the_band_of_a_prior_that_holds() -> None:
    spread = spread_of(2000)
    assert 0.88 < spread.inside / 2000 < 0.92


def test_the_words_say_the_coefficient_of_variation_and_the_trials_behind_it() -> None:
    # The coefficient of variation of a lognormal with log variance ln(1.01) is exactly 10 %.
    spread = VesselSpread("Malic acid", True, "g/L", (0.01,) * 4, (2.0,) * 4, math.log(1.01), 8.0)
    assert "about 10 % (coefficient of variation)" in spread.words
    assert "rests on 4 trials" in spread.words
    in_unit = VesselSpread("pH", False, "pH", (0.0004,) * 4, (2.0,) * 4, 0.0004, 8.0)
    assert "about 0.020 pH (standard deviation)" in in_unit.words


@pytest.mark.parametrize("trials", [0, 1, 2])
def test_too_few_trials_are_said_and_drawn_without_a_band(trials: int) -> None:
    spread = spread_of(trials)
    assert "it takes three" in spread.words
    axes = variances_figure([spread]).axes[0]
    assert not axes.collections
    assert len([line for line in axes.lines if line.get_marker() == "o"]) == trials


def test_a_trial_whose_vessels_read_alike_stands_hollow_at_the_edge() -> None:
    spread = VesselSpread("pH", False, "pH", (0.0, 0.0004, 0.0005), (2.0, 2.0, 3.0), 0.0004, 8.0)
    assert "A hollow triangle" in variances_sketch([spread], "v").caption
    assert "A hollow triangle" not in variances_sketch([spread_of(6)], "v").caption
    axes = variances_figure([spread]).axes[0]
    (edge,) = [line for line in axes.lines if line.get_marker() == "v"]
    assert edge.get_ydata()[0] == pytest.approx(axes.get_ylim()[0], rel=0.2)  # type: ignore[index]


@pytest.mark.parametrize("responses", [1, 7])
def test_one_response_and_seven_are_each_a_panel_and_always_the_same_bytes(responses: int) -> None:
    spreads = [spread_of(4 + place, seed=place) for place in range(responses)]
    assert len(variances_figure(spreads).axes) == responses
    assert draw(lambda: variances_figure(spreads)) == draw(lambda: variances_figure(spreads))


def test_a_response_that_no_trial_tells_of_leaves_no_empty_panel() -> None:
    nothing = VesselSpread("Copper", True, "mg/L", (), (), math.nan, math.nan)
    assert len(variances_figure([spread_of(5), nothing, spread_of(6)]).axes) == 2
    assert len(variances_figure([nothing]).axes) == 1
    assert nothing.words.startswith("Copper: no trial tells how far vessels of one arm differ")


def test_the_alternative_says_every_spread_that_is_drawn() -> None:
    spreads = [spread_of(5), spread_of(7, seed=2)]
    drawing = variances_sketch(spreads, "vessels")
    assert all(spread.words in drawing.alternative for spread in spreads)
    assert drawing.drawn(draw(drawing.build)).svg.startswith("<svg")


def test_the_file_is_written_by_the_ending_of_its_name(tmp_path: Path) -> None:
    spreads = [spread_of(5)]
    starts = {"svg": b"<?xml", "png": b"\x89PNG", "pdf": b"%PDF"}
    for form, start in starts.items():
        assert draw_variances(spreads, tmp_path / "new" / f"a.{form}").read_bytes().startswith(start)
    with pytest.raises(CrosscellarError, match="figures are not written as"):
        draw_variances(spreads, tmp_path / "a.gif")
