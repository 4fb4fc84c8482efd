"""One question's effects, worked out without the rest of the network."""

from __future__ import annotations

from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal

from crosscellar.contract.frames import READING_KEY
from crosscellar.network import Network
from crosscellar.store import Store

MEASURED = (*READING_KEY, "value", "qualifier", "unit", "method")


def test_a_question_asked_alone_has_the_effects_it_has_among_all(demo_store: Path) -> None:
    with Network.open(demo_store, read_only=True) as network:
        everything = network.effects()
        questions = network.questions
    for question in questions:
        with Network.open(demo_store, read_only=True) as network:
            alone = network.effects(question)
        among = everything.filter(pl.col("question") == question)
        assert alone.height > 0
        # Behind EFFECTS stand the columns of the kinds that there are: those of panels only where one tasted.
        assert_frame_equal(alone, among.select(alone.columns), rel_tol=1e-12)


def test_what_effects_read_of_the_store_is_what_the_store_holds(demo_store: Path) -> None:
    with Store.open(demo_store, create=False, read_only=True) as store:
        held, some = store.readings(), store.measured(analytes=["ph", "malic_acid"])
        assert_frame_equal(store.measured().select(MEASURED), held.select(MEASURED))
    assert_frame_equal(
        some.select(MEASURED),
        held.filter(pl.col("analyte").is_in(["ph", "malic_acid"])).select(MEASURED),
    )
