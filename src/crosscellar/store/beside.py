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
from dataclasses import dataclass, field
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
    """What was kept under a name after entry `entry` of the ledger; `told` is what it came to (JSON).

    `current` tells whether no entry followed.
    """

    entry: int
    told: Any
    current: bool
    _file: bytes = field(repr=False)

    def rows(self) -> pl.DataFrame | None:
        """What it came from, which only a change asks for; None where that is torn."""
        try:
            with zipfile.ZipFile(io.BytesIO(self._file)) as kept:
                return pl.read_parquet(io.BytesIO(kept.read(_ROWS)))
        except Exception:  # a damaged file fails in many ways, and each means the same
            return None


def remembered_path(store: Path) -> Path:
    """The folder in which what was worked out from this store lies."""
    return store.with_name(f"{store.name}.lent")


def names_kept(store: Path) -> list[str]:
    """Under which names something was kept beside this store."""
    return sorted(place.stem for place in remembered_path(store).glob("*.zip"))


def recall(session: Session, name: str, *, made_by: str) -> Kept | None:
    """What the same program kept under this name; None where it speaks of another history, or is torn."""
    try:
        file = _place(session.path, name).read_bytes()
        with zipfile.ZipFile(io.BytesIO(file)) as kept:
            found = json.loads(kept.read(_TOLD))
            entry, state, told = int(found["entry"]), found["state"], found["told"]
    except Exception:  # as above
        return None
    last = last_entry(session)
    if last is None or state != _state(session, made_by, entry):
        return None
    return Kept(entry, told, entry == last.entry_id, file)


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
        # Left by a process that was killed; one that still writes does without.
        for left in place.parent.glob(f"{place.name}.*"):
            left.unlink(missing_ok=True)
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
