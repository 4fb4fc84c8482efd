"""One question pooled: what goes in, what is left out, what comes back."""

from __future__ import annotations

import json
import math
import pickle
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest

from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling import pool, pool_each, set_plotter
from crosscellar.pooling.estimators import ESTIMATORS
from crosscellar.pooling.result import Pooled

EFFECTS = {
    "estimate": [0.26, 0.41, 0.05, 0.30, 0.18],
    "variance": [0.0064, 0.0121, 0.0049, 0.0225, 0.0081],
    "site": ["a", "b", "c", "d", "e"],
    "season": [2021, 2021, 2022, 2022, 2023],
}


@pytest.mark.parametrize(
    "frame",
    [
        pl.DataFrame(EFFECTS),
        pl.LazyFrame(EFFECTS),
        pd.DataFrame(EFFECTS),
        pa.table(EFFECTS),
        EFFECTS,
        {name: np.array(values) for name, values in EFFECTS.items()},
    ],
    ids=["polars", "lazy", "pandas", "arrow", "dict", "numpy"],
)
def test_any_frame_gives_the_same_answer(frame: object) -> None:
    assert pool(frame).estimate == pool(pl.DataFrame(EFFECTS)).estimate


def test_columns_may_have_any_names_and_a_standard_error_will_do() -> None:
    named = pl.DataFrame(EFFECTS).select(
        d="estimate", se=pl.col("variance").sqrt(), winery="site", year="season"
    )
    ours = pool(named, estimate="d", std_error="se", site="winery", season="year")
    expected = pool(EFFECTS)
    assert ours.estimate == pytest.approx(expected.estimate, rel=1e-12)
    assert (ours.n_sites, ours.n_seasons) == (5, 3)


def test_what_cannot_be_pooled_is_listed_with_its_reason() -> None:
    frame = pl.DataFrame(
        {
            "estimate": [0.2, 0.3, 0.4, None, 0.1, 0.5, math.nan, 0.3, 0.2],
            "variance": [0.01, 0.01, 0.01, 0.01, 0.0, None, 0.01, 0.01, math.inf],
            "site": [*"abcdefgh", "i"],
            "usable": [True, True, False, True, True, True, True, None, True],
            "remark": ["", None, "different laboratories", "", "", "", "", "", ""],
        },
        strict=False,
    )
    pooled = pool(frame)
    assert pooled.n_effects == 3
    assert pooled.effects["site"].to_list() == ["a", "b", "h"]
    assert dict(pooled.excluded.select("site", "left_out").iter_rows()) == {
        "c": "different laboratories",
        "d": "no estimate",
        "e": "the variance is not a positive number",
        "f": "no variance",
        "g": "no estimate",
        "i": "the variance is not a positive number",
    }


def test_weights_add_up_to_one_and_stand_beside_their_effects() -> None:
    pooled = pool(EFFECTS)
    assert pooled.weights.sum() == pytest.approx(1)
    assert pooled.effects["weight"].to_list() == pooled.weights.tolist()
    assert float(pooled.weights @ np.array(EFFECTS["estimate"])) == pytest.approx(pooled.estimate)


def test_auto_takes_hartung_knapp_for_one_effect_a_site_and_clusters_where_sites_repeat() -> None:
    assert pool(EFFECTS).interval_method == "hartung_knapp"
    repeated = pool({**EFFECTS, "site": ["a", "a", "b", "c", "c"]})
    assert repeated.interval_method == "robust"
    assert set(repeated.sigma2) == {"site", "trial"}
    assert "several effects" in repeated.interval_why
    assert pool(EFFECTS, method="common").interval_method == "normal"


def test_few_sites_get_the_interval_with_a_prior_beside_and_are_told_its_scale() -> None:
    few = pool(pl.DataFrame(EFFECTS).head(4), tau_scale=0.2)
    assert few.bayes is not None
    assert few.bayes.scale == 0.2
    assert any("0.2" in remark for remark in few.remarks)
    assert "with a prior" in str(few)
    assert pool(EFFECTS).bayes is None


def test_hartung_knapp_is_refused_where_a_site_has_several_effects() -> None:
    with pytest.raises(NotComputable, match="several"):
        pool({**EFFECTS, "site": ["a", "a", "b", "c", "d"]}, interval="hartung_knapp")


def test_seasons_of_one_site_do_not_count_as_sites() -> None:
    """Nine effects from three sites: t has at most two degrees of freedom, not eight."""
    rng = np.random.default_rng(3)
    site_effect = np.repeat([0.1, 0.6, 1.1], 3)
    frame = {
        "estimate": site_effect + 0.02 * rng.normal(size=9),
        "variance": np.full(9, 0.0004),
        "site": np.repeat(["a", "b", "c"], 3),
    }
    nested, independent = pool(frame), pool({k: v for k, v in frame.items() if k != "site"})
    assert nested.n_sites == 3
    assert nested.df == pytest.approx(2, abs=0.1)
    assert nested.high - nested.low > 2 * (independent.high - independent.low)


def test_the_shared_control_is_allowed_for_by_reml_and_told_by_others() -> None:
    frame = {
        "estimate": [0.3, 0.4, 0.1, 0.2],
        "variance": [0.02, 0.02, 0.02, 0.03],
        "site": ["a", "a", "b", "c"],
        "trial": ["t1", "t1", "t2", "t3"],
        "shared": ["t1 control", "t1 control", None, None],
        "shared_variance": [0.01, 0.01, None, None],
    }
    alone = {name: values for name, values in frame.items() if not name.startswith("shared")}
    assert pool(frame).q != pytest.approx(pool(alone).q)
    # r' V^-1 r about the mean by generalized least squares, on the whole matrix.
    v = np.diag(frame["variance"])
    v[0, 1] = v[1, 0] = 0.01
    y, inverse = np.array(frame["estimate"]), np.linalg.inv(v)
    apart = y - (inverse @ y).sum() / inverse.sum()
    assert pool(frame).q == pytest.approx(apart @ inverse @ apart)
    assert any("shared" in remark or "share" in remark for remark in pool(frame, method="moment").remarks)
    with pytest.raises(NotComputable, match="variance"):
        pool({**frame, "shared_variance": [None] * 4})


def test_a_missing_column_or_unknown_word_is_named() -> None:
    with pytest.raises(UnknownName, match="'estimate'"):
        pool({"effect": [1.0], "variance": [1.0]})
    with pytest.raises(UnknownName, match="std_error"):
        pool({"estimate": [1.0]})
    with pytest.raises(UnknownName, match="paule_mandel"):
        pool(EFFECTS, method="best")
    with pytest.raises(UnknownName, match="hartung_knapp"):
        pool(EFFECTS, interval="wide")
    with pytest.raises(NotComputable, match="level"):
        pool(EFFECTS, level=95)
    with pytest.raises(NotComputable, match="int"):
        pool(3)


def test_the_record_prints_itself_as_a_short_block_and_as_html() -> None:
    pooled = pool({**EFFECTS, "unit": ["<g/L>"] * 5})
    text = str(pooled)
    assert pooled.verdict in text
    assert len(text.splitlines()) < 16
    assert "&lt;g/L&gt;" in pooled._repr_html_()


def test_json_has_the_keys_that_scripts_hold_on_to() -> None:
    keys = {
        *("question", "response", "stage", "measure", "unit", "n_effects", "n_sites", "n_seasons"),
        *("estimate", "std_error", "low", "high", "level", "df", "prediction_low", "prediction_high"),
        *("tau2", "i2", "q", "q_p", "method", "interval_method", "verdict", "reason", "effects"),
    }
    document = pool(EFFECTS).as_json()
    assert keys <= set(document)
    assert list(document["effects"][0]) == (
        ["trial", "site", "season", "arm", "estimate", "std_error", "df", "variance_source", "weight"]
    )
    json.dumps(document)


def test_an_answer_travels_between_processes() -> None:
    pooled = pickle.loads(pickle.dumps(pool(EFFECTS)))  # noqa: S301
    assert pooled.without_site.height == 5


def test_the_plot_is_drawn_by_what_was_lent_and_refused_before(tmp_path: Path) -> None:
    from crosscellar.pooling import result

    lent = list(result._plotters)
    try:
        result._plotters.clear()
        with pytest.raises(NotComputable, match="draw"):
            pool(EFFECTS).plot(tmp_path / "forest.svg")

        def draw(pooled: Pooled, path: Path) -> Path:
            path.write_text(pooled.verdict)
            return path

        set_plotter(draw)
        assert pool(EFFECTS).plot(tmp_path / "forest.svg").read_text() == pool(EFFECTS).verdict
    finally:
        result._plotters[:] = lent


@pytest.mark.parametrize("value", [0.0, 0.2])
@pytest.mark.parametrize("site", [["a", "b", "c", "d"], ["a", "a", "b", "c"]])
def test_effects_that_agree_to_the_last_digit_have_no_spread_and_no_narrow_boast(
    site: list[str], value: float
) -> None:
    frame = {"estimate": [value] * 4, "variance": [0.01, 0.02, 0.03, 0.03], "site": site}
    pooled = pool(frame, smallest_difference=0.05)
    assert pooled.tau2 == pytest.approx(0, abs=1e-12)
    assert pooled.q == pytest.approx(0, abs=1e-20)
    # 1 / (1 / 0.01 + 1 / 0.02 + 2 / 0.03): what the trials themselves know of the mean
    assert pooled.std_error == pytest.approx(math.sqrt(1 / (100 + 50 + 200 / 3)), rel=1e-6)
    assert pooled.low < value - pooled.std_error
    assert not pooled.narrower_than_common
    assert pooled.verdict == "undecided"
    assert any("to the last digit" in remark for remark in pooled.remarks)
    assert math.isfinite(pooled.prediction_low)


@pytest.mark.parametrize("df", [None, [4.0, 4.0]])
def test_two_sites_that_tie_prove_nothing_where_their_trials_are_coarse(df: list[float] | None) -> None:
    tie = {"estimate": [0.3, 0.1 + 0.2], "variance": [1.0, 2.0], **({} if df is None else {"df": df})}
    pooled = pool(tie, smallest_difference=0.5)
    assert pooled.verdict == "undecided"
    assert math.isfinite(pooled.p_value)
    assert any("to the last digit" in remark for remark in pooled.remarks)
    each = pool_each({**tie, "key": ["a", "a"]}, by="key", smallest_difference=0.5)
    assert each["verdict"][0] == "undecided"
    assert each["low"][0] == pytest.approx(pooled.low, rel=1e-12)


def test_sites_of_several_trials_whose_means_tie_prove_nothing_either() -> None:
    pooled = pool({"estimate": [0.2] * 4, "variance": [1.0] * 4, "site": list("aabb")})
    assert pooled.verdict == "undecided"
    assert pooled.std_error == pytest.approx(0.5)
    assert any("to the last digit" in remark for remark in pooled.remarks)


def test_a_clustered_interval_narrower_than_the_common_one_is_told_too() -> None:
    pooled = pool({"estimate": [0.2, 0.3, 0.3, 0.21] * 2, "variance": [1.0] * 8, "site": list("aabbccdd")})
    assert pooled.interval_method == "robust"
    assert pooled.narrower_than_common
    assert any("narrower" in remark for remark in pooled.remarks)


def test_many_questions_of_alike_effects_have_the_same_interval_as_one_alone() -> None:
    frame = pl.DataFrame({"estimate": [0.2] * 3, "variance": [0.01, 0.02, 0.03], "question": ["a"] * 3})
    each, alone = pool_each(frame, "question"), pool(frame)
    assert (each["low"][0], each["high"][0]) == (alone.low, alone.high)
    assert alone.low < 0.1 < alone.high


def test_variances_that_differ_a_millionfold_still_settle() -> None:
    pooled = pool({"estimate": [0.1, 5.0, -3.0, 0.2], "variance": [1e-6, 1.0, 10.0, 1e-4]})
    assert pooled.converged
    assert math.isfinite(pooled.low)


@pytest.mark.parametrize("column", ["measure", "unit", "response"])
def test_effects_of_several_measures_units_or_responses_have_no_common_mean(column: str) -> None:
    frame = {**EFFECTS, column: ["first", "second", "first", "first", "first"]}
    with pytest.raises(NotComputable, match=f"several {column}s \\(first, second\\)"):
        pool(frame)
    each = pool_each({**frame, "key": ["a", "a", "a", "b", "b"]}, by="key")
    assert each["remark"][0].endswith("no common mean")
    assert each["estimate"][0] is None
    assert each["remark"][1] == ""
    assert each["estimate"][1] is not None
    # What is left out anyway sets nothing apart.
    assert pool({**frame, "usable": [True, False, True, True, True]}).n_effects == 4


def test_standardized_differences_of_several_responses_may_be_pooled() -> None:
    frame = {**EFFECTS, "response": list("vwxyz"), "measure": ["standardized"] * 5}
    assert pool(frame).n_effects == 5
    assert pool_each({**frame, "key": ["a"] * 5}, by="key")["n_effects"].to_list() == [5]


def test_text_that_is_no_number_is_told_and_a_standard_error_below_0_is_none() -> None:
    pooled = pool({"estimate": ["0.2", "0,3", "0.1", " "], "std_error": [0.1, 0.1, -0.1, 0.1]})
    told = dict(zip(pooled.excluded["site"], pooled.excluded["left_out"], strict=True))
    assert told["effect 2"] == "0,3 is no number"
    assert told["effect 3"] == "the variance is not a positive number"
    assert told["effect 4"] == "no estimate"


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        ({"estimate": [0.1, 0.2], "variance": [0.1]}, "cannot be read"),
        (pd.DataFrame([[0.1, 0.2, 0.1]], columns=["estimate", "estimate", "variance"]), "cannot be read"),
        ({**EFFECTS, "usable": ["yes", "no", "yes", "yes", "yes"]}, "yes or no"),
        ({**EFFECTS, "estimate": [[0.1]] * 5}, "no numbers"),
    ],
    ids=["lengths", "names", "usable", "lists"],
)
def test_what_is_no_table_of_effects_is_told_in_a_sentence(frame: object, words: str) -> None:
    with pytest.raises(NotComputable, match=words):
        pool(frame)


def test_whole_numbers_may_stand_beside_others_and_a_difference_in_words_is_refused() -> None:
    assert pool({"estimate": [0, 0.1, 0.3], "variance": [1, 0.1, 0.2], "site": [1, "b", 2]}).n_effects == 3
    with pytest.raises(NotComputable, match="'5%' is no number"):
        pool(EFFECTS, smallest_difference="5%")  # type: ignore[arg-type]
    with pytest.raises(NotComputable, match=r"'0\.9' is no share"):
        pool(EFFECTS, level="0.9")  # type: ignore[arg-type]
    assert pool(EFFECTS, smallest_difference=math.nan).smallest_difference is None
    with pytest.raises(NotComputable, match="no column to group by"):
        pool_each(EFFECTS, by=[])
    assert pool_each({**EFFECTS, "key": list("aabbb")}, by=["key", "key"]).height == 2


def test_a_method_that_knows_no_trials_within_sites_says_so() -> None:
    frame = {"estimate": [0.1, 0.2, 0.3, 0.1, 0.9], "variance": [0.01] * 5, "site": list("aabbc")}
    told = {method: " ".join(pool(frame, method=method).remarks) for method in ESTIMATORS}
    said = {method for method, remarks in told.items() if "tell sites from their trials" in remarks}
    assert said == {"moment", "paule_mandel"}
    alone = {**frame, "site": list("abcde")}
    assert "tell sites" not in " ".join(pool(alone, method="moment").remarks)
