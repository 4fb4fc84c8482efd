"""The records that the files of `schemas/` are read into: one class a table.

They are named tuples: every command loads them, and making frozen data classes takes five times as long.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple

_NONE: Final[Mapping[str, Any]] = MappingProxyType({})


class Limits(NamedTuple):
    """What is impossible (refuse) and what is unusual for an analyte, in its canonical unit."""

    refuse_low: float
    refuse_high: float
    unusual_low: float
    unusual_high: float
    figures: str
    source: str
    note: str = ""


class Precision(NamedTuple):
    """Repeatability r and reproducibility R of an analyte's method: `constant + times * value`."""

    repeatability: float
    figures: str
    source: str
    reproducibility: float | None = None
    repeatability_times: float = 0.0
    reproducibility_times: float = 0.0
    note: str = ""


class Analyte(NamedTuple):
    """One thing that may be measured, in the words of `analytes.toml`."""

    id: str
    name: str
    group: str
    aliases: tuple[str, ...]
    matrix: tuple[str, ...]
    unit: str
    units: tuple[str, ...]
    ucum: str
    scale: str
    refuse_low: float
    refuse_high: float
    unusual_low: float
    unusual_high: float
    decimals: int
    log_ratio: str
    slip_alone: str
    figures: str
    source: str
    basis: str = ""
    must_declare: tuple[str, ...] = ()
    spread_decades: float | None = None
    detection_limit_typical: float | None = None
    quantification_limit_typical: float | None = None
    detection_limit_source: str = ""
    vessel_cv_low: float | None = None
    vessel_cv_high: float | None = None
    vessel_cv_source: str = ""
    notes: str = ""
    precision: Precision | None = None
    stages: Mapping[str, Limits] = _NONE

    @property
    def limits(self) -> Limits:
        """The bounds that hold where the stage has none of its own."""
        return Limits(
            refuse_low=self.refuse_low,
            refuse_high=self.refuse_high,
            unusual_low=self.unusual_low,
            unusual_high=self.unusual_high,
            figures=self.figures,
            source=self.source,
        )


class Stage(NamedTuple):
    """A moment at which vessels are sampled; days count from `reference`."""

    id: str
    name: str
    aliases: tuple[str, ...]
    order: int
    matrix: tuple[str, ...]
    reference: str
    day_low: int
    day_high: int
    expected: tuple[str, ...]
    figures: str
    note: str = ""


class Unit(NamedTuple):
    """A unit and every spelling of it; `factor` and `offset` lead to the base of its dimension."""

    id: str
    dimension: str
    factor: float
    spellings: tuple[str, ...]
    offset: float = 0.0
    figures: str = "definition"
    note: str = ""


class Formula(NamedTuple):
    """A conversion between two units that is a named function of `contract.formulas`."""

    start: str
    to: str
    function: str
    source: str
    words: str


class Family(NamedTuple):
    """What "as ..." may mean for some analytes, and the factor from each basis to `canonical`."""

    id: str
    analytes: tuple[str, ...]
    canonical: str
    ask: bool
    source: str
    factors: Mapping[str, float]
    likely: tuple[str, ...] = ()


class Rule(NamedTuple):
    """A check at the door: its code, what it is about, its settings and the words it speaks in.

    `message` and `suggestion` are templates with `{named}` places. `source_id` is the rule's number in the
    reference list, "" for a rule of form. `severity`: refuse, hold, remark. `fold` says how far findings of
    the code become one: cell, text, advice, row, column, file. `figures`: whose figures, where there are any.
    """

    code: str
    title: str
    severity: str
    scope: str
    message: str
    suggestion: str
    fold: str = "cell"
    source_id: str = ""
    source: str = ""
    figures: str = "memory"
    analytes: tuple[str, ...] = ()
    settings: Mapping[str, float] = _NONE
    note: str = ""


class Column(NamedTuple):
    """A column of a sheet or of a register table.

    `type`: text, number, whole, date, time. `allowed` lists the only words that may stand in it (none: any).
    """

    name: str
    type: str
    required: bool
    aliases: tuple[str, ...] = ()
    allowed: tuple[str, ...] = ()
    help: str = ""


class SheetKind(NamedTuple):
    """A kind of returned sheet: what its columns are and which of them tell it apart."""

    id: str
    name: str
    target: str
    columns: tuple[Column, ...]
    recognised_by: tuple[str, ...]
    any_of: tuple[str, ...] = ()
    help: str = ""

    @property
    def required(self) -> tuple[str, ...]:
        """The names of the columns that must be there."""
        return tuple(column.name for column in self.columns if column.required)


class RegisterTable(NamedTuple):
    """A table of the trial register: its columns, its key, and the keys of others it points to."""

    id: str
    required: bool
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    points_to: Mapping[str, str] = _NONE
    help: str = ""


class Window(NamedTuple):
    """When something happens in a hemisphere; `opens` and `closes` are `MM-DD` and may span New Year."""

    hemisphere: str
    event: str
    opens: str
    closes: str
    season: str
    figures: str
    note: str = ""


class Caution(NamedTuple):
    """A caution to show where work can hurt someone; local codes decide."""

    id: str
    topic: str
    caution: str
    figures: str
    source: str


class LegalLimit(NamedTuple):
    """A legal limit as printed somewhere: information only, never a decision."""

    jurisdiction: str
    parameter: str
    product: str
    limit: str
    unit: str
    comparator: str
    basis: str
    citation: str
    figures: str
    seen: str = ""
    note: str = ""


class Source(NamedTuple):
    """A source of figures and how much of it was read."""

    id: str
    reference: str
    read: str
    status: str


class NameMatch(NamedTuple):
    """What a written name was matched to.

    `how`: exact, alias, case, ambiguous, misspelt, unknown. `id` is None for the last three; then
    `candidates` are what it may mean, likeliest first.
    """

    id: str | None
    how: str
    candidates: tuple[str, ...] = ()


class UnitReading(NamedTuple):
    """How numbers in a written unit become numbers in the canonical unit of an analyte.

    `outcome`: same, alias, converted, basis_converted (these four convert); needs_basis, needs_unit,
    ambiguous (a person must answer: `alternatives` are the possible readings); not_allowed, unknown.
    `formula` names a function of `contract.formulas`, "" for a straight line `factor * value + offset`.
    `figures` is "memory" where the factor is only remembered.
    """

    outcome: str
    unit: str
    factor: float = 1.0
    offset: float = 0.0
    formula: str = ""
    words: str = ""
    alternatives: tuple[UnitReading, ...] = ()
    figures: str = "definition"

    @property
    def usable(self) -> bool:
        """Whether numbers can be converted by it."""
        return self.outcome in {"same", "alias", "converted", "basis_converted"}
