"""A register read and checked: every fault collected, each a sentence with its file and row."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from datetime import date
from difflib import get_close_matches
from pathlib import Path

import polars as pl

from crosscellar.contract import Contract
from crosscellar.errors import RegisterRefused
from crosscellar.register.checks import check_tables, warn_tables
from crosscellar.register.tables import TextTable, read_tables
from crosscellar.register.trials import DERIVED_RESPONSES, Register, columns_of

_WHOLE = re.compile(r"[+-]?\d{1,9}")
_DAY = re.compile(r"(\d{4}-\d{2}-\d{2})([T ]00:00(:00)?)?")
#: 31.03.2026 and 03/31/2026: what the column proves decides.
_NUMERIC_DAY = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4})")
#: 1,250 is a thousand and more to some, little more than one to others; so is 1.250 where commas are free.
_TWO_WAYS = re.compile(r"[+-]?[1-9][0-9]{0,2}([,.])[0-9]{3}")
_SPACED = re.compile(r"[+-]?\d{1,3}([\s'\u2019]\d{3})+([.,]\d+)?")
_PLACED = re.compile(r"(.+?) row (\d+): (.+)", re.DOTALL)
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?")


def read_register(path: str | Path, contract: Contract) -> Register:
    """The register at `path`, in canonical words, with warnings.

    Parameters
    ----------
    path
        A folder of CSVs (UTF-8, UTF-16 or cp1252; comma, semicolon or tab) or a workbook, a tab a table.
    contract
        What may be measured, and which columns each table has.

    Raises
    ------
    RegisterRefused
        With every fault found in `faults`, each naming its file and row.
    """
    path = Path(path)
    texts = read_tables(path, contract)
    faults = [*_missing(texts, contract)]
    warnings = [
        f"{text.where}: column {', '.join(text.extra)} is not part of the register and was not stored."
        for text in texts.values()
        if text.extra
    ]
    frames = {name: _frame(text, contract, faults, warnings) for name, text in texts.items()}
    if not faults:
        register = _canonical(Register.of_tables(frames, contract), contract, texts, faults)
        faults += check_tables(register, contract, texts)
    faults = _said_once(faults)
    if faults:
        count = "one fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise RegisterRefused(
            f"the register has {count}, so nothing of it was taken in",
            where=path,
            next_step="Mend what is listed and run the command again.",
            faults=tuple(faults),
        )
    return Register.of_tables(
        register.tables, contract, warnings=(*warnings, *warn_tables(register, contract))
    )


def _missing(texts: dict[str, TextTable], contract: Contract) -> Iterator[str]:
    for name, table in contract.register_tables.items():
        if name not in texts:
            if table.required:
                yield f"The table {name} is missing ({table.help})."
            continue
        text = texts[name]
        for column in table.columns:
            # A smallest difference may be left open: the verdict then has no "no difference that matters".
            if column.required and column.name not in text.columns and column.name != "smallest_difference":
                yield f"{text.where}: the column {column.name} is missing."


def _said_once(faults: list[str]) -> list[str]:
    """Faults of which what several rows of a table say alike is one, with all their rows."""
    rows: dict[tuple[str, str], list[str]] = {}
    for fault in faults:
        placed = _PLACED.fullmatch(fault)
        where, row, words = placed.groups() if placed else ("", "", fault)
        rows.setdefault((where, words), []).append(row)
    return [
        words
        if not where
        else f"{where} row {at[0]}: {words}"
        if len(at) == 1
        else f"{where} rows {', '.join(at[:-1])} and {at[-1]}: {words}"
        for (where, words), at in rows.items()
    ]


def _day_order(cells: list[str]) -> str:
    """`day` or `month`, whichever the dates of a column prove to come first; empty where they do not."""
    days = [day for cell in cells if (day := _NUMERIC_DAY.fullmatch(cell))]
    first, second = (any(int(day[part]) > 12 for day in days) for part in (1, 3))
    return "day" if first and not second else "month" if second and not first else ""


def _day_of(cell: str, order: str) -> date | None:
    """The day that a text such as 31.03.2026 names when `order` comes first; None where it names none."""
    day = _NUMERIC_DAY.fullmatch(cell)
    if day is None:
        return None
    first, second = int(day[1]), int(day[3])
    with suppress(ValueError):
        return date(int(day[4]), *((second, first) if order == "day" else (first, second)))
    return None


def _frame(text: TextTable, contract: Contract, faults: list[str], warnings: list[str]) -> pl.DataFrame:
    """The table in the contract's types; what does not fit is a fault with its place."""
    data: dict[str, list[object]] = {}
    columns = {column.name: column for column in contract.register_tables[text.name].columns}
    for position, name in enumerate(text.columns):
        column = columns[name]
        cells = [row[position] for row in text.rows]
        if column.type == "text" and not column.allowed and all(cells):
            data[name] = list(cells)
            continue
        values: list[object] = []
        # What a cell was read as without fault; the same text is so everywhere in its column.
        known: dict[str, object] = {}
        order = _day_order(cells) if column.type == "date" else ""
        if order:
            warnings.append(f"{text.where}: {name} was read with the {order} first, as its dates show.")
        for row, cell in enumerate(cells):
            if cell in known:
                values.append(known[cell])
                continue
            written, before = cell, len(faults)
            if not cell:
                if column.required and name != "smallest_difference":
                    faults.append(f"{text.place(row)}: {name} is empty.")
                else:
                    known[cell] = None
                values.append(None)
                continue
            if column.allowed and cell.casefold().replace(" ", "_") in column.allowed:
                cell = cell.casefold().replace(" ", "_")
            elif column.allowed:
                faults.append(
                    f"{text.place(row)}: {name} is {cell!r}; it may be {', '.join(column.allowed)}."
                )
            where = f"{text.place(row)}: {name}"
            if order and (day := _day_of(cell, order)) is not None:
                values.append(day)
                continue
            help_ = f" Its unit stands in {name}_unit." if f"{name}_unit" in columns else ""
            values.append(_value(cell, column.type, where, faults, comma_free=text.comma_free, help_=help_))
            if len(faults) == before:
                known[written] = values[-1]
        data[name] = values
    schema = {name: dtype for name, dtype in columns_of(text.name, contract).items() if name in data}
    return pl.DataFrame(data, schema=schema)


def _value(cell: str, kind: str, where: str, faults: list[str], *, comma_free: bool, help_: str) -> object:
    if kind == "text":
        return cell
    if kind == "number" and _SPACED.fullmatch(cell):
        cell = re.sub(r"[\s'\u2019]", "", cell)
    plain = cell.replace(",", ".") if cell.count(",") == 1 and "." not in cell else cell
    if kind == "whole" and _WHOLE.fullmatch(cell):
        return int(cell)
    two_ways = _TWO_WAYS.fullmatch(cell) if kind == "number" else None
    if two_ways and (two_ways[1] == "," or comma_free):
        mark = "comma" if two_ways[1] == "," else "point"
        faults.append(
            f"{where} is {cell!r}: a thousand and more, or a decimal {mark}? Write it without a {mark}."
        )
        return None
    if kind == "number" and _NUMBER.fullmatch(plain) and math.isfinite(float(plain)):
        return float(plain)
    if kind == "date" and (day := _DAY.fullmatch(cell)):
        with suppress(ValueError):
            return date.fromisoformat(day[1])
    wanted = {"whole": "a whole number", "number": "a number", "date": "a date such as 2025-05-14"}[kind]
    beside = kind == "number" and re.match(r"[+-]?\d", cell) and not _NUMBER.fullmatch(plain)
    alone = f" Write the number alone.{help_}" if beside else ""
    faults.append(f"{where} is {cell!r}, which is not {wanted}.{alone}")
    return None


def _canonical(
    register: Register, contract: Contract, texts: dict[str, TextTable], faults: list[str]
) -> Register:
    """The register with analytes and stages in the contract's words."""
    aliases = dict(register.aliases.select("written", "means").iter_rows())

    def stage(name: str | None, where: str) -> str | None:
        if name is None:
            return None
        match = contract.name_stage(name, aliases)
        if match.id is None:
            near = f" Is {match.candidates[0]} meant?" if match.candidates else ""
            faults.append(f"{where}: the stage {name!r} is not known.{near}")
        return match.id

    def response(name: str | None, where: str) -> str | None:
        if name is None or name in DERIVED_RESPONSES:
            return name
        if name.casefold().startswith("score:") and name[6:].strip():
            return f"score:{name[6:].strip().casefold().replace(' ', '_')}"
        if name in contract.analytes:
            return name
        match = contract.name_analyte(name, aliases)
        if match.id is None:
            likely = match.candidates or get_close_matches(
                name.casefold().replace(" ", "_"), DERIVED_RESPONSES, n=1, cutoff=0.6
            )
            near = f" Is {likely[0]} meant?" if likely else ""
            faults.append(
                f"{where}: the response {name!r} is not known.{near} It may be an analyte, "
                f"{', '.join(DERIVED_RESPONSES)}, or score:ATTRIBUTE."
            )
        return match.id

    def mapped(table: str, columns: Mapping[str, Callable[[str | None, str], str | None]]) -> pl.DataFrame:
        frame: pl.DataFrame = getattr(register, table)
        text = texts.get(table)
        for name, rule in columns.items():
            # A name that was settled once is so in every row; any other is told at each.
            settled: dict[str | None, str | None] = {}
            values: list[str | None] = []
            for row, value in enumerate(frame[name].to_list()):
                meant = settled.get(value)
                if meant is None:
                    meant = settled[value] = rule(value, text.place(row) if text else table)
                values.append(meant)
            frame = frame.with_columns(pl.Series(name, values, dtype=pl.String))
        return frame

    return Register.of_tables(
        {
            **register.tables,
            "questions": mapped("questions", {"primary_response": response, "primary_stage": stage}),
            "responses": mapped("responses", {"response": response, "stage": stage}),
            "samples": mapped("samples", {"stage": stage}),
            "labs": mapped("labs", {"analyte": response}),
        },
        contract,
    )
