"""Texts of the summary that are the same every year, for every format."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True, slots=True)
class Wording:
    """`methods` in paragraphs, `glossary` as words and their meanings, and single sentences."""

    methods: tuple[str, ...]
    disclaimer: str
    poured: str
    watched: str
    none_told: str
    carried: str
    carried_many: str
    glossary: tuple[tuple[str, str], ...]


@cache
def wording() -> Wording:
    """The texts, read once from `wording.toml`."""
    file = resources.files("crosscellar.report").joinpath("templates", "wording.toml")
    read = tomllib.loads(file.read_text(encoding="utf-8"))
    return Wording(
        methods=tuple(read["methods"]),
        disclaimer=read["disclaimer"],
        poured=read["poured"],
        watched=read["watched"],
        none_told=read["none_told"],
        carried=read["carried"],
        carried_many=read["carried_many"],
        glossary=tuple((entry["word"], entry["meaning"]) for entry in read["glossary"]),
    )
