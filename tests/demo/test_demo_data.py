"""The demo network: it regenerates, covers what it claims, and its values could stand in a cellar book."""

from __future__ import annotations

import ast
import csv
import subprocess
import sys
import zipfile
from collections import Counter, defaultdict
from itertools import pairwise
from pathlib import Path

import openpyxl
import pytest

DEMO = Path(__file__).parents[2] / "data" / "demo"
SHEETS = sorted(path for folder in ("inbox", "corrections") for path in (DEMO / folder).rglob("*.*"))


def table(name: str) -> list[dict[str, str]]:
    with (DEMO / "register" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def planted() -> list[dict[str, str]]:
    with (DEMO / "planted_faults.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def lines_of(path: Path) -> list[list[str]]:
    """A CSV sheet as lists of texts; the separator is the one its heading line holds."""
    content = path.read_bytes()
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252")
    separator = ";" if ";" in text.splitlines()[0] else ","
    return list(csv.reader(text.splitlines(), delimiter=separator))


def alder_values() -> dict[tuple[str, str, str], dict[str, float]]:
    """(trial, vessel, stage) -> analyte -> value: one laboratory's long sheets without planted cells."""
    left_out = {(fault["file"], fault["cell"]) for fault in planted()}
    out: dict[tuple[str, str, str], dict[str, float]] = defaultdict(dict)
    for path in sorted((DEMO / "inbox").rglob("alder_*.csv")):
        heading, *rows = lines_of(path)
        if "sample_id" in heading or "copy" in path.name:
            continue
        name = path.relative_to(DEMO).as_posix()
        for number, cells in enumerate(rows, 2):
            row = dict(zip(heading, cells, strict=True))
            places = {(name, f"{letter}{number}") for letter in "CEG"}
            if places & left_out or row["value"].startswith("<"):
                continue
            out[row["trial_id"], row["vessel_id"], row["stage"]][row["analyte"]] = float(row["value"])
    return out


@pytest.fixture(scope="module")
def values() -> dict[tuple[str, str, str], dict[str, float]]:
    return alder_values()


def content(path: Path) -> object:
    """What must be the same: the bytes; of a workbook its parts, since packers differ by version."""
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as archive:
            return {name: archive.read(name) for name in archive.namelist()}
    return path.read_bytes()


def test_the_script_writes_the_committed_files_again(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(DEMO / "make_demo.py"), "--out", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    made = {path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()}
    kept = {path.relative_to(DEMO) for path in SHEETS}
    kept |= {path.relative_to(DEMO) for path in (DEMO / "register").iterdir()}
    kept.add(Path("planted_faults.csv"))
    assert made == kept
    for name in sorted(made):
        assert content(tmp_path / name) == content(DEMO / name), name


def test_the_script_needs_the_standard_library_and_xlsxwriter_only() -> None:
    imported = set()
    for path in DEMO.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                imported.add(str(node.module).partition(".")[0])
    own = {path.stem for path in DEMO.glob("*.py")}
    assert imported - own - set(sys.stdlib_module_names) == {"xlsxwriter"}


def test_the_network_is_as_large_as_it_says() -> None:
    trials, vessels, arms = table("trials"), table("vessels"), table("arms")
    assert len(table("sites")) == 11
    assert {trial["season"] for trial in trials} == {"2022", "2023", "2024", "2025"}
    assert len(table("questions")) == 7
    assert len(trials) == 48
    assert {trial["colour"] for trial in trials} == {"red", "white"}
    assert Counter(trial["status"] for trial in trials) == {"complete": 46, "lost": 1, "running": 1}
    each_arm = Counter((vessel["trial_id"], vessel["arm_id"]) for vessel in vessels)
    assert set(each_arm.values()) == {1, 2, 3}
    single = {trial for (trial, _), count in each_arm.items() if count == 1}
    assert 0.4 <= len(single) / len(trials) <= 0.6
    treatments = Counter(arm["trial_id"] for arm in arms if arm["role"] == "treatment")
    assert Counter(treatments.values())[3] >= 3, "three levels and a control"
    assert Counter(treatments.values())[2] >= 2, "two treatment arms sharing a control"
    seasons_of = defaultdict(set)
    for trial in trials:
        seasons_of[trial["site_id"], trial["question_id"]].add(trial["season"])
    assert sum(len(seasons) > 1 for seasons in seasons_of.values()) >= 5
    assert any(vessel["block"] for vessel in vessels)


def test_the_register_joins_up_with_one_control_a_trial() -> None:
    trials = {trial["trial_id"] for trial in table("trials")}
    arms = {(arm["trial_id"], arm["arm_id"]) for arm in table("arms")}
    controls = Counter(arm["trial_id"] for arm in table("arms") if arm["role"] == "control")
    assert controls == dict.fromkeys(trials, 1)
    assert {(vessel["trial_id"], vessel["arm_id"]) for vessel in table("vessels")} == arms
    sites = {site["site_id"] for site in table("sites")}
    questions = {question["question_id"] for question in table("questions")}
    assert {trial["site_id"] for trial in table("trials")} <= sites
    assert {trial["question_id"] for trial in table("trials")} == questions
    primary = Counter(row["trial_id"] for row in table("responses") if row["role"] == "primary")
    assert primary == dict.fromkeys(trials, 1)


def test_nobody_in_it_can_be_written_to() -> None:
    # RFC 2606, section 2: names under .example belong to nobody.
    assert all(site["contact"].endswith(".example") for site in table("sites"))


def test_the_sheets_are_few_and_small() -> None:
    assert 50 <= len(SHEETS) <= 75
    assert sum(path.stat().st_size for path in SHEETS) < 500_000


def test_every_trial_comes_back_in_some_sheet() -> None:
    text = ""
    for path in SHEETS:
        if path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as archive:
                text += archive.read("xl/sharedStrings.xml").decode("utf-8")
        else:
            text += path.read_bytes().decode("cp1252")
    assert [trial["trial_id"] for trial in table("trials") if trial["trial_id"] not in text] == []


@pytest.mark.parametrize("fault", planted(), ids=lambda fault: f"{Path(fault['file']).name}!{fault['cell']}")
def test_each_planted_fault_stands_where_the_list_says(fault: dict[str, str]) -> None:
    path = DEMO / fault["file"]
    assert path.is_file()
    assert fault["expected"].split(" or ")[0] in {"accepted", "refused", "held", "already", "blank", "line"}
    if not fault["cell"]:
        assert path.read_bytes() == path.with_name("alder_2023_must.csv").read_bytes()
        return
    cell = fault["cell"].partition(":")[0]
    if path.suffix == ".xlsx":
        book = openpyxl.load_workbook(path, data_only=True)
        shown = book[fault["sheet"]][cell].value
        hidden = book[fault["sheet"]].row_dimensions[int(cell[1:])].hidden
        assert hidden == ("hidden" in fault["what"])
    else:
        assert fault["sheet"] == ""
        shown = lines_of(path)[int(cell[1:]) - 1][ord(cell[0]) - ord("A")]
    assert shown not in (None, "")
    if fault["what"].startswith("the cell shows"):
        assert shown == fault["what"].rpartition(" ")[2]
    if fault["what"] == "decimal slip in pH":
        # No must or wine: open red and white wine data (Cortez et al. 2009) span pH 2.72 to 4.01.
        assert 27 <= float(shown) <= 41


def test_alcohol_follows_sugar(values: dict[tuple[str, str, str], dict[str, float]]) -> None:
    # 0.50 to 0.70 % vol for each degree Brix of the must: the range in instrument manuals.
    ratios = [
        dry["Ethanol"] / values[trial, vessel, "juice"]["Brix"]
        for (trial, vessel, stage), dry in values.items()
        if stage == "end_primary" and "Brix" in values.get((trial, vessel, "juice"), {})
    ]
    assert len(ratios) > 80
    assert all(0.54 <= ratio <= 0.62 for ratio in ratios)


def test_lactic_acid_comes_from_malic_acid(values: dict[tuple[str, str, str], dict[str, float]]) -> None:
    # Stoichiometry: 90.08 g of lactic acid from 134.09 g of malic acid, 0.672 g/g.
    yields = []
    for (trial, vessel, stage), after in values.items():
        before = values.get((trial, vessel, "end_primary"), {})
        if stage == "end_mlf" and "Malic acid" in before and "Lactic acid" in after:
            yields.append(after["Lactic acid"] / (before["Malic acid"] - after.get("Malic acid", 0.03)))
    assert len(yields) > 30
    assert all(0.55 <= ratio <= 0.80 for ratio in yields)
    assert sum(yields) / len(yields) == pytest.approx(90.08 / 134.09, abs=0.04)


def test_acidity_and_ph_move_together(values: dict[tuple[str, str, str], dict[str, float]]) -> None:
    # pH + 0.1 TA (g/L as tartaric): 3.52 to 4.65 in 99.8 % of 6,497 wines of Cortez et al. (2009).
    sums = [
        row["pH"] + 0.1 * row["Titratable acidity"]
        for row in values.values()
        if {"pH", "Titratable acidity"} <= set(row)
    ]
    assert all(3.5 <= total <= 4.65 for total in sums)


def test_free_sulfur_dioxide_stays_below_total(values: dict[tuple[str, str, str], dict[str, float]]) -> None:
    # By definition: total is free and bound.
    pairs = [(row["Free SO2"], row["Total SO2"]) for row in values.values() if "Total SO2" in row]
    assert len(pairs) > 70
    assert all(free < total for free, total in pairs)


def test_only_red_wine_has_anthocyanins(values: dict[tuple[str, str, str], dict[str, float]]) -> None:
    colours = {trial["trial_id"]: trial["colour"] for trial in table("trials")}
    measured = {colours[trial] for (trial, _, _), row in values.items() if "Anthocyanins" in row}
    assert measured == {"red"}


def test_ferment_logs_fall_from_must_to_dry_but_for_the_stuck_tank() -> None:
    stuck = set()
    for path in sorted((DEMO / "inbox").rglob("log_*.csv")):
        heading, *rows = lines_of(path)
        if "Brix" not in heading:
            continue
        place = heading.index("Brix")
        by_vessel = defaultdict(list)
        for row in rows:
            value = row[place].replace("\N{MINUS SIGN}", "-").replace(",", ".")
            by_vessel[row[0], row[2]].append(float(value))
        for key, log in by_vessel.items():
            assert 18 < log[0] < 27
            assert max(b - a for a, b in pairwise(log)) < 0.5, key
            if len(log) > 4 and log[-1] > 0:
                stuck.add(key)
    assert stuck == {("NT24-SKM", "T47")}
