"""What was worked out from a store, kept in a folder beside it so that it is not worked out again.

The folder can be deleted at any time: it holds nothing that the store does not tell. What is kept under a
name speaks of one store after one entry of its ledger, and is passed over where that entry, or one before
it, is another.
"""

from __future__ import annotations

import io
import json
import os
import zipfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import polars as pl

from crosscellar.store.ledger import last_entry
from crosscellar.store.session import Session, private_files

_STATE: Final = """
    SELECT sha256(concat_ws(chr(31), $made_by,
        (SELECT string_agg(epoch_us(created)::VARCHAR, ',' ORDER BY created) FROM store_info),
        (SELECT string_agg(concat_ws(',', entry_id, epoch_us(moment), kind, checksum), chr(30)
            ORDER BY entry_id) FROM ledger WHERE entry_id <= $until)))
"""

_TOLD: Final = "told.json"
_ROWS: Final = "rows.parquet"


@dataclass(frozen=True, slots=True)
class Kept:
    """What was kept under a name after entry `entry` of the ledger.

    `told` is what it came to (JSON), `rows` what that came from: None where only a change asks for them and
    no entry followed.
    """

    entry: int
    told: Any
    rows: pl.DataFrame | None


def remembered_path(store: Path) -> Path:
    """The folder in which what was worked out from this store lies."""
    return store.with_name(f"{store.name}.lent")


def recall(session: Session, name: str, *, made_by: str, changed_only: bool = True) -> Kept | None:
    """What the same program kept under this name; None where it speaks of another history, or is torn.

    `changed_only` leaves its rows unread where no entry followed.
    """
    place = _place(session.path, name)
    try:
        with zipfile.ZipFile(place) as kept:
            found = json.loads(kept.read(_TOLD))
            entry, state, told = int(found["entry"]), found["state"], found["told"]
    except Exception:  # a damaged file fails in many ways, and each means the same
        return None
    last = last_entry(session)
    if last is None or state != _state(session, made_by, entry):
        return None
    if changed_only and entry == last.entry_id:
        return Kept(entry, told, None)
    try:
        with zipfile.ZipFile(place) as kept:
            return Kept(entry, told, pl.read_parquet(io.BytesIO(kept.read(_ROWS))))
    except Exception:
        return None


def remember(session: Session, name: str, *, made_by: str, told: Any, rows: pl.DataFrame) -> None:
    """Nothing; it is kept if there is the right and the room to keep it."""
    last = last_entry(session)
    if last is None:
        return
    state = _state(session, made_by, last.entry_id)
    table = io.BytesIO()
    rows.write_parquet(table)
    place = _place(session.path, name)
    part = place.with_name(f"{place.name}.{os.getpid()}")
    with suppress(OSError), private_files():
        place.parent.mkdir(exist_ok=True)
        try:
            with zipfile.ZipFile(part, "w") as kept:
                kept.writestr(_TOLD, json.dumps({"entry": last.entry_id, "state": state, "told": told}))
                kept.writestr(_ROWS, table.getbuffer())
            part.replace(place)
        finally:
            part.unlink(missing_ok=True)


def _place(store: Path, name: str) -> Path:
    return remembered_path(store) / f"{name}.zip"


def _state(session: Session, made_by: str, until: int) -> str:
    """A SHA-256 that is another for every other program, store, and history up to this entry."""
    return str(session.value(_STATE, {"made_by": made_by, "until": until}))
