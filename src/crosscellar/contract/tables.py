"""The tables of a long TOML file, each read when it is first looked at."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final, TypeVar

R = TypeVar("R")

#: The heading of a table, or of a part of one, by the name of the table.
_HEADING: Final = re.compile(r"^\[([A-Za-z0-9_-]+)[.\]]", re.MULTILINE)


class Tables(Mapping[str, R]):
    """Records by the names of a file's tables, in the order of the file.

    A question looks at a handful of a few hundred analytes, and parsing the whole file takes longer than
    answering it. So the text is cut at its headings, and a table is parsed and checked at the first look.

    Parameters
    ----------
    path
        A TOML file whose outermost entries are tables.
    whole
        Gives the tables of the file at a path at once, or raises what is wrong with it: for a file that is
        not laid out heading by heading, or cannot be read.
    made
        A record from a table's name and what stands in it.
    """

    def __init__(
        self, path: Path, *, whole: Callable[[Path], dict[str, Any]], made: Callable[[str, Any], R]
    ) -> None:
        self._path, self._whole, self._made = path, whole, made
        self._records: dict[str, R] = {}
        cut = _cut(path)
        self._tables: Mapping[str, Any] = whole(path) if cut is None else cut

    def __getitem__(self, name: str) -> R:
        if name not in self._records:
            table = self._tables[name]
            self._records[name] = self._made(
                name, self._read(name, table) if isinstance(table, str) else table
            )
        return self._records[name]

    def __contains__(self, name: object) -> bool:
        return name in self._tables

    def __iter__(self) -> Iterator[str]:
        return iter(self._tables)

    def __len__(self) -> int:
        return len(self._tables)

    def _read(self, name: str, text: str) -> Any:
        try:
            read = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            read = {}
        # Whatever is not one table names its fault, and its line, in the whole file.
        return read[name] if list(read) == [name] else self._whole(self._path)[name]


def _cut(path: Path) -> dict[str, str] | None:
    """The text of each table; None where the headings do not tell where tables begin."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None
    starts = list(_HEADING.finditer(text))
    if len(starts) != len(re.findall(r"^\s*\[", text, re.MULTILINE)) or '"""' in text or "'''" in text:
        return None
    if not starts or re.search(r"^\s*[^#\s]", text[: starts[0].start()], re.MULTILINE):
        return None
    ends = [start.start() for start in starts[1:]] + [len(text)]
    pieces: dict[str, str] = {}
    for start, end in zip(starts, ends, strict=True):
        pieces[start[1]] = pieces.get(start[1], "") + text[start.start() : end]
    return pieces
