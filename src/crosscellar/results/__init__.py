"""What each command comes to, as frozen records: the same for a script, for JSON and for the terminal.

Names are loaded when first used: a command needs the records of its own kind.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from crosscellar.results.answers import Answer, EffectsAnswer
    from crosscellar.results.plans import BudgetAnswer, PanelAnswer, PlanAnswer, PrecisionAnswer
    from crosscellar.results.shown import Shown, plain, set_html
    from crosscellar.results.taking_in import (
        COUNTS,
        FINDING_KEYS,
        CheckReport,
        DecisionOutcome,
        DemoOutcome,
        FindingsList,
        Forgetting,
        IntakeOutcome,
        Outstanding,
        Rebuilt,
        RegisterOutcome,
        Written,
    )

__all__ = [
    "COUNTS",
    "FINDING_KEYS",
    "Answer",
    "BudgetAnswer",
    "CheckReport",
    "DecisionOutcome",
    "DemoOutcome",
    "EffectsAnswer",
    "FindingsList",
    "Forgetting",
    "IntakeOutcome",
    "Outstanding",
    "PanelAnswer",
    "PlanAnswer",
    "PrecisionAnswer",
    "Rebuilt",
    "RegisterOutcome",
    "Shown",
    "Written",
    "plain",
    "set_html",
]

_HOMES = {
    **dict.fromkeys(__all__, "taking_in"),
    **dict.fromkeys(("Answer", "EffectsAnswer"), "answers"),
    **dict.fromkeys(("BudgetAnswer", "PanelAnswer", "PlanAnswer", "PrecisionAnswer"), "plans"),
    **dict.fromkeys(("Shown", "plain", "set_html"), "shown"),
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
