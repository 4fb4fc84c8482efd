"""Figures that the page of numbers names are those that the program works with."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

from crosscellar.effects import hedges_correction
from crosscellar.effects.events import EVENT_RULES
from crosscellar.effects.ferments import FERMENT_RULES
from crosscellar.effects.moderation import LEAST_TRIALS
from crosscellar.planning import expected_half_width
from crosscellar.pooling.bayes import FEWEST_QUESTIONS
from crosscellar.pooling.models import FEW_SITES
from crosscellar.pooling.nested import FEWEST_SEASONS, FEWEST_SITES
from crosscellar.pooling.triangles import SPREAD_SCALE

PAGE = " ".join((Path(__file__).parents[2] / "docs" / "numbers.md").read_text("utf-8").split())
WORDS = {2: "two", 3: "three", 4: "four"}


@pytest.mark.parametrize(
    "said",
    [
        f"dryness ({FERMENT_RULES.dry_brix:g} °Bx",
        f"less than {FERMENT_RULES.stuck_fall:g} °Bx in the last {FERMENT_RULES.stuck_days:g} days",
        f"complete below {EVENT_RULES.malolactic_done:g} g/L of malic acid",
        f"Fewer than {WORDS[LEAST_TRIALS]} such trials lend nothing",
        f"from {WORDS[FEWEST_SEASONS]} or more seasons and sites on",
        f"for two to {WORDS[FEW_SITES]} sites",
        f"where there are {WORDS[FEWEST_QUESTIONS]} of them",
        f"a half-normal of scale {SPREAD_SCALE:g}",
    ],
)
def test_a_figure_of_the_page_is_the_programs(said: str) -> None:
    assert said in PAGE
    assert FEWEST_SITES == FEWEST_SEASONS


def test_the_printed_formula_of_the_small_sample_factor_is_the_one_computed() -> None:
    assert "J(df) = Γ(df/2) / (√(df/2) Γ((df - 1)/2))" in PAGE
    for df in (2, 3, 10, 37):
        printed = math.gamma(df / 2) / (math.sqrt(df / 2) * math.gamma((df - 1) / 2))
        assert float(hedges_correction(df)) == pytest.approx(printed, rel=1e-12)


def test_the_printed_half_width_is_the_one_planned_with() -> None:
    """c(k) is the mean of the square root of a chi-square over its k - 1 df, here by draws."""
    assert "t(k - 1) c(k) / √Σ 1/(tau² + v)" in PAGE
    v, tau2 = np.full(5, 0.02), 0.03
    factor = np.sqrt(np.random.default_rng(4).chisquare(4, 400_000) / 4).mean()
    # The 97.5 % point of Student's t on 4 degrees of freedom is 2.776 (Student 1908 and any printed table).
    printed = 2.776 * factor / np.sqrt((1 / (tau2 + v)).sum())
    assert expected_half_width(v, tau2=tau2) == pytest.approx(printed, rel=2e-3)


def test_the_median_of_the_prior_is_its_printed_share_of_the_scale() -> None:
    (printed,) = re.findall(r"\(([\d.]+) times its scale\)", PAGE)
    # The upper quartile of the normal, 0.6745 in any printed table, is the median of the half-normal.
    assert float(printed) == pytest.approx(0.6745, abs=5e-4)
