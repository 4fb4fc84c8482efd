"""Monitored responses are adjusted together."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling import adjust

EXAMPLE = Path(__file__).parent.parent / "reference/oracles/equivalence_and_multiplicity"


@pytest.mark.parametrize(("method", "prefix"), [("benjamini_hochberg", "bh"), ("holm", "holm")])
def test_the_fifteen_published_p_values_are_adjusted_as_published(method: str, prefix: str) -> None:
    """Benjamini & Hochberg 1995 section 4 (four rejections); Holm 1979."""
    with (EXAMPLE / "data.csv").open(encoding="utf-8") as file:
        p = [float(row["p_value"]) for row in csv.DictReader(file)]
    expected = json.loads((EXAMPLE / "expected.json").read_text("utf-8"))["values"]
    ours = adjust(p, method=method)
    for at, value in enumerate(ours, start=1):
        assert value == pytest.approx(expected[f"{prefix}_{at}"]["value"], rel=1e-9)
    assert int((ours <= 0.05).sum()) == expected[f"{prefix}_rejected_at_5pct"]["value"]


def test_a_missing_p_value_stays_out() -> None:
    np.testing.assert_allclose(adjust([0.01, np.nan, 0.04]), [0.02, np.nan, 0.04])


def test_no_p_values_are_no_adjusted_ones() -> None:
    assert adjust([]).size == 0


def test_an_unknown_method_or_an_impossible_p_is_refused() -> None:
    with pytest.raises(UnknownName, match="holm"):
        adjust([0.1], method="bonferroni")
    with pytest.raises(NotComputable, match="0 to 1"):
        adjust([1.2])
