"""What a file's bytes are, whatever its name says, and whether a workbook may be opened at all."""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal

_CHUNK: Final = 65_536
_OLE: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_HOLLOW: Final = b" \t\r\n\x00\xef\xbb\xbf\xff\xfe"
_SAVE_AS: Final = "Save it as .xlsx or .csv and send it again."

#: The first bytes of files that are no sheet, and what to call them.
_FOREIGN: Final = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"II*\x00", "a picture"),
    (b"MM\x00*", "a picture"),
    (b"{\\rtf", "a text document"),
    (b"\x1f\x8b", "a compressed archive"),
    (b"7z\xbc\xaf", "a compressed archive"),
    (b"Rar!", "a compressed archive"),
    (b"BZh", "a compressed archive"),
    (b"\xfd7zXZ", "a compressed archive"),
    (b"PAR1", "a Parquet file"),
    (b"SQLite format 3", "a database"),
)

_MARKUP: Final = re.compile(
    rb"^\s*(?:\xef\xbb\xbf)?\s*<(?:!doctype|html|head|body|table|\?xml|svg)", re.IGNORECASE
)
_STRANGE: Final = re.compile(r"(^|[/\\])\.\.([/\\]|$)|^[/\\]|^[A-Za-z]:|\\|[\x00-\x1f\x7f]")
_DECLARATIONS: Final = tuple(
    word.encode(code) for word in ("<!DOCTYPE", "<!ENTITY") for code in ("ascii", "utf-16-le", "utf-16-be")
)


@dataclass(frozen=True, slots=True)
class Limits:
    """What is still read; everything beyond is refused in one sentence, with bounded memory."""

    workbook_bytes: int = 20_000_000
    unpacked_bytes: int = 100_000_000
    members: int = 500
    part_bytes: int = 5_000_000
    text_bytes: int = 100_000_000
    rows: int = 200_000
    text_rows: int = 1_048_576
    columns: int = 2_500
    cells: int = 3_000_000
    text_cells: int = 15_000_000
    strings: int = 1_000_000
    merged: int = 20_000


class Refused(Exception):
    """Why a file's bytes are not read as a sheet; in a returned sheet it becomes an `Unreadable`."""

    def __init__(self, code: str, reason: str, next_step: str) -> None:
        super().__init__(reason)
        self.code = code
        self.reason = reason
        self.next_step = next_step


#: A saved e-mail begins with lines `Name: text`, of which one says how what follows is written.
_MAIL_HEAD: Final = re.compile(
    rb"(?:[A-Za-z][A-Za-z0-9-]*:[^\n]*\n(?:[ \t][^\n]*\n)*){1,200}?(?:MIME-Version|Content-Type):",
    re.IGNORECASE,
)


def _mail() -> Refused:
    return Refused(
        "not_a_sheet",
        "This is a saved e-mail, not a sheet",
        "Save what is attached to it, and take that in.",
    )


@dataclass(frozen=True, slots=True)
class Package:
    """A workbook that may be opened: the real size of each member, and whether it carries macros."""

    sizes: Mapping[str, int]
    macros: bool


def form_of(content: bytes) -> Literal["csv", "xlsx"]:
    """Whether these bytes are a workbook package or text.

    Raises
    ------
    Refused
        For an empty file and for what is neither: old or locked workbooks, pictures, documents, archives.
    """
    if not (content[:_CHUNK].strip(_HOLLOW) or content.strip(_HOLLOW)):
        raise Refused("empty", "The file is empty", "Attach the sheet again.")
    if content.startswith(b"PK"):
        return "xlsx"
    if content.startswith(_OLE):
        _refuse_ole(content)
    for start, what in _FOREIGN:
        if content.startswith(start):
            raise Refused(
                "not_a_sheet", f"This is {what}, not a sheet", "Send the sheet itself, as .xlsx or .csv."
            )
    if content[8:12] == b"DUCK":
        raise Refused(
            "not_a_sheet", "This is a database, not a sheet", "Send the sheet itself, as .xlsx or .csv."
        )
    if _MAIL_HEAD.match(content[:_CHUNK]):
        raise _mail()
    if _MARKUP.match(content[:512]):
        raise Refused("not_a_sheet", "This is a web page or XML, whatever its name says", _SAVE_AS)
    return "csv"


def _refuse_ole(content: bytes) -> None:
    if "__substg1.0_".encode("utf-16-le") in content:
        raise _mail()
    if "EncryptedPackage".encode("utf-16-le") in content:
        raise Refused(
            "locked", "The workbook needs a password", "Save it without a password and send it again."
        )
    if any(name.encode("utf-16-le") in content for name in ("Workbook", "Book")):
        raise Refused("old_workbook", "This is a workbook in the old .xls form", _SAVE_AS)
    raise Refused("not_a_sheet", "This is an old office document, not a sheet that can be read", _SAVE_AS)


def open_gate(content: bytes, limits: Limits) -> Package:
    """The package, after every member was unpacked once, counted and thrown away.

    Its directory is not believed: real bytes and check sums must equal what it declares.

    Raises
    ------
    Refused
        Too large, too many members, strange names, damaged, locked, declares a document type, or no workbook.
    """
    if len(content) > limits.workbook_bytes:
        raise Refused(
            "too_large",
            f"The workbook has {len(content) / 1e6:.0f} MB, more than {limits.workbook_bytes / 1e6:.0f} MB",
            "Remove pictures and old tabs, or split it.",
        )
    members = _directory(content, limits)
    _told_apart(content, members)
    total = 0
    for name, member in members.items():
        total = _unpack(content, name, member, total, limits)
    macros = any(name.lower().endswith("vbaproject.bin") for name in members)
    return Package({name: member.size for name, member in members.items()}, macros)


@dataclass(frozen=True, slots=True)
class _Member:
    flags: int
    method: int
    crc: int
    packed: int
    size: int
    offset: int


def _damaged(detail: str) -> Refused:
    return Refused(
        "damaged",
        f"The workbook is damaged ({detail})",
        "Open it in a spreadsheet program, save it, and send it again.",
    )


def _directory(content: bytes, limits: Limits) -> dict[str, _Member]:
    end = content.rfind(b"PK\x05\x06", max(0, len(content) - 65_557))
    if end < 0 or end + 22 > len(content):
        raise _damaged("its end is missing")
    count, size, start, comment_length = struct.unpack_from("<HIIH", content, end + 10)
    if count > limits.members:
        raise Refused(
            "too_many_members",
            f"The workbook has more than {limits.members} parts",
            "Copy the tables into a new workbook.",
        )
    # exactly here, so that no other reader can find another directory in the same bytes
    # (zipfile follows this mark to the directory of a large archive, wherever that says it is)
    if content[max(0, end - 20) : end].startswith(b"PK\x06\x07"):
        raise _damaged("it has two directories")
    if start + size != end or end + 22 + comment_length != len(content):
        raise _damaged("its directory does not fit")
    members: dict[str, _Member] = {}
    at = start
    for _ in range(count):
        if content[at : at + 4] != b"PK\x01\x02" or at + 46 > len(content):
            raise _damaged("its directory is broken")
        flags, method = struct.unpack_from("<HH", content, at + 8)
        crc, packed, unpacked = struct.unpack_from("<III", content, at + 16)
        name_length, extra, comment = struct.unpack_from("<HHH", content, at + 28)
        offset = struct.unpack_from("<I", content, at + 42)[0]
        raw = content[at + 46 : at + 46 + name_length]
        name = raw.decode("utf-8", errors="replace")
        if _STRANGE.search(name) or len(name) > 255 or "\ufffd" in name:
            raise Refused(
                "strange_member_name",
                "The workbook holds a part with a strange name, which no spreadsheet program writes",
                "Copy the table into a new workbook and send that.",
            )
        if name.lower() in {known.lower() for known in members}:
            raise _damaged("a part is there twice")
        members[name] = _Member(flags, method, crc, packed, unpacked, offset)
        at += 46 + name_length + extra + comment
    if not members:
        raise _damaged("it has no parts")
    return members


def _told_apart(content: bytes, members: Mapping[str, _Member]) -> None:
    names = {name.lower() for name in members}
    if "mimetype" in names and b"opendocument" in content[:200]:
        raise Refused("open_document", "This is an OpenDocument sheet, which is not read", _SAVE_AS)
    if "xl/workbook.bin" in names:
        raise Refused("binary_workbook", "This is a binary workbook (.xlsb), which is not read", _SAVE_AS)
    if any(name.startswith("word/") for name in names):
        raise Refused(
            "not_a_sheet", "This is a text document, not a sheet", "Send the table as .xlsx or .csv."
        )
    if any(name.startswith("ppt/") for name in names):
        raise Refused(
            "not_a_sheet", "This is a set of slides, not a sheet", "Send the table as .xlsx or .csv."
        )
    if any(name.endswith(".iwa") for name in names):
        raise Refused(
            "not_a_sheet", "This is a sheet of another program's own form", "Export it as .xlsx or .csv."
        )
    if "[content_types].xml" not in names:
        raise Refused("not_a_sheet", "This is an archive, not a sheet", "Unpack it and take in the folder.")
    if any(member.flags & 0x1 for member in members.values()):
        raise Refused(
            "locked", "The workbook needs a password", "Save it without a password and send it again."
        )


def _unpack(content: bytes, name: str, member: _Member, total: int, limits: Limits) -> int:
    """The running total of unpacked bytes after this member was counted and looked through."""
    at = member.offset
    if content[at : at + 4] != b"PK\x03\x04" or at + 30 > len(content):
        raise _damaged("a part is not where it should be")
    name_length, extra = struct.unpack_from("<HH", content, at + 26)
    start = at + 30 + name_length + extra
    packed = memoryview(content)[start : start + member.packed]
    if len(packed) < member.packed:
        raise _damaged("a part is cut short")
    if member.method not in (0, 8):
        raise _damaged("a part is packed in an unknown way")
    look = name.lower().endswith((".xml", ".rels", ".vml"))
    crc, size, tail = 0, 0, b""
    for piece in _pieces(packed, member.method):
        size += len(piece)
        if total + size > limits.unpacked_bytes:
            raise Refused(
                "unpacks_too_large",
                f"The workbook unpacks to more than {limits.unpacked_bytes / 1e6:.0f} MB",
                "Copy the table into a new workbook and send that.",
            )
        crc = zlib.crc32(piece, crc)
        if look:
            window = tail + piece
            if any(word in window for word in _DECLARATIONS):
                raise Refused(
                    "dtd_in_workbook",
                    "The workbook declares a document type, which no spreadsheet program writes",
                    "Copy the table into a new workbook and send that.",
                )
            tail = window[-24:]
    if size != member.size or crc != member.crc:
        raise _damaged("a part is not what its directory says")
    return total + size


def _pieces(packed: memoryview, method: int) -> Iterator[bytes]:
    if method == 0:
        for at in range(0, len(packed), _CHUNK):
            yield bytes(packed[at : at + _CHUNK])
        return
    inflater = zlib.decompressobj(-15)
    rest = packed
    try:
        while not inflater.eof:
            piece = inflater.decompress(rest, _CHUNK)
            rest = memoryview(inflater.unconsumed_tail)
            if piece:
                yield piece
            elif not rest:
                break
    except zlib.error:
        raise _damaged("a part does not unpack") from None
