"""The files of `schemas/` read into records; a stray, missing or mistyped key is named with its file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from crosscellar.contract.records import (
    Analyte,
    Caution,
    Column,
    Family,
    Formula,
    LegalLimit,
    Limits,
    Precision,
    RegisterTable,
    Rule,
    SheetKind,
    Source,
    Stage,
    Unit,
    Window,
)
from crosscellar.contract.tables import Tables
from crosscellar.errors import CrosscellarError

R = TypeVar("R")
Table = Mapping[str, Any]

#: The words that a field may hold, by record and field.
_WORDS: Mapping[tuple[str, str], tuple[str, ...]] = MappingProxyType(
    {
        ("Analyte", "scale"): ("ratio", "interval", "log", "count", "binary", "ordinal", "circular"),
        ("Analyte", "log_ratio"): ("yes", "partly", "no"),
        ("Analyte", "slip_alone"): ("yes", "partly", "no"),
        ("Rule", "severity"): ("refuse", "hold", "remark"),
        ("Rule", "scope"): ("cell", "row", "column", "series", "file"),
        ("Column", "type"): ("text", "number", "whole", "date", "time"),
        ("SheetKind", "target"): ("readings", "picks", "scores"),
        ("Window", "hemisphere"): ("north", "south"),
        **{
            (kind, "figures"): ("published", "part", "memory", "definition", "judgement")
            for kind in ("Analyte", "Limits", "Precision", "Stage", "Unit", "Rule", "Window", "Caution")
        },
    }
)

_NEXT_STEP = "Mend the file, or install the package again if it was not edited on purpose."


def schema_folder() -> Path:
    """The folder of the schema files: beside the package if installed, else at the top of a checkout."""
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "schemas", package.parent.parent / "schemas"):
        if (folder / "analytes.toml").is_file():
            return folder
    raise CrosscellarError(
        "the schema files are missing from this installation",
        where=package,
        next_step="Install the package again.",
    )


def read_toml(path: Path) -> dict[str, Any]:
    """The content of one TOML file, or an error that names the file."""
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise CrosscellarError(
            f"cannot be read as TOML ({fault})", where=path, next_step=_NEXT_STEP
        ) from fault


def _fault(path: Path, key: str, what: str) -> CrosscellarError:
    return CrosscellarError(f"{key} {what}", where=path, next_step=_NEXT_STEP)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _fits(value: object, kind: str) -> bool:
    match kind:
        case "str":
            return isinstance(value, str)
        case "float" | "float | None":
            return _is_number(value)
        case "int":
            return isinstance(value, int) and not isinstance(value, bool)
        case "bool":
            return isinstance(value, bool)
        case "tuple[str, ...]":
            return isinstance(value, list) and all(isinstance(item, str) for item in value)
        case "Mapping[str, float]":
            return isinstance(value, dict) and all(_is_number(item) for item in value.values())
        case "Mapping[str, str]":
            return isinstance(value, dict) and all(isinstance(item, str) for item in value.values())
    return True


def _shaped(value: object, kind: str) -> object:
    if kind in {"float", "float | None"}:
        return float(value)  # type: ignore[arg-type]
    if isinstance(value, list):
        return tuple(value)
    if isinstance(value, dict):
        return MappingProxyType(value)
    return value


def record(kind: type[R], table: object, path: Path, at: str, **given: object) -> R:
    """One record of class `kind` from a TOML table; `given` are fields that do not stand in the table.

    Raises
    ------
    CrosscellarError
        Naming file and key, when a key is missing, unknown, of the wrong type or not an allowed word.
    """
    if not isinstance(table, dict):
        raise _fault(path, at, "must be a table")
    shape: Any = kind
    known = [name for name in shape._fields if name not in given]
    for key in table:
        if key not in known:
            raise _fault(path, f"{at}.{key}", f"is not a key of this file (known: {', '.join(known)})")
    values: dict[str, object] = dict(given)
    for name in known:
        if name in table:
            kind_of_field = shape.__annotations__[name].__forward_arg__
            if not _fits(table[name], kind_of_field):
                raise _fault(path, f"{at}.{name}", f"has the wrong type (wanted: {kind_of_field})")
            allowed = _WORDS.get((kind.__name__, name))
            if allowed is not None and table[name] not in allowed:
                raise _fault(path, f"{at}.{name}", f"is {table[name]!r} (allowed: {', '.join(allowed)})")
            values[name] = _shaped(table[name], kind_of_field)
        elif name not in shape._field_defaults:
            raise _fault(path, f"{at}.{name}", "is missing")
    return kind(**values)


def _each(path: Path) -> dict[str, dict[str, Any]]:
    tables = read_toml(path)
    for key, table in tables.items():
        if not isinstance(table, dict):
            raise _fault(path, key, "must be a table")
    return tables


def _only(path: Path, document: Table, keys: tuple[str, ...]) -> None:
    for key in document:
        if key not in keys:
            raise _fault(path, key, f"is not a key of this file (known: {', '.join(keys)})")
    for key in keys:
        if key not in document:
            raise _fault(path, key, "is missing")


def read_analytes(folder: Path) -> Mapping[str, Analyte]:
    """All analytes by id, in the order of the file; each is read and checked when first asked for."""
    path = folder / "analytes.toml"
    return Tables(path, whole=_each, made=partial(_analyte, path))


def _analyte(path: Path, id_: str, table: Table) -> Analyte:
    plain = {key: value for key, value in table.items() if key not in {"stages", "precision"}}
    stages = {
        stage: record(Limits, limits, path, f"{id_}.stages.{stage}")
        for stage, limits in table.get("stages", {}).items()
    }
    precision = (
        record(Precision, table["precision"], path, f"{id_}.precision") if "precision" in table else None
    )
    return record(Analyte, plain, path, id_, id=id_, stages=MappingProxyType(stages), precision=precision)


def read_stages(folder: Path) -> Mapping[str, Stage]:
    """All stages by id, in the order of the file."""
    path = folder / "stages.toml"
    return MappingProxyType(
        {id_: record(Stage, table, path, id_, id=id_) for id_, table in _each(path).items()}
    )


def read_units(
    folder: Path,
) -> tuple[
    Mapping[str, Unit],
    tuple[Formula, ...],
    Mapping[str, Family],
    Mapping[str, tuple[str, ...]],
    Mapping[str, Mapping[str, float]],
]:
    """Units, formulas, families of bases, spellings of bases, equivalents (g/L of an analyte for 1 meq/L)."""
    path = folder / "units.toml"
    document = read_toml(path)
    _only(path, document, ("units", "formulas", "families", "bases", "equivalents"))
    units = {
        id_: record(Unit, table, path, f"units.{id_}", id=id_) for id_, table in document["units"].items()
    }
    formulas = []
    for number, table in enumerate(document["formulas"]):
        at = f"formulas[{number}]"
        if "from" not in table:
            raise _fault(path, f"{at}.from", "is missing")
        start = table["from"]
        rest = {key: value for key, value in table.items() if key != "from"}
        formulas.append(record(Formula, rest, path, at, start=start))
    families = {
        id_: record(Family, table, path, f"families.{id_}", id=id_)
        for id_, table in document["families"].items()
    }
    bases = {id_: tuple(spellings) for id_, spellings in document["bases"].items()}
    for id_, family in families.items():
        for basis in family.factors:
            if basis not in bases:
                raise _fault(path, f"families.{id_}.factors.{basis}", "is not spelled out under [bases]")
    equivalents = {
        id_: MappingProxyType({unit: float(grams) for unit, grams in table.items() if unit != "source"})
        for id_, table in document["equivalents"].items()
    }
    return (
        MappingProxyType(units),
        tuple(formulas),
        MappingProxyType(families),
        MappingProxyType(bases),
        MappingProxyType(equivalents),
    )


def _columns(path: Path, at: str, tables: object) -> tuple[Column, ...]:
    if not isinstance(tables, list):
        raise _fault(path, f"{at}.columns", "must be a list of tables")
    return tuple(
        record(Column, table, path, f"{at}.columns[{number}]") for number, table in enumerate(tables)
    )


def read_sheet_kinds(folder: Path) -> Mapping[str, SheetKind]:
    """The kinds of returned sheets by id."""
    path = folder / "sheets.toml"
    kinds = {}
    for id_, table in _each(path).items():
        plain = {key: value for key, value in table.items() if key != "columns"}
        columns = _columns(path, id_, table.get("columns"))
        kinds[id_] = record(SheetKind, plain, path, id_, id=id_, columns=columns)
    return MappingProxyType(kinds)


def read_register_tables(folder: Path) -> Mapping[str, RegisterTable]:
    """The tables of a trial register by name."""
    path = folder / "register.toml"
    tables = {}
    for id_, table in _each(path).items():
        plain = {key: value for key, value in table.items() if key != "columns"}
        columns = _columns(path, id_, table.get("columns"))
        tables[id_] = record(RegisterTable, plain, path, id_, id=id_, columns=columns)
    return MappingProxyType(tables)


def read_rules(folder: Path) -> Mapping[str, Rule]:
    """The rules of intake by code."""
    path = folder / "rules.toml"
    return MappingProxyType(
        {code: record(Rule, table, path, code, code=code) for code, table in _each(path).items()}
    )


def read_windows(folder: Path) -> tuple[Window, ...]:
    """The seasonal windows of both hemispheres."""
    path = folder / "seasons.toml"
    document = read_toml(path)
    _only(path, document, ("windows",))
    return tuple(record(Window, table, path, f"windows[{n}]") for n, table in enumerate(document["windows"]))


def read_cautions(folder: Path) -> Mapping[str, Caution]:
    """The cautions by id."""
    path = folder / "cautions.toml"
    return MappingProxyType(
        {id_: record(Caution, table, path, id_, id=id_) for id_, table in _each(path).items()}
    )


def read_legal_limits(folder: Path) -> tuple[LegalLimit, ...]:
    """The legal limits, information only."""
    path = folder / "limits_information.toml"
    document = read_toml(path)
    _only(path, document, ("limits",))
    return tuple(
        record(LegalLimit, table, path, f"limits[{n}]") for n, table in enumerate(document["limits"])
    )


def read_sources(folder: Path) -> Mapping[str, Source]:
    """The sources of figures by id."""
    path = folder / "sources.toml"
    return MappingProxyType(
        {id_: record(Source, table, path, id_, id=id_) for id_, table in _each(path).items()}
    )


def read_ambiguous(folder: Path) -> Mapping[str, tuple[tuple[str, ...], Mapping[str, str]]]:
    """The names that may mean several things: their candidates and which unit settles which."""
    path = folder / "ambiguous.toml"
    found = {}
    for text, table in _each(path).items():
        for key in table:
            if key not in {"candidates", "settled_by", "exact", "note"}:
                raise _fault(path, f"{text}.{key}", "is not a key of this file")
        if "candidates" not in table:
            raise _fault(path, f"{text}.candidates", "is missing")
        found[text] = (tuple(table["candidates"]), MappingProxyType(dict(table.get("settled_by", {}))))
    return MappingProxyType(found)
