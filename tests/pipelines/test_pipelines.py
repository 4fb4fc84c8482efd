"""The three scripts a coordinator copies: each does its job on the demo, with public names only."""

from __future__ import annotations

import ast
import runpy
import shutil
import subprocess
import sys
from collections.abc import Callable
from contextlib import chdir, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PIPELINES = ROOT / "pipelines"
DEMO = ROOT / "data" / "demo"
SCRIPTS = sorted(PIPELINES.glob("*.py"))


@dataclass(frozen=True)
class Done:
    """What a script came to."""

    status: int
    out: str
    err: str


Run = Callable[..., Done]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Runs a script from its first line to its last in a folder of its own, as the coordinator would."""
    folder = tmp_path_factory.mktemp("coordinator")

    def script(name: str, *words: str | Path) -> Done:
        out, err = StringIO(), StringIO()
        with (
            chdir(folder),
            pytest.MonkeyPatch.context() as patch,
            redirect_stdout(out),
            redirect_stderr(err),
            pytest.raises(SystemExit) as ended,
        ):
            patch.setattr(sys, "argv", [name, *map(str, words)])
            runpy.run_path(str(PIPELINES / name), run_name="__main__")
        return Done(int(ended.value.code or 0), out.getvalue(), err.getvalue())

    return script


@pytest.fixture(scope="module")
def season(run: Run) -> Done:
    """The sheets of one season, taken in once for all the tests here."""
    inbox = DEMO / "inbox" / "2024"
    return run("take_in_season.py", "--register", DEMO / "register", "--inbox", inbox, "--season", "2024")


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_a_script_uses_public_names_only(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert not str(node.module).startswith("crosscellar")
        if isinstance(node, ast.Import):
            assert all(
                alias.name in {"crosscellar"} or "crosscellar" not in alias.name for alias in node.names
            )
        if isinstance(node, ast.Attribute):
            assert not node.attr.startswith("_")


def test_a_season_is_taken_in_with_every_reading_accounted_for(
    season: Done,
) -> None:
    # Exit status 1: done, but the demo's planted faults were refused or held.
    assert season.status == 1, season.err
    (line,) = [line for line in season.out.splitlines() if "readings came in" in line]
    counts = [int(word) for word in line.replace(":", "").replace(",", "").split() if word.isdigit()]
    assert counts[0] == sum(counts[1:])
    assert counts[1] > 0.9 * counts[0]


def test_a_mended_sheet_changes_its_two_values_and_its_second_sending_nothing(run: Run, season: Done) -> None:
    assert season.status == 1
    words = ("take_in_season.py", "--register", DEMO / "register", "--inbox", DEMO / "corrections")
    mended = run(*words, "--correction")
    assert ": 2 accepted, 0 refused, 0 held" in mended.out
    assert mended.status == 0
    again = run(*words, "--correction")
    assert ": 0 accepted, 0 refused, 0 held" in again.out


def test_what_is_still_owed_is_told_site_by_site(season: Done) -> None:
    # The demo leaves out a score at Tarrow Bye; two triangle answers at Merrit Slope cannot count.
    sites = [line.split()[2] for line in season.out.splitlines() if line.startswith("--- to ")]
    assert sites == ["merrit-slope", "tarrow-bye"]


def test_one_question_is_answered_with_a_figure(run: Run, demo_store: Path, tmp_path: Path) -> None:
    figure, store = tmp_path / "diacetyl.svg", tmp_path / "network.duckdb"
    for end in ("", ".journal"):
        shutil.copyfile(f"{demo_store}{end}", f"{store}{end}")
    done = run("ask_one_question.py", "malolactic-timing", "--store", store, "--figure", figure)
    assert done.status == 0, done.err
    assert "holds at new sites" in done.out
    assert figure.read_text(encoding="utf-8").lstrip().startswith("<?xml")


def test_the_annual_summary_is_written(run: Run, season: Done, tmp_path: Path) -> None:
    assert season.status == 1
    done = run(
        "annual_summary.py", "2024", "--out", tmp_path / "summary", "--backup", tmp_path / "copy.duckdb"
    )
    assert done.status == 0, done.err + done.out
    (page,) = (tmp_path / "summary").rglob("*.html")
    assert "lees stirring" in page.read_text(encoding="utf-8").lower()
    assert (tmp_path / "copy.duckdb").stat().st_size > 0


@pytest.mark.parametrize(
    "words",
    [
        ("annual_summary.py", "2025", "--store", "none/network.duckdb"),
        ("annual_summary.py", "2025"),
        ("ask_one_question.py", "cold-soak", "--store", "another.duckdb"),
    ],
)
def test_a_store_that_is_not_there_is_one_sentence_and_no_store(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    """In a process of its own, as it is typed."""
    done = subprocess.run(
        [sys.executable, str(PIPELINES / words[0]), *words[1:]],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode in (2, 3)
    assert "Traceback" not in done.stderr
    assert done.stderr.strip()
    assert list(tmp_path.iterdir()) == []
