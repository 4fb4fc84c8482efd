"""What a command's own process loads, and that it finds there what any process finds."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "src" / "crosscellar"

#: Runs a command as `crosscellar` does, and prints which of these packages and modules it has loaded.
RUN = """
import os, sys
from crosscellar.cli import main
words, asked = sys.argv[2:], sys.argv[1].split(",")
try:
    status = main(words)
except SystemExit as ended:
    status = ended.code
print("LOADED", status, *(name for name in asked if name in sys.modules))
"""


@pytest.fixture
def loaded_by() -> Callable[..., set[str]]:
    """Of these modules those that a command has loaded at its end, in a process of its own."""

    def found(asked: set[str], *words: str | Path) -> set[str]:
        line = [sys.executable, "-c", RUN, ",".join(sorted(asked)), *(str(word) for word in words)]
        done = subprocess.run(line, capture_output=True, text=True, check=True)
        _, status, *names = done.stdout.splitlines()[-1].split()
        assert status == "0", done.stderr
        return set(names)

    return found


def run_alone(code: str) -> str:
    """What this code prints in a process of its own, in which scipy.special waits until it is asked for."""
    head = "from crosscellar.cli.loading import special_functions_when_asked as _\n_()\n"
    done = subprocess.run([sys.executable, "-c", head + code], capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


@pytest.mark.parametrize("words", [("--help",), ("pool", "--help"), ("--version",)], ids=" ".join)
def test_help_and_version_load_neither_frames_nor_database(
    loaded_by: Callable[..., set[str]], words: tuple[str, ...]
) -> None:
    assert loaded_by({"argparse", "polars", "duckdb", "numpy", "scipy", "rich"}, *words) == {"argparse"}


@pytest.mark.parametrize("question", ["bentonite-dose", "nutrient-timing", "lees-stirring"])
def test_a_question_loads_of_scipy_its_compiled_functions_alone(
    loaded_by: Callable[..., set[str]], demo_store: Path, question: str
) -> None:
    asked = {
        "polars",
        "scipy.special._ufuncs",
        "scipy.special._support_alternative_backends",
        "scipy.optimize",
        "pyarrow",
        "pandera",
        "statsmodels",
        "crosscellar.intake",
    }
    assert loaded_by(asked, "pool", question, "--store", demo_store) == {"polars", "scipy.special._ufuncs"}


def test_every_function_of_scipy_asked_for_singly_is_the_one_that_scipy_gives() -> None:
    called = {
        alias.name
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module == "scipy.special"
        for alias in node.names
    }
    assert {"stdtrit", "polygamma"} <= called
    code = f"""
import sys
import scipy.special
early = {{name: getattr(scipy.special, name) for name in {sorted(called)}}}
print("scipy.special._support_alternative_backends" in sys.modules)
from scipy.special import roots_legendre
print("scipy.special._support_alternative_backends" in sys.modules, type(scipy.special).__name__)
print([name for name, function in early.items() if getattr(scipy.special, name) is not function])
"""
    assert run_alone(code).split("\n") == ["False", "True module", "[]", ""]


def test_what_scipy_does_not_keep_with_its_functions_is_found_in_the_whole_package() -> None:
    code = """
from scipy.special import ndtr, logsumexp, orthogonal
from scipy.special import *
import scipy.stats, scipy.optimize, scipy.special
print(ndtr(0.0), logsumexp([0.0]), callable(sph_harm_y), scipy.special.ndtr is ndtr)
"""
    assert run_alone(code) == "0.5 0.0 True True\n"
    assert "cannot import name 'no_such_function'" in run_alone("from scipy.special import no_such_function")


@pytest.mark.parametrize("part", ["_ufuncs", "_basic"])
def test_a_module_of_scipy_that_cannot_be_loaded_is_named(part: str) -> None:
    code = f"""
import sys
sys.modules["scipy.special.{part}"] = None
from scipy.special import polygamma
"""
    assert f"import of scipy.special.{part} halted" in run_alone(code)
