"""The numbered steps that make a store and bring an older one up to date, always on a copy."""

from __future__ import annotations

import glob
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import datetime
from importlib import resources
from pathlib import Path
from typing import Final, NamedTuple

from crosscellar.errors import CrosscellarError, NotOurStore, StoreError
from crosscellar.store import kept_files
from crosscellar.store.session import Session, private_files

APPLICATION: Final = "crosscellar"
#: Called with a line of progress where something takes long.
Tell = Callable[[str], None]
#: What no statement can do, by the name of the step.
_ALSO: Final[Mapping[str, Callable[[Session, Tell], None]]] = {"pieces": kept_files.cut}


def tell_nobody(_: str) -> None:
    """Nothing: nobody waits for progress."""


class Migration(NamedTuple):
    """One numbered step forward: its statements are run once, and what they cannot do, in one transaction."""

    number: int
    name: str
    statements: str
    also: Callable[[Session, Tell], None] | None = None


def schema_folder() -> Path:
    """The folder of the numbered SQL: beside the package when installed, else at the top of the checkout."""
    package = Path(str(resources.files("crosscellar")))
    for folder in (package / "schemas" / "store", package.parents[1] / "schemas" / "store"):
        if folder.is_dir():
            return folder
    raise StoreError(
        "the files that describe the store are missing from this installation",
        where=package,
        next_step="Install crosscellar again.",
    )


def known_migrations() -> tuple[Migration, ...]:
    """Every step this program knows, in order."""
    found = sorted(schema_folder().glob("[0-9][0-9][0-9][0-9]_*.sql"))
    return tuple(
        Migration(int(file.name[:4]), file.stem[5:], file.read_text("utf-8"), _ALSO.get(file.stem[5:]))
        for file in found
    )


def version_of(session: Session) -> int:
    """The number of the last step this store has seen.

    Raises
    ------
    NotOurStore
        A database without the mark of this program.
    """
    import duckdb

    try:
        made_by = session.rows("SELECT application FROM store_info ORDER BY application")
        number = session.value("SELECT coalesce(max(number), 0) FROM migrations")
    except StoreError as fault:
        # It names what a database of another program has not. Asking for its tables first takes longer.
        if not isinstance(fault.__cause__, duckdb.CatalogException | duckdb.BinderException):
            raise
        made_by = []
    if made_by != [(APPLICATION,)]:
        raise NotOurStore(
            "this database was not made by crosscellar",
            where=session.path,
            next_step="Name the store with --store, or a new file name to start one.",
        )
    return int(number)


def apply(session: Session, steps: tuple[Migration, ...], moment: datetime, tell: Tell = tell_nobody) -> None:
    """Nothing; each step went in with its number, in a transaction of its own."""
    for step in steps:
        with session.transaction():
            session.run(step.statements)
            if step.also is not None:
                step.also(session, tell)
            session.run(
                "INSERT INTO migrations VALUES ($number, $name, $moment)",
                {"number": step.number, "name": step.name, "moment": moment},
            )


def sync_folder(folder: Path) -> None:
    """Nothing; names made or changed in the folder are on the disk (where the system can do that)."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _blank(path: Path) -> None:
    import duckdb

    from crosscellar.store.session import CONFIG, explain

    try:
        with private_files():
            duckdb.connect(str(path), config=CONFIG).close()
    except duckdb.IOException as fault:
        told = explain(fault, path)
        if "disk is full" in told.what:
            raise told from fault
        raise StoreError(
            "no store can be made here",
            where=path.parent,
            next_step="Choose a folder that exists and that you may write to.",
        ) from fault
    path.chmod(0o600)


def make_new(path: Path, *, moment: datetime, steps: tuple[Migration, ...]) -> None:
    """Nothing; a new, empty store lies at `path`, made under another name first and then renamed.

    A store that another process made at the same moment is left as it is.
    """
    making = path.with_name(f".{path.name}.{os.getpid()}.new")
    with suppress(FileNotFoundError):
        making.unlink()
    try:
        _blank(making)
        session = Session(making)
        try:
            apply(session, steps, moment)
            session.run(
                "INSERT INTO store_info VALUES ($application, $moment)",
                {"application": APPLICATION, "moment": moment},
            )
            session.checkpoint()
        finally:
            session.close()
        try:
            os.link(making, path)
        except FileExistsError:
            return
        except OSError:
            making.replace(path)
        sync_folder(path.parent)
    except OSError as fault:
        raise CrosscellarError(
            f"no store can be made here ({fault.strerror})",
            where=path,
            next_step="Choose a folder that exists and that you may write to.",
        ) from fault
    finally:
        for left in (making, Path(f"{making}.wal")):
            with suppress(OSError):
                left.unlink()


def upgraded_in_memory(
    path: Path, *, moment: datetime, steps: tuple[Migration, ...], wait: float, tell: Tell
) -> Session:
    """A session for reading on a copy in memory that has seen all steps; the store stays as it is.

    Raises
    ------
    StoreError
        When the copy needs more memory than a store may use.
    """
    tell(
        "The store was written by an older version and is brought up to date in memory, each time anew; "
        "`crosscellar check --upgrade` does it once."
    )
    session = Session(path, wait=wait, in_memory=True)
    try:
        version = version_of(session)
        apply(session, tuple(step for step in steps if step.number > version), moment)
    except StoreError as fault:
        session.close()
        raise StoreError(
            "the store was written by an older crosscellar and is too large to be read without an upgrade",
            where=path,
            next_step="`crosscellar check --upgrade` brings it up to date, on a copy.",
        ) from fault
    session.read_only = True
    return session


@contextmanager
def _only_one(path: Path) -> Iterator[None]:
    """Inside, no other process upgrades this store: two would swap in copies of different moments.

    The lock is the system's and ends with its process. Its file stays: removing it would let two in.
    """
    try:
        import fcntl
    except ImportError:
        # Where a store that is open elsewhere cannot be replaced, the swap itself fails.
        yield
        return
    with private_files():
        handle = os.open(path.with_name(f".{path.name}.upgrading"), os.O_CREAT | os.O_RDWR, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _sweep(path: Path) -> None:
    """Nothing; what an upgrade that was killed left behind is gone. Only inside `_only_one`."""
    for left in path.parent.glob(f".{glob.escape(path.name)}.*.upgrade*"):
        with suppress(OSError):
            left.unlink()
    with suppress(OSError):
        for left in path.parent.glob(f"{glob.escape(path.name)}.before-*.part"):
            left.unlink()


def mark_of(path: Path) -> tuple[int, int, int]:
    """What changes when anyone writes to the file or puts another in its place."""
    found = path.stat()
    return (found.st_ino, found.st_size, found.st_mtime_ns)


def bring_up_to_date(
    path: Path,
    *,
    moment: datetime,
    steps: tuple[Migration, ...],
    verify: Callable[[Session], str],
    at_step: Callable[[str], None],
    tell: Tell,
) -> Path:
    """The path of the backup; the store at `path` has seen all steps.

    The steps run on a copy, which takes the store's place only after `verify` gives the same text (a checksum
    of the content) as before. A crash at any moment leaves the old store or the new one. A second process
    that upgrades the same store waits, and then finds nothing left to do.
    """
    with _only_one(path):
        _sweep(path)
        backup = path.with_name(f"{path.name}.before-{steps[-1].number:04d}")
        copy = path.with_name(f".{path.name}.{os.getpid()}.upgrade")
        session = Session(path)
        try:
            version = version_of(session)
            if version >= steps[-1].number:
                return backup
            tell("The store was written by an older version and is brought up to date, on a copy.")
            tell("1 of 4  what it holds is added up")
            before = verify(session)
            session.checkpoint()
        finally:
            session.close()
        mark = mark_of(path)
        tell(f"2 of 4  it is copied; as it was it stays in {backup.name}")
        try:
            with private_files():
                for target in (backup, copy):
                    part = target.with_name(f"{target.name}.part")
                    shutil.copyfile(path, part)
                    with part.open("rb+") as file:
                        os.fsync(file.fileno())
                    part.replace(target)
                    at_step(f"copied_{'backup' if target == backup else 'copy'}")
            session = Session(copy)
            try:
                tell("3 of 4  the copy is brought up to date")
                apply(session, tuple(step for step in steps if step.number > version), moment, tell)
                at_step("applied")
                tell("4 of 4  what the copy holds is added up")
                if verify(session) != before:
                    raise CrosscellarError(
                        "the upgraded copy differs from the store, so the store was left as it is",
                        where=path,
                        next_step="Keep the file and report this.",
                    )
                session.checkpoint()
            finally:
                session.close()
            at_step("verified")
            if mark_of(path) != mark:
                raise StoreError(
                    "another program wrote to the store while it was upgraded, so it was left as it is",
                    where=path,
                    next_step="Close the other program and run the command again.",
                )
            copy.replace(path)
            sync_folder(path.parent)
            at_step("swapped")
        except OSError as fault:
            raise StoreError(
                f"the store could not be upgraded ({fault.strerror}) and was left as it is",
                where=path,
                next_step="Free some space or check your rights, and run the command again.",
            ) from fault
        finally:
            parts = (target.with_name(f"{target.name}.part") for target in (backup, copy))
            for left in (copy, Path(f"{copy}.wal"), *parts):
                with suppress(OSError):
                    left.unlink()
        return backup
