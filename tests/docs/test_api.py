"""The page of names says what the docstrings say, and the docstrings leave nothing out."""

from __future__ import annotations

import importlib.util
import inspect
import re
import sys
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import crosscellar as cc
from crosscellar import errors, results
from crosscellar.contract.frames import EFFECTS
from crosscellar.report.export import meaning_of

ROOT = Path(__file__).parents[2]
#: Pages that people read, with links from one to the other.
PAGES = sorted([*(ROOT / "docs").glob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"])


def load(name: str) -> ModuleType:
    """A script of docs/ as a module."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "docs" / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


make_api = load("make_api")


def calls() -> Iterator[Any]:
    """Every public function and method with its name."""
    for name, function in make_api.functions():
        yield pytest.param(function, id=name)
    for kind in (cc.Network, *make_api.records()):
        for name, member in make_api.members(kind):
            function = getattr(member, "__func__", getattr(member, "fget", getattr(member, "func", member)))
            yield pytest.param(function, id=f"{kind.__name__}.{name}")


def test_the_page_of_names_is_what_the_docstrings_say() -> None:
    written = (ROOT / "docs" / "api.md").read_text(encoding="utf-8")
    assert written == make_api.make_api(), "run: python docs/make_api.py"


@pytest.mark.parametrize("function", list(calls()))
def test_a_public_call_tells_of_every_parameter_of_its_own(function: Any) -> None:
    told = inspect.getdoc(function) or ""
    assert re.match(r"\S.*[.:]", told), "the first line says what comes back"
    listed = {
        name.strip()
        for names, _ in make_api.entries(make_api.sections(told).get("Parameters", ""))
        for name in names.split(",")
    }
    known = listed | set(re.findall(r"`(\w+)`", told))
    asked = [name for name in inspect.signature(function).parameters if name not in {"self", "cls"}]
    # What a network is asked like the function or method that it names is told there.
    as_for = re.search(r"as for (?:the function )?`(?:pool|effects)`", told)
    assert as_for or set(asked) <= known, set(asked) - known
    assert listed <= set(asked), "a parameter is told of that there is not"


@pytest.mark.parametrize("kind", make_api.records(), ids=lambda kind: kind.__name__)
def test_a_public_record_tells_of_every_field(kind: type) -> None:
    told = make_api.sections(kind.__doc__ or "")
    listed = [name.strip() for names, _ in make_api.entries(told["Attributes"]) for name in names.split(",")]
    assert is_dataclass(kind)
    assert sorted(listed) == sorted(field.name for field in fields(kind))


def test_every_record_that_a_network_returns_has_its_place_on_the_page() -> None:
    returned = {
        word
        for _, member in make_api.members(cc.Network)
        if inspect.isfunction(member)
        for word in re.findall(r"\w+", str(inspect.signature(member).return_annotation))
    }
    shown = {kind.__name__ for kind in make_api.records()}
    assert {name for name in returned if hasattr(results, name)} <= shown
    raised = {name for name, kind in vars(errors).items() if inspect.isclass(kind) and name in cc.__all__}
    told = {name for name, _ in make_api.functions()} | {"Network", "Pooled"} | raised
    assert set(cc.__all__) == told


def test_every_column_of_the_effects_that_is_not_its_own_name_is_explained() -> None:
    plain = {"stage", "trial", "site", "remark", "cultivar", "colour"}
    assert [name for name in EFFECTS if name not in plain and meaning_of("effects", name) is None] == []


def test_one_column_name_may_mean_different_things_in_two_frames() -> None:
    assert meaning_of("findings", "value") != meaning_of("readings", "value")
    assert meaning_of("register_arms", "role") is None


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_of_a_page_leads_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", target):
            continue
        name, _, anchor = target.partition("#")
        other = (page.parent / name).resolve() if name else page
        assert other.exists(), target
        if anchor:
            assert anchor in anchors(other.read_text(encoding="utf-8")), target


def anchors(text: str) -> set[str]:
    """Where links into a Markdown page can lead, numbered where a heading comes again."""
    found: dict[str, int] = {}
    out = set()
    for heading in re.findall(r"^#+ (.+)$", re.sub(r"^```.*?^```", "", text, flags=re.M | re.S), re.M):
        anchor = re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")
        out.add(f"{anchor}-{found[anchor]}" if anchor in found else anchor)
        found[anchor] = found.get(anchor, 0) + 1
    return out
