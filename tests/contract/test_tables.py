"""Tables that are read one by one say what the whole file says, whatever its layout."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from crosscellar.contract import schema_folder
from crosscellar.contract.reading import read_toml
from crosscellar.contract.tables import Tables
from crosscellar.errors import CrosscellarError


def tables(path: Path) -> Tables[Any]:
    return Tables(path, whole=read_toml, made=lambda _, table: table)


def test_the_analytes_read_one_by_one_are_those_of_the_whole_file() -> None:
    # tomllib, the reader of Python's own library, on the whole text.
    path = schema_folder() / "analytes.toml"
    assert dict(tables(path)) == tomllib.loads(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "text",
    [
        '["quoted name"]\na = 1\n[b]\nc = 2\n',
        '[a]\ntext = """\n[not_a_table]\n"""\n[b]\nc = 2\n',
        "[a]\nb = [\n[1, 2],\n[3],\n]\n[c]\nd = 4\n",
        "[[many]]\na = 1\n[[many]]\na = 2\n",
        "first = {a = 1}\n[b]\nc = 2\n",
        "[a]\nb = 1\n[c]\nd = 2\n[a.e]\nf = 3\n",
        "  [ a ]\nb = 1\n[c]\nd = 2\n",
        "# nothing but a remark\n",
    ],
)
def test_a_file_of_any_layout_reads_like_the_whole(tmp_path: Path, text: str) -> None:
    path = tmp_path / "some.toml"
    path.write_text(text, encoding="utf-8")
    assert dict(tables(path)) == tomllib.loads(text)


@pytest.mark.parametrize("text", ["[a]\nb = 1\n[c]\nd = 2\n[a]\ne = 3\n", "[a]\nb = \n[c]\nd = 2\n"])
def test_what_is_wrong_in_a_table_is_told_with_its_line_in_the_file(tmp_path: Path, text: str) -> None:
    path = tmp_path / "some.toml"
    path.write_text(text, encoding="utf-8")
    read = tables(path)
    assert read["c"] == {"d": 2}
    with pytest.raises(tomllib.TOMLDecodeError) as expected:
        tomllib.loads(text)
    with pytest.raises(CrosscellarError) as caught:
        read["a"]
    assert str(expected.value) in str(caught.value)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(CrosscellarError, match="absent"):
        tables(tmp_path / "absent.toml")
