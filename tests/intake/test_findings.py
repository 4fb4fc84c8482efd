"""One TOML declares every code: each that the program gives is declared there, and each declared is given."""

from __future__ import annotations

import ast
import csv
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import polars as pl
import pytest

import crosscellar.intake
from crosscellar.contract import Contract
from crosscellar.intake.findings import Faults, fold
from crosscellar.intake.rules import RULES

HERE = Path(__file__).parent
LISTED = HERE.parent / "reference" / "enology" / "rules.csv"
INTAKE = Path(crosscellar.intake.__file__).parent
SOURCE = [INTAKE.parent / "gate.py", *sorted(INTAKE.rglob("*.py"))]
#: Calls that give a code, and where in their arguments it stands.
GIVING: Final = {
    "Refused": 0,
    "Remark": 0,
    "Unreadable": 5,
    "_Form": 1,
    "_not_taken": 1,
    "Match": 1,
    "add": 1,
    "tell": 1,
}
#: Tables of codes, by the name they are bound to.
TABLES: Final = ("_PROBLEMS", "HOW_TOLD", "_ASKED_BY_NAME")
CODE = re.compile(r"^[a-z][a-z0-9]*(_[a-z0-9]+)*$")
#: Columns that hold or settle a code, and how a decimal point in a column of commas is told.
NO_CODE: Final = {"analyte", "id_code", "label_code", "name_code", "unit_code", "decimal_point_cell", "code"}

#: Rules of the reference list that have no code of their own, and why.
REASONED: Final = {
    "E019": "headings, means and totals are lines: listed with the file, never readings, nothing to mend",
    "E022": "the hard limits of pH stand in analytes.toml: out_of_range",
    "E038": "a basis that is nowhere declared is basis_missing",
    "E068": "a path that is nowhere declared is basis_missing",
    "E078": "the sheet gives the drop in percent: below 0 it is out_of_range",
    "E081": "no sheet says the volume plated, so that no count can be turned back into colonies",
    "E085": "neither sheet nor register has vines per hectare",
    "E100": "vessels are the units by the form of the register; repeats of one vessel are numbered",
    "E102": "the sheet asks for the serving order, not for three-digit codes",
    "E103": "the sheet asks for the glass, 1, 2 or 3: anything else is no_pick",
    "E110": "scores come without the place in which each product was served",
}


def _texts(node: ast.expr) -> Iterator[str]:
    for part in ast.walk(node):
        if isinstance(part, ast.Constant) and isinstance(part.value, str):
            yield part.value


def _of_call(node: ast.Call, file: str) -> Iterator[str]:
    name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    # a set's `add` takes one argument; `answer` gives a code in measure.py only
    at = GIVING.get(name, 1 if name == "answer" and file == "measure.py" else None)
    if at is not None and len(node.args) > max(at, 2 if name == "add" else 0):
        yield from _texts(node.args[at])
    for word in node.keywords:
        if word.arg == "code":
            yield from _texts(word.value)


def _of_table(node: ast.AnnAssign) -> Iterator[str]:
    name = getattr(node.target, "id", "")
    if name in TABLES and isinstance(node.value, ast.Dict):
        for one in node.value.values if name == "_ASKED_BY_NAME" else node.value.keys:
            if one is not None:
                yield from _texts(one)


def given() -> set[str]:
    """Every code that a call, a table of codes or a returned answer of intake spells out."""
    found: set[str] = set()
    for path in SOURCE:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                found.update(_of_call(node, path.name))
            elif isinstance(node, ast.AnnAssign):
                found.update(_of_table(node))
            elif isinstance(node, ast.Return) and isinstance(node.value, ast.Tuple):
                # what a name comes to: the id, the code, message, suggestion, and the repeat of an analyte
                answer = node.value.elts
                if path.name == "naming.py" and len(answer) in (4, 5):
                    found.update(_texts(answer[1]))
    return {text for text in found if CODE.match(text)} - NO_CODE


def spelt() -> set[str]:
    """Every text of one word that stands anywhere in the source of intake and its gate."""
    return {
        text
        for path in SOURCE
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and CODE.match(text := node.value)
    }


def test_every_code_that_is_given_is_declared(contract: Contract) -> None:
    codes = given()
    assert len(codes) > 80
    assert codes - set(contract.rules) == set()


def test_every_code_that_is_declared_is_given_somewhere(contract: Contract) -> None:
    assert set(contract.rules) - set(RULES) - spelt() == set()


def test_every_rule_over_several_cells_is_declared(contract: Contract) -> None:
    assert set(RULES) <= set(contract.rules)


def test_every_rule_of_the_list_has_a_code_or_a_reason(contract: Contract) -> None:
    listed = {row["rule_id"] for row in csv.DictReader(LISTED.read_text(encoding="utf-8").splitlines())}
    answered = {rule.source_id for rule in contract.rules.values()} - {""}
    assert answered | set(REASONED) == listed
    assert answered & set(REASONED) == set()
    head = (contract.folder / "rules.toml").read_text(encoding="utf-8").partition("\n[")[0]
    assert [rule for rule in REASONED if rule not in head] == []


def test_every_setting_that_is_declared_is_used(contract: Contract) -> None:
    used = spelt()
    unused = {
        (rule.code, name) for rule in contract.rules.values() for name in rule.settings if name not in used
    }
    assert unused == set()


def _faults(contract: Contract, code: str, cells: list[tuple[int, int]]) -> pl.DataFrame:
    faults = Faults(contract.rules)
    for item, (row, column) in enumerate(cells):
        faults.note(
            file_no=1, sheet="", row=row, column=column, code=code, message=f"Row {row}.", item_nos=(item,)
        )
    names = pl.DataFrame({"file_no": [1], "file": ["a.csv"]}, schema_overrides={"file_no": pl.Int32})
    return fold(faults.frame(), names, contract.rules)


@pytest.mark.parametrize(
    ("code", "cells"),
    [
        ("hidden_row", ["E4", "E5"]),
        ("hidden_column", ["E4", "F4"]),
        ("hidden_sheet", ["E4"]),
        ("marker", ["E4", "F4", "E5"]),
    ],
)
def test_a_code_folds_as_far_as_it_is_declared_to(contract: Contract, code: str, cells: list[str]) -> None:
    found = _faults(contract, code, [(4, 5), (4, 6), (5, 5)])
    assert found["cell"].to_list() == cells
    assert found["items"].list.len().sum() == 3
    assert set(found["severity"]) == {contract.rules[code].severity}


def test_a_hidden_row_of_a_wide_sheet_is_one_finding_for_all_its_readings(judge: Any) -> None:
    import io

    from openpyxl import Workbook

    book = Workbook()
    tab = book.active
    assert tab is not None
    tab.append(
        ["trial_id", "arm_id", "vessel_id", "stage", "sample_date", "pH", "malic (g/L)", "lactic (g/L)"]
    )
    for vessel, arm in (("ORR-01", "control"), ("ORR-02", "stir_weekly")):
        tab.append(["LS24-ORR", arm, vessel, "end_AF", "2024-10-15", 3.4, 1.2, 0.3])
    tab.row_dimensions[3].hidden = True
    kept = io.BytesIO()
    book.save(kept)
    batch = judge(("hidden.xlsx", kept.getvalue()))
    hidden = batch.findings.filter(pl.col("code") == "hidden_row")
    assert hidden.select("cell", pl.col("items").list.len()).rows() == [("C3", 3)]


def test_faults_stand_in_the_order_in_which_they_were_told_however_they_were_told(contract: Contract) -> None:
    faults = Faults(contract.rules)
    items = pl.DataFrame({"item_no": [7], "file_no": [1], "sheet": [""], "row": [2], "column": [3]})

    def note(value: str, *item_nos: int) -> None:
        faults.note(
            file_no=1,
            sheet="",
            row=None,
            column=None,
            code="unknown_column",
            value=value,
            message="",
            item_nos=item_nos,
        )

    note("first")
    note("second", 4, 5)
    faults.add(items, "out_of_range", pl.lit(""), value=pl.lit("third"))
    note("fourth")
    told = faults.frame()
    assert told["value"].to_list() == ["first", "second", "second", "third", "fourth"]
    assert told["item_no"].to_list() == [None, 4, 5, 7, None]
    assert told["severity"].to_list() == [
        contract.rules[code].severity for code in [*["unknown_column"] * 3, "out_of_range", "unknown_column"]
    ]
    assert faults.frame().equals(told)


@pytest.mark.parametrize(
    "content", [b"", b"\x89PNG\r\n\x1a\n" + bytes(40), b"%PDF-1.4\n", b"PK\x03\x04" + bytes(40)]
)
def test_a_file_that_cannot_be_read_is_told_in_a_whole_sentence(judge: Any, content: bytes) -> None:
    batch = judge(("a.xlsx", content))
    (message,) = batch.findings["message"].to_list()
    assert message.endswith(".")
    assert batch.files["message"][0] == message
