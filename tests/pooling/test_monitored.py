"""Monitored responses are watched: adjusted together, never judged."""

from __future__ import annotations

import math

import numpy as np
import pytest

from crosscellar.pooling import Pooled, adjust, adjust_monitored, pool


def answer(role: str, at: float, sites: int = 5) -> Pooled:
    spread = np.linspace(-1, 1, sites)
    return pool(
        {
            "estimate": at + 0.2 * spread,
            "variance": [0.01] * sites,
            "site": [f"s{i}" for i in range(sites)],
            "role": [role] * sites,
            "response": [f"r{at}"] * sites,
            "unit": ["g/L"] * sites,
        },
        wanted="increase",
    )


def test_monitored_answers_are_adjusted_together_and_make_no_verdict() -> None:
    primary, *watched = answer("primary", 0.3), answer("monitored", 0.3), answer("monitored", 0.12)
    told = adjust_monitored([primary, *watched])
    assert told[0] is primary
    assert [one.verdict for one in told[1:]] == ["monitored only"] * 2
    np.testing.assert_allclose([one.p_adjusted for one in told[1:]], adjust([one.p_value for one in watched]))
    assert told[1].estimate == watched[0].estimate
    assert "2 monitored responses" in told[1].reason


def test_the_words_of_a_monitored_answer_name_no_cause() -> None:
    (told,) = adjust_monitored([answer("monitored", 0.3)])
    assert "difference" in told.reason
    for word in ("effect", "holds", "cause", "because"):
        assert word not in told.reason


def test_a_difference_that_adjustment_takes_away_is_not_called_clear() -> None:
    """p 0.03 among four, the others near 1: Holm makes it 0.12."""
    one = answer("monitored", 0.2)
    others = [answer("monitored", 0.0), answer("monitored", 0.001), answer("monitored", 0.002)]
    assert one.p_value < 0.05
    told = adjust_monitored([one, *others], method="holm")
    assert told[0].p_adjusted == pytest.approx(min(1.0, 4 * one.p_value))
    assert ("no clear" in told[0].reason) == (4 * one.p_value > 0.05)


def test_one_site_stays_one_site() -> None:
    (told,) = adjust_monitored([answer("monitored", 0.3, sites=1)])
    assert told.verdict == "one site only"
    assert math.isnan(told.p_adjusted)


def test_no_monitored_answers_change_nothing() -> None:
    assert adjust_monitored([]) == ()
