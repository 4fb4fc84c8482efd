"""An assessor who turned a scale round is told, and one who only differs, or a panel at odds, is not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest
from scipy.stats import pearsonr

Objected = Callable[..., dict[str, list[int]]]
#: Six wines as four assessors found them, on a scale of 0 to 10.
PANEL = {
    "P1": (2.0, 3.5, 5.0, 6.0, 7.5, 9.0),
    "P2": (1.5, 4.0, 4.5, 6.5, 7.0, 8.5),
    "P3": (3.0, 3.0, 5.5, 5.5, 8.0, 8.0),
    "P4": (2.5, 3.0, 6.0, 6.5, 6.0, 9.5),
}


def session(panel: dict[str, Sequence[float]]) -> list[dict[str, Any]]:
    return [
        {"assessor_id": assessor, "attribute": "body", "score": score, "scale_low": 0.0, "scale_high": 10.0,
         "arm_id": "control", "vessel_id": f"v{wine}"}
        for assessor, given in panel.items()
        for wine, score in enumerate(given)
    ]  # fmt: skip


def turned(given: Sequence[float]) -> list[float]:
    return [10.0 - score for score in given]


def test_scores_turned_round_wait_all_six(objected: Objected) -> None:
    reversed_one = session({**PANEL, "P5": turned(PANEL["P1"])})
    assert objected(scores=reversed_one, severity="hold") == {"anchors_reversed": list(range(24, 30))}


def test_the_tail_is_that_of_a_correlation_test_times_the_assessors(objected: Objected) -> None:
    # scipy.stats.pearsonr gives the one-sided p of one assessor against the mean of the others.
    given = (7.0, 8.0, 6.0, 4.0, 5.0, 4.5)
    others = [sum(column) / 4 for column in zip(*PANEL.values(), strict=True)]
    p = 5 * pearsonr(given, others, alternative="less").pvalue
    for bound, told in ((p * 1.01, True), (p * 0.99, False)):
        own = {"anchors_reversed": {"p": bound, "hold_p": 0.0}}
        found = objected(scores=session({**PANEL, "P5": given}), settings=own, severity="remark")
        assert ("anchors_reversed" in found) is told


@pytest.mark.parametrize(
    "panel",
    [
        PANEL,
        {**PANEL, "P5": (5.0, 5.5, 5.0, 4.5, 5.5, 5.0)},
        {**PANEL, "P5": (5.0, 5.0, 5.0, 5.0, 5.0, 5.0)},
        {"P1": PANEL["P1"], "P2": turned(PANEL["P1"])},
        {**{name: given[:4] for name, given in PANEL.items()}, "P5": turned(PANEL["P1"])[:4]},
    ],
    ids=["agreeing", "indifferent", "flat", "one against one", "four wines"],
)
def test_what_shows_no_scale_turned_round_is_let_be(objected: Objected, panel: Any) -> None:
    assert "anchors_reversed" not in objected(scores=session(panel))


def test_replicates_of_a_wine_count_as_one(objected: Objected) -> None:
    panel = {name: [score for wine in given[:4] for score in (wine, wine)] for name, given in PANEL.items()}
    panel["P5"] = turned(panel["P1"])
    doubled = [{**score, "vessel_id": f"v{n % 8 // 2}"} for n, score in enumerate(session(panel))]
    assert "anchors_reversed" not in objected(scores=doubled)
