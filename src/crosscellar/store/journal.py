"""A line for every entry, beside the store: what a store that lost its log cannot know itself."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

from crosscellar.errors import StoreError
from crosscellar.store.ledger import Entry, last_entry
from crosscellar.store.migrations import sync_folder
from crosscellar.store.session import Session, private_files


@dataclass(frozen=True, slots=True)
class Decided:
    """The finding that a decision was about: by its place, for a number can be given again after a loss."""

    finding_id: int
    file: str
    sha256: str
    cell: str
    code: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Line:
    """One journal line: the entry's number, kind and checksum, and the files it took in (name, sha256).

    `decided` is None for what is no decision, and in lines of decisions written before findings were named.
    """

    entry_id: int
    moment: str
    kind: str
    checksum: str
    files: tuple[tuple[str, str], ...]
    decided: Decided | None = None


def journal_path(store: Path) -> Path:
    """Where the journal of this store lies."""
    return store.with_name(f"{store.name}.journal")


def decided_in(session: Session, entry: int) -> Decided | None:
    """The finding that this entry decided, and how; None for an entry that is no decision."""
    found = session.rows(
        """
        SELECT d.finding_id, coalesce(f.file, ''), coalesce(f.sha256, ''), coalesce(n.cell, ''), n.code,
            d.verdict
        FROM decisions AS d JOIN findings AS n USING (finding_id) LEFT JOIN files AS f USING (file_id)
        WHERE d.entry_id = $entry
        """,
        {"entry": entry},
    )
    return Decided(*found[0]) if found else None


def append(
    store: Path,
    entry: Entry,
    files: tuple[tuple[str, str], ...] = (),
    *,
    decided: Decided | None = None,
) -> None:
    """Nothing; the line is on the disk when this returns. Raises StoreError when it cannot be written."""
    told: dict[str, Any] = {
        "entry": entry.entry_id,
        "moment": entry.moment.isoformat(),
        "kind": entry.kind,
        "checksum": entry.content.checksum,
        "files": [list(pair) for pair in files],
    }
    if decided is not None:
        told["decided"] = list(astuple(decided))
    line = json.dumps(told, ensure_ascii=False)
    path = journal_path(store)
    new = not path.exists()
    try:
        with private_files(), path.open("ab+") as file:
            # A line that a crash cut short must not swallow this one.
            torn = file.tell() > 0 and file.seek(-1, os.SEEK_END) >= 0 and file.read(1) != b"\n"
            file.write(f"{chr(10) if torn else ''}{line}\n".encode())
            file.flush()
            os.fsync(file.fileno())
    except OSError as fault:
        raise StoreError(
            f"this was stored, but its line could not be written to the journal ({fault.strerror})",
            where=path,
            next_step="Free some space or check your rights, then run `crosscellar check`.",
        ) from fault
    if new:
        sync_folder(path.parent)


def copy(store: Path, out: Path) -> None:
    """Nothing; the journal lies beside the copy of the store at `out`, too.

    Raises
    ------
    StoreError
        When it cannot be written: then the copy of the store is gone, for alone it would not pass the check.
    """
    lines = journal_path(store)
    if not lines.exists():
        return
    try:
        with private_files():
            journal_path(out).write_bytes(lines.read_bytes())
    except OSError as fault:
        for left in (journal_path(out), out):
            with suppress(OSError):
                left.unlink()
        raise StoreError(
            f"the copy could not be written beside its journal ({fault.strerror})",
            where=out,
            next_step="Free some space or name a file on another disk; the store is as it was.",
        ) from fault


def catch_up(session: Session) -> None:
    """Nothing; entries that a crash kept from the journal have their lines.

    A journal that is missing altogether is not made anew: `check` tells of it.
    """
    entries = session.rows("SELECT entry_id, checksum FROM ledger ORDER BY entry_id")
    if len(entries) > 1 and not journal_path(session.path).exists():
        return
    known = {(line.entry_id, line.checksum) for line in read(session.path)}
    for number, checksum in entries:
        entry = last_entry(session, until=number)
        if entry is None or (number, checksum) in known:
            continue
        files = session.rows(
            "SELECT file, coalesce(sha256, '') FROM files WHERE entry_id = $entry ORDER BY file_no",
            {"entry": number},
        )
        append(
            session.path,
            entry,
            tuple((str(name), str(sha)) for name, sha in files),
            decided=decided_in(session, number),
        )


def last_entry_id(store: Path) -> int:
    """The largest entry number the journal speaks of, 0 for none."""
    return max((line.entry_id for line in read(store)), default=0)


def read(store: Path) -> list[Line]:
    """The lines that can be read; a last line cut short by a crash is passed over."""
    path = journal_path(store)
    if not path.exists():
        return []
    lines: list[Line] = []
    for text in path.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            found: dict[str, Any] = json.loads(text)
            lines.append(
                Line(
                    int(found["entry"]),
                    str(found["moment"]),
                    str(found["kind"]),
                    str(found["checksum"]),
                    tuple((str(name), str(sha)) for name, sha in found["files"]),
                    Decided(*found["decided"]) if "decided" in found else None,
                )
            )
        except (ValueError, KeyError, TypeError):
            continue
    return lines
