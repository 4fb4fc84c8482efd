"""Bytes of files come back as they came, packed or in pieces; one more leaves the others where they lie."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosscellar.store import Store, kept_files
from crosscellar.store.kept_files import PIECE, bytes_of, in_pieces, whole


def named(contents: Sequence[bytes]) -> list[str]:
    return [hashlib.sha256(content).hexdigest() for content in contents]


def keep(store: Store, *contents: bytes, entry: int = 1) -> list[str]:
    shas = named(contents)
    with store._session.transaction(), store._session.lend(incoming=in_pieces(shas, contents, entry)):
        store._session.run("INSERT INTO contents BY NAME SELECT * FROM incoming")
    store._session.checkpoint()
    return shas


def noise(size: int) -> bytes:
    """Bytes that no packing makes shorter."""
    return random.Random(size).randbytes(size)


@given(st.lists(st.binary(max_size=40), max_size=6), st.integers(1, 9))
def test_pieces_put_together_are_the_files(contents: list[bytes], length: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kept_files, "PIECE", length)
        table = in_pieces([str(number) for number in range(len(contents))], contents, 7)
    rows = list(zip(*(table[name].to_pylist() for name in ("sha256", "piece", "content")), strict=True))
    for number, content in enumerate(contents):
        mine = [(piece, some) for sha256, piece, some in rows if sha256 == str(number)]
        assert [piece for piece, _ in mine] == list(range(max(1, -(-len(content) // length))))
        assert b"".join(some for _, some in mine) == content
        assert all(len(some) == length for _, some in mine[:-1])
    assert len(rows) == sum(max(1, -(-len(content) // length)) for content in contents)
    assert set(table["entry_id"].to_pylist()) <= {7}


def test_files_of_every_size_come_back_byte_for_byte(path: Path) -> None:
    line = b"V1,pH,3.41\n" * PIECE
    contents = [line[:size] for size in (0, 1, PIECE - 1, PIECE, PIECE + 1, 5 * PIECE + 7)]
    with Store.open(path) as store:
        shas = keep(store, *contents) + keep(store, line, entry=2)
        assert [bytes_of(store._session, sha256) for sha256 in shas] == [*contents, line]
        assert bytes_of(store._session, named([b"another"])[0]) is None
        assert list(whole(store._session)) == [(sha256, True) for sha256 in shas]


def test_text_is_packed_to_a_tenth_and_what_is_packed_already_is_kept_as_it_came(path: Path) -> None:
    text, packed = b"V1,pH,3.41\n" * PIECE, noise(3 * PIECE)
    with Store.open(path) as store:
        keep(store, text, packed)
        rows = store._session.rows(
            "SELECT length, sum(octet_length(content)) FROM contents GROUP BY ALL ORDER BY ALL"
        )
        # pyarrow's own reader of the format reads what stands there
        (frame,) = store._session.rows("SELECT content FROM contents WHERE length IS NOT NULL")
    assert rows[0][0] == len(text)
    assert rows[0][1] < len(text) / 10
    assert rows[1] == (None, len(packed))
    assert pa.decompress(frame[0], decompressed_size=len(text), codec="zstd", asbytes=True) == text


@pytest.mark.parametrize(
    "harm",
    [
        "DELETE FROM contents WHERE sha256 = $sha AND piece = 1",
        "DELETE FROM contents WHERE sha256 = $sha AND piece = 3",
        "UPDATE contents SET content = 'x'::BLOB WHERE sha256 = $sha AND piece = 2",
        "UPDATE contents SET sha256 = 'other' WHERE sha256 = $sha AND piece = 0",
    ],
)
def test_a_piece_that_is_lost_or_changed_is_found(harm: str, path: Path) -> None:
    with Store.open(path) as store:
        harmed, sound = keep(store, noise(4 * PIECE), bytes(range(256)) * 300)
        store._session.run(harm, {"sha": harmed})
        found = dict(whole(store._session))
    assert not found[harmed]
    assert found[sound]


@pytest.mark.parametrize(
    "harm",
    [
        "DELETE FROM contents WHERE sha256 = $sha AND piece = 0",
        "DELETE FROM contents WHERE sha256 = $sha AND piece = (SELECT max(piece) FROM contents)",
        "UPDATE contents SET content = 'x'::BLOB WHERE sha256 = $sha AND piece = 2",
        "UPDATE contents SET length = NULL WHERE sha256 = $sha",
    ],
)
def test_a_packed_file_of_which_a_piece_is_lost_or_changed_is_found_and_read_as_far_as_it_can_be(
    harm: str, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept_files, "PIECE", 64)
    text = "\n".join(f"V{number},pH,{3 + number / 997:.2f}" for number in range(200)).encode()
    with Store.open(path) as store:
        harmed, sound = keep(store, text, text[:-1])
        store._session.run(harm, {"sha": harmed})
        found = dict(whole(store._session))
        read = bytes_of(store._session, harmed)
    assert not found[harmed]
    assert found[sound]
    assert read is not None
    assert read != text


def where_they_lie(store: Store) -> list[tuple[int, int]]:
    """Block and offset of every stored part of the column of bytes, in the order of its rows."""
    return store._session.rows(
        """
        SELECT block_id, block_offset FROM pragma_storage_info('contents')
        WHERE column_name = 'content' AND segment_type = 'BLOB' ORDER BY row_group_id, segment_id
        """
    )


def test_one_more_file_leaves_those_before_it_where_they_lie(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Written anew at each taking-in, the sheets of some years would make it wait for all of them."""
    monkeypatch.setattr(kept_files, "PIECE", 64)
    with Store.open(path) as store:
        keep(store, noise(192_000))
        before = where_they_lie(store)
        for number in range(8):
            keep(store, f"one more, {number}".encode(), entry=2 + number)
        assert where_they_lie(store)[: len(before)] == before


def test_the_bytes_are_looked_through_few_pieces_at_a_time(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store.open(path) as store:
        (sha256,) = keep(store, noise(3_000 * 1_024))
        told: list[int] = []
        pieces = store._session.pieces

        def counted(*words: object, **how: object) -> object:
            for some in pieces(*words, **how):  # type: ignore[arg-type]
                assert isinstance(some, pa.RecordBatch)
                told.append(some.num_rows)
                yield some

        monkeypatch.setattr(store._session, "pieces", counted, raising=False)
        monkeypatch.setattr(kept_files, "_AT_ONCE", 50)
        assert list(whole(store._session)) == [(sha256, True)]
    assert sum(told) == -(-3_000 * 1_024 // PIECE)
    assert max(told) <= 50
