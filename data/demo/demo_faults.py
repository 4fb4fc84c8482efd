"""The faults planted in a handful of sheets, each with what careful intake makes of it."""

from __future__ import annotations

from demo_sheets import Sheet
from demo_tables import Table


def plant(inbox: dict[str, Sheet]) -> tuple[dict[str, Sheet], Table]:
    """Sheets beyond the inbox, and the list of faults; the inbox's own sheets are changed in place."""
    return {}, Table(["file", "sheet", "cell", "what", "expected"])
