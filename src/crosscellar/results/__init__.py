"""What each command comes to, as frozen records: the same for a script, for JSON and for the terminal."""

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
