"""Files and folders in, one record each out: read, or unreadable and why; a bad one stops no other."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final

from crosscellar.errors import UnreadableFile
from crosscellar.gate import Limits, Refused, form_of
from crosscellar.intake.grid import Document, Grid, Remark, Unreadable
from crosscellar.intake.layout import lay_out_records
from crosscellar.intake.letters import show_name
from crosscellar.intake.text import Split, as_grid, grid_of, split_text
from crosscellar.intake.workbook import read_workbook

__all__ = [
    "Document",
    "Found",
    "Remark",
    "Source",
    "Unreadable",
    "find_files",
    "in_batches",
    "read_document",
    "read_documents",
    "read_found",
    "refuse_contents",
]

_TEXT_NAMES: Final = frozenset({".csv", ".txt", ".tsv", ".tab", ".dat", ".asc", ""})
_WORKBOOK_NAMES: Final = frozenset({".xlsx"})
_DEEPEST_FOLDER: Final = 20
#: So many bytes of short texts wait at most before they are laid out: as cells, some twenty times as many.
_BYTES_TOGETHER: Final = 2_000_000

Source = Path | str | tuple[str, bytes]


def read_documents(paths: Iterable[Source], *, limits: Limits | None = None) -> list[Document | Unreadable]:
    """One record for each file, in the order given; folders are walked in the order of their names.

    Parameters
    ----------
    paths
        Files, folders, or pairs of a name and its bytes. Links, devices and pipes are not opened; hidden
        names and the lock files of spreadsheet programs are listed, not read.
    limits
        What is still read; the default suits returned sheets.

    Raises
    ------
    UnreadableFile
        For a path that does not exist: a fault in the call, not in a sheet.
    """
    limits = limits or Limits()

    def begun() -> Iterator[_Begun]:
        for source in paths:
            if isinstance(source, tuple):
                yield _begin(*source, limits)
            else:
                yield from (_begin_found(one, limits) for one in find_files([source]))

    return list(_finished(begun(), limits))


@dataclass(frozen=True, slots=True)
class Found:
    """A name that may be a sheet: where it is, what it is called, its bytes when it was found.

    `instead` stands for what is not read at all, and says why.
    """

    path: Path
    name: str
    size: int = 0
    instead: Unreadable | None = None


def find_files(paths: Iterable[Path | str]) -> list[Found]:
    """What these files and folders hold, in the order of `read_documents`; nothing is opened yet.

    Raises
    ------
    UnreadableFile
        As `read_documents`.
    """
    return [one for path in paths for one in _found_at(Path(path))]


def read_found(found: Iterable[Found], *, limits: Limits | None = None) -> Iterator[Document | Unreadable]:
    """The record of each; never an exception, whatever became of the files since they were found."""
    limits = limits or Limits()
    return _finished((_begin_found(one, limits) for one in found), limits)


def in_batches(found: Sequence[Found], *, files: int, size: int) -> Iterator[list[Found]]:
    """The same in parts of at most so many files and bytes; a larger file is a part of its own."""
    part: list[Found] = []
    filled = 0
    for one in found:
        if part and (len(part) >= files or filled + one.size > size):
            yield part
            part, filled = [], 0
        part.append(one)
        filled += one.size
    if part:
        yield part


def refuse_contents(
    documents: Iterable[Document | Unreadable], forgotten: Collection[str]
) -> Iterator[Document | Unreadable]:
    """The documents; those with one of these SHA-256 are refused, and their bytes are not kept.

    Such bytes name an assessor who was forgotten: taken in anew, that person would count twice.
    """
    return (
        Unreadable(
            one.name,
            None,
            None,
            "This sheet was taken in before, and it has the code of an assessor who was forgotten.",
            "Leave it out, or write the neutral code in place of the old one first.",
            "forgotten_assessor",
        )
        if one.sha256 in forgotten
        else one
        for one in documents
    )


def read_document(name: str, content: bytes, *, limits: Limits | None = None) -> Document | Unreadable:
    """One file's record, from its name and bytes; never an exception, whatever the bytes are."""
    limits = limits or Limits()
    (record,) = _finished([_begin(name, content, limits)], limits)
    return record


@dataclass(frozen=True, slots=True)
class _Waiting:
    """A short text whose cells are laid out with those of others."""

    name: str
    sha256: str
    content: bytes
    split: Split
    records: list[list[str]]


_Begun = Document | Unreadable | _Waiting


def _begin_found(found: Found, limits: Limits) -> _Begun:
    return found.instead or _read_file(found.path, found.name, limits)


def _begin(name: str, content: bytes, limits: Limits) -> _Begun:
    shown = show_name(name)
    sha256 = hashlib.sha256(content).hexdigest()
    try:
        if form_of(content) == "xlsx":
            grids, date_system, remarks = read_workbook(content, limits)
            if _suffix(shown) not in _WORKBOOK_NAMES:
                remarks = (_wrong_name(shown, "a workbook"), *remarks)
            return Document(shown, sha256, content, "xlsx", "", "", grids, remarks, date_system)
        split = split_text(content, limits)
        if split.records is not None:
            return _Waiting(shown, sha256, content, split, split.records)
        return _text_document(shown, sha256, content, split, grid_of(content, split, limits))
    except Refused as refused:
        return Unreadable(shown, sha256, content, refused.reason, refused.next_step, refused.code)


def _finished(begun: Iterable[_Begun], limits: Limits) -> Iterator[Document | Unreadable]:
    """The records in their order; the cells of short texts are laid out for many at a time."""
    part: list[_Begun] = []
    size = 0
    for one in begun:
        part.append(one)
        size += len(one.content) if isinstance(one, _Waiting) else 0
        if size > _BYTES_TOGETHER:
            yield from _laid_out(part, limits)
            part, size = [], 0
    yield from _laid_out(part, limits)


def _laid_out(part: Sequence[_Begun], limits: Limits) -> Iterator[Document | Unreadable]:
    frames = iter(lay_out_records([one.records for one in part if isinstance(one, _Waiting)]))
    for one in part:
        if not isinstance(one, _Waiting):
            yield one
            continue
        try:
            grid = as_grid(one.split, next(frames), limits)
        except Refused as refused:
            yield Unreadable(
                one.name, one.sha256, one.content, refused.reason, refused.next_step, refused.code
            )
        else:
            yield _text_document(one.name, one.sha256, one.content, one.split, grid)


def _text_document(
    shown: str, sha256: str, content: bytes, split: Split, read: tuple[Grid, tuple[Remark, ...]]
) -> Document:
    grid, remarks = read
    if _suffix(shown) not in _TEXT_NAMES:
        remarks = (_wrong_name(shown, "delimited text"), *remarks)
    return Document(shown, sha256, content, "csv", split.encoding, split.separator, (grid,), remarks)


def _suffix(shown: str) -> str:
    return PurePosixPath(shown.lower()).suffix


def _wrong_name(shown: str, what: str) -> Remark:
    return Remark("wrong_name", None, None, f"{shown} is {what} inside, and was read so.")


def _found_at(path: Path) -> Iterator[Found]:
    try:
        is_folder = path.is_dir()
        if not is_folder:
            path.lstat()
    except FileNotFoundError:
        raise UnreadableFile(
            "There is no such file or folder",
            where=path,
            next_step="Check the path, then run the same again.",
        ) from None
    except (OSError, ValueError):
        raise UnreadableFile(
            "This path cannot be looked at",
            where=repr(str(path)),
            next_step="Check its name and permissions.",
        ) from None
    if is_folder:
        yield from _found_in(path, "", 0)
    else:
        yield Found(path, path.name, _size_of(path))


def _found_in(folder: Path, prefix: str, depth: int) -> Iterator[Found]:
    def left_out(name: str, code: str, reason: str, next_step: str) -> Found:
        return Found(folder, name, instead=_not_taken(name, code, reason, next_step))

    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError:
        yield left_out(
            prefix or folder.name, "folder_closed", "The folder cannot be opened", "Check its permissions."
        )
        return
    for entry in entries:
        name = f"{prefix}{entry.name}"
        if entry.name.startswith("~$"):
            yield left_out(
                name,
                "lock_file",
                "This is the lock file of an open workbook, not a sheet",
                "Close the workbook; nothing else to do.",
            )
        elif entry.name.startswith("."):
            yield left_out(name, "hidden_name", "Hidden files are not read", "Rename it if it is a sheet.")
        elif entry.is_dir(follow_symlinks=False):
            if depth >= _DEEPEST_FOLDER:
                yield left_out(name, "too_deep", "The folder lies too deep", "Move it up.")
            else:
                yield from _found_in(Path(entry.path), f"{name}/", depth + 1)
        else:
            yield Found(Path(entry.path), name, _size_of(entry))


def _size_of(entry: os.DirEntry[str] | Path) -> int:
    try:
        status = entry.lstat() if isinstance(entry, Path) else entry.stat(follow_symlinks=False)
    except (OSError, ValueError):
        return 0
    return status.st_size


def _not_taken(name: str, code: str, reason: str, next_step: str) -> Unreadable:
    return Unreadable(show_name(name), None, None, reason, next_step, code)


def _read_file(path: Path, name: str, limits: Limits) -> _Begun:
    """Opens a regular file without following a link or waiting for a pipe."""
    try:
        if stat.S_ISLNK(path.lstat().st_mode):
            return _not_taken(
                name, "link", "This is a link, which is not followed", "Put the file itself there."
            )
        flags = (
            os.O_RDONLY
            | getattr(os, "O_NOFOLLOW", 0)
            | getattr(os, "O_NONBLOCK", 0)
            | getattr(os, "O_BINARY", 0)
        )
        handle = os.open(path, flags)
    except OSError as fault:
        if fault.errno == errno.ELOOP:
            return _not_taken(
                name, "link", "This is a link, which is not followed", "Put the file itself there."
            )
        if fault.errno == errno.ENXIO:
            return _not_taken(name, "not_a_file", "This is not a regular file", "Put the sheet itself there.")
        return _not_taken(
            name,
            "cannot_open",
            "The file cannot be opened",
            "Check its permissions, or whether it is still there.",
        )
    with os.fdopen(handle, "rb") as opened:
        status = os.fstat(opened.fileno())
        if not stat.S_ISREG(status.st_mode):
            return _not_taken(name, "not_a_file", "This is not a regular file", "Put the sheet itself there.")
        if status.st_size > limits.text_bytes:
            return _not_taken(
                name,
                "too_large",
                f"The file has {status.st_size / 1e6:.0f} MB, more than {limits.text_bytes / 1e6:.0f} MB",
                "Split it into several files.",
            )
        try:
            # room for the largest file there may be costs more than most files do
            content = opened.read(status.st_size + 1)
            if len(content) > status.st_size:
                content += opened.read(limits.text_bytes)
        except OSError:
            return _not_taken(name, "cannot_open", "The file cannot be read", "Copy it again.")
    return _begin(name, content, limits)
