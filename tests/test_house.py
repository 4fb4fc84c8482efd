"""The rules of the house, held by machine: which room may see which, and what never stands in a file."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "src" / "crosscellar"

#: A room may import rooms of a lower number, and itself; neighbours on one level do not see each other.
LEVELS = {
    "errors": 0,
    "contract": 1,
    "gate": 1,
    "workbooks": 1,
    "register": 2,
    "intake": 3,
    "store": 3,
    "effects": 3,
    "pooling": 4,
    "planning": 5,
    "sheets": 6,
    "report": 6,
    "results": 6,
    "plans": 7,
    "proposals": 7,
    "answers": 5,
    "lending": 4,
    "kept": 6,
    "summary": 8,
    "evidence": 9,
    "rebuilding": 9,
    "forgetting": 9,
    "prospects": 10,
    "upkeep": 10,
    "network": 11,
    "demo": 12,
    "console": 12,
    "cli": 13,
}

#: Heavy packages and the rooms that may import them.
HOMES = {
    "duckdb": {"store"},
    "openpyxl": {"intake", "register"},
    "pandera": {"contract"},
    "matplotlib": {"report"},
    "jinja2": {"report"},
    "typst": {"report"},
    "xlsxwriter": {"workbooks"},
    "statsmodels": {"effects", "pooling", "planning"},
    "pandas": set(),
}


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imports_of(path: Path) -> list[tuple[str, int, bool]]:
    """Every imported module with its line and whether the import stands at the top of the module."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    top = {id(node) for node in tree.body}
    typing_only = {
        id(inner)
        for node in tree.body
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
        for inner in ast.walk(node)
    }
    found: list[tuple[str, int, bool]] = []
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno, id(node) in top) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import at line {node.lineno}"
            found.append((node.module or "", node.lineno, id(node) in top))
    return found


MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_one_way(path: Path) -> None:
    room = room_of(path)
    if room == "__main__":
        return
    for module, line, _ in imports_of(path):
        if module.split(".")[0] != "crosscellar":
            continue
        assert module != "crosscellar", f"{path.name}:{line} imports the package root"
        other = module.split(".")[1]
        seen = other == room or LEVELS[other] < LEVELS[room]
        assert seen, f"{path.name}:{line} {room} may not see {other}"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_heavy_packages_have_one_home(path: Path) -> None:
    for module, line, _ in imports_of(path):
        homes = HOMES.get(module.split(".")[0])
        assert homes is None or room_of(path) in homes, f"{path.name}:{line} imports {module}"


def test_the_page_for_developers_names_every_room() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert [room for room in LEVELS if not re.search(rf"^  {room}(\.py|/) ", page, re.M)] == []


def test_every_file_that_the_page_for_developers_names_is_there() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([\w./]+/[\w.]*)`", page))
    assert {"effects/scale.py", "schemas/store/"} <= named
    made_by_running = {"benchmarks/results/"}
    gone = [
        name for name in named - made_by_running if not any((top / name).exists() for top in (ROOT, PACKAGE))
    ]
    assert gone == []


def test_tests_import_what_the_package_or_its_test_extra_names() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    # pandas comes with statsmodels.
    known = {"pandas"} | {re.split(r"[^\w-]", name)[0].lower() for name in named}
    files = list((ROOT / "tests").rglob("*.py"))
    own = {"crosscellar", *(path.stem for path in files)}
    others = {
        (module.split(".")[0], path.name)
        for path in files
        for module, _, _ in imports_of(path)
        if module.split(".")[0] not in own | sys.stdlib_module_names
    }
    assert len(others) > 100
    assert {(module, name) for module, name in others if module.lower() not in known} == set()


def test_help_needs_no_heavy_package() -> None:
    code = (
        "import sys, crosscellar.cli\n"
        "heavy = {'polars', 'duckdb', 'pandera', 'matplotlib', 'statsmodels', 'scipy', 'openpyxl', 'rich'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_project_speaks_of_itself_alone() -> None:
    tracked = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False).stdout
    names = [name for name in tracked.decode().split("\0") if name]
    files = [ROOT / name for name in names] or [
        path for path in ROOT.rglob("*") if path.is_file() and ".venv" not in path.parts
    ]
    machine = re.compile(r"/(?:work|root|farm)/|\bshared/(?:design|reference)|pypi\.org|files\.pythonhosted")
    offenders = []
    for path in files:
        if path.suffix not in {".py", ".toml", ".md", ".sql", ".html", ".csv", ".json", ".txt", ""}:
            continue
        if path == Path(__file__).resolve() or not path.is_file() or "faults" in path.parts:
            continue
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        offenders += [
            f"{path.relative_to(ROOT)}:{number}"
            for number, line in enumerate(text.splitlines(), 1)
            if machine.search(line)
        ]
    assert offenders == []
