"""The seven questions of the network."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Question:
    """What is asked across sites, with its arms and what is watched beside the primary response."""

    question_id: str
    code: str
    title: str
    hypothesis: str
    factor: str
    primary: tuple[str, str]
    wanted: str
    smallest: str
    smallest_unit: str
    theme: str
    control: tuple[str, str, str]  # arm_id, level, description
    treatments: tuple[tuple[str, str, str], ...]
    level_unit: str
    kind: str
    monitored: tuple[tuple[str, str], ...]
    volumes: tuple[int, ...]


QUESTIONS = (
    Question(
        "lees-stirring",
        "LS",
        "Does weekly lees stirring raise glycerol?",
        "If the lees are stirred every week from the end of primary ferment, then glycerol before "
        "bottling is higher",
        "lees stirring",
        ("glycerol", "pre_bottling"),
        "increase",
        "5",
        "%",
        "white texture",
        ("unstirred", "", "racked lees left at rest"),
        (("weekly", "", "lees stirred once a week for sixteen weeks"),),
        "",
        "barrel",
        (
            ("volatile_acidity", "pre_bottling"),
            ("so2_free", "pre_bottling"),
            ("heat_test_delta_ntu", "pre_bottling"),
        ),
        (225, 228, 300, 500),
    ),
    Question(
        "nutrient-timing",
        "NT",
        "Does nutrient at one third of sugar drop lower volatile acidity?",
        "If yeast nutrient is given at one third of sugar drop and not at inoculation, then volatile acidity "
        "at the end of primary ferment is lower",
        "nutrient timing",
        ("volatile_acidity", "end_primary"),
        "decrease",
        "10",
        "%",
        "clean ferments",
        ("at_start", "", "all nutrient at inoculation"),
        (("third_drop", "", "the same nutrient at one third of sugar drop"),),
        "",
        "tank",
        (
            ("glucose_fructose", "end_primary"),
            ("days_to_dry", "ferment_daily"),
            ("stuck", "ferment_daily"),
        ),
        (1000, 2000, 3000),
    ),
    Question(
        "malolactic-timing",
        "ML",
        "Does malolactic inoculation with the yeast lower diacetyl?",
        "If malolactic bacteria are added a day after the yeast and not after primary ferment, then "
        "diacetyl at the end of malolactic is lower",
        "malolactic timing",
        ("diacetyl", "end_mlf"),
        "decrease",
        "20",
        "%",
        "clean ferments",
        ("after_primary", "", "bacteria after primary ferment"),
        (("with_yeast", "", "bacteria one day after the yeast"),),
        "",
        "tank",
        (("volatile_acidity", "end_mlf"), ("ph", "end_mlf"), ("acetaldehyde", "end_mlf")),
        (600, 1000, 2000),
    ),
    Question(
        "whole-cluster",
        "WC",
        "Does a share of whole clusters raise tannin?",
        "If a share of the fruit goes in as whole clusters, then tannin before bottling is higher, the more "
        "so the larger the share",
        "whole clusters",
        ("tannin_mcp", "pre_bottling"),
        "increase",
        "5",
        "%",
        "red structure",
        ("destemmed", "0", "all fruit destemmed"),
        (
            ("wc15", "15", "15 % of the fruit as whole clusters"),
            ("wc30", "30", "30 % of the fruit as whole clusters"),
            ("wc60", "60", "60 % of the fruit as whole clusters"),
        ),
        "%",
        "open fermenter",
        (
            ("ph", "pre_bottling"),
            ("ethanol", "pre_bottling"),
            ("colour_intensity", "pre_bottling"),
            ("anthocyanins", "pre_bottling"),
        ),
        (800, 1200, 1500),
    ),
    Question(
        "juice-clarity",
        "JC",
        "Does a clearer juice lower volatile acidity?",
        "If juice is settled to about 50 NTU and not to about 200 NTU, then volatile acidity at the end of "
        "primary ferment is lower",
        "juice turbidity",
        ("volatile_acidity", "end_primary"),
        "decrease",
        "10",
        "%",
        "clean ferments",
        ("ntu_200", "200", "settled to about 200 NTU"),
        (("ntu_50", "50", "settled to about 50 NTU"),),
        "NTU",
        "tank",
        (("glycerol", "end_primary"), ("days_to_dry", "ferment_daily"), ("stuck", "ferment_daily")),
        (1000, 1500, 2500),
    ),
    Question(
        "cold-soak",
        "CS",
        "Does a five-day cold soak keep more anthocyanins?",
        "If the must soaks cold for five days before inoculation, then anthocyanins before bottling are "
        "higher",
        "cold soak",
        ("anthocyanins", "pre_bottling"),
        "increase",
        "10",
        "%",
        "red structure",
        ("no_soak", "0", "inoculated within a day of crushing"),
        (("soak_5d", "5", "five days at 8 to 10 °C before inoculation"),),
        "days",
        "open fermenter",
        (
            ("tannin_mcp", "pre_bottling"),
            ("colour_intensity", "pre_bottling"),
            ("volatile_acidity", "pre_bottling"),
        ),
        (1000, 1500, 2000),
    ),
    Question(
        "bentonite-dose",
        "BF",
        "How much does bentonite lower the heat test?",
        "If bentonite is added to the finished wine, then the rise in turbidity in the heat test is smaller",
        "bentonite dose",
        ("heat_test_delta_ntu", "pre_bottling"),
        "decrease",
        "1",
        "NTU",
        "stability",
        ("no_fining", "0", "no bentonite"),
        (("bent_40", "40", "40 g/hL of bentonite"), ("bent_80", "80", "80 g/hL of bentonite")),
        "g/hL",
        "tank",
        (("turbidity", "pre_bottling"), ("glycerol", "pre_bottling")),
        (500, 1000),
    ),
)
QUESTION_BY_CODE = {question.code: question for question in QUESTIONS}
