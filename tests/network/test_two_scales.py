"""Panels that score on two scales, and effects of which only the direction is known."""

from __future__ import annotations

import polars as pl

from crosscellar.answers import Asked, pool_question
from crosscellar.contract import load_contract
from crosscellar.contract.frames import EFFECTS
from crosscellar.effects.measures import ONLY_DIRECTION

QUESTION = {
    "question_id": "fruit-yeast",
    "primary_response": "score:fruit",
    "wanted": "increase",
    "smallest_difference": 0.5,
    "smallest_difference_unit": None,
}


def effects(units: list[str], **columns: list[object]) -> pl.DataFrame:
    """Effects of a score at as many sites, invented."""
    count = len(units)
    frame = pl.DataFrame(
        {
            "question": ["fruit-yeast"] * count,
            "response": ["score:fruit"] * count,
            "stage": ["sensory"] * count,
            "role": ["primary"] * count,
            "measure": ["difference"] * count,
            "unit": units,
            "trial": [f"T{at}" for at in range(count)],
            "site": [f"s{at}" for at in range(count)],
            "season": [2024] * count,
            "arm": ["moved"] * count,
            "estimate": [0.9, 1.1, 0.7, 8.0, 9.0][:count],
            "variance": [0.04, 0.05, 0.06, 4.0, 5.0][:count],
            "df": [8.0] * count,
            "usable": [True] * count,
            "remark": [""] * count,
            **columns,
        }
    )
    rest = [
        pl.lit(None, dtype=kind).alias(name) for name, kind in EFFECTS.items() if name not in frame.columns
    ]
    return frame.with_columns(rest)


TEN, HUNDRED = "points (0 to 10)", "points (0 to 100)"


def test_points_of_two_scales_are_never_averaged() -> None:
    both = effects([TEN, TEN, TEN, HUNDRED, HUNDRED])
    (told,) = pool_question(both, QUESTION, load_contract(), asked=Asked()).pooled
    (alone,) = pool_question(both.head(3), QUESTION, load_contract(), asked=Asked()).pooled
    assert (told.n_sites, told.unit) == (3, TEN)
    assert (told.low, told.high, told.reason) == (alone.low, alone.high, alone.reason)
    assert told.bayes is not None
    assert alone.bayes is not None
    assert told.bayes.scale == alone.bayes.scale
    assert told.excluded["left_out"].to_list() == [f"in {HUNDRED}, where those pooled are in {TEN}"] * 2
    assert f"2 effects: in {HUNDRED}, where those pooled are in {TEN} (T3, T4)" in str(told)


def test_a_prior_is_not_learnt_from_points_of_another_scale() -> None:
    own = effects([TEN, TEN, TEN])
    others = pl.concat(
        effects([HUNDRED] * 3).with_columns(pl.lit(f"other {at}").alias("question")) for at in range(3)
    )
    pools = pool_question(own, QUESTION, load_contract(), asked=Asked(), everything=pl.concat([own, others]))
    alike = others.with_columns(pl.lit(TEN).alias("unit"))
    learnt = pool_question(own, QUESTION, load_contract(), asked=Asked(), everything=pl.concat([own, alike]))
    assert "times the typical standard error" in pools.prior_words
    assert "learnt from 3 other questions" in learnt.prior_words


def test_what_has_only_a_direction_is_left_out_and_the_mean_says_so() -> None:
    remark = f"every treatment vessel beyond the limit: {ONLY_DIRECTION}"
    some = effects([TEN] * 4, usable=[True, True, True, False], remark=["", "", "", remark])
    (told,) = pool_question(some, QUESTION, load_contract(), asked=Asked()).pooled
    assert any(
        "1 effect with every vessel of one arm beyond a limit is left out" in one for one in told.remarks
    )
    assert f"1 effect: {remark} (T3)" in str(told)
