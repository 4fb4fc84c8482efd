"""The bytes of the files that came in, as they came: packed, and kept in pieces, once for each SHA-256."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from crosscellar.errors import StoreError
from crosscellar.store.session import Session

if TYPE_CHECKING:
    import pyarrow as pa

#: Bytes of a piece. The database writes up to two thousand rows anew beside each new one: with these that is
#: little. It packs pieces of four thousand bytes and more three times closer than shorter ones.
PIECE: Final = 16_384
#: How files are packed: the quickest of its levels, at which text comes to a tenth.
_CODEC: Final = "zstd"
_LEVEL: Final = 1
#: A file that packing does not make shorter by this share, such as a workbook, is kept as it came.
_WORTH: Final = 0.1
#: So many bytes of a packed file are unpacked at a time.
_UNPACKED_AT_ONCE: Final = 1 << 20
#: So many pieces are read at a time.
_AT_ONCE: Final = 256
#: So many files of one taking-in are cut at a time: it took no more bytes at once than memory holds.
_CUT_AT_ONCE: Final = 64
_PORTIONS: Final = """
    SELECT entry_id, min(place) AS first, max(place) AS last FROM (
        SELECT entry_id, rowid AS place,
            (row_number() OVER (PARTITION BY entry_id ORDER BY rowid) - 1) // $some AS portion FROM contents)
    GROUP BY entry_id, portion ORDER BY first
"""
_WHOLE: Final = """
    SELECT sha256, content FROM contents
    WHERE rowid BETWEEN $first AND $last AND entry_id = $entry ORDER BY rowid
"""


def in_pieces(shas: Sequence[str], contents: Sequence[bytes], entry: int) -> pa.Table:
    """The bytes of these files as rows of the store: sha256, entry_id, piece, content, length.

    An empty file is one empty piece.
    """
    import pyarrow as pa

    codec = pa.Codec(_CODEC, compression_level=_LEVEL)
    packed = [codec.compress(content, asbytes=True) for content in contents]
    lengths = [
        len(content) if len(short) <= (1 - _WORTH) * len(content) else None
        for content, short in zip(contents, packed, strict=True)
    ]
    kept = [
        content if length is None else short
        for content, short, length in zip(contents, packed, lengths, strict=True)
    ]
    table = _cut_up(shas, kept, entry)
    named = pl.DataFrame(table.select(["sha256"])).to_series()
    told = named.replace_strict(shas, pl.Series(lengths, dtype=pl.Int64)).cast(pl.Int64)
    return table.append_column("length", told.to_arrow())


def _cut_up(shas: Sequence[str], contents: Sequence[bytes], entry: int) -> pa.Table:
    """Bytes as rows: sha256, entry_id, piece, content. Those of a single file are not copied."""
    import pyarrow as pa

    sizes = np.array([len(content) for content in contents], dtype=np.int64)
    pieces = np.maximum(1, -(-sizes // PIECE))
    file_no = np.repeat(np.arange(len(sizes)), pieces)
    number = np.arange(len(file_no)) - (np.cumsum(pieces) - pieces)[file_no]
    begins = (np.cumsum(sizes) - sizes)[file_no] + number * PIECE
    ends = pa.py_buffer(np.append(begins, sizes.sum()).astype(np.int64))
    joined = pa.py_buffer(contents[0] if len(contents) == 1 else b"".join(contents))
    told = pl.DataFrame(
        {
            "sha256": pl.Series(shas, dtype=pl.String).gather(file_no),
            "entry_id": pl.repeat(entry, len(file_no), dtype=pl.Int32, eager=True),
            "piece": number.astype(np.int32),
        }
    )
    content = pa.Array.from_buffers(pa.large_binary(), len(file_no), [None, ends, joined])
    return told.to_arrow().append_column("content", content)


def bytes_of(session: Session, sha256: str) -> bytes | None:
    """The bytes of the file of this SHA-256; None where none are kept.

    Of damaged ones it is what can be read.
    """
    found = session.rows(
        "SELECT length IS NOT NULL, content FROM contents WHERE sha256 = $sha ORDER BY piece", {"sha": sha256}
    )
    if not found:
        return None
    some = _unpacked(row[1] for row in found) if found[0][0] else (row[1] for row in found)
    read: list[bytes] = []
    with suppress(OSError):
        read.extend(some)
    return b"".join(read)


def _unpacked(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """The bytes that were packed into these pieces, some at a time; OSError where they are damaged."""
    import pyarrow as pa

    stream = pa.CompressedInputStream(pa.BufferReader(b"".join(pieces)), _CODEC)
    while some := stream.read(_UNPACKED_AT_ONCE):
        yield some


def whole(session: Session) -> Iterator[tuple[str, bool]]:
    """Each SHA-256 of which bytes are kept, and whether they are the bytes that it stands for.

    Few pieces are in memory at a time, or those of one packed file. Pieces lie together, file by file, in the
    order in which they were stored.
    """
    statement = "SELECT sha256, length IS NOT NULL AS packed, content FROM contents"
    rows = (
        row
        for some in session.pieces(statement, rows=_AT_ONCE)
        for row in zip(*(column.to_pylist() for column in some.columns), strict=True)
    )
    for (sha256, packed), of_one in groupby(rows, key=itemgetter(0, 1)):
        pieces = (content for _, _, content in of_one)
        digest = hashlib.sha256()
        try:
            for some in _unpacked(pieces) if packed else pieces:
                digest.update(some)
        except OSError:
            yield sha256, False
        else:
            yield sha256, digest.hexdigest() == sha256


def worth_telling(done: int, of: int) -> bool:
    """Whether so much more was done that it is told: ten times at most."""
    return done * 10 // of > (done - 1) * 10 // of


def cut(session: Session, tell: Callable[[str], None]) -> None:
    """Nothing; the files that an older store keeps whole in `contents` are there piece by piece.

    Raises
    ------
    StoreError
        When not every file is found again.
    """
    portions = session.rows(_PORTIONS, {"some": _CUT_AT_ONCE})
    for done, (entry, first, last) in enumerate(portions, 1):
        found = session.rows(_WHOLE, {"entry": entry, "first": first, "last": last})
        shas, contents = zip(*found, strict=True)
        with session.lend(incoming=_cut_up(shas, contents, entry)):
            session.run("INSERT INTO contents_next BY NAME SELECT * FROM incoming")
        if worth_telling(done, len(portions)):
            tell(f"        {done} of {len(portions)} portions of its kept files")
    if session.value("SELECT count(DISTINCT sha256) FROM contents_next") != session.value(
        "SELECT count(DISTINCT sha256) FROM contents"
    ):
        raise StoreError(
            "not every kept file could be carried over",
            where=session.path,
            next_step="Run `crosscellar check`, and keep the file.",
        )
    session.run("DROP TABLE contents")
    session.run("ALTER TABLE contents_next RENAME TO contents")
