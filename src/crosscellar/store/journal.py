"""A line for every entry, beside the store: what a store that lost its log cannot know itself."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
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
    `forgotten` is empty but for a forgetting: its kind and what stands for the person.
    """

    entry_id: int
    moment: str
    kind: str
    checksum: str
    files: tuple[tuple[str, str], ...]
    decided: Decided | None = None
    forgotten: tuple[str, ...] = ()


def journal_path(store: Path) -> Path:
    """Where the journal of this store lies."""
    return store.with_name(f"{store.name}.journal")


def _ready(store: Path) -> Path:
    """Where the journal of a store that is about to be swapped in lies."""
    return store.with_name(f"{store.name}.journal.new")


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


def forgotten_in(session: Session, entry: int) -> tuple[str, ...]:
    """What this entry forgot: its kind and what stands for the person; empty for any other entry."""
    found = session.rows(
        "SELECT kind, stands_for FROM forgotten WHERE entry_id = $entry ORDER BY kind", {"entry": entry}
    )
    return tuple(found[0]) if found else ()


def _line(
    entry: Entry, files: tuple[tuple[str, str], ...], decided: Decided | None, forgotten: tuple[str, ...] = ()
) -> str:
    told: dict[str, Any] = {
        "entry": entry.entry_id,
        "moment": entry.moment.isoformat(),
        "kind": entry.kind,
        "checksum": entry.content.checksum,
        "files": [list(pair) for pair in files],
    }
    if decided is not None:
        told["decided"] = list(astuple(decided))
    if forgotten:
        told["forgotten"] = list(forgotten)
    return json.dumps(told, ensure_ascii=False)


def append(
    store: Path,
    entry: Entry,
    files: tuple[tuple[str, str], ...] = (),
    *,
    decided: Decided | None = None,
    forgotten: tuple[str, ...] = (),
) -> None:
    """Nothing; the line is on the disk when this returns. Raises StoreError when it cannot be written."""
    line = _line(entry, files, decided, forgotten)
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
    """Nothing; the journal lies beside the copy of the store at `out`, too, on the disk.

    Raises
    ------
    StoreError
        When it cannot be written: then the copy of the store is gone, for alone it would not pass the check.
    """
    lines = journal_path(store)
    if not lines.exists():
        return
    try:
        _write(journal_path(out), lines.read_bytes())
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
        entry = None if (number, checksum) in known else last_entry(session, until=number)
        if entry is None:
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
            forgotten=forgotten_in(session, number),
        )


def rewritten(session: Session, store: Path, sums: Mapping[str, str], clean: Callable[[str], str]) -> bytes:
    """The journal of `store` with the checksums of `session`, its newest entry added, and clean texts.

    `sums` maps the checksums that were to those that are; a line of an entry that the store lost keeps its
    own. `clean` takes out of a file's name what is forgotten. A line that cannot be read is left out.
    """
    lines = []
    for text in _texts(journal_path(store)):
        if _parsed(text) is None:
            continue
        told = json.loads(text)
        told["checksum"] = sums.get(told["checksum"], told["checksum"])
        told["files"] = [[clean(name), sha256] for name, sha256 in told["files"]]
        if "decided" in told:
            number, file, *rest = told["decided"]
            told["decided"] = [number, clean(file), *rest]
        lines.append(json.dumps(told, ensure_ascii=False))
    entry = last_entry(session)
    if entry is not None:
        lines.append(_line(entry, (), None, forgotten_in(session, entry.entry_id)))
    return "".join(f"{line}\n" for line in lines).encode()


def prepare(store: Path, content: bytes) -> None:
    """Nothing; the journal of a store that is about to be swapped in lies ready, on the disk."""
    _write(_ready(store), content)


def _write(path: Path, content: bytes) -> None:
    with private_files(), path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    sync_folder(path.parent)


def put_in_place(store: Path) -> None:
    """Nothing; the journal that lay ready is the journal."""
    _ready(store).replace(journal_path(store))
    sync_folder(store.parent)


def settle(session: Session) -> None:
    """Nothing; a journal that lies ready is put in place if its store was swapped in, else it is removed.

    Only for a session that holds its store for writing: nobody else is in the midst of swapping then.
    """
    ready = _ready(session.path)
    if not ready.exists():
        return
    if _is_of(session, _read(ready)):
        put_in_place(session.path)
    else:
        ready.unlink()


def _is_of(session: Session, lines: list[Line]) -> bool:
    """Whether the last of these lines is an entry of this store's ledger."""
    return bool(lines) and bool(
        session.rows(
            "SELECT entry_id FROM ledger WHERE entry_id = $entry AND kind = $kind AND checksum = $checksum",
            {"entry": lines[-1].entry_id, "kind": lines[-1].kind, "checksum": lines[-1].checksum},
        )
    )


def lines_of(session: Session) -> list[Line]:
    """The journal's lines: of the one that lies ready, where a crash came after its store was swapped in."""
    ready = _ready(session.path)
    if ready.exists():
        lines = _read(ready)
        if _is_of(session, lines):
            return lines
    return read(session.path)


def last_entry_id(store: Path) -> int:
    """The largest entry number the journal speaks of, 0 for none."""
    return max((line.entry_id for line in read(store)), default=0)


def read(store: Path) -> list[Line]:
    """The lines that can be read; a last line cut short by a crash is passed over."""
    return _read(journal_path(store))


def _read(path: Path) -> list[Line]:
    return [line for text in _texts(path) if (line := _parsed(text)) is not None]


def _texts(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8", errors="replace").splitlines() if path.exists() else []


def _parsed(text: str) -> Line | None:
    try:
        found: dict[str, Any] = json.loads(text)
        return Line(
            int(found["entry"]),
            str(found["moment"]),
            str(found["kind"]),
            str(found["checksum"]),
            tuple((str(name), str(sha)) for name, sha in found["files"]),
            Decided(*found["decided"]) if "decided" in found else None,
            tuple(str(part) for part in found.get("forgotten", ())),
        )
    except (ValueError, KeyError, TypeError):
        return None
