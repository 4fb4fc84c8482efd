"""What was worked out from a store, kept in a small file beside it so that it is not worked out again.

The file can be deleted at any time: it holds nothing that the store does not tell. It speaks of one state of
one store and is passed over in any other.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from crosscellar.store.session import Session, private_files

_STATE: Final = """
    SELECT sha256(concat_ws(chr(31),
        (SELECT string_agg(epoch_us(created)::VARCHAR, ',' ORDER BY created) FROM store_info),
        (SELECT string_agg(concat_ws(',', entry_id, epoch_us(moment), kind, checksum), chr(30)
            ORDER BY entry_id) FROM ledger)))
"""


def remembered_path(store: Path) -> Path:
    """Where what was worked out from this store lies."""
    return store.with_name(f"{store.name}.lent")


def state_of(session: Session) -> str:
    """A SHA-256 that is another after every entry, and for every other store."""
    return str(session.value(_STATE))


def recall(store: Path, state: str) -> dict[str, Any]:
    """What was kept in this state of the store; nothing where it is in another, or the file is torn."""
    try:
        kept = json.loads(remembered_path(store).read_text(encoding="utf-8"))
        known = kept["known"]
        fits = kept["state"] == state and kept["sha256"] == _digest(state, known)
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return known if fits and isinstance(known, dict) else {}


def remember(store: Path, state: str, known: dict[str, Any]) -> None:
    """Nothing; it is kept if there is the right and the room to keep it."""
    place = remembered_path(store)
    part = place.with_name(f"{place.name}.{os.getpid()}")
    text = json.dumps({"state": state, "sha256": _digest(state, known), "known": known}, indent=0)
    with suppress(OSError):
        try:
            with private_files():
                part.write_text(text, encoding="utf-8")
            part.replace(place)
        finally:
            part.unlink(missing_ok=True)


def _digest(state: str, known: object) -> str:
    return hashlib.sha256(f"{state}{json.dumps(known, sort_keys=True)}".encode()).hexdigest()
