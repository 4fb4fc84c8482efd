"""The network object: what a script of the coordinator holds on to."""

from __future__ import annotations

import json
import math
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

import crosscellar as cc
from crosscellar import errors
from crosscellar.answers import judgement_of
from crosscellar.contract import load_contract
from crosscellar.contract.frames import EFFECTS
from crosscellar.errors import CrosscellarError, NotComputable, RegisterRefused, UnknownName
from crosscellar.results import COUNTS

DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.fixture(scope="module")
def network(demo_store: Path) -> Iterator[cc.Network]:
    with cc.Network.open(demo_store, read_only=True) as opened:
        yield opened


def test_counts_add_up_for_each_file_and_in_all(tmp_path: Path) -> None:
    with cc.Network.open(tmp_path / "n.duckdb") as network:
        network.register(DEMO / "register")
        outcome = network.intake(DEMO / "inbox" / "2022")
    assert outcome.readings_in == sum(getattr(outcome, name) for name in COUNTS[1:])
    sums = outcome.files.select(pl.col("readings_in") - pl.sum_horizontal(COUNTS[1:])).to_series()
    assert sums.eq(0).all()
    json.dumps(outcome.as_json(), allow_nan=False)


def test_order_of_files_changes_nothing_that_stands(tmp_path: Path) -> None:
    def taken(name: str, files: list[Path]) -> pl.DataFrame:
        with cc.Network.open(tmp_path / name) as network:
            network.register(DEMO / "register")
            network.intake(files)
            return network.effects()

    # One of them is a copy of another.
    files = sorted((DEMO / "inbox" / "2023").glob("alder_*"))
    one, other = taken("a.duckdb", files), taken("b.duckdb", files[::-1])
    keys = ["question", "response", "stage", "trial", "arm"]
    assert one.select(list(EFFECTS)).sort(keys).equals(other.select(list(EFFECTS)).sort(keys))


def test_effects_come_in_the_agreed_columns_with_a_source_for_each_variance(network: cc.Network) -> None:
    effects = network.effects("malolactic-timing")
    assert list(effects.columns[: len(EFFECTS)]) == list(EFFECTS)
    usable = effects.filter("usable")
    assert usable["variance"].gt(0).all()
    assert set(usable["variance_source"]) <= {"own", "moderated", "borrowed", "tasting"}
    single = effects.filter((pl.col("n_treatment") == 1) & (pl.col("n_control") == 1) & pl.col("usable"))
    assert set(single.filter(pl.col("role") == "primary")["variance_source"]) == {"borrowed"}


def test_the_primary_answer_comes_first_and_alone_has_a_verdict_of_its_own(network: cc.Network) -> None:
    answer = network.answer("malolactic-timing")
    assert answer.pooled[0].role == "primary"
    assert math.isnan(answer.pooled[0].p_adjusted)
    assert all(pooled.verdict in ("monitored only", "no effect computable") for pooled in answer.pooled[1:])
    assert {pooled.role for pooled in answer.pooled[1:]} == {"monitored"}
    assert all(pooled.smallest_difference is None for pooled in answer.pooled[1:])


def test_pooling_the_effects_frame_by_hand_gives_the_networks_answer(network: cc.Network) -> None:
    effects = network.effects("malolactic-timing", response="diacetyl")
    by_hand = cc.pool(effects)
    answer = network.pool("malolactic-timing", response="diacetyl")[0]
    assert by_hand.estimate == pytest.approx(answer.estimate)
    assert (by_hand.low, by_hand.high) == pytest.approx((answer.low, answer.high))


def test_every_question_of_the_demo_has_the_verdict_its_script_was_made_for(network: cc.Network) -> None:
    verdicts = {name: network.pool(name)[0].verdict for name in network.questions}
    assert verdicts == {
        "lees-stirring": "no difference that matters",
        "nutrient-timing": "holds on average",
        "malolactic-timing": "holds at new sites",
        "whole-cluster": "holds on average",
        "juice-clarity": "works against",
        "cold-soak": "undecided",
        "bentonite-dose": "one site only",
    }


def test_before_the_first_taking_in_there_was_nothing(network: cc.Network) -> None:
    with pytest.raises(UnknownName, match="no question"):
        network.answer("no-such-question")
    assert network.effects(as_of="2020-01-01").is_empty()


def test_intake_without_a_register_says_what_to_do_first(tmp_path: Path) -> None:
    with (
        cc.Network.open(tmp_path / "n.duckdb") as network,
        pytest.raises(CrosscellarError, match="register PATH"),
    ):
        network.intake(DEMO / "inbox")


def test_clock_comes_in_as_an_argument(tmp_path: Path) -> None:
    then = datetime(2023, 1, 2, tzinfo=UTC)
    with cc.Network.open(tmp_path / "n.duckdb", clock=lambda: then) as network:
        network.register(DEMO / "register")
        assert network.check().facts["last_entry"] == then


@pytest.mark.parametrize(
    ("wanted", "d", "unit", "measure", "on_scale"),
    [
        # ln 1.05, -ln 0.9 and ln 1.1 are arithmetic; a share of an analyte is judged as a log ratio.
        ("increase", 5.0, "%", "log_ratio", 0.04879016416943205),
        ("decrease", 10.0, "%", "log_ratio", 0.10536051565782628),
        ("no_change", 10.0, "%", "log_ratio", 0.09531017980432493),
        ("increase", 0.5, "g/L", "difference", 0.5),
        ("increase", 500.0, "mg/L", "difference", 0.5),
        ("increase", None, None, None, None),
    ],
)
def test_a_smallest_difference_names_its_measure(
    wanted: str, d: float | None, unit: str | None, measure: str | None, on_scale: float | None
) -> None:
    question = {
        "question_id": "q",
        "primary_response": "glycerol",
        "wanted": wanted,
        "smallest_difference": d,
        "smallest_difference_unit": unit,
    }
    judged = judgement_of(question, load_contract())
    assert judged.measure == measure
    assert judged.smallest_difference == (None if on_scale is None else pytest.approx(on_scale))


def test_a_smallest_difference_in_a_foreign_unit_is_refused() -> None:
    question = {
        "question_id": "q",
        "primary_response": "glycerol",
        "wanted": "increase",
        "smallest_difference": 1.0,
        "smallest_difference_unit": "NTU",
    }
    with pytest.raises(UnknownName, match="no unit of"):
        judgement_of(question, load_contract())


@pytest.mark.parametrize("unit", ["°Oe", "Bé", "SG"])
def test_a_smallest_difference_that_no_factor_converts_is_refused(unit: str) -> None:
    question = {
        "question_id": "q",
        "primary_response": "brix",
        "wanted": "increase",
        "smallest_difference": 1.0,
        "smallest_difference_unit": unit,
    }
    # One degree Oechsle is about a quarter of a degree Brix, one Baumé nearly two: never 1 °Bx.
    with pytest.raises(UnknownName, match="depends on the level"):
        judgement_of(question, load_contract())


def test_levels_in_several_units_are_never_compared_by_level(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(DEMO / "register", tmp_path / "register"))
    # The second trial at another site, with its doses in mg/L: 40 g/hL are 400 mg/L.
    for name, before, after in (
        ("trials.csv", "BF25-LUN,2025,lunnet-field,", "BF25-LUN,2025,ondrel-bank,"),
        ("arms.csv", "BF25-LUN,no_fining,control,0,g/hL", "BF25-LUN,no_fining,control,0,mg/L"),
        ("arms.csv", "BF25-LUN,bent_40,treatment,40,g/hL", "BF25-LUN,bent_40,treatment,400,mg/L"),
        ("arms.csv", "BF25-LUN,bent_80,treatment,80,g/hL", "BF25-LUN,bent_80,treatment,800,mg/L"),
    ):
        text = (folder / name).read_text(encoding="utf-8")
        assert before in text
        (folder / name).write_text(text.replace(before, after), encoding="utf-8")
    with cc.Network.open(tmp_path / "n.duckdb") as network:
        network.register(folder)
        network.intake(DEMO / "inbox")
        answer = network.answer("bentonite-dose")
        assert answer.pooled[0].n_sites == 2
        assert answer.dose is None
        assert any("several units (g/hL, mg/L)" in remark for remark in answer.remarks)
        with pytest.raises(NotComputable, match="several units"):
            network.answer("bentonite-dose", by="level")
        with pytest.raises(NotComputable, match="several units"):
            network.answer("bentonite-dose", measure="slope")


def test_per_cent_of_alcohol_is_its_unit_and_no_share_of_it() -> None:
    question = {
        "question_id": "q",
        "primary_response": "ethanol",
        "wanted": "decrease",
        "smallest_difference": 0.5,
        "smallest_difference_unit": "%",
    }
    judged = judgement_of(question, load_contract())
    assert judged.measure == "difference"
    assert judged.smallest_difference == pytest.approx(0.5)
    assert judged.words == "0.5 % vol"


def test_a_register_cannot_leave_out_a_vessel_that_has_readings(tmp_path: Path) -> None:
    folder = tmp_path / "register"
    folder.mkdir()
    for file in (DEMO / "register").glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    with cc.Network.open(tmp_path / "n.duckdb") as network:
        network.register(folder)
        network.intake(DEMO / "inbox" / "2022")
        trial, arm, vessel = network._store.readings().select("trial_id", "arm_id", "vessel_id").row(0)
        before = network.check().facts
        vessels = (folder / "vessels.csv").read_text().splitlines(keepends=True)
        kept = [line for line in vessels if not line.startswith(f"{trial},{arm},{vessel},")]
        # Another vessel takes its place, so that the arm is not empty.
        (folder / "vessels.csv").write_text("".join(kept) + f"{trial},{arm},ANOTHER,,,\n")
        with pytest.raises(RegisterRefused) as refused:
            network.register(folder)
        assert refused.value.faults == (
            f"Vessel {vessel} of arm {arm} of trial {trial} has readings in the store.",
        )
        assert network.check().facts == before
        arms = (folder / "arms.csv").read_text().splitlines()
        other = next(
            name for line in arms for code, name, *_ in [line.split(",")] if code == trial and name != arm
        )
        moved = [line.replace(f"{trial},{arm},{vessel},", f"{trial},{other},{vessel},") for line in vessels]
        (folder / "vessels.csv").write_text("".join(moved) + f"{trial},{arm},ANOTHER,,,\n")
        with pytest.raises(RegisterRefused, match="a vessel stood in the wrong arm") as refused:
            network.register(folder)
        (said,) = refused.value.faults
        assert said.startswith(f"Vessel {vessel} of arm {arm} of trial {trial} has readings in the store")
        assert said.endswith(f", and is in arm {other} here.")


def test_a_sheet_is_asked_about_anew_once_the_network_has_declared_a_word(tmp_path: Path) -> None:
    """What was asked before is answered; else a yes to what is left would wait for it for ever."""
    folder = tmp_path / "register"
    shutil.copytree(DEMO / "register", folder)
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(
        "trial_id,arm_id,vessel_id,stage,sample_date,glycerol (g per litre)\n"
        "LS25-OST,unstirred,{},pre_bottling,2026-05-01,~6.1\n"
    )
    with cc.Network.open(tmp_path / "n.duckdb") as network:
        network.register(folder)
        vessel = network._register.vessels.filter(
            (pl.col("trial_id") == "LS25-OST") & (pl.col("arm_id") == "unstirred")
        )["vessel_id"][0]
        sheet.write_text(sheet.read_text().format(vessel))

        def waiting() -> list[tuple[str, int]]:
            found = network.findings(open_only=True).findings
            return found.select("code", "finding_id").rows()

        network.intake([sheet])
        assert [code for code, _ in waiting()] == ["unit_unknown", "approximate"]
        network.intake([sheet])
        assert [code for code, _ in waiting()] == ["unit_unknown", "approximate"]
        with (folder / "aliases.csv").open("a") as aliases:
            aliases.write("g per litre,g/L\n")
        network.register(folder)
        assert network.intake([sheet]).files["status"].to_list() == ["held"]
        ((code, number),) = waiting()
        assert code == "approximate"
        assert network.intake([sheet]).files["status"].to_list() == ["already_taken_in"]
        network.decide(number, "accept", reason="asked")
        assert network._store.readings()["value"].to_list() == [6.1]
        assert network._store.check() == []


def test_a_file_taken_in_again_asks_nothing_that_was_decided(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    rows = (
        "unstirred,B15,pre_bottling,2026-05-07,~6.1",
        "unstirred,B15,pre_bottling,05/06/2026,6.2",
        "weekly,B16,pre_bottling,2026-05-07,~6.9",
    )
    sheet.write_text(
        "trial_id,arm_id,vessel_id,stage,sample_date,glycerol (g/L)\n"
        + "".join(f"LS25-OST,{row}\n" for row in rows)
    )
    with cc.Network.open(tmp_path / "n.duckdb") as network:
        network.register(DEMO / "register")
        assert network.intake([sheet]).held == 3
        asked = dict(network.findings(open_only=True).findings.select("cell", "finding_id").iter_rows())
        assert set(asked) == {"E3", "F2", "F4"}
        network.decide(asked["F4"], "refuse", reason="a guess")
        network.decide(asked["F2"], "accept", reason="asked")
        network.decide(asked["E3"], "accept", value="day-first", reason="as the site writes")
        again = network.intake([sheet])
        counts = (again.held, again.refused, again.already, again.accepted)
        assert counts == (0, 1, 2, 0)
        assert set(again.findings["code"]) == {"already_taken_in", "decided_before"}
        network.decide(asked["F2"], "refuse", reason="no, after all")
        assert network.intake([sheet]).refused == 2


def test_doses_are_read_as_a_change_per_unit_of_level(network: cc.Network) -> None:
    answer = network.answer("whole-cluster")
    assert answer.dose is not None
    assert any(remark.startswith("By level, over sites:") for remark in answer.remarks)
    assert network.answer("cold-soak").dose is None


def test_a_lost_trial_is_named_with_its_reason(network: cc.Network) -> None:
    without = network.effects_answer("cold-soak").without
    assert "trial lost" in without.filter(pl.col("trial") == "CS22-SKM")["reason"][0]


def test_a_smallest_difference_says_nothing_on_the_scale_of_another_measure(network: cc.Network) -> None:
    # The register gives lees stirring 5 %: ln 1.05 on logarithms, nothing in g/L.
    as_asked = network.pool("lees-stirring", response="glycerol")[0]
    in_grams = network.pool("lees-stirring", measure="difference")[0]
    assert as_asked.smallest_difference == pytest.approx(math.log(1.05))
    assert (in_grams.response, in_grams.measure, in_grams.smallest_difference) == (
        "glycerol",
        "difference",
        None,
    )


def test_a_measure_that_no_trial_allows_is_refused(network: cc.Network) -> None:
    with pytest.raises(NotComputable, match="allows the measure slope"):
        network.answer("lees-stirring", measure="slope")


def test_the_readme_prints_the_demos_own_counts_and_verdicts(network: cc.Network, demo_store: Path) -> None:
    told = " ".join((Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8").split())
    # One file is a copy of another, which the store has once.
    counts = json.loads(demo_store.with_name("intake.json").read_text(encoding="utf-8"))
    files = counts["files"]
    assert len(files) == network._store.files().filter(pl.col("entry_id") == 2).height + 1
    assert {name: sum(file[name] for file in files) for name in COUNTS} == {n: counts[n] for n in COUNTS}
    assert (
        f"{counts['readings_in']} readings in {len(files)} files: {counts['accepted']} accepted, "
        f"{counts['refused']} refused, {counts['held']} held for your decision, {counts['already']} already "
        f"in the store, {counts['blank']} not measured."
    ) in told
    for name in network.questions:
        answer = network.answer(name)
        assert f"{answer.title} {answer.pooled[0].verdict} {answer.pooled[0].n_sites}" in told


def test_effects_as_of_a_day_know_only_what_was_taken_in_by_then(network: cc.Network) -> None:
    assert network.effects("cold-soak").height > 0
    assert network.effects_answer("cold-soak", as_of="2001-01-01").effects.is_empty()


def test_a_response_of_another_question_is_told_as_not_planned_with_what_is(network: cc.Network) -> None:
    said = r"'pH' is not planned in the trials of cold-soak. They have: anthocyanins, colour_intensity"
    for asked in (network.effects, network.pool, network.effects_answer):
        with pytest.raises(UnknownName, match=said):
            asked("cold-soak", response="pH")


def test_a_figure_of_vessels_is_drawn_as_of_a_day(network: cc.Network, tmp_path: Path) -> None:
    with pytest.raises(CrosscellarError, match="has measured anything by 2001-01-01"):
        network.effects_figure("cold-soak", tmp_path / "f.svg", as_of="2001-01-01")
    with pytest.raises(UnknownName, match="no register had been taken in by 2001-01-01"):
        network.summary(2025, out=tmp_path / "s", as_of="2001-01-01")


def test_records_and_networks_show_themselves_in_a_line(network: cc.Network) -> None:
    assert re.fullmatch(r"<Network in .*\.duckdb>", repr(network))
    first = network.pool("malolactic-timing")[0]
    assert repr(first) == f"<Pooled {first.title()}: holds at new sites>"


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"picks_below_chance": {"p": "a"}}, "p of the rule picks_below_chance is 'a', which is no number"),
        ({"picks_below_chance": 0.05}, "'picks_below_chance' stands outside of any rule"),
        ("own.toml", "'own.toml' are no settings"),
    ],
)
def test_settings_from_python_that_are_no_numbers_are_told(
    network: cc.Network, settings: Any, said: str
) -> None:
    with pytest.raises(CrosscellarError, match=said):
        network.intake(DEMO / "inbox" / "2025", dry_run=True, settings=settings)


def test_blank_sheets_take_one_trial_as_a_word_and_refuse_rows_and_scales_that_cannot_be(
    demo_store: Path, tmp_path: Path
) -> None:
    store = shutil.copy(demo_store, tmp_path / "network.duckdb")
    with cc.Network.open(store) as network:
        made = network.sheets(out=tmp_path / "one", trials="LS25-OST")
        assert [Path(path).name for path in made.paths if path.endswith("OST.xlsx")] == ["LS25-OST.xlsx"]
        with pytest.raises(NotComputable, match="a ferment log of 0 rows a vessel"):
            network.sheets(out=tmp_path / "none", ferment_days=0)
        with pytest.raises(NotComputable, match="10 to 0 is no scale"):
            network.sheets(out=tmp_path / "none", scale=(10, 0))
    assert not (tmp_path / "none").exists()


def test_a_sheet_sent_again_gets_a_copy_to_send_back_only_where_something_is_wrong_in_it(
    network: cc.Network, tmp_path: Path
) -> None:
    sheets = [DEMO / "inbox" / "2025" / name for name in ("triangle_WC25-DOR.csv", "birch_2025_finish.xlsx")]
    again = network.intake(sheets, dry_run=True, marked_up=tmp_path)
    assert again.files["status"].to_list() == ["already_taken_in", "already_taken_in"]
    assert {Path(path).name.split("_")[0] for path in again.marked_up} == {"birch-2025-finish"}


def test_public_names_are_offered_before_they_are_used() -> None:
    code = "import crosscellar as cc, sys; print(set(cc.__all__) <= set(dir(cc)), 'polars' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False"]


def test_a_season_in_quotes_is_told_in_a_sentence(network: cc.Network, tmp_path: Path) -> None:
    with pytest.raises(UnknownName, match="'2025' is no season"):
        network.summary("2025", out=tmp_path)  # type: ignore[arg-type]


def test_what_cannot_be_done_is_caught_by_a_public_name(tmp_path: Path) -> None:
    with pytest.raises(cc.CrosscellarError) as told:
        cc.Network.open(tmp_path / "none.duckdb", create=False)
    assert told.value.exit_status == 2
    with pytest.raises(cc.StoreError):
        (tmp_path / "other.duckdb").write_bytes(b"no store at all" * 100)
        cc.Network.open(tmp_path / "other.duckdb")
    kinds = {
        name
        for name, kind in vars(errors).items()
        if isinstance(kind, type) and kind.__module__ == errors.__name__
    }
    assert kinds <= set(cc.__all__)
    assert all(getattr(cc, name) is getattr(errors, name) for name in kinds)
