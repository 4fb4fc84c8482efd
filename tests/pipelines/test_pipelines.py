"""The three scripts a coordinator copies: each does its job on the demo, with public names only."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PIPELINES = ROOT / "pipelines"
DEMO = ROOT / "data" / "demo"
SCRIPTS = sorted(PIPELINES.glob("*.py"))

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Runs a script in a folder of its own, as the coordinator would."""
    folder = tmp_path_factory.mktemp("coordinator")

    def script(name: str, *words: str | Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, str(PIPELINES / name), *map(str, words)],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
            timeout=300,
        )

    return script


@pytest.fixture(scope="module")
def season(run: Run) -> subprocess.CompletedProcess[str]:
    """The demo's inbox, taken in once for all the tests here."""
    return run(
        "take_in_season.py", "--register", DEMO / "register", "--inbox", DEMO / "inbox", "--season", "2025"
    )


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_a_script_uses_public_names_only(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("crosscellar"):
            assert node.module == "crosscellar.errors"
        if isinstance(node, ast.Import):
            assert all(
                alias.name in {"crosscellar"} or "crosscellar" not in alias.name for alias in node.names
            )
        if isinstance(node, ast.Attribute):
            assert not node.attr.startswith("_")


def test_a_season_is_taken_in_with_every_reading_accounted_for(
    season: subprocess.CompletedProcess[str],
) -> None:
    # Exit status 1: done, but the demo's planted faults were refused or held.
    assert season.returncode == 1, season.stderr
    (line,) = [line for line in season.stdout.splitlines() if "readings came in" in line]
    counts = [int(word) for word in line.replace(":", "").replace(",", "").split() if word.isdigit()]
    assert counts[0] == sum(counts[1:])
    assert counts[1] > 0.9 * counts[0]


def test_a_mended_sheet_changes_its_two_values_and_its_second_sending_nothing(
    run: Run, season: subprocess.CompletedProcess[str]
) -> None:
    assert season.returncode == 1
    words = ("take_in_season.py", "--register", DEMO / "register", "--inbox", DEMO / "corrections")
    mended = run(*words, "--correction")
    assert ": 2 accepted, 0 refused, 0 held" in mended.stdout
    assert mended.returncode == 0
    again = run(*words, "--correction")
    assert ": 0 accepted, 0 refused, 0 held" in again.stdout


def test_what_is_still_owed_is_told_site_by_site(season: subprocess.CompletedProcess[str]) -> None:
    assert "Merrit Slope" in season.stdout or "merrit-slope" in season.stdout


def test_one_question_is_answered_with_a_figure(
    run: Run, season: subprocess.CompletedProcess[str], tmp_path: Path
) -> None:
    assert season.returncode == 1
    figure = tmp_path / "diacetyl.svg"
    done = run("ask_one_question.py", "malolactic-timing", "--figure", figure)
    assert done.returncode == 0, done.stderr
    assert "holds at new sites" in done.stdout
    assert figure.read_text(encoding="utf-8").lstrip().startswith("<?xml")


def test_the_annual_summary_is_written(
    run: Run, season: subprocess.CompletedProcess[str], tmp_path: Path
) -> None:
    assert season.returncode == 1
    done = run(
        "annual_summary.py", "2025", "--out", tmp_path / "summary", "--backup", tmp_path / "copy.duckdb"
    )
    assert done.returncode == 0, done.stderr + done.stdout
    (page,) = (tmp_path / "summary").rglob("*.html")
    assert "lees stirring" in page.read_text(encoding="utf-8").lower()
    assert (tmp_path / "copy.duckdb").stat().st_size > 0


def test_a_store_that_is_not_there_is_one_sentence_and_no_traceback(run: Run, tmp_path: Path) -> None:
    done = run("annual_summary.py", "2025", "--store", tmp_path / "none" / "network.duckdb")
    assert done.returncode in (2, 3)
    assert "Traceback" not in done.stderr
    assert done.stderr.strip()
