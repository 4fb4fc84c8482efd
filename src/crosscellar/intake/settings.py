"""A network's own settings of the rules over several cells, read from a TOML file."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path

from crosscellar.contract import Contract
from crosscellar.errors import CrosscellarError, UnreadableFile
from crosscellar.intake.rules import check_settings


def read_settings(path: str | Path, contract: Contract) -> Mapping[str, Mapping[str, float]]:
    """Rule -> setting -> number, from one TOML table a rule: `[sugar_rises]`, then `remark_brix = 1.0`.

    `on = 0` (or `on = false`) in a rule's table switches it off.

    Raises
    ------
    UnreadableFile
        When the file is not there or is not TOML.
    UnknownName
        For a rule or a setting that there is not.
    CrosscellarError
        For something that is not a number.
    """
    try:
        told = tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
    except OSError as fault:
        raise UnreadableFile(
            f"the settings cannot be read ({(fault.strerror or str(fault)).lower()})",
            where=path,
            next_step="Give the path of a TOML file.",
        ) from fault
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise UnreadableFile(
            f"the settings are not TOML: {fault}",
            where=path,
            next_step="Write a table a rule: [sugar_rises], and below it remark_brix = 1.0.",
        ) from fault
    return settings_of(told, contract, where=path)


def settings_of(
    told: Mapping[str, object], contract: Contract, *, where: str | Path = ""
) -> Mapping[str, Mapping[str, float]]:
    """`told` as numbers, rule -> setting -> number; `where` says in errors where it stood.

    Raises
    ------
    UnknownName
        For a rule or a setting that there is not.
    CrosscellarError
        For something that is not a number.
    """
    if not isinstance(told, Mapping):
        raise CrosscellarError(
            f"{told!r} are no settings",
            where=where,
            next_step="Give a mapping of rules, each to its settings and their numbers.",
        )
    settings = {rule: _numbers(rule, table, where) for rule, table in told.items()}
    check_settings(settings, contract, where=where)
    return settings


def _numbers(rule: str, table: object, path: str | Path) -> dict[str, float]:
    if not isinstance(table, Mapping):
        raise CrosscellarError(
            f"{rule!r} stands outside of any rule",
            where=path,
            next_step="Write the rule first, in brackets: [sugar_rises], and below it remark_brix = 1.0.",
        )
    for name, value in table.items():
        if not isinstance(value, int | float) or not math.isfinite(value):
            raise CrosscellarError(
                f"{name} of the rule {rule} is {value!r}, which is no number",
                where=path,
                next_step="Write a plain number; on = 0 switches the rule off.",
            )
    return {name: float(value) for name, value in table.items()}
