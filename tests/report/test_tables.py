"""The tables behind the pages: what an answer says, nothing where nothing can be said, codes where hidden."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import polars as pl
import pytest

from crosscellar.pooling import Pooled, pool
from crosscellar.report.building import Answered, names_of
from crosscellar.report.content import TurnedAway
from crosscellar.report.tables import TABLES, tables_of

EffectsOf = Callable[..., pl.DataFrame]
QUESTION: dict[str, Any] = {
    "question_id": "warm_must",
    "title": "Does a warm must lower volatile acidity at Quillbend?",
    "hypothesis": "If the must is warm, volatile acidity is lower",
    "primary_response": "volatile_acidity",
    "primary_stage": "bottled",
    "wanted": "decrease",
    "smallest_difference": 10.0,
    "smallest_difference_unit": "%",
}


def tables(
    effects: pl.DataFrame, pooled: list[Pooled], *, anonymous: bool = False
) -> dict[str, pl.DataFrame]:
    sites = effects["site"].unique(maintain_order=True)
    return tables_of(
        [Answered(question=QUESTION, pooled=pooled, effects=effects, trials_this_season=effects.height)],
        names_of(
            pl.DataFrame({"site_id": sites, "site_name": sites.str.to_titlecase()}),
            pl.DataFrame({"trial_id": effects["trial"].unique(maintain_order=True)}),
            anonymous=anonymous,
        ),
        tally=[("sites", len(sites))],
        vessels=(),
        turned_away=[TurnedAway("quillbend.csv › B2", "hold", "m", "s", "open")],
        readings=pl.DataFrame({"trial_id": effects["trial"]}),
        anonymous=anonymous,
    )


def test_the_row_of_an_answer_has_its_numbers_and_each_effect_its_weight(effects_of: EffectsOf) -> None:
    effects = effects_of(["quillbend", "marrowfen", "tolverlea"], seasons=2)
    pooled = pool(effects, smallest_difference=0.1, wanted="decrease")
    found = tables(effects, [pooled])
    assert list(found) == list(TABLES)
    row = found["answers"].row(0, named=True)
    for name in ("estimate", "std_error", "low", "high", "prediction_low", "equivalence_high", "tau2"):
        assert row[name] == getattr(pooled, name), name
    assert (row["sites_up"], row["sites_down"]) == pooled.sites_each_way
    assert row["smallest_difference"] == 0.1
    assert row["smallest_asked"] == 10.0
    weights = found["effects"]["weight"]
    assert weights.sum() == pytest.approx(1.0)
    assert found["effects"].height == effects.height
    assert found["answers_by_season"]["season"].to_list() == [2020, 2021]
    assert found["answers_without_site"]["site"].to_list() == ["marrowfen", "quillbend", "tolverlea"]


def test_the_interval_of_two_one_sided_tests_is_narrower_than_that_of_the_mean(effects_of: EffectsOf) -> None:
    from scipy.stats import t

    pooled = pool(effects_of(["a", "b", "c", "d"]), smallest_difference=0.1)
    # Schuirmann (1987): two one-sided tests at 5 % are an interval of 90 %.
    half = t.ppf(0.95, pooled.df) * pooled.std_error
    assert pooled.equivalence_low == pytest.approx(pooled.estimate - half)
    assert pooled.equivalence_high == pytest.approx(pooled.estimate + half)


def test_one_site_is_no_answer_and_no_effects_are_rows_without_numbers(effects_of: EffectsOf) -> None:
    effects = effects_of(["quillbend"])
    lonely = tables(effects, [pool(effects)])["answers"].row(0, named=True)
    assert (lonely["n_sites"], lonely["verdict"]) == (1, "one site only")
    assert lonely["estimate"] is None
    assert lonely["p_value"] is None
    bare = tables(effects, [])
    assert bare["answers"]["question"].to_list() == ["warm_must"]
    assert bare["answers"]["estimate"].to_list() == [None]
    assert bare["effects"].is_empty()
    assert "weight" not in bare["effects"].columns or bare["effects"]["weight"].is_empty()


def test_an_edition_without_names_has_codes_and_neither_readings_nor_findings(effects_of: EffectsOf) -> None:
    effects = effects_of(["quillbend", "marrowfen", "tolverlea"])
    found = tables(effects, [pool(effects)], anonymous=True)
    assert "readings" not in found
    assert "turned_away" not in found
    assert set(found["effects"]["site"]) == {"Site 01", "Site 02", "Site 03"}
    assert set(found["answers_without_site"]["site"]) == {"Site 01", "Site 02", "Site 03"}
    told = "".join(table.write_csv() for table in found.values()).casefold()
    assert [name for name in ("quillbend", "marrowfen", "tolverlea") if name in told] == []


def test_no_number_is_written_that_is_none(effects_of: EffectsOf) -> None:
    effects = effects_of(["a", "b"])
    pooled = pool(effects)
    assert math.isnan(pooled.prediction_low)
    row = tables(effects, [pooled])["answers"].row(0, named=True)
    assert row["prediction_low"] is None
    assert not [name for name, value in row.items() if isinstance(value, float) and not math.isfinite(value)]
