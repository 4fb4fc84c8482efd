"""The page about a new analyte does what it says, on a copy of the schema files."""

from __future__ import annotations

import importlib.util
import inspect
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from crosscellar.contract import Contract, load_contract, reading

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "adding-an-analyte.md").read_text("utf-8")
#: What the page adds to which file.
BLOCKS = re.findall(
    r"`([\w/]+\.(?:toml|csv))`(?:(?!```).)*?:\n\n```(?:toml|csv)\n(.*?)^```", PAGE, re.S | re.M
)


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """A folder with the schema files and the demo's register, each with what the page adds."""
    shutil.copytree(ROOT / "schemas", tmp_path / "schemas")
    shutil.copytree(ROOT / "data" / "demo" / "register", tmp_path / "register")
    assert [name for name, _ in BLOCKS] == [
        "schemas/analytes.toml",
        "schemas/units.toml",
        "schemas/ambiguous.toml",
        "register/responses.csv",
        "glutathione.csv",
    ]
    for name, text in BLOCKS:
        with (tmp_path / name).open("a", encoding="utf-8") as file:
            file.write(f"\n{text}" if name.endswith(".toml") else text)
    return tmp_path


@pytest.fixture
def declared(written: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The same, with these schema files in force."""
    with monkeypatch.context() as patched:
        patched.setattr(reading, "schema_folder", lambda: written / "schemas")
        load_contract.cache_clear()
        yield written
    load_contract.cache_clear()


def test_the_page_adds_what_was_not_there() -> None:
    assert "glutathione" not in load_contract().analytes
    assert "g/m3" not in load_contract().units
    assert load_contract().name_analyte("Glut").id is None


def test_a_sheet_of_the_new_analyte_comes_in_as_the_page_prints(
    declared: Path, tell: Callable[[str], int]
) -> None:
    assert tell(PAGE) == 4


def test_the_files_of_the_page_agree_as_all_schema_files_must(written: Path) -> None:
    path = ROOT / "tests" / "contract" / "test_schema_files.py"
    spec = importlib.util.spec_from_file_location("schema_files", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    added = Contract(written / "schemas")
    assert "glutathione" in added.analytes
    checks = [
        check
        for name, check in vars(module).items()
        if name.startswith("test_") and list(inspect.signature(check).parameters) == ["contract"]
    ]
    assert len(checks) > 12
    for check in checks:
        check(added)
