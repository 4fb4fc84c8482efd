"""What pages say in sentences: nobody who tasted is told of, and no line ends within a number."""

from __future__ import annotations

import pytest

from crosscellar.contract import load_contract
from crosscellar.pooling import pool
from crosscellar.report.forest import reading_of
from crosscellar.report.numbers import held
from crosscellar.report.sentences import chances_words, sentence_of, without_assessors


def test_no_rule_that_speaks_of_an_assessor_gives_the_code_away() -> None:
    spoken = [rule.message for rule in load_contract().rules.values() if "ssessor {value}" in rule.message]
    assert len(spoken) >= 3
    for message in spoken:
        told = without_assessors(message.replace("{value}", "asr torrick-07"))
        assert told.startswith("One assessor ")
        assert "torrick" not in told
    assert without_assessors("Free SO2 84 mg/L is above total SO2 28 mg/L.").startswith("Free SO2 84")


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("−12.5 % here", "−12.5\u00a0% here"),
        ("of 95 % interval −1.2 to +4.5 %", "of 95\u00a0% interval −1.2 to +4.5\u00a0%"),
        ("+0.25 g/L and 30 mg/L and 5 µg/L", "+0.25\u00a0g/L and 30\u00a0mg/L and 5\u00a0µg/L"),
        ("−1 °Bx, 0.34 NTU", "−1\u00a0°Bx, 0.34\u00a0NTU"),
    ],
)
def test_a_number_is_held_to_its_unit(text: str, kept: str) -> None:
    assert held(text) == kept


@pytest.mark.parametrize("text", ["5 sites in 4 seasons", "a % of", "2025 and then", ""])
def test_other_words_may_part(text: str) -> None:
    assert held(text) == text


def test_page_one_tells_of_tasters_as_the_share_who_can_tell() -> None:
    picked = {"correct": [14, 16, 12], "tasters": [24, 24, 20], "measure": ["discriminators"] * 3}
    pooled = pool({**picked, "estimate": [0.375, 0.5, 0.4], "variance": [0.02, 0.02, 0.03]})
    assert "? Share who can tell over 3 sites: " in sentence_of(
        "Can tasters tell?", pooled, reading_of(pooled)
    )


def test_the_chance_of_a_difference_that_matters_names_its_direction() -> None:
    pooled = pool(
        {"estimate": [-0.4, -0.5, -0.3, -0.6], "variance": [0.01] * 4},
        wanted="decrease",
        smallest_difference=0.1,
    )
    assert "see a decrease: " in chances_words(pooled, {})[0]
    assert "; a decrease that matters: " in chances_words(pooled, {})[0]


def test_readings_that_give_no_effect_are_not_told_as_none_that_came_in() -> None:
    shown = {"estimate": [0.1], "variance": [None], "usable": [False], "remark": ["one vessel an arm"]}
    pooled = pool(shown)
    assert "Readings have come in" in sentence_of("Does it?", pooled, reading_of(pooled))
    none = pool({"estimate": [], "variance": []})
    assert "No comparable readings have come in" in sentence_of("Does it?", none, reading_of(none))


def test_the_sites_on_which_a_verdict_hangs_are_told_with_what_it_would_be() -> None:
    carried = {"estimate": [0.62, 0.2, 0.18, 0.2], "variance": [0.0004] * 4, "site": list("abcd")}
    pooled = pool(carried)
    without = dict(pooled.without_site.filter("verdict_changes").select("site", "verdict").iter_rows())
    assert without
    told = chances_words(pooled, {"a": "Quillbend"})[-1]
    for site, verdict in without.items():
        assert f"{ {'a': 'Quillbend'}.get(site, site) }" in told
        assert f"it would be “{verdict}”" in told
    assert f"without it the verdict would be “{without[str(pooled.hangs_on_site)]}”" in str(pooled)
    several = pool({"estimate": [0.2, 0.1, 0.3, 0.15], "variance": [0.001] * 4, "site": list("abcd")})
    changing = several.without_site.filter("verdict_changes").select("site", "verdict")
    assert changing.height > 1
    shown = " ".join(str(several).split())
    first = str(several.hangs_on_site)
    for site, verdict in changing.iter_rows():
        assert f"without {'it the verdict would be' if site == first else site} “{verdict}”" in shown


def test_an_interval_of_ratios_that_says_nothing_is_told_as_that() -> None:
    few = pool({"estimate": [-2.0, 2.0], "variance": [0.1] * 2, "measure": ["log_ratio"] * 2})
    reading = reading_of(few)
    assert reading.interval(few.low, few.high) == "too wide to say"
    assert "(95 % interval too wide to say)" in few.reason
    assert reading.interval(-0.2, 0.3) == "−18 to +35"
    plain = pool({"estimate": [-2.0, 2.0], "variance": [0.1] * 2})
    assert reading_of(plain).interval(plain.low, plain.high) != "too wide to say"
