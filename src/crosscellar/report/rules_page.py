"""The page for those who fill in sheets, made of the checks' own tables: opens offline, prints well."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

from crosscellar.contract import Contract
from crosscellar.contract.records import Analyte, Limits, Rule
from crosscellar.intake.rules import RULES

#: What becomes of a reading that a check objects to, gravest first.
OUTCOMES: Final = {
    "refuse": "refused",
    "hold": "held until the coordinator decides",
    "remark": "taken in, with a remark",
}
_JUDGEMENT: Final = "judgement, to be changed by the network"
#: How many spellings of a heading are printed: enough to see what kind of word is read.
_SPELLINGS: Final = 6
#: Tastings have sheets of their own, without a column an analyte.
_OWN_SHEETS: Final = "sensory"


@dataclass(frozen=True, slots=True)
class Bounds:
    """A line of figures: where they hold, what is refused, what is remarked, and whose figures they are."""

    stage: str
    refused: str
    remarked: str
    figures: str


@dataclass(frozen=True, slots=True)
class Measured:
    """An analyte as a laboratory reads of it; the first of `bounds` holds wherever no stage is named."""

    id: str
    name: str
    spellings: tuple[str, ...]
    unit: str
    converted: tuple[str, ...]
    say_also: tuple[str, ...]
    bounds: tuple[Bounds, ...]


@dataclass(frozen=True, slots=True)
class Compared:
    """A check as its contributor hears of it, with the settings that a network may change."""

    code: str
    title: str
    words: str
    suggestion: str
    outcome: str
    settings: str
    figures: str
    note: str


@dataclass(frozen=True, slots=True)
class Basis:
    """What a laboratory declares once: for which analytes, which words, and what is stored."""

    analytes: str
    choices: str
    stored: str


def render_rules(contract: Contract) -> str:
    """The page's HTML: kinds of sheets, numbers, units and limits, checks, declarations, cautions.

    Every figure is the contract's. Figures that are only remembered are called a judgement, never published.
    """
    often = {analyte for stage in contract.stages.values() for analyte in stage.expected}
    everything = [(one, measured(one, contract)) for one in contract.analytes.values()]
    most = [made for one, made in everything if one.id in often and one.group != _OWN_SHEETS]
    rest = [made for _, made in everything if made not in most]
    return str(
        _template().render(
            kinds=contract.sheet_kinds.values(),
            stages=contract.stages.values(),
            most=most,
            rest=rest,
            bases=_bases(contract),
            labs=contract.register_tables["labs"].columns,
            compared=_compared(contract.rules[code] for code in RULES),
            told=_compared(rule for code, rule in contract.rules.items() if code not in RULES),
            privacy=contract.cautions["privacy"],
            cautions=[one for one in contract.cautions.values() if one.id != "privacy"],
        )
    )


def measured(analyte: Analyte, contract: Contract) -> Measured:
    """The lines of one analyte."""
    lines = [_bounds("", analyte.limits)]
    lines += [
        _bounds(stage.name, analyte.stages[stage.id])
        for stage in contract.stages.values()
        if stage.id in analyte.stages
    ]
    return Measured(
        id=analyte.id,
        name=analyte.name,
        spellings=(analyte.id, *analyte.aliases)[:_SPELLINGS],
        unit=unit_words(analyte.unit),
        converted=tuple(unit_words(unit) for unit in analyte.units),
        say_also=tuple(words.replace("|", " or ") for words in analyte.must_declare),
        bounds=tuple(lines),
    )


def unit_words(unit: str) -> str:
    """A unit as it is printed; a quotient of like things has none."""
    return "none" if unit == "1" else unit


def figure(value: float) -> str:
    """A bound without needless zeros; thousands stand apart from ten thousand on."""
    text = f"{value:,.10g}" if abs(value) >= 10_000 else f"{value:.10g}"
    return text.replace(",", "\u202f").replace("-", "\u2212")


def whose(figures: str, source: str) -> str:
    """Whose figures they are, in words."""
    if figures == "memory":
        return _JUDGEMENT
    if figures == "part":
        return f"partly published ({source}); the rest is {_JUDGEMENT}"
    return f"published: {source}"


def _bounds(stage: str, limits: Limits) -> Bounds:
    return Bounds(
        stage=stage,
        refused=f"{figure(limits.refuse_low)} to {figure(limits.refuse_high)}",
        remarked=f"{figure(limits.unusual_low)} to {figure(limits.unusual_high)}",
        figures=whose(limits.figures, limits.source),
    )


def _bases(contract: Contract) -> list[Basis]:
    """The families of which a bare unit does not say what it is expressed as."""
    return [
        Basis(
            analytes=", ".join(contract.analytes[one].name for one in family.analytes),
            choices=", ".join(family.factors),
            stored=family.canonical,
        )
        for family in contract.families.values()
        if family.ask
    ]


def _compared(rules: Iterable[Rule]) -> list[Compared]:
    gravity = list(OUTCOMES)
    return [
        Compared(
            code=rule.code,
            title=rule.title,
            words=_without_places(rule.message),
            suggestion=_without_places(rule.suggestion),
            outcome=OUTCOMES[rule.severity],
            settings=", ".join(f"{name} = {value:g}" for name, value in rule.settings.items()),
            figures=_JUDGEMENT if rule.figures == "memory" else "",
            note=rule.note,
        )
        for rule in sorted(rules, key=lambda one: gravity.index(one.severity))
    ]


def _without_places(words: str) -> str:
    """A rule's sentence with dots where it would name the reading."""
    return re.sub(r"\{[a-z_]+\}", "…", words)


@cache
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("crosscellar.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Only our own style sheet passes unescaped.
    environment.filters["own"] = Markup
    environment.globals["style"] = (
        resources.files("crosscellar.report").joinpath("templates", "summary.css").read_text(encoding="utf-8")
    )
    return environment.get_template("rules.html")
