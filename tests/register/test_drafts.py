"""Trials of a coming season laid out from earlier ones."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

import crosscellar as cc
from crosscellar.contract import load_contract
from crosscellar.errors import CrosscellarError, NotComputable
from crosscellar.register import Register
from crosscellar.register.drafts import draft_trials


def register() -> Register:
    """Two trials of one question at two sites, one of another, and a question nobody tried."""
    asked = {"title": "?", "hypothesis": "if, then", "factor": "f", "wanted": "increase"}
    tables = {
        "sites": [{"site_id": name, "site_name": name} for name in ("alder", "birch", "cedar")],
        "questions": [
            {
                **asked,
                "question_id": "cap",
                "primary_response": "tannin_mcp",
                "primary_stage": "pre_bottling",
            },
            {**asked, "question_id": "soak", "primary_response": "triangle", "primary_stage": "sensory"},
            {**asked, "question_id": "new", "primary_response": "ph", "primary_stage": "end_mlf"},
        ],
        "trials": [
            trial("CP23-AL", 2023, "alder", "cap", cultivar="Merlot", colour="red", status="complete"),
            trial("CP24-BI", 2024, "birch", "cap", cultivar="Syrah", colour="red", status="complete"),
            trial("SK24-CE", 2024, "cedar", "soak", colour="red", status="complete"),
            trial("SK25-CE", 2025, "cedar", "soak", colour="red", status="lost"),
        ],
        "arms": [
            *arms("CP23-AL", "plain", "gentle"),
            *arms("CP24-BI", "usual", "soft", "softer"),
            *arms("SK24-CE", "none", "soak"),
            *arms("SK25-CE", "none", "soak"),
        ],
        "vessels": [
            *vessels("CP23-AL", {"plain": 2, "gentle": 2}, kind="tank", volume_l=900.0),
            *vessels("CP24-BI", {"usual": 1, "soft": 1, "softer": 1}, kind="fermenter", volume_l=2000.0),
            *vessels("SK24-CE", {"none": 1, "soak": 1}, kind="tank"),
            *vessels("SK25-CE", {"none": 1, "soak": 1}, kind="tank"),
        ],
        "responses": [
            planned("CP23-AL", "tannin_mcp", 8, date(2024, 2, 29), role="primary"),
            planned("CP24-BI", "tannin_mcp", 3, date(2025, 2, 1), role="primary"),
            planned("SK24-CE", "triangle", 24, None, role="primary", stage="sensory"),
            planned("SK24-CE", "score:body", 18, None, stage="sensory"),
        ],
    }
    return Register.of_tables({name: pl.DataFrame(rows) for name, rows in tables.items()}, load_contract())


def trial(name: str, season: int, site: str, question: str, **more: str) -> dict[str, object]:
    return {"trial_id": name, "season": season, "site_id": site, "question_id": question, "lot": "L1", **more}


def arms(name: str, control: str, *others: str) -> list[dict[str, object]]:
    roles = {control: "control", **dict.fromkeys(others, "treatment")}
    return [
        {"trial_id": name, "arm_id": arm, "role": role, "description": arm} for arm, role in roles.items()
    ]


def vessels(name: str, counts: dict[str, int], **more: object) -> list[dict[str, object]]:
    return [
        {"trial_id": name, "arm_id": arm, "vessel_id": f"{arm[0]}{n}", "block": "p1", **more}
        for arm, count in counts.items()
        for n in range(count)
    ]


def planned(
    name: str,
    response: str,
    count: int,
    due: date | None,
    role: str = "monitored",
    stage: str = "pre_bottling",
) -> dict[str, object]:
    return {
        "trial_id": name,
        "response": response,
        "stage": stage,
        "role": role,
        "planned_readings": count,
        "due_date": due,
    }


def drafted(
    *lines: tuple[str, str, int], season: int = 2026, named: tuple[str, ...] = ()
) -> dict[str, pl.DataFrame]:
    proposals = pl.DataFrame(lines, schema=["question", "site", "vessels"], orient="row")
    names = pl.Series("named", [list(named)] * len(lines), dtype=pl.List(pl.String))
    return draft_trials(register(), proposals.with_columns(names), season)


def test_a_trial_at_the_same_site_is_laid_out_like_the_one_before() -> None:
    found = drafted(("cap", "alder", 3))
    new = found["trials"].row(0, named=True)
    assert {name: new[name] for name in ("trial_id", "season", "cultivar", "colour", "lot", "status")} == {
        "trial_id": "CP26-AL",
        "season": 2026,
        "cultivar": "Merlot",
        "colour": "red",
        "lot": None,
        "status": "planned",
    }
    assert found["arms"].select("arm_id", "role").rows() == [("plain", "control"), ("gentle", "treatment")]
    shown = found["vessels"].select("arm_id", "vessel_id", "kind", "volume_l", "block").rows()
    assert shown[0] == ("plain", "plain_1", "tank", 900.0, None)
    assert [row[1] for row in shown] == [f"{arm}_{n}" for arm in ("plain", "gentle") for n in (1, 2, 3)]
    # Two readings a vessel; a leap day moves to the last of February.
    assert found["responses"].select("planned_readings", "due_date").rows() == [(12, date(2027, 2, 28))]


def test_a_new_site_takes_the_latest_trial_for_its_arms_and_keeps_its_own_fruit_and_vessels() -> None:
    found = drafted(("cap", "cedar", 2))
    new = found["trials"].row(0, named=True)
    assert (new["trial_id"], new["cultivar"], new["colour"]) == ("CP26-CE", None, "red")
    assert found["arms"]["arm_id"].to_list() == ["usual", "soft", "softer"]
    assert found["vessels"].select("kind", "volume_l").unique().rows() == [("fermenter", None)]
    assert found["responses"].select("planned_readings", "due_date").rows() == [(6, date(2027, 2, 1))]


def test_tasters_stay_as_many_and_a_lost_trial_is_not_what_is_repeated() -> None:
    found = drafted(("soak", "cedar", 2))
    assert found["responses"].select("response", "planned_readings").rows() == [
        ("triangle", 24),
        ("score:body", 18),
    ]


def test_a_question_nobody_tried_gets_two_arms_and_its_primary_response() -> None:
    found = drafted(("new", "birch", 1), ("new", "birch", 1))
    # Names of this question cannot be built like any other; two lots of one site are two trials.
    assert found["trials"]["trial_id"].to_list() == ["new-2026-birch", "new-2026-birch-2"]
    assert found["arms"]["arm_id"].to_list() == ["control", "treatment"] * 2
    assert found["responses"].select("response", "stage", "role").unique().rows() == [
        ("ph", "end_mlf", "primary")
    ]


def test_vessels_that_are_named_are_dealt_to_the_arms_at_random_and_the_same_way_again() -> None:
    named = tuple(f"F{n}" for n in range(7))
    found = drafted(("cap", "cedar", 1), named=named)
    dealt = found["vessels"].select("arm_id", "vessel_id")
    assert sorted(dealt["vessel_id"]) == sorted(named)
    assert sorted(dealt["arm_id"].value_counts()["count"]) == [2, 2, 3]
    assert found["responses"]["planned_readings"].to_list() == [7]
    assert dealt.equals(drafted(("cap", "cedar", 1), named=named)["vessels"].select(dealt.columns))
    # Over many seasons each vessel comes to each arm about as often: 200 deals, a third of them each.
    control = [
        drafted(("cap", "cedar", 1), named=named[:3], season=year)["vessels"].row(0, named=True)["vessel_id"]
        for year in range(2100, 2300)
    ]
    # Within four standard errors of a third of 200: sqrt(200 * 2 / 9) = 6.7.
    assert all(abs(control.count(name) - 200 / 3) < 27 for name in named[:3])
    with pytest.raises(NotComputable, match="CP26-CE has 3 arms, and the vessels named for it are 2"):
        drafted(("cap", "cedar", 1), named=named[:2])


def test_what_is_planned_already_is_not_laid_out_twice() -> None:
    assert drafted(("cap", "birch", 1), season=2024)["trials"].is_empty()


def test_a_draft_of_the_demo_is_a_register_that_can_be_taken_in(demo_store: Path, tmp_path: Path) -> None:
    proposals, out = tmp_path / "proposals.csv", tmp_path / "next"
    proposals.write_text(
        "question_id,site_id,vessels,named\ncold-soak,hathen-down,2,\nlees-stirring,ostrey-court,,B 7; B 9\n"
    )
    with cc.Network.open(demo_store, read_only=True) as network:
        written = network.draft(proposals, out, season=2026)
        assert written.details["trials"] == ["CS26-HTH", "LS26-OST"]
        assert "dealt to the arms at random" in written.message
        lines = (out / "vessels.csv").read_text(encoding="utf-8-sig").splitlines()
        assert sorted(line.split(",")[2] for line in lines[-2:]) == ["B 7", "B 9"]
        with pytest.raises(CrosscellarError, match="is something of this name"):
            network.draft(proposals, out, season=2026)
        proposals.write_text("question_id,site_id\nlees-stirring,ostrey-court\n")
        with pytest.raises(CrosscellarError, match="no trial is left to lay out"):
            network.draft(proposals, tmp_path / "other", season=2025)
    with cc.Network.open(tmp_path / "new.duckdb", create=True) as network:
        outcome = network.register(out)
    assert outcome.rows["trials"] == 50
    assert outcome.rows["samples"] == 14
