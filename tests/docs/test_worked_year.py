"""The worked notebook says what its cells come to, and the README's figure is the one that is drawn today."""

from __future__ import annotations

import importlib.util
import re
import sys
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType
from typing import Any

import nbformat
import pytest

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data" / "demo"
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")


def load(name: str) -> ModuleType:
    """A script of docs/ as a module."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "docs" / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


made = load("make_worked_year")
KEPT = made.read_notebook()


class Words(HTMLParser):
    """The text of a page, without its styles."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.text: list[str] = []
        self.feed(re.sub(r"<style.*?</style>", "", page, flags=re.S))

    def handle_data(self, data: str) -> None:
        self.text += data.split()


def words(kind: str, text: str) -> list[str]:
    return Words(text).text if kind == "text/html" else text.split()


def test_the_notebook_is_one_by_the_published_schema() -> None:
    nbformat.validate(nbformat.read(made.NOTEBOOK, as_version=4))


def same_drawing(kept: str, drawn: str) -> bool:
    """Whether two SVGs are the same but for the last digits of their numbers."""
    apart = [re.sub(r"\s+", " ", NUMBER.sub("#", text)) for text in (kept, drawn)]
    numbers = [[float(found) for found in NUMBER.findall(text)] for text in (kept, drawn)]
    return apart[0] == apart[1] and numbers[0] == pytest.approx(numbers[1], abs=0.02)


def test_each_cell_comes_to_what_the_notebook_shows_below_it(demo_store: Path, tmp_path: Path) -> None:
    demo = tmp_path / "crosscellar-demo"
    demo.mkdir()
    (demo / "network.duckdb").symlink_to(demo_store)
    (demo / "inbox").symlink_to(DEMO / "inbox", target_is_directory=True)
    run = made.run_notebook(KEPT, tmp_path)
    for place, (kept, now) in enumerate(zip(made.code_cells(KEPT), made.code_cells(run), strict=True), 1):
        assert kept["execution_count"] == now["execution_count"] == place
        assert [output["output_type"] for output in kept["outputs"]] == [
            output["output_type"] for output in now["outputs"]
        ]
        for shown, comes in zip(kept["outputs"], now["outputs"], strict=True):
            assert same_output(shown, comes), f"cell {place}: run python docs/make_worked_year.py"


def same_output(shown: dict[str, Any], comes: dict[str, Any]) -> bool:
    """Whether a cell says the same; of HTML its words count, of a drawing what can be seen."""
    if shown["output_type"] == "stream":
        return bool(shown["text"] == comes["text"])
    (kind,) = shown["data"]
    if list(comes["data"]) != [kind]:
        return False
    before, after = ("".join(output["data"][kind]) for output in (shown, comes))
    if kind == "image/svg+xml":
        return same_drawing(before, after)
    return words(kind, before) == words(kind, after)


def test_the_readmes_figure_is_the_one_of_the_notebook() -> None:
    (drawn,) = [
        "".join(output["data"]["image/svg+xml"])
        for cell in made.code_cells(KEPT)
        for output in cell["outputs"]
        if "image/svg+xml" in output.get("data", {})
    ]
    kept = made.FIGURE.read_text(encoding="utf-8")
    # A notebook keeps the drawing without its declaration, and with its size in another order.
    inside = [text[text.index(">", text.index("<svg")) :].strip() for text in (kept, drawn)]
    assert same_drawing(*inside), "run: python docs/make_worked_year.py"


def test_another_number_in_an_output_is_seen() -> None:
    def output(kind: str, text: str) -> dict[str, Any]:
        return {"output_type": "execute_result", "data": {kind: [text]}}

    assert same_output(output("text/html", "<td style='a'>+29</td>"), output("text/html", "<td>+29</td>"))
    assert not same_output(output("text/html", "<td>+29</td>"), output("text/html", "<td>+30</td>"))
    assert not same_output(output("text/plain", "1"), output("text/html", "1"))


def test_a_drawing_that_differs_by_more_than_rounding_is_another() -> None:
    assert same_drawing('<path d="M 1.0001 2"/>', '<path d="M 1.0002 2"/>')
    assert not same_drawing('<path d="M 1.5 2"/>', '<path d="M 1.0 2"/>')
    assert not same_drawing('<path d="M 1 2"/>', '<path d="L 1 2"/>')


def test_the_notebook_uses_public_names_only() -> None:
    source = "\n".join("".join(cell["source"]) for cell in made.code_cells(KEPT))
    assert re.findall(r"crosscellar\.\w+|\bfrom crosscellar\b", re.sub(r'"[^"]*"', "", source)) == []
    assert not re.search(r"\._[a-z]", source)
