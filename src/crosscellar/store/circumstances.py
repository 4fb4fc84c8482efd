"""How a taking-in was done: what has to be known to do it again from the kept bytes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from crosscellar.store.session import Session

Settings = Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class Circumstances:
    """The day the sheets came, whether they were corrections, settings of rules, the program's version."""

    received: date
    correction: bool = False
    settings: Settings | None = None
    program: str = ""


def write_circumstances(session: Session, entry: int, how: Circumstances) -> None:
    """Nothing; the row is written, inside the caller's transaction."""
    session.run(
        "INSERT INTO circumstances VALUES ($entry, $received, $correction, $settings, $program)",
        {
            "entry": entry,
            "received": how.received,
            "correction": how.correction,
            "settings": None if not how.settings else _as_json(how.settings),
            "program": how.program,
        },
    )


def _as_json(settings: Settings) -> str:
    return json.dumps({rule: dict(own) for rule, own in settings.items()}, sort_keys=True)


def circumstances_of(session: Session) -> dict[int, Circumstances]:
    """What is on record of each taking-in, by its entry."""
    return {
        entry: Circumstances(received, correction, json.loads(settings) if settings else None, program)
        for entry, received, correction, settings, program in session.rows(
            """
            SELECT entry_id, received, correction, settings, program FROM circumstances
            ORDER BY entry_id
            """
        )
    }
