"""One DuckDB file that keeps what it was given: append-only, whole or not at all, traced to the cell.

Names are loaded when first used: a question opens a store without what changes one.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from crosscellar.store.circumstances import Circumstances
    from crosscellar.store.copies import refuse_place
    from crosscellar.store.deciding import Decided
    from crosscellar.store.forgetting import Forgotten
    from crosscellar.store.history import History, Step, same_findings
    from crosscellar.store.ledger import Snapshot
    from crosscellar.store.store import Store, Taken
    from crosscellar.store.wording import NEUTRAL, SHORTEST, Person, contact_person

__all__ = [
    "NEUTRAL",
    "SHORTEST",
    "Circumstances",
    "Decided",
    "Forgotten",
    "History",
    "Person",
    "Snapshot",
    "Step",
    "Store",
    "Taken",
    "contact_person",
    "refuse_place",
    "same_findings",
]

_HOMES = {
    "Circumstances": "circumstances",
    "Decided": "deciding",
    "Forgotten": "forgetting",
    "Snapshot": "ledger",
    "refuse_place": "copies",
    **dict.fromkeys(("History", "Step", "same_findings"), "history"),
    **dict.fromkeys(("Store", "Taken"), "store"),
    **dict.fromkeys(("NEUTRAL", "SHORTEST", "Person", "contact_person"), "wording"),
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
