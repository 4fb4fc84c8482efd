"""What a file is, whatever it says of itself; hostile and damaged archives are refused in little memory."""

from __future__ import annotations

import io
import struct
import tracemalloc
import zipfile
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosscellar.gate import Limits, Refused, open_gate
from crosscellar.intake.documents import read_document
from crosscellar.intake.grid import Unreadable

TYPES = "[Content_Types].xml"


def _archive(members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, content in members.items():
            archive.writestr(zipfile.ZipInfo(name), content, compress_type=method)
    return out.getvalue()


def _code(content: bytes, limits: Limits | None = None) -> str:
    with pytest.raises(Refused) as caught:
        open_gate(content, limits or Limits())
    return caught.value.code


def _bomb(megabytes: int) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    piece = b"0" * 1_000_000
    packed, crc = b"", 0
    for _ in range(megabytes):
        packed += packer.compress(piece)
        crc = zlib.crc32(piece, crc)
    packed += packer.flush()
    name = b"[Content_Types].xml"
    size = megabytes * 1_000_000
    header = struct.pack("<HHHHHIIIHH", 20, 0, 8, 0, 33, crc, len(packed), size, len(name), 0)
    local = b"PK\x03\x04" + header + name + packed
    central = b"PK\x01\x02" + struct.pack("<H", 20) + header + struct.pack("<HHHII", 0, 0, 0, 0, 0) + name
    return local + central + b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, 1, 1, len(central), len(local), 0)


def test_an_archive_that_unpacks_to_150_megabytes_is_refused_in_little_memory() -> None:
    content = _bomb(150)
    assert zipfile.ZipFile(io.BytesIO(content)).infolist()[0].file_size == 150_000_000
    tracemalloc.start()
    try:
        assert _code(content) == "unpacks_too_large"
        assert tracemalloc.get_traced_memory()[1] < 5_000_000
    finally:
        tracemalloc.stop()


def test_a_directory_that_lies_about_the_size_is_not_believed() -> None:
    content = bytearray(_archive({TYPES: b"<Types/>", "xl/workbook.xml": b"x" * 5_000}))
    at = content.rfind(b"PK\x01\x02")
    struct.pack_into("<I", content, at + 24, 100)
    assert _code(bytes(content)) == "damaged"


def test_many_members_that_share_their_bytes_are_counted_each_time() -> None:
    part = b"0" * 1_000_000
    content = _archive({TYPES: b"<Types/>", **{f"xl/media/{n}.bin": part for n in range(120)}})
    assert _code(content) == "unpacks_too_large"


def test_too_many_parts_and_too_large_files_are_refused() -> None:
    assert _code(_archive({TYPES: b"", **{f"xl/{n}": b"" for n in range(501)}})) == "too_many_members"
    assert _code(b"PK\x03\x04" + b"0" * 100, Limits(workbook_bytes=50)) == "too_large"


@pytest.mark.parametrize(
    "name",
    [
        "../evil.xml",
        "xl/../../evil.xml",
        "/etc/passwd",
        "C:evil.xml",
        "xl\\sheet.xml",
        "a\x01.xml",
        "x" * 300,
    ],
)
def test_a_part_with_a_strange_name_refuses_the_workbook(name: str) -> None:
    assert _code(_archive({TYPES: b"<Types/>", name: b""})) == "strange_member_name"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("declaration", ["<!DOCTYPE x [<!ENTITY a 'b'>]>", "<!ENTITY a SYSTEM 'file:///x'>"])
def test_a_document_type_in_any_encoding_refuses_the_workbook(declaration: str, encoding: str) -> None:
    # padded so that the words lie across the border of two unpacked pieces
    for padding in (0, 65_530, 65_533):
        part = (" " * padding + declaration).encode(encoding)
        assert _code(_archive({TYPES: b"<Types/>", "xl/styles.xml": part})) == "dtd_in_workbook"


def test_a_picture_may_hold_what_a_part_may_not() -> None:
    package = open_gate(_archive({TYPES: b"<Types/>", "xl/media/image1.svg": b"<!DOCTYPE svg>"}), Limits())
    assert package.sizes["xl/media/image1.svg"] == 14


def test_parts_that_differ_only_by_case_are_damage() -> None:
    assert _code(_archive({TYPES: b"<Types/>", "xl/a.xml": b"1", "xl/A.xml": b"2"})) == "damaged"


def test_a_locked_archive_asks_for_a_copy_without_a_password() -> None:
    content = bytearray(_archive({TYPES: b"<Types/>"}))
    at = content.rfind(b"PK\x01\x02")
    struct.pack_into("<H", content, at + 8, 1)
    assert _code(bytes(content)) == "locked"


def test_a_second_directory_that_only_readers_of_large_archives_follow_is_damage() -> None:
    """Zip64 (APPNOTE.TXT 4.3.14 and 4.3.15): what was looked at would not be what is read."""
    seen, other = _archive({TYPES: b"<Types/>"}), _archive({TYPES: b"<Types>other</Types>"})
    at, start = other.rfind(b"PK\x05\x06"), other.find(b"PK\x01\x02")
    directory = bytearray(other[start:at])
    first, first_end = seen.find(b"PK\x01\x02"), seen.rfind(b"PK\x05\x06")
    struct.pack_into("<I", directory, 42, first)
    own = bytearray(seen[first:first_end])
    struct.pack_into("<H", own, 32, len(directory) + 76)
    begins = first + start
    other_at = begins + len(own)
    record = struct.pack("<4sQHHIIQQQQ", b"PK\x06\x06", 44, 45, 45, 0, 0, 1, 1, len(directory), other_at)
    locator = struct.pack("<4sIQI", b"PK\x06\x07", 0, other_at + len(directory), 1)
    whole = bytes(own) + bytes(directory) + record + locator
    end = struct.pack("<4sHHHHIIH", b"PK\x05\x06", 0, 0, 1, 1, len(whole), begins, 0)
    content = seen[:first] + other[:start] + whole + end
    assert zipfile.ZipFile(io.BytesIO(content)).read(TYPES) == b"<Types>other</Types>"
    assert _code(content) == "damaged"


@pytest.mark.parametrize("cut", [4, 30, 60, 100, -1, -10, -22])
def test_an_archive_cut_short_is_damaged(cut: int) -> None:
    content = _archive({TYPES: b"<Types/>" * 20, "xl/workbook.xml": b"<workbook/>" * 20})
    assert _code(content[:cut]) == "damaged"


def test_bytes_before_or_behind_the_archive_are_damage() -> None:
    content = _archive({TYPES: b"<Types/>"})
    assert _code(b"PK junk" + content) == "damaged"
    assert _code(content + b"junk") == "damaged"


@settings(deadline=None, max_examples=100)
@given(
    st.sampled_from([b"PK\x03\x04", b"PK\x05\x06", b"PK"]),
    st.binary(max_size=300),
    st.integers(0, 65_535),
    st.binary(max_size=60),
)
def test_bytes_that_start_like_an_archive_give_one_record_and_never_an_exception(
    start: bytes, middle: bytes, count: int, central: bytes
) -> None:
    head = start + middle
    end = b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, count, count, len(central) + 4, len(head), 0)
    for content in (head, head + b"PK\x01\x02" + central + end):
        assert isinstance(read_document("sheet.xlsx", content), Unreadable)


OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 504


@pytest.mark.parametrize(
    ("content", "code", "words"),
    [
        (OLE + "EncryptedPackage".encode("utf-16-le"), "locked", "password"),
        (OLE + "Workbook".encode("utf-16-le"), "old_workbook", ".xls"),
        (OLE, "not_a_sheet", "old office document"),
        (
            _archive({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet"}, 0),
            "open_document",
            "OpenDocument",
        ),
        (_archive({TYPES: b"", "xl/workbook.bin": b""}), "binary_workbook", ".xlsb"),
        (_archive({TYPES: b"", "word/document.xml": b""}), "not_a_sheet", "text document"),
        (_archive({"Index/Document.iwa": b""}), "not_a_sheet", "another program"),
        (_archive({"a.csv": b"a,b"}), "not_a_sheet", "archive"),
        (OLE + "__substg1.0_0037001F".encode("utf-16-le"), "not_a_sheet", "saved e-mail"),
        (
            b"From: a@site.example\r\nSubject: x,\r\n y\r\nMIME-Version: 1.0\r\n\r\n",
            "not_a_sheet",
            "saved e-mail",
        ),
        (b"\x1f\x8b\x08\x00", "not_a_sheet", "archive"),
        (b"{\\rtf1", "not_a_sheet", "text document"),
        (b"PAR1", "not_a_sheet", "Parquet"),
        (b"\x00" * 8 + b"DUCK" + b"\x00" * 20, "not_a_sheet", "database"),
        (b'<?xml version="1.0"?><Workbook/>', "not_a_sheet", "XML"),
    ],
)
def test_each_foreign_form_is_told_apart_with_what_to_do(content: bytes, code: str, words: str) -> None:
    record = read_document("sheet.xlsx", content)
    assert isinstance(record, Unreadable)
    assert record.code == code
    assert words in record.reason
    assert record.next_step
