"""A register read and checked: every fault collected, each a sentence with its file and row."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from datetime import date
from pathlib import Path

import polars as pl

from crosscellar.contract import Contract
from crosscellar.errors import RegisterRefused
from crosscellar.register.checks import check_tables, warn_tables
from crosscellar.register.tables import TextTable, read_tables
from crosscellar.register.trials import DERIVED_RESPONSES, Register, columns_of

_WHOLE = re.compile(r"[+-]?\d{1,9}")
_DAY = re.compile(r"(\d{4}-\d{2}-\d{2})([T ]00:00(:00)?)?")
#: 1,250 is a thousand and more to some, and little more than one to others.
_TWO_WAYS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
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
    frames = {name: _frame(text, contract, faults) for name, text in texts.items()}
    if not faults:
        register = _canonical(Register.of_tables(frames, contract), contract, texts, faults)
        faults += check_tables(register, contract, texts)
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


def _frame(text: TextTable, contract: Contract, faults: list[str]) -> pl.DataFrame:
    """The table in the contract's types; what does not fit is a fault with its place."""
    data: dict[str, list[object]] = {}
    columns = {column.name: column for column in contract.register_tables[text.name].columns}
    for position, name in enumerate(text.columns):
        column = columns[name]
        values: list[object] = []
        for row, cells in enumerate(text.rows):
            cell = cells[position]
            if not cell:
                if column.required and name != "smallest_difference":
                    faults.append(f"{text.place(row)}: {name} is empty.")
                values.append(None)
                continue
            if column.allowed and cell.casefold().replace(" ", "_") in column.allowed:
                cell = cell.casefold().replace(" ", "_")
            elif column.allowed:
                faults.append(
                    f"{text.place(row)}: {name} is {cell!r}; it may be {', '.join(column.allowed)}."
                )
            values.append(_value(cell, column.type, f"{text.place(row)}: {name}", faults))
        data[name] = values
    schema = {name: dtype for name, dtype in columns_of(text.name, contract).items() if name in data}
    return pl.DataFrame(data, schema=schema)


def _value(cell: str, kind: str, where: str, faults: list[str]) -> object:
    if kind == "text":
        return cell
    plain = cell.replace(",", ".") if cell.count(",") == 1 and "." not in cell else cell
    if kind == "whole" and _WHOLE.fullmatch(cell):
        return int(cell)
    if kind == "number" and _TWO_WAYS.fullmatch(cell):
        faults.append(
            f"{where} is {cell!r}: a thousand and more, or a decimal comma? Write it without a comma."
        )
        return None
    if kind == "number" and _NUMBER.fullmatch(plain) and math.isfinite(float(plain)):
        return float(plain)
    if kind == "date" and (day := _DAY.fullmatch(cell)):
        with suppress(ValueError):
            return date.fromisoformat(day[1])
    wanted = {"whole": "a whole number", "number": "a number", "date": "a date such as 2025-05-14"}[kind]
    faults.append(f"{where} is {cell!r}, which is not {wanted}.")
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
            near = f" Is {match.candidates[0]} meant?" if match.candidates else ""
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
