"""One DuckDB file that keeps what it was given: append-only, whole or not at all, traced to the cell."""

from crosscellar.store.circumstances import Circumstances
from crosscellar.store.deciding import Decided
from crosscellar.store.history import History, Step, same_findings
from crosscellar.store.ledger import Snapshot
from crosscellar.store.store import Store, Taken

__all__ = ["Circumstances", "Decided", "History", "Snapshot", "Step", "Store", "Taken", "same_findings"]
