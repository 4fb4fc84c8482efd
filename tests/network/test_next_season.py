"""Before harvest: blank sheets go out, come back filled in, and leave the list; a plan is asked for."""

from __future__ import annotations

import math
import shutil
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import polars as pl
import pytest
from polars.testing import assert_frame_equal
from scipy.stats import binom, t

import crosscellar as cc
from crosscellar.cli import main
from crosscellar.effects import Scale
from crosscellar.errors import CrosscellarError, NotComputable
from crosscellar.plans import read_effect
from crosscellar.sheets.outstanding import outstanding_of

DEMO = Path(__file__).parents[2] / "data" / "demo"


def test_a_sheet_that_was_made_and_filled_in_is_taken_in_without_a_finding(tmp_path: Path) -> None:
    clock = datetime(2026, 11, 25, tzinfo=UTC)
    with cc.Network.open(tmp_path / "n.duckdb", clock=lambda: clock) as network:
        network.register(DEMO / "register")
        made = network.sheets(season=2025, out=tmp_path / "sheets")
        path = next(Path(path) for path in made.paths if path.endswith("LS25-MER.xlsx"))
        owed = network.outstanding(season=2025).expected.filter(pl.col("trial_id") == "LS25-MER")
        assert set(owed["state"]) == {"nothing"}
        book = openpyxl.load_workbook(path)
        plausible = {"glycerol": 6.1, "volatile": 0.38, "free": 27, "heat": 0.9}
        (sheet,) = [
            tab for tab in book.worksheets if tab.title not in ("Read me first", "Labels to print", "choices")
        ]
        heading = next(
            row for row in sheet.iter_rows() if any("glycerol" in str(c.value).lower() for c in row)
        )
        for cell in heading:
            text = str(cell.value or "").lower()
            value = next((number for word, number in plausible.items() if word in text), None)
            for row in range(cell.row + 1, sheet.max_row + 1):
                if value is not None and sheet.cell(row, 1).value:
                    sheet.cell(row, cell.column).value = value + 0.01 * (row % 7)
                elif text == "sampled on" and sheet.cell(row, 1).value:
                    sheet.cell(row, cell.column).value = datetime(2026, 5, 12)  # noqa: DTZ001
        book.save(tmp_path / "returned.xlsx")
        outcome = network.intake(tmp_path / "returned.xlsx")
        assert (outcome.refused, outcome.held) == (0, 0)
        assert outcome.accepted == 16
        assert outcome.findings.filter(pl.col("code") == "sheet_not_read").is_empty()
        owed = network.outstanding(season=2025).expected.filter(pl.col("trial_id") == "LS25-MER")
        assert set(owed["state"]) == {"complete"}


@pytest.mark.parametrize("season", [None, 2022, 2024, 2025])
def test_what_is_owed_is_the_same_by_what_a_season_needs_of_the_store_as_by_all_of_it(
    demo_store: Path, season: int | None
) -> None:
    with cc.Network.open(demo_store, read_only=True) as network:
        store, told = network._store, network.outstanding(season=season)
        expected, texts = outstanding_of(
            network._register,
            readings=store.readings(),
            picks=store.picks(),
            scores=store.scores(),
            set_aside=store.set_aside(),
            findings=store.findings(),
            today=network._clock().date(),
            season=season,
        )
    assert_frame_equal(told.expected, expected)
    assert told.texts == texts
    assert texts
    assert expected["waiting"].sum() > 0 or season in (2022, 2024)


def test_a_plan_for_an_undecided_question_has_a_cost(demo_store: Path, tmp_path: Path) -> None:
    prices = tmp_path / "prices.toml"
    prices.write_text('per_sample = 35\nper_site = 400\ncurrency = "EUR"\n')
    with cc.Network.open(demo_store, read_only=True) as network:
        plan = network.plan("cold-soak", sites=(0, 4), vessels=(1, 2), prices=prices)
        new = plan.plan.filter(pl.col("again") == 0)
        assert new["cost"].to_list() == [0.0, 0.0, 4 * 400 + 8 * 35, 4 * 400 + 16 * 35]
        assert new["chance_decided"].to_list()[:2] == [0.0, 0.0]
        # More sites narrow the interval more than more vessels do where sites differ.
        halves = new["half_width"].to_list()
        assert halves[2] < halves[1]
        # The four sites again cost less than four new ones, and tell less.
        same = plan.plan.filter(pl.col("again") > 0)
        assert same.select("more_sites", "again", "sites", "cost").rows() == [
            (0, 4, 4, 8 * 35.0),
            (0, 4, 4, 16 * 35.0),
        ]
        assert halves[2] < same["half_width"][0] < halves[0]
        with pytest.raises(CrosscellarError, match="no price table"):
            network.plan("cold-soak", prices=tmp_path / "none.toml")


def test_a_question_of_one_site_is_planned_on_what_other_questions_know(demo_store: Path) -> None:
    with cc.Network.open(demo_store, read_only=True) as network:
        plan = network.plan("bentonite-dose", sites=(0, 8), vessels=(1,))
    assert plan.verdict == "one site only"
    assert "only one site has an effect yet" in plan.basis
    chances = plan.plan["chance_decided"].to_list()
    assert plan.plan["again"].to_list() == [0, 1, 0]
    assert chances[:2] == [0.0, 0.0]
    assert chances[2] > 0.0


def test_a_question_without_any_effect_is_planned_on_the_networks_spread_of_its_analyte(
    demo_store: Path, tmp_path: Path
) -> None:
    register = tmp_path / "register"
    shutil.copytree(DEMO / "register", register)
    with (register / "questions.csv").open("a", encoding="utf-8") as file:
        file.write(
            "new-yeast,Does a new yeast raise glycerol?,H,yeast,glycerol,pre_bottling,increase,10,%,x\n"
        )
        file.write(
            "same-wine,Does a new yeast leave glycerol?,H,yeast,glycerol,pre_bottling,no_change,10,%,x\n"
        )
        file.write("new-tea,Does a tea raise smell?,H,tea,score:tea,sensory,increase,1,,x\n")
    for end in ("", ".journal"):
        shutil.copyfile(f"{demo_store}{end}", tmp_path / f"n.duckdb{end}")
    with cc.Network.open(tmp_path / "n.duckdb") as network:
        network.register(register)
        plan = network.plan("new-yeast", sites=(2, 6), vessels=(1,))
        with pytest.raises(NotComputable, match="how far vessels differ on score:tea"):
            network.plan("new-tea")
        same = network.plan("same-wine", sites=(2, 6, 12), vessels=(1, 3))
    # Where no change is wanted, it is what is supposed: a change is found in 1 of 20 plans at most, and the
    # chance of showing that there is none grows with the sites.
    assert same.basis.startswith("Supposed: no true effect on average. ")
    chances = same.plan.filter(vessels=3).sort("sites")["chance_no_difference"].to_list()
    assert chances == sorted(chances)
    assert chances[-1] > 2 * chances[0]
    assert same.plan["chance_against"].max() <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 1000)
    assert same.plan["chance_holds"].to_list() == [0.0] * 6
    assert "no site has an effect yet" in plan.basis
    assert plan.plan["sites"].to_list() == [2, 6]


@pytest.mark.parametrize(("given", "stands_for"), [("15%", math.log(1.15)), ("0.2", 0.2), (0.2, 0.2)])
def test_a_supposed_effect_is_read_in_per_cent_or_on_the_scale(given: str | float, stands_for: float) -> None:
    assert read_effect(given, Scale("log_ratio")) == pytest.approx(stands_for)


def test_a_supposed_effect_that_makes_no_sense_is_refused() -> None:
    with pytest.raises(NotComputable, match="Give it in NTU"):
        read_effect("15%", Scale("difference", "NTU"))
    # A log of 10 is a factor of 22,000: ten per cent was meant.
    for given in ("much", "nan", "inf", "10", 10, "-200%", math.nan):
        with pytest.raises(NotComputable, match="as 10%"):
            read_effect(given, Scale("log_ratio"))
    assert read_effect("10", Scale("difference", "NTU")) == 10


def test_a_supposed_fall_may_stand_apart_from_its_option(
    demo_store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("cold-soak", "--effect", "-10%", "--sites", "1", "--vessels", "1", "--store", demo_store)
    status, out = told(capsys, *words)
    assert status == 0
    assert "a true mean effect of -10.0 %" in out


def test_shares_given_as_numbers_of_per_cent_are_refused(demo_store: Path) -> None:
    with cc.Network.open(demo_store, read_only=True) as network:
        with pytest.raises(NotComputable, match="a chance of 80 cannot be"):
            network.plan("cold-soak", sites=(1,), vessels=(1,), chance=80)
        with pytest.raises(NotComputable, match="a half-width of 10 cannot be"):
            network.vessels("cold-soak", [10])


def told(capsys: pytest.CaptureFixture[str], *command: str | Path) -> tuple[int, str]:
    status = main(["plan", *map(str, command)])
    printed = capsys.readouterr()
    return status, " ".join((printed.out + printed.err).split())


def test_panels_are_planned_without_a_store(capsys: pytest.CaptureFixture[str]) -> None:
    status, out = told(capsys, "--panel", "--share", "30%")
    assert status == 0
    # Least panels by the exact binomial, found here with scipy for a power of 0.8 at 5 %.
    least = next(n for n in range(1, 99) if binom.sf(binom.ppf(0.95, n, 1 / 3), n, 1.6 / 3) >= 0.8)
    assert f"30 % a difference {least} " in out
    assert "nobody drives" in out


def test_vessels_for_a_lots_mean_follow_the_spread_that_is_given(capsys: pytest.CaptureFixture[str]) -> None:
    _, out = told(capsys, "--spread", "27.5%", "--precision", "20%")
    n = int(out.rsplit("± 20 % ", 1)[1])
    # The least n with t(n - 1) cv / sqrt(n) at most the half-width (Student 1908), by scipy.
    widths = [t.ppf(0.975, m - 1) * 0.275 / math.sqrt(m) for m in (n - 1, n)]
    assert widths[0] > 0.20 >= widths[1]


def test_vessels_for_a_lots_mean_follow_the_spread_that_the_network_knows(
    demo_store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out = told(capsys, "cold-soak", "--precision", "20%,10%", "--store", demo_store)
    assert status == 0
    assert "as replicated trials of the network had it" in out
    assert int(out.rsplit(" ", 1)[1]) > int(out.rsplit("± 20 % ", 1)[1].split()[0])


def test_proposals_are_chosen_within_the_budget(
    demo_store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table, prices = tmp_path / "proposals.csv", tmp_path / "prices.toml"
    prices.write_text('per_sample = 35\nper_site = 400\ncurrency = "EUR"\n')
    table.write_text(
        "question_id,site_id,vessels,cost,note\n"
        "cold-soak,dorrow-mill,1,,\n"
        "cold-soak,hathen-down,2,,offered by phone\n"
        "cold-soak,lunnet-field,1,9999,\n"
        "cold-soak,pellam-rise,1,,there already\n"
        "lees-stirring,skelm-ridge,1,,\n"
    )
    with cc.Network.open(demo_store, read_only=True) as network:
        answer = network.choose(table, budget=1100, prices=prices)
    chosen = answer.proposals.filter("chosen")
    # By hand: a site at 400 with two arms of 1 or 2 vessels, a sample each at 35.
    assert chosen["cost"].to_list() == [470.0, 540.0]
    assert answer.cost == 1010.0
    assert answer.exact
    assert answer.questions["verdict"].to_list() == ["undecided", "no difference that matters"]
    why = dict(answer.proposals.select("site", "why").iter_rows())
    assert why["lunnet-field"] == "costs more than the whole budget"
    assert why["pellam-rise"].startswith("has tried this before")
    # Lees stirring is decided: nothing is gained there.
    assert why["skelm-ridge"] == "others decide more for the money"
    alone = tmp_path / "alone.csv"
    alone.write_text(
        "question_id,site_id,vessels,cost,note\nlees-stirring,skelm-ridge,1,,\n", encoding="utf-8"
    )
    with cc.Network.open(demo_store, read_only=True) as network:
        (only,) = network.choose(alone, budget=1100, prices=prices).proposals["why"].to_list()
    assert only == "raises no chance of a verdict"
    status, out = told(
        capsys, "--proposals", table, "--budget", "1100", "--prices", prices, "--store", demo_store
    )
    assert status == 0
    assert "2 trials of 5 proposed, at 2 sites: 1,010 of 1,100 EUR." in out


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("question_id\ncold-soak\n", "no column site_id"),
        (
            "question_id,site_id,vessels,cost\nno-such,dorrow-mill,1,5\n",
            "line 2: question_id no-such is not",
        ),
        (
            "question_id,site_id,vessels,cost\ncold-soak,nowhere,1,5\n",
            "line 2: site_id nowhere is not",
        ),
        ("question_id,site_id,vessels,cost\ncold-soak,dorrow-mill,some,5\n", "line 2: vessels some is not"),
        ("question_id,site_id,vessels,cost\ncold-soak,dorrow-mill,0,5\n", "line 2: vessels 0 is not"),
        ("question_id,site_id,vessels,cost\ncold-soak,dorrow-mill,1,-5\n", "line 2: cost -5 is not"),
        ("question_id,site_id,vessels,cost\ncold-soak,dorrow-mill,1,\n", "line 2: the cost is empty"),
        ("question_id,site_id,vessels,cost\ncold-soak,dorrow-mill,1,1,000\n", "line 2: this line has more"),
        ("question_id,site_id,vessels,cost\ncold-soak,dorrow-mill,1,1.000\n", "cost 1.000 may be thousands"),
        ("question_id;site_id;vessels;cost\ncold-soak;dorrow-mill;1;1.000\n", "cost 1.000 may be thousands"),
    ],
)
def test_a_line_that_cannot_be_planned_is_named(
    demo_store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], lines: str, said: str
) -> None:
    table = tmp_path / "p.csv"
    table.write_text(lines)
    status, out = told(capsys, "--proposals", table, "--budget", "9", "--store", demo_store)
    assert status == 2
    assert said in out


def test_proposals_start_from_a_table_of_what_no_site_has_tried(
    demo_store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "new" / "p.csv"
    status, out = told(capsys, "--blank-proposals", path, "--store", demo_store)
    assert status == 0
    assert "Delete the lines" in out
    table = pl.read_csv(path)
    assert table.columns == ["question_id", "site_id", "vessels", "named", "cost", "note"]
    assert table.filter(
        (pl.col("question_id") == "cold-soak") & (pl.col("site_id") == "pellam-rise")
    ).is_empty()
    with pytest.raises(CrosscellarError, match="blank-proposals"), cc.Network.open(demo_store) as network:
        network.choose(tmp_path / "none.csv", budget=1)


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ((), "nothing says what to plan"),
        (("--proposals", "x.csv"), "no budget is given"),
        (("cold-soak", "--panel"), "no use for QUESTION beside --panel"),
        (("--panel", "--spread", "15%"), "no use for --spread beside --panel"),
        (
            ("cold-soak", "--budget", "9", "--share", "30%"),
            "no use for --share and --budget beside QUESTION",
        ),
        (
            ("cold-soak", "--precision", "9%", "--figure", "x.svg"),
            "no use for --figure beside --precision",
        ),
        (
            ("--blank-proposals", "x.csv", "--risk", "9%"),
            "no use for --risk beside --blank-proposals",
        ),
        (("--proposals", "x.csv", "--season", "2026"), "no use for --season beside --proposals"),
        (("cold-soak", "--draft", "next"), "no use for QUESTION beside --draft"),
        (("--draft", "next", "--season", "2026"), "Add --proposals FILE and --season YEAR"),
        (("cold-soak", "--sites", "100000000", "--vessels", "1"), "Give numbers up to 1000"),
    ],
)
def test_a_plan_of_nothing_is_asked_back(
    demo_store: Path, capsys: pytest.CaptureFixture[str], command: tuple[str, ...], said: str
) -> None:
    status, out = told(capsys, *command, "--store", demo_store)
    assert status == 2
    assert said in out


def test_a_table_of_proposals_that_may_be_filled_in_is_never_written_over(
    demo_store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "proposals.csv"
    table.write_text("filled in")
    status, out = told(capsys, "--blank-proposals", table, "--store", demo_store)
    assert (status, table.read_text()) == (2, "filled in")
    assert f"{table}: there is a file of this name already. Choose another name, or move it away." in out


def test_a_register_without_labels_keeps_those_that_were_printed(tmp_path: Path) -> None:
    folder = tmp_path / "register"
    folder.mkdir()
    for file in (DEMO / "register").glob("*.csv"):
        if file.name != "samples.csv":
            (folder / file.name).write_bytes(file.read_bytes())
    with cc.Network.open(tmp_path / "n.duckdb") as network:
        network.register(folder)
        network.sheets(season=2025, out=tmp_path / "sheets")
        made = network._register.samples
        assert made.height > 0
        again = network.sheets(season=2025, out=tmp_path / "again")
        assert "labels are in the register already; samples.csv" in again.message
        assert network.register(folder).changes["samples"]["ended"] == 0
        assert network._register.samples.equals(made)


def test_blank_sheets_follow_the_protocols_log_and_scale(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store, out = str(tmp_path / "n.duckdb"), str(tmp_path / "sheets")
    assert main(["register", str(DEMO / "register"), "--store", store]) == 0
    asked = ["--trial", "JC23-HTH", "--trial", "LS25-OST", "--ferment-reading", "density", "--scale", "1,9"]
    assert main(["sheets", "--out", out, *asked, "--ferment-days", "3", "--store", store]) == 0
    log = openpyxl.load_workbook(tmp_path / "sheets" / "JC23-HTH.xlsx")["Ferment log"]
    assert "Density (g/mL)" in [cell.value for cell in log[1]]
    # Three days for each of its six vessels, and the headings.
    assert log.max_row == 1 + 3 * 6
    keys = tmp_path / "sheets" / "keys"
    scores = openpyxl.load_workbook(keys / "LS25-OST_scores_key.xlsx")["Scores"]
    low = [cell.value for cell in scores[1]].index("Scale low")
    assert [cell.value for cell in scores[2]][low : low + 2] == [1, 9]
    capsys.readouterr()
    with pytest.raises(SystemExit):
        main(["sheets", "--out", out, "--scale", "9,1", "--store", store])
    assert "9,1 is no scale" in capsys.readouterr().err


def test_a_tasting_question_is_not_proposed_among_trials_with_vessels() -> None:
    from crosscellar.proposals import blank_proposals

    questions = pl.DataFrame({"question_id": ["lees", "told"], "primary_response": ["glycerol", "triangle"]})
    sites = pl.DataFrame({"site_id": ["a", "b"]})
    tried = pl.DataFrame({"usable": [True], "question": ["lees"], "site": ["a"]})
    assert blank_proposals(questions, sites, tried).select("question_id", "site_id").rows() == [("lees", "b")]
