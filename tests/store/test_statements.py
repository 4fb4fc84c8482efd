"""No text from a sheet or a user can become part of a statement."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import crosscellar.store

FOLDER = Path(crosscellar.store.__file__).parent
STATEMENTS = {"execute", "executemany", "sql", "query", "run", "rows", "value", "frame"}

#: Texts put together at import from fixed lists, or the files of the numbered steps.
FIXED_OWNERS = {"what", "target", "TARGETS", "step"}


def fixed(node: ast.expr, constants: set[str], own: set[str]) -> bool:
    """Whether this expression is a literal, a constant of the module, or a statement of `TARGETS`."""
    match node:
        case ast.Constant(value=str()):
            return True
        case ast.Name(id=name):
            return name in constants or name in own
        case (
            ast.Attribute(value=ast.Name(id=name))
            | ast.Attribute(value=ast.Subscript(value=ast.Name(id=name)))
        ):
            return name in FIXED_OWNERS
    return False


@pytest.mark.parametrize("file", sorted(FOLDER.glob("*.py")), ids=lambda file: file.name)
def test_a_statement_is_a_literal_or_a_constant_of_its_module(file: Path) -> None:
    tree = ast.parse(file.read_text("utf-8"))
    constants = {
        target.id
        for node in tree.body
        if isinstance(node, ast.Assign | ast.AnnAssign)
        for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
        if isinstance(target, ast.Name) and target.id.lstrip("_").isupper()
    }
    found = 0
    for function in ast.walk(tree):
        if not isinstance(function, ast.FunctionDef):
            continue
        # Session's own methods and `next_number` hand a statement on: their callers are looked at instead.
        own = {"statement"} & {argument.arg for argument in function.args.args}
        for node in ast.walk(function):
            if not isinstance(node, ast.Call):
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name == "next_number":
                assert fixed(node.args[1], constants, own), f"{file.name}:{node.lineno}"
            elif isinstance(node.func, ast.Attribute) and name in STATEMENTS and node.args:
                found += 1
                assert fixed(node.args[0], constants, own), f"{file.name}:{node.lineno}"
    if file.name in {"ledger.py", "taking.py", "store.py", "checking.py"}:
        assert found


def test_the_rule_finds_a_text_put_together_where_it_is_run() -> None:
    for text in ("f'SELECT {name}'", "'SELECT ' + name", "'SELECT %s' % name", "'SELECT {}'.format(name)"):
        assert not fixed(ast.parse(text, mode="eval").body, {"READ"}, set())
    assert fixed(ast.parse("READ", mode="eval").body, {"READ"}, set())
