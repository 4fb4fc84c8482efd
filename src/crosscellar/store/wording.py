"""A person as written: where a contact, a code or a name stands in a text, and what stands there instead."""

from __future__ import annotations

import html
import io
import json
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, Literal

Kind = Literal["contact", "assessor", "text", "files"]

#: What stands where a name or an address stood.
BLANK: Final = "[forgotten]"

#: Shorter texts stand in too many words that mean something else.
SHORTEST: Final = 4

#: What a code in place of an assessor's begins with.
NEUTRAL: Final = "forgotten-"

_CELL: Final = re.compile(r"[A-Za-z]{1,3}[1-9][0-9]*")
_ADDRESS: Final = re.compile(r"[^\s<>;,()]+@[^\s<>;,()]+")

#: The parts of an item's JSON and of a register row's that are free text: all others name or mean something.
_FREE_IN_ITEM: Final = frozenset(
    {"file", "sheet", "note", "text_sent", "unit_sent", "conversion", "method", "message"}
)
_FREE_IN_REGISTER: Final = frozenset(
    {"site_name", "region", "contact", "title", "hypothesis", "theme", "status_reason", "description"}
)

#: A kept file's unpacked parts are searched up to so many bytes; intake reads no larger ones.
_UNPACKED: Final = 100_000_000

#: What text in two bytes a letter begins with, and the bytes that no text in one byte a letter holds.
_MARKS: Final = (b"\xff\xfe", b"\xfe\xff")
_NOISE: Final = bytes([*range(1, 9), *range(14, 32), 127])


@dataclass(frozen=True)
class Person:
    """Whom to forget: a contact's texts, an assessor's code within some trials (None: all), or a name.

    `site` is that of a contact; kind `files` forgets no text, only kept bytes.
    """

    kind: Kind
    texts: tuple[str, ...] = ()
    site: str = ""
    trials: tuple[str, ...] | None = None

    @property
    def code(self) -> str:
        """The assessor's code; empty for any other kind."""
        return self.texts[0] if self.kind == "assessor" else ""

    @property
    def telling(self) -> bool:
        """Whether the texts mean this person wherever they stand: 7 is a number, too, and P7 a cell."""
        return self.kind != "assessor" or (
            len(self.code) > 1
            and any(one.isalpha() for one in self.code)
            and _CELL.fullmatch(self.code) is None
        )

    @cached_property
    def _patterns(self) -> tuple[re.Pattern[str], ...]:
        told = [re.escape(text) for text in sorted(self.texts, key=len, reverse=True)]
        if self.kind != "assessor":
            return tuple(re.compile(rf"(?<!\w){text}(?!\w)", re.IGNORECASE) for text in told)
        named = rf"(?<=\bassessor\s){told[0]}(?![\w-])"
        alone = rf"(?<![\w-]){told[0]}(?![\w-])"
        return (re.compile(named, re.IGNORECASE), *([re.compile(alone)] if self.telling else []))

    def stands_in(self, text: str) -> bool:
        """Whether the person stands in this text."""
        return any(pattern.search(text) for pattern in self._patterns)

    def out_of(self, text: str, stands_for: str) -> str:
        """The text without the person: `stands_for` stands in place of a code, a blank in place of a name."""
        instead = stands_for if self.kind == "assessor" else BLANK
        for pattern in self._patterns:
            text = pattern.sub(lambda _: instead, text)
        return text

    def out_of_item(self, text: str, stands_for: str) -> str:
        """The JSON of an item without the person."""
        row: dict[str, Any] = json.loads(text)
        changed = {
            name: self.out_of(value, stands_for)
            for name, value in row.items()
            if name in _FREE_IN_ITEM and isinstance(value, str)
        }
        ours = self.trials is None or row.get("trial_id") in self.trials
        if self.kind == "assessor" and ours and row.get("assessor_id") == self.code:
            changed["assessor_id"] = stands_for
        return _written(text, row, changed)

    def out_of_register(self, text: str, stands_for: str) -> str:
        """The JSON of a register row without the person: a contact in whom it stands is none any more."""
        row: dict[str, Any] = json.loads(text)
        changed: dict[str, Any] = {
            name: self.out_of(value, stands_for)
            for name, value in row.items()
            if name in _FREE_IN_REGISTER and isinstance(value, str)
        }
        if "contact" in changed and (
            changed["contact"] != row["contact"] or (self.site and row.get("site_id") == self.site)
        ):
            changed["contact"] = None
        return _written(text, row, changed)

    def stands_in_file(self, content: bytes) -> bool | None:
        """Whether the person stands in these bytes: text in any encoding that intake reads, or a workbook.

        None where they do not stand open: packed, locked or damaged, they cannot be searched in full.
        """
        try:
            return any(self.stands_in(text) for text in _texts_of(content))
        except _Closed:
            return None


def contact_person(site: str, contacts: list[str]) -> Person:
    """The contact of a site, as it was ever written, with each address in it."""
    texts = {part for contact in contacts for part in (contact.strip(), *_ADDRESS.findall(contact))}
    return Person("contact", tuple(sorted(text for text in texts if len(text) >= SHORTEST)), site)


def _written(text: str, row: dict[str, Any], changed: dict[str, Any]) -> str:
    if all(row[name] == value for name, value in changed.items()):
        return text
    return json.dumps({**row, **changed}, ensure_ascii=False)


class _Closed(Exception):
    """The bytes cannot be searched in full."""


def _texts_of(content: bytes) -> Iterator[str]:
    """The texts in a file. Raises `_Closed` after the last that can be read where there may be more."""
    if not content.startswith(b"PK"):
        for encoding in ("utf-8", "utf-16", "utf-16-be", "utf-32", "cp1252"):
            yield content.decode(encoding, errors="ignore")
        if not content.startswith(_MARKS) and len(content) - len(content.translate(None, _NOISE)) > (
            len(content) // 100
        ):
            raise _Closed
        return
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as workbook:
            left = _UNPACKED
            for member in workbook.infolist():
                with workbook.open(member) as part:
                    unpacked = part.read(max(left, 0) + 1)
                left -= len(unpacked)
                if left < 0:
                    raise _Closed
                text = unpacked.decode("utf-16" if unpacked.startswith(_MARKS) else "utf-8", errors="ignore")
                # A name that is set in two fonts is written in two runs: the marks between are no words.
                yield html.unescape(re.sub(r"</?[^>]*>", "", text))
                yield html.unescape(text)
    except (zipfile.BadZipFile, zlib.error, OSError, ValueError, NotImplementedError, RuntimeError, EOFError):
        raise _Closed from None
