"""A store written anew in full: what was taken out of it is in no free block, log or copy afterwards."""

from __future__ import annotations

import glob
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

from crosscellar.errors import StoreBusy, StoreError
from crosscellar.store import journal
from crosscellar.store.checksum import content_standing
from crosscellar.store.copies import write_copy
from crosscellar.store.ledger import ALL
from crosscellar.store.migrations import mark_of, sync_folder
from crosscellar.store.session import CONFIG, Session, explain, private_files, reach, release

if TYPE_CHECKING:
    import duckdb

Result = TypeVar("Result")

#: A file that is open cannot be replaced there, and one that was replaced cannot be open elsewhere.
_LET_GO_FIRST: Final = os.name == "nt"


class _Holder:
    """The store attached to a connection of its own, so that nobody else can open it until `let_go`."""

    def __init__(self, path: Path, wait: float) -> None:
        self._path = path
        self._connection, self._inode = reach(path, self._attach, wait)
        self._open = True

    def _attach(self) -> duckdb.DuckDBPyConnection:
        import duckdb

        connection = duckdb.connect(config={**CONFIG, "enable_external_access": True})
        connection.execute("ATTACH $path AS source", {"path": str(self._path)})
        connection.execute("CHECKPOINT source")
        return connection

    def copy_to(self, out: Path) -> None:
        """Nothing; `out` is a copy of the store."""
        import duckdb

        try:
            with private_files():
                self._connection.execute(
                    "ATTACH $path AS target (STORAGE_VERSION 'v1.4.0')", {"path": str(out)}
                )
                self._connection.execute("COPY FROM DATABASE source TO target")
                self._connection.execute("DETACH target")
        except duckdb.Error as fault:
            raise explain(fault, self._path) from fault

    def let_go(self) -> None:
        """Nothing; others can open the store. May be called twice."""
        if self._open:
            self._open = False
            self._connection.close()
            release(self._inode)


@contextmanager
def _held(path: Path, wait: float) -> Iterator[_Holder]:
    holder = _Holder(path, wait)
    try:
        yield holder
    finally:
        holder.let_go()


def swap_in(
    path: Path,
    change: Callable[[Session], tuple[Result, bytes]],
    *,
    at_step: Callable[[str], None],
    wait: float = 10.0,
) -> Result:
    """What `change` gave; the closed store at `path` and its journal are written anew as `change` left them.

    `change` works on a copy and gives the journal's new content too. The copy is then copied row by row into
    a fresh file, which takes the store's place: a changed row leaves its old text in a free block. The store
    is held all the while, so that nobody can write to a file that is about to go. A crash at any moment
    leaves the old store or the new one; the journal of the new one lies ready by then, and takes its place
    when the store is next opened for writing.

    Raises
    ------
    StoreBusy
        When another process holds the store.
    StoreError
        When there is no space or no right to write; the store is as it was.
    """
    base = path.with_name(f".{path.name}.forgetting")
    copy, fresh = Path(f"{base}.copy"), Path(f"{base}.fresh")
    try:
        with _held(path, wait) as holder:
            _sweep(base)
            holder.copy_to(copy)
            at_step("copied")
            session = Session(copy)
            try:
                result, lines = change(session)
                content = content_standing(session, until=ALL)
                session.checkpoint()
            finally:
                session.close()
            at_step("changed")
            write_copy(copy, fresh)
            copy.unlink()
            at_step("compacted")
            _refuse_other(fresh, content.checksum, path)
            journal.prepare(path, lines)
            at_step("journal_ready")
            mark = mark_of(path)
            if _LET_GO_FIRST:
                holder.let_go()
            _replace(fresh, path, mark)
            if _LET_GO_FIRST:
                # Whoever opened the store before it was replaced has removed what lay ready.
                journal.prepare(path, lines)
            at_step("swapped")
            journal.put_in_place(path)
            at_step("journal_swapped")
    except OSError as fault:
        raise StoreError(
            f"the store could not be written anew ({fault.strerror})",
            where=path,
            next_step="Free some space or check your rights, and run the command again.",
        ) from fault
    finally:
        _sweep(base)
    return result


def _refuse_other(fresh: Path, checksum: str, path: Path) -> None:
    session = Session(fresh, read_only=True)
    try:
        same = content_standing(session, until=ALL).checksum == checksum
    finally:
        session.close()
    if not same:
        raise StoreError(
            "the store written anew differs from what it was made from, so the store was left as it is",
            where=path,
            next_step="Keep the file and report this.",
        )


def _replace(fresh: Path, path: Path, mark: tuple[int, int, int]) -> None:
    busy = StoreBusy(
        "another program opened the store meanwhile, so it was left as it is",
        where=path,
        next_step="Close that program and run the command again.",
    )
    if mark_of(path) != mark:
        raise busy
    try:
        fresh.replace(path)
    except PermissionError as fault:
        if not _LET_GO_FIRST:
            raise
        raise busy from fault
    sync_folder(path.parent)


def _sweep(base: Path) -> None:
    """Nothing; copies that this run or a killed one left behind are gone."""
    for left in base.parent.glob(f"{glob.escape(base.name)}.*"):
        with suppress(OSError):
            left.unlink()
