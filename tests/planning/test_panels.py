"""Panels of a triangle test."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from crosscellar.errors import NotComputable
from crosscellar.planning import panel_for_difference, panel_for_similarity


@pytest.mark.parametrize(("share", "assessors"), [(0.5, 23), (0.4, 40), (0.3, 66), (0.2, 147), (0.1, 572)])
def test_the_least_panel_is_that_of_the_standard(share: float, assessors: int) -> None:
    # The column alpha = beta = 0.05 of the table of assessors in ISO 4120, from memory.
    assert panel_for_difference(discriminators=share, power=0.95).assessors == assessors


@pytest.mark.parametrize("share", [0.2, 0.3, 0.5])
@pytest.mark.parametrize("power", [0.8, 0.9])
def test_no_smaller_panel_has_the_power_by_scipys_binomial(share: float, power: float) -> None:
    def reached(n: int) -> float:
        critical = next(c for c in range(n + 2) if stats.binom.sf(c - 1, n, 1 / 3) <= 0.05)
        return float(stats.binom.sf(critical - 1, n, (1 + 2 * share) / 3))

    panel = panel_for_difference(discriminators=share, power=power)
    assert panel.power == pytest.approx(reached(panel.assessors), rel=1e-9)
    assert panel.power >= power
    assert all(reached(n) < power for n in range(1, panel.assessors))
    assert all(reached(n) >= power for n in range(panel.always, panel.always + 60))
    assert reached(panel.always - 1) < power


def test_a_panel_for_similarity_keeps_both_risks_by_scipys_binomial() -> None:
    panel = panel_for_similarity(discriminators=0.3, power=0.9, beta=0.1)
    n, limit = panel.assessors, panel.correct
    assert stats.binom.cdf(limit, n, 1.6 / 3) <= 0.1 < stats.binom.cdf(limit + 1, n, 1.6 / 3)
    assert stats.binom.cdf(limit, n, 1 / 3) >= 0.9
    smaller = np.arange(1, n)
    limits = [
        max((c for c in range(m + 1) if stats.binom.cdf(c, m, 1.6 / 3) <= 0.1), default=-1) for m in smaller
    ]
    assert all(stats.binom.cdf(limits, smaller, 1 / 3) < 0.9)


@pytest.mark.parametrize("share", [0.2, 0.3, 0.5])
def test_a_panel_served_evenly_sees_every_order_as_often_and_reaches_the_chance_with_its_own_count(
    share: float,
) -> None:
    """The least multiple of six whose exact binomial reaches 80 %: 86 for similarity at 20 % takes 96."""
    pc = (1 + 2 * share) / 3
    for panel, similar in (
        (panel_for_difference(discriminators=share), False),
        (panel_for_similarity(discriminators=share), True),
    ):

        def reached(n: int, similar: bool = similar) -> tuple[int, float]:
            picks = np.arange(n + 1)
            if similar:
                most = int(picks[stats.binom.cdf(picks, n, pc) <= 0.05].max(initial=-1))
                return most, float(stats.binom.cdf(most, n, 1 / 3))
            least = int(picks[stats.binom.sf(picks - 1, n, 1 / 3) <= 0.05].min(initial=n + 1))
            return least, float(stats.binom.sf(least - 1, n, pc))

        even = next(n for n in range(6, 300, 6) if n >= panel.assessors and reached(n)[1] >= 0.8)
        assert panel.served_evenly == even
        assert (panel.correct_evenly, panel.power_evenly) == (
            reached(even)[0],
            pytest.approx(reached(even)[1]),
        )


def test_a_share_that_no_panel_could_find_is_said_to_be_out_of_reach() -> None:
    with pytest.raises(NotComputable, match="no panel"):
        panel_for_difference(discriminators=0.01, power=0.99)
    with pytest.raises(NotComputable, match="share of discriminators"):
        panel_for_difference(discriminators=0)
