"""Triangle picks and scores: forced choice, six servings, coded assessors, scales kept."""

from __future__ import annotations

import json
from typing import Any

import polars as pl
import pytest

from crosscellar.contract import Contract
from crosscellar.register import Register

TRIANGLE = "trial_id,session_id,session_date,assessor_id,arm_pair,serving,picked,preferred,note\n"
SCORES = (
    "trial_id,session_id,session_date,assessor_id,arm_id,vessel_id,attribute,score,scale_low,scale_high\n"
)
SAID = {"P1": "medium", "P2": "6/10"}


@pytest.fixture
def planned(register: Register, contract: Contract) -> Any:
    """The register with these responses planned for the trial of the sheets."""

    def with_responses(*names: str) -> Register:
        plan = register.tables["responses"].head(1)
        more = pl.concat(
            [
                plan.with_columns(
                    pl.lit("LS24-ORR").alias("trial_id"),
                    pl.lit(name).alias("response"),
                    pl.lit("sensory").alias("stage"),
                    pl.lit("monitored").alias("role"),
                )
                for name in names
            ]
        )
        tables = register.tables
        return Register.of_tables({**tables, "responses": pl.concat([tables["responses"], more])}, contract)

    return with_responses


def _pick(assessor: str, serving: str, picked: str, pair: str = "") -> str:
    return f"LS24-ORR,S1,2025-06-01,{assessor},{pair},{serving},{picked},,\n"


@pytest.mark.parametrize(
    ("serving", "odd"),
    # ISO 4120: the odd glass of each of the six orders.
    [("AAB", 3), ("ABA", 2), ("BAA", 1), ("BBA", 3), ("BAB", 2), ("ABB", 1)],
)
def test_correct_is_computed_from_serving_and_pick(judge: Any, serving: str, odd: int) -> None:
    rows = "".join(_pick(f"P{n}", serving.lower() if n == 1 else serving, str(n)) for n in (1, 2, 3))
    picks = judge(("t.csv", TRIANGLE + rows)).picks
    assert dict(picks.select("picked", "correct").iter_rows()) == {n: n == odd for n in (1, 2, 3)}
    assert picks.select("control_arm", "treatment_arm").unique().rows() == [("control", "stir_weekly")]


def test_the_pair_of_arms_is_read_in_either_order(judge: Any) -> None:
    rows = _pick("P1", "AAB", "3", "stir_weekly/control") + _pick("P2", "AAB", "3", "control vs stir_weekly")
    rows += _pick("P3", "AAB", "3", "control/delayed")
    batch = judge(("t.csv", TRIANGLE + rows))
    assert batch.picks["control_arm"].to_list() == ["control", "control"]
    told = batch.findings.filter(pl.col("code") != "serving_unbalanced").select("code", "cell").rows()
    assert told == [("not_an_arm_pair", "E4")]


def test_a_serving_or_pick_that_cannot_be_is_refused(judge: Any) -> None:
    rows = (
        _pick("P1", "AAA", "1")
        + _pick("P2", "AAB", "4")
        + _pick("P3", "AAB", "none")
        + _pick("P4", "AAB", "")
    )
    batch = judge(("t.csv", TRIANGLE + rows))
    assert batch.files.select("refused", "blank", "accepted").row(0) == (3, 1, 0)
    assert batch.findings.select("code", "cell").rows() == [
        ("no_serving_order", "F2"),
        ("no_pick", "G3"),
        ("no_pick", "G4"),
    ]


@pytest.mark.parametrize(
    "name",
    [
        *("Maria", "J. Smithson, Ana", "taster@example.org", "+44 20 7946 0000"),
        *("J. Holt", "J.R. Holt", "J Holt", "Mara Q.", "Anne-Lise", "O'Dell"),
    ],
)
def test_a_named_assessor_is_refused_and_the_name_is_not_repeated(judge: Any, name: str) -> None:
    batch = judge(("t.csv", TRIANGLE + _pick(f'"{name}"', "AAB", "3")))
    finding = batch.findings.row(0, named=True)
    assert (finding["code"], finding["severity"], finding["value"]) == ("assessor_named", "refuse", "")
    assert name not in finding["message"] + finding["suggestion"]
    assert batch.set_aside["proposed"].to_list() == [None]


def test_a_coded_assessor_enters(judge: Any) -> None:
    rows = "".join(_pick(code, "AAB", "3") for code in ("P07", "17", "KX", "a3", "J-02"))
    assert judge(("t.csv", TRIANGLE + rows)).picks.height == 5


@pytest.mark.parametrize("kind", ["t", "s"])
def test_the_day_of_a_tasting_may_stand_under_date_as_the_sheet_kinds_say(judge: Any, kind: str) -> None:
    sheets = {
        "t": TRIANGLE + _pick("P1", "AAB", "3", "control v stir_weekly"),
        "s": SCORES.replace(",score,", ",value,") + "LS24-ORR,S1,2025-06-01,P01,control,,fruit,6,0,10\n",
    }
    batch = judge((f"{kind}.csv", sheets[kind].replace("session_date", "Date")))
    assert batch.files["accepted"].to_list() == [1]
    assert str([*batch.picks["session_date"], *batch.scores["session_date"]][0]) == "2025-06-01"


@pytest.mark.parametrize(
    ("headings", "rows", "lacking"),
    [
        ("assessor,serving,correct", ["P1,AAB,yes", "P2,ABA,no"], "picked"),
        ("assessor,pair,right", ["P1,control|stir_weekly,x", "P2,control|stir_weekly,?"], "serving, picked"),
        ("pair,assessors,right picks", ["control|stir_weekly,12,7"], "serving, picked"),
    ],
    ids=["right_or_wrong", "marks", "tally"],
)
def test_a_triangle_sheet_without_the_glass_picked_is_refused_row_by_row_and_not_passed_over(
    judge: Any, headings: str, rows: list[str], lacking: str
) -> None:
    lines = "".join(f"LS24-ORR,S1,2025-06-01,{row}\n" for row in rows)
    batch = judge(("t.csv", f"trial,session,date,{headings}\n{lines}"))
    assert batch.files.select("readings_in", "refused").row(0) == (len(rows), len(rows))
    refused = batch.findings.filter(pl.col("severity") == "refuse")
    assert refused["code"].unique().to_list() == ["missing_column"]
    assert refused["value"][0] == lacking


def test_the_code_of_a_glass_is_told_as_no_place(judge: Any) -> None:
    finding = judge(("t.csv", TRIANGLE + _pick("P1", "AAB", "417"))).findings.row(0, named=True)
    assert finding["code"] == "no_pick"
    assert "write its place, 1, 2 or 3 from the left" in finding["suggestion"]


def test_two_triangles_of_one_assessor_are_told_how_both_can_stand(judge: Any) -> None:
    batch = judge(("t.csv", TRIANGLE + _pick("P1", "AAB", "3") + _pick("P1", "ABA", "3")))
    told = batch.findings.filter(pl.col("code") == "conflicting_duplicate")["suggestion"].unique().to_list()
    assert told == ["Say which is right; a second triangle of one assessor needs a session_id of its own."]


def test_the_same_assessor_with_two_answers_is_held_twice(judge: Any) -> None:
    batch = judge(("t.csv", TRIANGLE + _pick("P1", "AAB", "3") + _pick("P1", "AAB", "1")))
    assert batch.files["held"].to_list() == [2]


def test_scores_keep_within_their_scale(judge: Any) -> None:
    rows = [
        "LS24-ORR,S1,2025-06-01,P01,control,,Fruit  Aroma,6.5,0,10\n",
        "LS24-ORR,S1,2025-06-01,P01,stir_weekly,ORR-02,fruit aroma,11,0,10\n",
        "LS24-ORR,S1,2025-06-01,P02,stir_weekly,ORR-02,fruit aroma,5,10,0\n",
        "LS24-ORR,S1,2025-06-01,P03,stir_weekly,ORR-02,fruit aroma,5,,\n",
    ]
    batch = judge(("s.csv", SCORES + "".join(rows)))
    assert batch.scores.select("attribute", "score", "vessel_id").rows() == [("fruit aroma", 6.5, None)]
    assert batch.findings.select("code", "severity", "cell").rows() == [
        ("out_of_scale", "refuse", "H3"),
        ("scale_reversed", "hold", "I4"),
        ("scale_missing", "refuse", "I5"),
    ]


WIDE = (
    "trial,session,date,assessor,arm,order,{scale}{columns}\n"
    "LS24-ORR,S1,2025-06-01,P1,control,1,{ends}{scores}\n"
)


@pytest.mark.parametrize(
    ("scale", "ends", "columns", "high"),
    [
        ("scale low,scale high,", "0,10,", "Dark Fruit,acidity", 10.0),
        ("", "", "Dark Fruit (0-100),acidity [0 to 100]", 100.0),
    ],
    ids=["scale_in_columns", "scale_in_headings"],
)
def test_a_score_sheet_with_a_column_an_attribute_is_read(
    judge: Any, planned: Any, scale: str, ends: str, columns: str, high: float
) -> None:
    register = planned("score:dark_fruit", "score:acidity")
    sheet = WIDE.format(scale=scale, columns=columns, ends=ends, scores="6.5,")
    scores = judge(("s.csv", sheet), planned=register).scores
    assert scores.select("attribute", "score", "scale_high", "cell").rows() == [
        ("dark_fruit", 6.5, high, "I2" if scale else "G2")
    ]


def test_a_column_that_no_response_plans_is_asked_about_and_not_taken_for_an_attribute(
    judge: Any, planned: Any
) -> None:
    sheet = WIDE.format(scale="min,max,", columns="fruit,place", ends="0,10,", scores="6,2")
    batch = judge(("s.csv", sheet), planned=planned("score:fruit"))
    assert batch.scores["attribute"].to_list() == ["fruit"]
    assert batch.findings.select("code", "cell", "severity").rows() == [("attribute_unplanned", "J1", "hold")]


def test_a_score_sheet_without_its_scale_is_told_to_add_that_alone(judge: Any) -> None:
    batch = judge(("s.csv", WIDE.format(scale="", columns="fruit,body", ends="", scores="6,2")))
    assert batch.files.select("readings_in", "refused").row(0) == (2, 2)
    assert batch.findings["value"].to_list() == ["scale_low, scale_high"]


def test_an_attribute_is_named_as_the_register_plans_it_and_a_misspelt_one_is_proposed(
    judge: Any, planned: Any
) -> None:
    rows = "".join(
        f"LS24-ORR,S1,2025-06-01,{who},control,,{attribute},5,0,10\n"
        for who, attribute in (
            ("P1", "Dark fruit"),
            ("P2", "dark-fruit"),
            ("P3", "drak fruit"),
            ("P4", "oak"),
        )
    )
    batch = judge(("s.csv", SCORES + rows), planned=planned("score:dark_fruit"))
    assert batch.scores["attribute"].to_list() == ["dark_fruit", "dark_fruit", "oak"]
    assert batch.findings.select("code", "cell").rows() == [("attribute_misspelt", "G4")]
    assert json.loads(batch.set_aside["proposed"][0])["attribute"] == "dark_fruit"


def test_a_score_that_is_no_number_is_told_as_a_score_and_may_be_given_with_the_decision(judge: Any) -> None:
    rows = "".join(f"LS24-ORR,S1,2025-06-01,{who},control,,fruit,{text},0,10\n" for who, text in SAID.items())
    batch = judge(("s.csv", SCORES + rows))
    told = dict(batch.findings.select("code", "suggestion").iter_rows())
    assert told == {
        "qualitative": "Write the score as a number of its scale.",
        "two_values": "Write the score alone; the ends of the scale stand in scale_low and scale_high.",
    }
    (proposed,) = batch.set_aside.filter(pl.col("outcome") == "held")["proposed"]
    assert (json.loads(proposed)["attribute"], json.loads(proposed)["score"]) == ("fruit", None)


def test_orders_of_a_session_are_judged_once_all_its_picks_are_in(judge: Any, shelf: Any) -> None:
    """What was refused was served all the same: without it the orders only look unbalanced."""
    orders = ["AAB", "ABA", "BAA", "BBA", "BAB", "ABB"] * 2
    picked = ["two" if order == "ABB" else "2" for order in orders]
    rows = [_pick(f"P{n}", order, pick) for n, (order, pick) in enumerate(zip(orders, picked, strict=True))]
    first = judge(("t.csv", TRIANGLE + "".join(rows)), stored=shelf)
    assert first.findings["code"].to_list() == ["no_pick"]
    shelf.put(first)
    mended = [row.replace("two", "3") for row in rows]
    again = judge(("mended.csv", TRIANGLE + "".join(mended)), stored=shelf)
    assert "serving_unbalanced" not in again.findings["code"].to_list()
    lacking = [row for row in mended if ",ABB," not in row]
    assert "serving_unbalanced" in judge(("t.csv", TRIANGLE + "".join(lacking))).findings["code"].to_list()
