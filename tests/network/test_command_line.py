"""The command line as a person and a script meet it: statuses, one sentence, one JSON document."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from crosscellar import effects, network
from crosscellar.cli import build_parser, main
from crosscellar.pooling.choices import INTERVALS
from crosscellar.pooling.estimators import ESTIMATORS
from crosscellar.results import COUNTS

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data" / "demo"
MESSY = ROOT / "tests" / "faults" / "messy"

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command in this process: exit status, standard output, standard error."""

    def ran(*words: str | Path) -> tuple[int, str, str]:
        capsys.readouterr()
        status = main([str(word) for word in words])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return status, out, err

    return ran


@pytest.fixture
def as_json(run: Run) -> Callable[..., Any]:
    def parsed(*words: str | Path) -> Any:
        return json.loads(run(*words, "--json")[1])

    return parsed


def test_help_names_every_command_and_the_exit_statuses() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "crosscellar", "--help"], capture_output=True, text=True, check=True
    )
    for word in ("register", "intake", "findings", "decide", "outstanding", "effects", "pool", "summary"):
        assert word in done.stdout
    assert "exit status" in done.stdout


@pytest.mark.parametrize(
    ("name", "ours"),
    [("_RJEM_MALLOC_CONF", "dirty_decay_ms:1000"), ("DUCKDB_JE_MALLOC_CONF", "dirty_decay_ms:0")],
)
def test_how_memory_is_given_back_is_set_before_packages_are_loaded_unless_the_user_did(
    name: str, ours: str
) -> None:
    code = f"import os; from crosscellar.cli import main; main([]); print(os.environ[{name!r}])"

    def said(environment: dict[str, str]) -> str:
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment
        )
        return done.stdout.splitlines()[-1]

    given = {each: text for each, text in os.environ.items() if each != name}
    assert ours in said(given)
    assert said({**given, name: "narenas:2"}) == "narenas:2"


def test_effects_name_each_response_in_words_and_round_by_their_error(run: Run, demo_store: Path) -> None:
    status, out, _ = run("effects", "lees-stirring", "--store", demo_store)
    assert status == 0
    assert "Glycerol, before bottling (primary; log ratio)" in out
    assert "\npH, " in run("effects", "malolactic-timing", "--store", demo_store)[1]
    assert "one vessel an arm: variance borrowed from" in out
    assert "e-1" not in out


def test_a_tasting_is_told_by_its_exact_counts(run: Run, demo_store: Path) -> None:
    _, out, _ = run("effects", "lees-stirring", "--response", "triangle", "--store", demo_store)
    # 9 of 18: exact p 0.108, at least 10 needed (ISO 4120:2021, table A.1), by scipy's binomial.
    (line,) = [line.split() for line in out.splitlines() if "LS24-KES" in line]
    assert line[4:9] == ["9", "of", "18", "10", "0.11"]
    assert "speaks for the wines that were poured" in " ".join(out.split())


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("--store", "{tmp}/none.duckdb", "pool", "lees-stirring"), 2, "there is no store here"),
        (("--store", "{tmp}/new.duckdb", "register", "{tmp}/nowhere"), 2, "there is no register here"),
        (("--store", "{tmp}/text.duckdb", "findings"), 3, "not a store of crosscellar"),
        (("--store", "{tmp}/empty.duckdb", "findings"), 3, "empty"),
        (("--store", "{tmp}/fresh.duckdb", "intake", "{tmp}/text.duckdb"), 2, "register PATH` starts one"),
        (("--store", "{demo}", "pool", "no-such-question"), 2, "there is no question 'no-such-question'"),
        (("--store", "{demo}", "pool", "lees-stirring", "--response", "colr"), 2, "is not planned"),
        (("--store", "{demo}", "pool", "lees-stirring", "--as-of", "last week"), 2, "is not a date"),
        (("--store", "{demo}", "pool", "lees-stirring", "--by", "moon"), 2, "there is no moderator"),
        (("--store", "{demo}", "pool", "lees-stirring", "--measure", "ratio"), 2, "measure"),
    ],
)
def test_what_cannot_be_done_is_one_clear_sentence(
    run: Run, demo_store: Path, tmp_path: Path, words: tuple[str, ...], status: int, said: str
) -> None:
    (tmp_path / "text.duckdb").write_text("site,season\n")
    (tmp_path / "empty.duckdb").touch()
    ended, out, err = run(*(word.format(tmp=tmp_path, demo=demo_store) for word in words))
    assert (ended, out) == (status, "")
    assert err.startswith("crosscellar: ")
    assert said in err
    assert len(err.strip().splitlines()) == 1


def test_a_register_with_faults_lists_them_all(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "register"
    folder.mkdir()
    for file in (MESSY / "register").glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    arms = (folder / "arms.csv").read_text().replace("LS24-ORR,control,control", "LS24-ORR,control,treatment")
    (folder / "arms.csv").write_text(
        arms.replace("NT24-TES,third_drop,treatment", "NT24-TES,third_drop,control")
    )
    status, _, err = run("--store", tmp_path / "n.duckdb", "register", folder)
    assert status == 2
    assert "Trial LS24-ORR has no control arm" in err
    assert "Trial NT24-TES has 2 control arms" in err


def test_intake_answers_with_status_one_and_conserves_readings(
    as_json: Any, run: Run, tmp_path: Path
) -> None:
    store = ("--store", tmp_path / "n.duckdb")
    assert run(*store, "register", MESSY / "register")[0] == 0
    files = sorted((MESSY / "files").iterdir())
    status, out, _ = run(*store, "intake", *files, "--json")
    assert status == 1
    document = json.loads(out)
    for counted in (document, *document["files"]):
        assert counted["readings_in"] == sum(counted[name] for name in COUNTS[1:])
    assert sum(file["readings_in"] for file in document["files"]) == document["readings_in"]
    # A link into nowhere stands among the sheets: whatever is no sheet is listed too, with its reason.
    assert len(document["files"]) == len(files)
    assert all(finding["message"] for finding in document["findings"])
    assert run(*store, "check")[0] == 0


def test_the_same_sheets_again_change_nothing(as_json: Any, run: Run, tmp_path: Path) -> None:
    store = ("--store", tmp_path / "n.duckdb")
    sheet = MESSY / "files" / "001_plain_utf8.csv"
    run(*store, "register", MESSY / "register")
    assert run(*store, "intake", sheet)[0] == 0
    before = as_json(*store, "check")
    again = as_json(*store, "intake", sheet)
    assert (again["accepted"], again["already"]) == (0, 16)
    assert again["files"][0]["status"] == "already_taken_in"
    assert as_json(*store, "check") == before


def test_a_dry_run_shows_all_and_stores_nothing(as_json: Any, run: Run, tmp_path: Path) -> None:
    store = ("--store", tmp_path / "n.duckdb")
    run(*store, "register", MESSY / "register")
    shown = as_json(*store, "intake", MESSY / "files" / "001_plain_utf8.csv", "--dry-run")
    assert (shown["accepted"], shown["stored"]) == (16, False)
    assert as_json(*store, "check")["standing"] == 0


def test_a_held_reading_enters_by_decision_and_leaves_by_another(
    as_json: Any, run: Run, tmp_path: Path
) -> None:
    store = ("--store", tmp_path / "n.duckdb")
    run(*store, "register", MESSY / "register")
    assert run(*store, "intake", MESSY / "files" / "079_lookalike_ids.csv")[0] == 1
    waiting = as_json(*store, "findings", "--open")["findings"]
    assert {finding["cell"] for finding in waiting} == {"C2", "C3", "C6"}
    number = str(waiting[0]["finding_id"])
    standing = as_json(*store, "check")["standing"]
    assert as_json(*store, "decide", number, "accept", "--reason", "same barrel")["entered"] == 1
    assert as_json(*store, "check")["standing"] == standing + 1
    run(*store, "decide", number, "refuse", "--reason", "other barrel after all")
    assert as_json(*store, "check")["standing"] == standing
    assert as_json(*store, "check")["sound"]


def test_pool_gives_the_agreed_keys_primary_first(as_json: Any, demo_store: Path) -> None:
    agreed = {
        *("question", "response", "stage", "measure", "unit", "n_effects", "n_sites", "n_seasons"),
        *("estimate", "std_error", "low", "high", "level", "df", "prediction_low", "prediction_high"),
        *("tau2", "i2", "q", "q_p", "method", "interval_method", "verdict", "reason", "effects"),
    }
    answers = as_json("--store", demo_store, "pool", "malolactic-timing")
    assert answers[0]["response"] == "diacetyl"
    assert all(agreed <= set(answer) for answer in answers)
    of_an_effect = {
        "trial",
        "site",
        "season",
        "arm",
        "estimate",
        "std_error",
        "df",
        "variance_source",
        "weight",
    }
    assert of_an_effect <= set(answers[0]["effects"][0])
    one = as_json("--store", demo_store, "pool", "malolactic-timing", "--response", "diacetyl")
    assert one["verdict"] == answers[0]["verdict"]


def test_as_of_answers_as_it_stood(as_json: Any, demo_store: Path) -> None:
    assert (
        as_json("--store", demo_store, "pool", "malolactic-timing", "--as-of", "2026-11-26")[0]["n_sites"]
        == 7
    )


def test_nothing_known_by_a_day_is_told_as_that(run: Run, demo_store: Path) -> None:
    for command in ("pool", "effects"):
        status, _, err = run("--store", demo_store, command, "cold-soak", "--as-of", "2001-01-01")
        assert status == 0
        assert "so at the end of 2001-01-01; leave --as-of out" in err


def test_the_command_line_offers_the_methods_and_intervals_that_there_are(
    capsys: pytest.CaptureFixture[str],
) -> None:
    parser = build_parser()
    for option, known in (("--method", tuple(ESTIMATORS)), ("--interval", INTERVALS)):
        with pytest.raises(SystemExit):
            parser.parse_args(["pool", "q", option, "other"])
        assert re.findall(r"'(\w+)'", capsys.readouterr().err.split("choose from")[1]) == [*known]


def test_every_text_answer_is_readable(run: Run, demo_store: Path) -> None:
    status, out, _ = run("--store", demo_store, "effects", "malolactic-timing")
    assert status == 0
    assert "one vessel an arm: variance" in " ".join(out.split())
    status, out, _ = run("--store", demo_store, "pool", "whole-cluster", "--by", "level")
    assert status == 0
    assert "one moderator was looked at" in out
    assert max(len(line) for line in out.splitlines()) <= 200


def test_settings_of_the_network_change_what_waits(as_json: Any, run: Run, tmp_path: Path) -> None:
    run("--store", tmp_path / "n.duckdb", "register", DEMO / "register")
    sheet = DEMO / "inbox" / "2025" / "triangle_CS25-PEL.csv"
    off = tmp_path / "own.toml"
    off.write_text("[picks_below_chance]\non = 0\n", encoding="utf-8")
    judge = ("--store", tmp_path / "n.duckdb", "intake", sheet, "--dry-run")
    assert as_json(*judge)["held"] == 24
    assert as_json(*judge, "--settings", off)["held"] == 0
    off.write_text("[picks_below_chanse]\non = 0\n", encoding="utf-8")
    status, _, said = run(*judge, "--settings", off)
    assert (status, said.count("\n")) == (2, 1)
    assert "picks_below_chance" in said


def test_the_page_of_rules_is_written_without_a_store(run: Run, tmp_path: Path) -> None:
    page = tmp_path / "new" / "rules.html"
    status, out, _ = run("--store", tmp_path / "none.duckdb", "rules", "--out", page)
    assert status == 0
    assert str(page) in out
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert not (tmp_path / "none.duckdb").exists()


@pytest.mark.parametrize(("asked", "same"), [((), True), (("--any-laboratory",), False)])
@pytest.mark.parametrize("command", ["effects", "pool"])
def test_arms_measured_by_different_laboratories_are_used_only_where_asked_for(
    demo_store: Path, monkeypatch: pytest.MonkeyPatch, command: str, asked: tuple[str, ...], same: bool
) -> None:
    computed = effects.effects_of_store
    told: list[bool] = []

    def watched(*frames: Any, **options: Any) -> pl.DataFrame:
        told.append(options["same_laboratory"])
        return computed(*frames, **options)

    monkeypatch.setattr(effects, "effects_of_store", watched)
    assert main(["--store", str(demo_store), command, "cold-soak", *asked]) == 0
    assert set(told) == {same}


@pytest.mark.parametrize("further", [[], ["--dry-run"]])
def test_taking_in_where_no_store_is_leaves_none_behind(run: Run, tmp_path: Path, further: list[str]) -> None:
    store = tmp_path / "elsewhere.duckdb"
    status, _, err = run("intake", DEMO / "inbox" / "2025", "--store", store, *further)
    assert status == 2
    assert "crosscellar register PATH" in err
    assert list(tmp_path.iterdir()) == []


def test_what_a_season_without_trials_owes_is_not_said_to_be_nothing(run: Run, demo_store: Path) -> None:
    status, out, err = run("outstanding", "--season", "1999", "--store", demo_store)
    assert (status, out) == (2, "")
    assert "no trial of the season 1999. It has: 2022, 2023, 2024, 2025." in err


def test_a_file_in_place_of_a_folder_is_named_with_what_to_do(
    run: Run, demo_store: Path, tmp_path: Path
) -> None:
    (tmp_path / "mine.csv").write_text("mine", encoding="utf-8")
    status, _, err = run("export", "--out", tmp_path / "mine.csv", "--store", demo_store)
    assert status == 2
    assert "mine.csv: there is a file of this name, where a folder is needed. Name another folder." in err


def test_half_widths_of_a_plan_stand_with_the_same_decimals(run: Run, demo_store: Path) -> None:
    _, out, _ = run("plan", "bentonite-dose", "--sites", "2,4,8", "--store", demo_store)
    shown = re.findall(r"± ([0-9.]+)", out)
    assert len(shown) > 3
    assert len({len(number.partition(".")[2]) for number in shown}) == 1


def test_a_tasting_question_is_planned_by_panels(run: Run, tmp_path: Path) -> None:
    register = tmp_path / "register"
    shutil.copytree(DEMO / "register", register)
    questions = pl.read_csv(register / "questions.csv", infer_schema=False)
    tasted = pl.when(pl.col("question_id") == "cold-soak")
    questions.with_columns(
        tasted.then(pl.lit("triangle")).otherwise("primary_response").alias("primary_response"),
        tasted.then(pl.lit("sensory")).otherwise("primary_stage").alias("primary_stage"),
    ).write_csv(register / "questions.csv")
    responses = pl.read_csv(register / "responses.csv", infer_schema=False)
    soaked = pl.col("trial_id").str.starts_with("CS")
    responses.filter(
        ~soaked | (pl.col("role") == "monitored") & (pl.col("response") != "triangle")
    ).write_csv(register / "responses.csv")
    store = tmp_path / "n.duckdb"
    assert run("register", register, "--store", store)[0] == 0
    status, _, err = run("plan", "cold-soak", "--store", store)
    assert status == 2
    assert "plan --panel" in err


def test_a_decision_tells_what_entered_beside_what_still_waits(run: Run, tmp_path: Path) -> None:
    store, sheet = tmp_path / "n.duckdb", tmp_path / "a.csv"
    sheet.write_text(
        "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,lab\n"
        "LS24-ORR,control,ORR-01,end_AF,9/11/2024,pH,3.31,,bench\n"
        "LS24-ORR,control,ORR-01,end_AF,9/11/2024,malic,n.d.,g/L,bench\n",
        encoding="utf-8",
    )
    assert run("register", MESSY / "register", "--store", store)[0] == 0
    assert run("intake", sheet, "--store", store)[0] == 1
    found = json.loads(run("findings", "--open", "--json", "--store", store)[1])["findings"]
    (number,) = (one["finding_id"] for one in found if one["code"] == "date_ambiguous")
    said = ("--reason", "asked", "--value", "day-first", "--store", store)
    status, out, _ = run("decide", str(number), "accept", *said)
    assert status == 0
    assert "1 reading entered. Some readings wait for finding" in " ".join(out.split())


@pytest.mark.parametrize("command", ["backup", "rebuild"])
def test_a_copy_for_a_folder_that_is_not_there_ends_with_what_to_do(
    command: str, demo_store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "network.duckdb"
    shutil.copy(demo_store, store)
    assert main([command, "--out", str(tmp_path / "copies" / "a.duckdb"), "--store", str(store)]) == 2
    assert capsys.readouterr().err == (
        f"crosscellar: {tmp_path / 'copies'}: there is no folder of this name. "
        "Make it, or name a file in a folder that is there.\n"
    )
    assert not (tmp_path / "copies").exists()


@pytest.mark.parametrize("terminal", [True, False])
def test_a_long_taking_in_tells_a_person_at_a_terminal_how_far_it_is(
    terminal: bool, tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(network, "BATCH_FILES", 2)
    store = tmp_path / "network.duckdb"
    run("--store", store, "register", MESSY / "register")
    for name in "abc":
        (tmp_path / f"{name}.csv").write_text(f"no sheet {name}", encoding="utf-8")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal)
    _, out, err = run("--store", store, "intake", *sorted(tmp_path.glob("*.csv")))
    assert err == ("2 of 3 files\n3 of 3 files\n" if terminal else "")
    assert "of 3 files" not in out


def test_the_page_of_rules_is_written_over_a_page_and_over_nothing_else(tmp_path: Path, run: Run) -> None:
    store, page = tmp_path / "network.duckdb", tmp_path / "rules.html"
    store.write_bytes(b"all readings of the network")
    status, out, err = run("rules", "--out", store)
    assert (status, out) == (2, "")
    assert err == (
        f"crosscellar: {store}: there is a file of this name already, and it is no page. "
        "Choose another name, such as rules.html.\n"
    )
    assert store.read_bytes() == b"all readings of the network"
    assert [run("rules", "--out", page)[0] for _ in range(2)] == [0, 0]
    status, _, err = run("rules", "--out", tmp_path)
    assert status == 2
    assert err == (
        f"crosscellar: {tmp_path}: there is a folder of this name, where a file is needed. "
        "Name a file in it.\n"
    )


@pytest.mark.parametrize("command", [("export",), ("summary", "2025")])
def test_a_table_of_somebody_else_is_never_written_over(
    command: tuple[str, ...], demo_store: Path, tmp_path: Path, run: Run
) -> None:
    mine = tmp_path / "out" / "readings.csv"
    mine.parent.mkdir()
    mine.write_text("typed in by hand")
    words = ("--store", demo_store, *command, "--out", mine.parent)
    status, _, err = run(*words)
    assert (status, mine.read_text(), list(mine.parent.iterdir())) == (2, "typed in by hand", [mine])
    assert err == (
        f"crosscellar: {mine}: there is a file of this name already, and no earlier output beside it. "
        "Name a new folder with --out, or move the file away.\n"
    )
    mine.unlink()
    assert [run(*words)[0] for _ in range(2)] == [0, 0]


def test_a_folder_for_marked_up_copies_that_cannot_be_is_told_before_anything_is_taken_in(
    tmp_path: Path, run: Run
) -> None:
    store, taken = tmp_path / "network.duckdb", tmp_path / "back"
    run("--store", store, "register", DEMO / "register")
    taken.write_text("mine")
    sheet = DEMO / "inbox" / "2022" / "alder_2022_malolactic.csv"
    status, _, err = run("--store", store, "intake", sheet, "--marked-up", taken)
    assert (status, taken.read_text()) == (2, "mine")
    assert f"{taken}: there is a file of this name, where a folder is needed. Name another folder." in err
    _, out, _ = run("--store", store, "check")
    assert "0 readings from 0 files" in " ".join(out.split())


@pytest.mark.parametrize("fill", [lambda folder: None, lambda folder: (folder / "2024").mkdir()])
def test_a_folder_without_a_file_is_told_as_such(
    fill: Callable[[Path], None], tmp_path: Path, run: Run
) -> None:
    store, inbox = tmp_path / "network.duckdb", tmp_path / "inbox"
    inbox.mkdir()
    fill(inbox)
    run("--store", store, "register", MESSY / "register")
    status, out, _ = run("--store", store, "intake", inbox)
    assert status == 0
    told = "No file was found there, so nothing was taken in. Check the name of the folder."
    assert " ".join(out.split()) == told


def test_a_sheet_with_headings_alone_is_told_as_not_filled_in(tmp_path: Path, run: Run) -> None:
    store, sheet = tmp_path / "network.duckdb", tmp_path / "a.csv"
    sheet.write_text("trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit\n")
    run("--store", store, "register", MESSY / "register")
    _, out, _ = run("--store", store, "intake", sheet, "--json")
    told = json.loads(out)
    assert [file["status"] for file in told["files"]] == ["nothing_new"]
    assert [(found["code"], found["message"]) for found in told["findings"]] == [
        ("nothing_filled_in", "No reading is filled in.")
    ]
    _, out, _ = run("--store", store, "intake", sheet)
    assert "1 remark: see `crosscellar findings` or --json." in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("summary", "abc", "--out", "s"), "abc is no season: write its year as 2025"),
        (("sheets", "--out", "s", "--season", "spring"), "spring is no season: write its year as 2025"),
        (("outstanding", "--season", "25/26"), "25/26 is no season: write its year as 2025"),
        (("sheets", "--out", "s", "--scale", "ten"), "ten is no scale: write its low and high end as 0,10"),
        (("sheets", "--out", "s", "--ferment-days", "0"), "0 is no number of rows: write 1 or more"),
        (("plan", "q", "--sites", "few"), "few are no numbers: write them as 1,2,4"),
        (("plan", "q", "--chance", "high"), "high is no share: write 10% or 0.1"),
        (("plan", "q", "--precision", "10%,x"), "x is no share: write 10% or 0.1"),
        (("plan", "--proposals", "p.csv", "--budget", "much"), "much is no amount: write it as 1500"),
        (("pool", "q", "--level", "95 percent"), "95 percent is no share: write 10% or 0.1"),
        (("decide", "the last", "accept", "--reason", "x"), "the last is no finding: write its number in"),
        (("sheets", "--out", "s", "--seed", "x"), "x is no seed: write a whole number"),
    ],
)
def test_what_an_option_cannot_be_read_as_is_told_with_how_to_write_it(
    words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main([*words])
    assert stopped.value.code == 2
    assert said in " ".join(capsys.readouterr().err.split())
