"""Written units read against the closed table: what a number in them is in an analyte's canonical unit."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterator, Mapping
from typing import Final, NamedTuple, TypeVar

import numpy as np
import polars as pl

from crosscellar.contract import formulas
from crosscellar.contract.records import Analyte, Family, Formula, NameMatch, Unit, UnitReading
from crosscellar.errors import CrosscellarError, UnknownName

V = TypeVar("V", pl.Expr, pl.Series)

#: Dimensions in which a number stands alone: there a blank unit says nothing less.
_BARE: Final = frozenset({"pH", "number"})

_JOINTS: Final = ("expressedas", "expr.as", "calculatedas", "calc.as", "as", "of", "")
_TAILS: Final = ("", "equivalents", "equivalent", "equiv", "eq")
_MASSES: Final = ("ng", "ug", "mcg", "mg", "gm", "kg", "g")

FUNCTIONS: Final[Mapping[str, Callable[[formulas.Numbers], formulas.Numbers]]] = {
    function.__name__: function
    for function in (
        formulas.alcohol_by_volume_from_grams,
        formulas.alcohol_by_volume_from_mass,
        formulas.baume_from_sg,
        formulas.brix_from_baume,
        formulas.brix_from_density,
        formulas.brix_from_kmw,
        formulas.brix_from_oechsle,
        formulas.brix_from_refractive_index,
        formulas.brix_from_sg,
        formulas.brix_from_sg_points,
        formulas.centimetres_on_line,
        formulas.density_from_sg,
        formulas.oechsle_from_kmw,
        formulas.oechsle_from_sg,
        formulas.per_thousand,
        formulas.power_of_ten,
        formulas.same_number,
        formulas.sg_from_baume,
        formulas.sg_from_oechsle,
    )
}


def unit_key(text: str) -> str:
    """The text without what does not tell units apart: case, spaces, kinds of mu, minus and dot."""
    plain = text.replace("º", "°").replace("˚", "°").replace("·", ".").replace("−", "-").replace("–", "-")
    plain = unicodedata.normalize("NFKC", plain).replace("\N{MINUS SIGN}", "-").replace("⁄", "/")
    plain = plain.casefold().replace("μ", "u").replace("µ", "u")
    return "".join(plain.split())


class UnitTable(NamedTuple):
    """The closed table of units, formulas and bases, indexed by what is written."""

    units: Mapping[str, Unit]
    formulas: tuple[Formula, ...]
    families: Mapping[str, Family]
    equivalents: Mapping[str, Mapping[str, float]]
    spelled: Mapping[str, tuple[str, ...]]
    spelled_bases: Mapping[str, str]
    family_of: Mapping[str, Family]

    @classmethod
    def of(
        cls,
        units: Mapping[str, Unit],
        formulas_: tuple[Formula, ...],
        families: Mapping[str, Family],
        bases: Mapping[str, tuple[str, ...]],
        equivalents: Mapping[str, Mapping[str, float]],
    ) -> UnitTable:
        """The table, with its indexes built; a formula that is unknown or starts nowhere is refused."""
        spelled: dict[str, dict[str, None]] = {}
        for unit in units.values():
            for text in (unit.id, *unit.spellings):
                spelled.setdefault(unit_key(text), {})[unit.id] = None
        for formula in formulas_:
            if formula.function not in FUNCTIONS or formula.start not in units or formula.to not in units:
                raise CrosscellarError(
                    f"formula {formula.function} from {formula.start} to {formula.to} is not known",
                    where="units.toml",
                    next_step="Name a function of crosscellar.contract.formulas and two units of the file.",
                )
        by_length = sorted(
            ((unit_key(text), basis) for basis, texts in bases.items() for text in texts),
            key=lambda pair: -len(pair[0]),
        )
        return cls(
            units=units,
            formulas=formulas_,
            families=families,
            equivalents=equivalents,
            spelled={key: tuple(ids) for key, ids in spelled.items()},
            spelled_bases=dict(by_length),
            family_of={analyte: family for family in families.values() for analyte in family.analytes},
        )

    def parse(self, written: str) -> tuple[tuple[str, str | None], ...]:
        """Every (unit, basis) that the text may be; no unit at all gives an empty tuple."""
        key = unit_key(written)
        plain: list[tuple[str, str | None]] = [(id_, None) for id_ in self.spelled.get(key, ())]
        return tuple(dict.fromkeys(plain)) or tuple(dict.fromkeys(self._with_basis(key)))

    def _with_basis(self, key: str) -> Iterator[tuple[str, str | None]]:
        bare = key.replace("(", "").replace(")", "").replace(",", "").replace("[", "").replace("]", "")
        if self.spelled_bases.get(bare, "").endswith("m"):
            yield "AU", self.spelled_bases[bare]
            return
        for name, basis in self.spelled_bases.items():
            if name not in bare:
                continue
            for tail in _TAILS:
                end = name + tail
                if not bare.endswith(end):
                    continue
                for joint in _JOINTS:
                    if bare.endswith(joint + end):
                        ids = self.spelled.get(bare[: len(bare) - len(joint + end)], ())
                        yield from ((id_, basis) for id_ in ids)
            head, slash, volume = bare.partition("/")
            for mass in _MASSES:
                if slash and head == mass + name:
                    yield from ((id_, basis) for id_ in self.spelled.get(f"{mass}/{volume}", ()))

    def name(self, text: str) -> NameMatch:
        """The unit (with its basis) that a text spells, whatever the analyte."""
        found = self.parse(text)
        names = tuple(dict.fromkeys(_label(unit, basis) for unit, basis in found))
        if len(names) == 1:
            how = "exact" if text.strip() == names[0] else "alias"
            return NameMatch(names[0], how, names)
        return NameMatch(None, "ambiguous" if names else "unknown", names)

    def canonical(self, analyte: Analyte) -> tuple[Unit, str | None]:
        """The unit and basis that the readings of an analyte are kept in."""
        if analyte.unit in self.units:
            return self.units[analyte.unit], None
        family = self.family_of.get(analyte.id)
        for id_, basis in self.parse(analyte.unit):
            if basis is None or (family is not None and basis == family.canonical):
                return self.units[id_], basis
        raise UnknownName(
            f"the unit {analyte.unit} of {analyte.id} is not in the table of units", where="analytes.toml"
        )

    def read(
        self,
        analyte: Analyte,
        written: str,
        *,
        declared_unit: str | None = None,
        declared_basis: str | None = None,
        stage: str | None = None,
    ) -> UnitReading:
        """How numbers in `written` become numbers in the canonical unit (see `Contract.read_unit`)."""
        canonical, _ = self.canonical(analyte)
        declared = self._readable(analyte, self.parse(declared_unit)) if declared_unit else ()
        family = self.family_of.get(analyte.id)
        basis_said = self._basis(declared_basis) if declared_basis else None
        if basis_said is None and declared:
            basis_said = next((basis for _, basis in declared if basis), None)
        text = written.strip()
        from_lab = ""
        if not text:
            if declared_unit and declared:
                text, from_lab = declared_unit, ", as the laboratory declared"
            elif canonical.dimension in _BARE:
                return UnitReading("same", analyte.unit)
            else:
                return UnitReading("needs_unit", analyte.unit, words=f"{analyte.name} has no unit")
        parsed = self.parse(text)
        if not parsed:
            return UnitReading("unknown", analyte.unit, words=f"{text} is not a unit that is read here")
        possible = self._readable(analyte, parsed)
        if not possible:
            notes = [self.units[unit].note for unit, _ in parsed if self.units[unit].note]
            words = notes[0] if notes else f"{text} is not a unit of {_small(analyte.name)}"
            return UnitReading("not_allowed", analyte.unit, words=words)
        readings = tuple(
            dict.fromkeys(
                self._reading(analyte, text, self.units[unit], basis, family, basis_said, from_lab, stage)
                for unit, basis in possible
            )
        )
        if len(readings) == 1:
            return readings[0]
        distinct = {
            (r.factor, r.offset, r.formula, r.outcome == "needs_basis"): r for r in reversed(readings)
        }
        if len(distinct) == 1:
            return readings[0]
        return UnitReading(
            "ambiguous",
            analyte.unit,
            words=f"{text} may be read in {len(distinct)} ways",
            alternatives=tuple(reversed(distinct.values())),
        )

    def _basis(self, text: str) -> str | None:
        return self.spelled_bases.get(unit_key(text).removeprefix("as"))

    def _readable(
        self, analyte: Analyte, parsed: tuple[tuple[str, str | None], ...]
    ) -> tuple[tuple[str, str | None], ...]:
        canonical, _ = self.canonical(analyte)
        family = self.family_of.get(analyte.id)
        accepted = {canonical.id, *analyte.units}
        found: dict[tuple[str, str | None], None] = {}
        for unit, basis in parsed:
            own = basis is not None and analyte.id in {basis, f"{basis}_acid"}
            if unit in accepted and (
                basis is None or own or (family is not None and basis in family.factors)
            ):
                found[unit, None if own else basis] = None
        return tuple(found)

    def _reading(
        self,
        analyte: Analyte,
        text: str,
        unit: Unit,
        basis: str | None,
        family: Family | None,
        basis_said: str | None,
        from_lab: str,
        stage: str | None,
    ) -> UnitReading:
        canonical, canonical_basis = self.canonical(analyte)
        if unit.dimension == "equivalents" or (
            unit.dimension == "amount concentration" and canonical.dimension == "mass concentration"
        ):
            grams = self.equivalents.get(analyte.id, {}).get(unit.id)
            if grams is None:
                return UnitReading(
                    "not_allowed", analyte.unit, words=f"{text} is not a unit of {analyte.name}"
                )
            return _straight(analyte, unit, _tidy(grams / canonical.factor), 0.0, "converted", unit.id)
        if family is not None and basis is None:
            if basis_said in family.factors:
                basis = basis_said
            elif family.ask:
                return UnitReading(
                    "needs_basis",
                    analyte.unit,
                    words=f"{text} does not say as what {_small(analyte.name)} is expressed",
                    alternatives=tuple(
                        self._reading(analyte, text, unit, each, family, None, "", stage)
                        for each in family.likely
                    ),
                )
            else:
                reading = self._reading(analyte, text, unit, family.canonical, family, None, from_lab, stage)
                if reading.outcome == "same" and canonical_basis is not None:
                    return reading._replace(outcome="alias", words=f"{text} read as {analyte.unit}")
                return reading
        label = _label(unit.id, None if basis == _unsaid(family, canonical_basis) else basis)
        if unit.dimension == canonical.dimension:
            times = family.factors[basis] if family is not None and basis is not None else 1.0
            factor = _tidy(unit.factor * times / canonical.factor)
            offset = _tidy((unit.offset - canonical.offset) / canonical.factor)
            if times != 1.0:
                outcome = "basis_converted"
            elif factor != 1.0 or offset != 0.0:
                outcome = "converted"
            else:
                plain = {unit_key(analyte.unit), unit_key(canonical.id)}
                outcome = "same" if unit_key(text) in plain else "alias"
            reading = _straight(analyte, unit, factor, offset, outcome, label)
            if outcome == "alias":
                reading = reading._replace(words=f"{text} read as {analyte.unit}")
            return reading._replace(words=reading.words + from_lab if reading.words else "")
        for formula in self.formulas:
            if formula.start == unit.id and formula.to == canonical.id:
                if formula.function == "same_number":
                    return UnitReading("alias", analyte.unit, words=f"{text} read as {_small(analyte.name)}")
                words = formula.words
                if (
                    formula.function.startswith("brix_from")
                    and stage is not None
                    and not _before_ferment(stage)
                ):
                    words += "; apparent, as alcohol is present"
                return UnitReading("converted", analyte.unit, formula=formula.function, words=words)
        # A linear unit of a formula's start (°Oe is SG by a straight line) goes through that start.
        for formula in self.formulas:
            start = self.units[formula.start]
            if (
                formula.to == canonical.id
                and formula.function == "same_number"
                and start.dimension == unit.dimension
            ):
                return _straight(analyte, unit, unit.factor, unit.offset, "converted", label)
        return UnitReading("not_allowed", analyte.unit, words=f"{text} does not convert to {analyte.unit}")


def convert(value: V, reading: UnitReading) -> V:
    """The values in the canonical unit, as an expression or series of the same kind.

    Raises
    ------
    CrosscellarError
        If the reading is one that a person must answer first.
    """
    if not reading.usable:
        raise CrosscellarError(
            f"a unit with the outcome {reading.outcome} converts nothing",
            next_step="Ask the laboratory what its unit means, or declare it in the register's labs.",
        )
    if reading.formula:
        return _mapped(value, FUNCTIONS[reading.formula])
    whole = _whole_divisor(reading.factor)
    if whole:
        # A true division gives the nearest double to the decimal that was typed. Multiplying by 0.001 may
        # not, and polars divides by a constant by multiplying with its inverse.
        return _mapped(value, lambda numbers: numbers / whole + reading.offset)
    scaled = value if reading.factor == 1.0 else value * reading.factor
    return scaled + reading.offset if reading.offset else scaled


def _mapped(value: V, function: Callable[[formulas.Numbers], formulas.Numbers]) -> V:
    def over(series: pl.Series) -> pl.Series:
        numbers = np.asarray(series.cast(pl.Float64).to_numpy(), dtype=np.float64)
        return pl.Series(series.name, np.asarray(function(numbers)), dtype=pl.Float64).fill_nan(None)

    if isinstance(value, pl.Expr):
        return value.map_batches(over, return_dtype=pl.Float64)
    return over(value)


def _whole_divisor(factor: float) -> int:
    """The whole number that dividing by is the same as multiplying by `factor`; 0 if there is none."""
    whole = round(1.0 / factor) if 0.0 < factor < 1.0 else 0
    return whole if whole and abs(whole * factor - 1.0) < 1e-12 else 0


def _straight(
    analyte: Analyte, unit: Unit, factor: float, offset: float, outcome: str, label: str
) -> UnitReading:
    words = ""
    if outcome not in {"same", "alias"}:
        whole = _whole_divisor(factor)
        if whole:
            words = f"{label} / {whole}"
        elif factor != 1.0:
            words = f"{label} x {factor:.6g}"
        else:
            words = label
        if offset:
            words += f" {'+' if offset > 0 else '-'} {abs(offset):.6g}"
        words += f" = {analyte.unit}"
        if unit.figures == "memory":
            words += " (factor from memory)"
        if unit.note:
            words += f" ({unit.note})"
    figures = unit.figures
    return UnitReading(outcome, analyte.unit, factor, offset, words=words, figures=figures)


def _unsaid(family: Family | None, canonical_basis: str | None) -> str | None:
    """The basis that goes without saying, because the canonical unit of the family does not say it."""
    return family.canonical if family is not None and canonical_basis is None else None


def _label(unit: str, basis: str | None) -> str:
    if basis is None:
        return unit
    if basis.endswith("m"):
        return f"{unit} ({basis})"
    return f"{unit} {basis}" if basis.endswith("E") or basis == "M3G" else f"{unit} as {basis}"


def _tidy(number: float) -> float:
    short = float(f"{number:.12g}")
    return short if abs(short - number) <= 1e-15 * abs(number) else number


def _small(name: str) -> str:
    return name if name[:2] in {"pH", "CI"} else name[:1].lower() + name[1:]


def _before_ferment(stage: str) -> bool:
    return stage in {"vineyard_preharvest", "vineyard_harvest", "juice", "inoculation"}
