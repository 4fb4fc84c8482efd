"""One connection to a store file, opened so that it can neither reach outside nor be shared by accident."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from crosscellar.errors import CrosscellarError, NotOurStore, StoreBusy, StoreDamaged, StoreError

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

#: No reading or writing outside the store, no extension fetched, files that DuckDB 1.4 can still read.
CONFIG: Final[dict[str, str | bool | int | float | list[str]]] = {
    "enable_external_access": False,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "allow_community_extensions": False,
    "python_enable_replacements": False,
    "storage_compatibility_version": "v1.4.0",
    # Text goes over as polars holds it.
    "arrow_output_version": "1.4",
    "produce_arrow_string_view": True,
    "memory_limit": "1GB",
    "threads": 2,
}

_MAGIC: Final = b"DUCK"

#: The stores this process holds, by device and inode, with the process that opened them. The lock on the file
#: belongs to the process, not to a connection: a second path to the same file, or a forked child, would pass
#: it and lose rows without a word. So what is held must be noted where the lock lives: per process.
_held: Final[dict[tuple[int, int], int]] = {}


@contextmanager
def private_files() -> Iterator[None]:
    """Files made inside are readable by their owner only."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def look_at(path: Path) -> None:
    """Refuses, before anything is opened, a path that cannot be a store of this program.

    Raises
    ------
    NotOurStore
        A folder, an empty file, or a file of another kind.
    """
    if not path.is_file():
        raise NotOurStore(
            "this is not a file", where=path, next_step="Name a store file, such as network.duckdb."
        )
    if path.stat().st_size == 0:
        raise NotOurStore(
            "the file is empty, so it is not a store",
            where=path,
            next_step="Delete it and run the command again, or restore the store from a backup.",
        )
    with path.open("rb") as file:
        head = file.read(12)
    if head[8:12] != _MAGIC:
        raise NotOurStore(
            "this file is not a store of crosscellar",
            where=path,
            next_step="Name the store with --store; sheets are taken in with the intake command.",
        )


def _inode_of(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError as fault:
        raise StoreError(
            f"the store cannot be opened ({fault.strerror})",
            where=path,
            next_step="Check the path and your rights to it.",
        ) from fault
    return (found.st_dev, found.st_ino)


def _reserve(path: Path) -> tuple[int, int]:
    inode = _inode_of(path)
    holder = _held.get(inode)
    if holder == os.getpid():
        raise StoreBusy(
            "this program already has this store open, perhaps under another name",
            where=path,
            next_step="Close it first, or go on with the store that is open.",
        )
    if holder is not None:
        raise StoreBusy(
            "a forked process cannot share the store that its parent opened",
            where=path,
            next_step="Start a new process (spawn) that opens the store itself.",
        )
    look_at(path)
    _held[inode] = os.getpid()
    return inode


def reach(
    path: Path, connect: Callable[[], duckdb.DuckDBPyConnection], wait: float
) -> tuple[duckdb.DuckDBPyConnection, tuple[int, int]]:
    """The connection that `connect` makes to the store at `path`, and the inode noted as this process's.

    While another process holds the store it is tried again for `wait` seconds. A file that was put in the
    store's place between looking and locking is reached in a second look: the lock would be on the old one.
    """
    import duckdb

    give_up = time.monotonic() + wait
    # Each process waits a rhythm of its own, so that two that wait do not keep colliding.
    pause = 0.02 * (1 + os.getpid() % 17 / 17)
    while True:
        inode = _reserve(path)
        try:
            with private_files():
                connection = connect()
            if _inode_of(path) == inode:
                return connection, inode
            connection.close()
        except duckdb.Error as fault:
            release(inode)
            told = explain(fault, path)
            if not isinstance(told, StoreBusy) or time.monotonic() >= give_up:
                raise told from fault
            time.sleep(min(pause, max(0.0, give_up - time.monotonic())))
            pause = min(pause * 1.5, 0.5)
        except BaseException:
            release(inode)
            raise
        else:
            release(inode)


def release(inode: tuple[int, int]) -> None:
    """Nothing; this process holds the file of this inode no more."""
    _held.pop(inode, None)


class Session:
    """An open connection: statements are fixed texts, values go in as parameters, frames by registration.

    `in_memory` works on a copy of the store that vanishes with the session.
    """

    def __init__(
        self, path: Path, *, read_only: bool = False, wait: float = 10.0, in_memory: bool = False
    ) -> None:
        self.path = path
        self.read_only = read_only
        self._in_memory = in_memory
        self._connection, self._inode = reach(path, self._connect, wait)
        self._broken = False

    def _connect(self) -> duckdb.DuckDBPyConnection:
        import duckdb

        if self._in_memory:
            connection = duckdb.connect(config={**CONFIG, "enable_external_access": True})
            connection.execute("ATTACH $path AS source (READ_ONLY)", {"path": str(self.path)})
            connection.execute("COPY FROM DATABASE source TO memory")
            connection.execute("DETACH source")
            connection.execute("SET enable_external_access = false")
        else:
            connection = duckdb.connect(str(self.path), read_only=self.read_only, config=CONFIG)
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute("SET lock_configuration = true")
        return connection

    def _ours(self) -> duckdb.DuckDBPyConnection:
        if os.getpid() != _held.get(self._inode):
            raise StoreError(
                "the store is closed, or was opened by another process",
                where=self.path,
                next_step="Open it again in this process.",
            )
        if self._broken:
            raise StoreError(
                "the store was closed after a fault",
                where=self.path,
                next_step="Open it again; run `crosscellar check` to see that all is there.",
            )
        return self._connection

    def run(self, statement: str, parameters: Mapping[str, Any] | None = None) -> None:
        """Nothing; the statement was carried out."""
        import duckdb

        connection = self._ours()
        try:
            with private_files():
                connection.execute(statement, parameters)
        except duckdb.Error as fault:
            self._broken = self._broken or isinstance(fault, duckdb.FatalException | duckdb.InternalException)
            raise explain(fault, self.path) from fault

    def rows(self, statement: str, parameters: Mapping[str, Any] | None = None) -> list[tuple[Any, ...]]:
        """The rows of a small result as tuples."""
        import duckdb

        connection = self._ours()
        try:
            found: list[tuple[Any, ...]] = connection.execute(statement, parameters).fetchall()
        except duckdb.Error as fault:
            raise explain(fault, self.path) from fault
        return found

    def value(self, statement: str, parameters: Mapping[str, Any] | None = None) -> Any:
        """The one value of a result of one row and one column."""
        return self.rows(statement, parameters)[0][0]

    def frame(self, statement: str, parameters: Mapping[str, Any] | None = None) -> pl.DataFrame:
        """The result as a polars frame."""
        import duckdb

        connection = self._ours()
        try:
            # Batch by batch: the result is never whole in the database's memory as well.
            return pl.DataFrame(connection.sql(statement, params=dict(parameters or {})))
        except (duckdb.Error, pl.exceptions.PolarsError) as fault:
            raise explain(fault, self.path) from fault

    def pieces(
        self, statement: str, parameters: Mapping[str, Any] | None = None, *, rows: int = 1_000_000
    ) -> Iterator[pa.RecordBatch]:
        """The result, some rows at a time: it is never whole in memory."""
        import duckdb

        connection = self._ours()
        try:
            found: Iterable[pa.RecordBatch] = connection.sql(
                statement, params=dict(parameters or {})
            ).to_arrow_reader(rows)
            yield from found
        except (duckdb.Error, OSError) as fault:
            raise explain(fault, self.path) from fault

    @contextmanager
    def lend(self, **frames: pl.DataFrame | pa.Table) -> Iterator[None]:
        """Statements inside can name these frames as tables."""
        connection = self._ours()
        for name, frame in frames.items():
            connection.register(name, _as_lent(frame))
        try:
            yield
        finally:
            for name in frames:
                with suppress(Exception):
                    connection.unregister(name)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Everything inside is stored, or nothing: on any exception it is rolled back, never committed."""
        if self.read_only:
            raise StoreError(
                "the store is open for reading only",
                where=self.path,
                next_step="Open it for writing to change it.",
            )
        self.run("BEGIN TRANSACTION")
        try:
            yield
        except BaseException:
            # After a failed commit there is no transaction left to roll back: that is not a second fault.
            with suppress(CrosscellarError):
                self.run("ROLLBACK")
            raise
        try:
            self.run("COMMIT")
        except BaseException:
            with suppress(CrosscellarError):
                self.run("ROLLBACK")
            raise

    def checkpoint(self) -> None:
        """The log is folded into the store file, so that a torn log has nothing to lose."""
        self.run("CHECKPOINT")

    def close(self) -> None:
        """The file is let go; a session may be closed twice."""
        if _held.get(self._inode) != os.getpid():
            return
        with suppress(Exception), private_files():
            self._connection.close()
        release(self._inode)


def _as_lent(frame: pl.DataFrame | pa.Table) -> pa.Table:
    """The frame in one piece, its texts as polars holds them: as a frame they would be copied once more."""
    if isinstance(frame, pl.DataFrame):
        return frame.rechunk().to_arrow(compat_level=pl.CompatLevel.newest())
    return frame


def explain(fault: Exception, path: Path) -> StoreError:
    """The sentence for what DuckDB says about a store, as the error of ours that fits."""
    text = str(fault)
    if "Could not set lock" in text or "Conflicting lock" in text:
        found = re.search(r"PID (\d+)", text)
        holder = f"process {found.group(1)}" if found else "another process"
        return StoreBusy(
            f"the store is in use by {holder}",
            where=path,
            next_step="Wait until it is done, or close that program, and run the command again.",
        )
    if "being used by another process" in text:
        return StoreBusy(
            "the store is in use by another program",
            where=path,
            next_step="Close that program and run the command again.",
        )
    if "replaying WAL" in text or "WAL file" in text:
        return StoreDamaged(
            "the log beside the store cannot be read: the computer probably lost power while it was written",
            where=f"{path}.wal",
            next_step=(
                "Keep a copy of both files. Restore the latest backup, or move the log away and run "
                "`crosscellar check`: it names the sheets to take in again."
            ),
        )
    if "database file with version number" in text:
        return NotOurStore(
            "the store was written by a newer version of its format",
            where=path,
            next_step="Install the newest crosscellar and run the command again.",
        )
    if "Permission denied" in text:
        return StoreError(
            "you have no right to write this store",
            where=path,
            next_step="Ask its owner, or work on a copy made with `crosscellar backup`.",
        )
    if "No space left" in text or "File too large" in text:
        return StoreError(
            "the disk is full, so nothing of this was stored",
            where=path,
            next_step="Free some space and run the command again; what was taken in before is safe.",
        )
    if "Out of Memory" in text:
        return StoreError(
            "there was not enough memory, so nothing of this was stored",
            where=path,
            next_step="Take in fewer files at once.",
        )
    if "not a valid DuckDB database file" in text:
        return NotOurStore(
            "this file is not a store of crosscellar", where=path, next_step="Name the store with --store."
        )
    if "Corrupt" in text or "Could not read" in text or "checksum" in text or "Serialization" in text:
        return StoreDamaged(
            "the store is damaged: part of the file cannot be read",
            where=path,
            next_step="Keep a copy of it, restore the latest backup, and take in again what came since.",
        )
    if "read-only" in text:
        return StoreError(
            "the store is open for reading only", where=path, next_step="Open it for writing to change it."
        )
    first = text.splitlines()[0] if text else type(fault).__name__
    return StoreError(
        f"the store could not do this ({first})",
        where=path,
        next_step="Run `crosscellar check`; nothing of this was stored.",
    )
