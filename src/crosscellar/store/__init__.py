"""One DuckDB file that keeps what it was given: append-only, whole or not at all, traced to the cell."""

from crosscellar.store.circumstances import Circumstances
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
    "same_findings",
]
