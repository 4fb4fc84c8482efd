"""Consistent copies of a store: a file copied alone would lack what is still in its log."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from crosscellar.errors import CrosscellarError, StoreError
from crosscellar.store.migrations import sync_folder
from crosscellar.store.session import CONFIG, private_files


def refuse_place(out: Path) -> None:
    """Raise CrosscellarError where no new store can lie: nothing is wrong with the one that is copied."""
    if out.is_dir():
        raise CrosscellarError(
            "this is a folder", where=out, next_step=f"Name a file in it, such as {out / 'network.duckdb'}."
        )
    if out.exists():
        raise CrosscellarError(
            "there is a file of this name already", where=out, next_step="Choose another name."
        )
    if not out.parent.is_dir():
        raise CrosscellarError(
            "there is no folder of this name",
            where=out.parent,
            next_step="Make it, or name a file in a folder that is there.",
        )
    if not os.access(out.parent, os.W_OK):
        raise CrosscellarError(
            "you may not write to this folder",
            where=out.parent,
            next_step="Name a file in a folder that you may write to.",
        )


def write_copy(path: Path, out: Path) -> None:
    """Nothing; `out` is a copy of the closed store at `path`. Until it is whole it bears another name.

    Raises
    ------
    StoreError
        When the copy cannot be written.
    """
    import duckdb

    part = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        with private_files():
            connection = duckdb.connect(config={**CONFIG, "enable_external_access": True})
            try:
                connection.execute("ATTACH $path AS source (READ_ONLY)", {"path": str(path)})
                connection.execute("ATTACH $path AS target (STORAGE_VERSION 'v1.4.0')", {"path": str(part)})
                connection.execute("COPY FROM DATABASE source TO target")
                connection.execute("CHECKPOINT target")
            finally:
                connection.close()
        part.replace(out)
        sync_folder(out.parent)
    except (OSError, duckdb.Error) as fault:
        if "No space left" in str(fault) or "File too large" in str(fault):
            raise StoreError(
                "the disk is full, so no copy was written",
                where=out,
                next_step="Free some space, or name a file on another disk; the store is as it was.",
            ) from fault
        raise StoreError(
            "the copy could not be written", where=out, next_step="Choose a folder that you may write to."
        ) from fault
    finally:
        for left in (part, Path(f"{part}.wal")):
            with suppress(OSError):
                left.unlink()
