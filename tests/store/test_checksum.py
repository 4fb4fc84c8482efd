"""The checksum of what stands, held against digests that hashlib makes of the same texts (FIPS 180-4)."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa

from crosscellar.contract.frames import Batch
from crosscellar.store import Store
from crosscellar.store.checksum import Content, added_up

#: What stands between two fields, and for one that is empty.
BETWEEN, NOTHING = "\x1f", "\x1e"


def digest(text: str) -> int:
    return int(hashlib.sha256(text.encode()).hexdigest(), 16)


def test_it_is_the_sum_of_the_digests_of_each_reading(path: Path, plain: Callable[..., Batch]) -> None:
    readings = [(f"V{number}", "tartaric_acid", 1 + number / 8) for number in range(40)]
    with Store.open(path) as store:
        store.take_in(plain(("a.csv", readings), lab="lab_north"))
        found = store.content_checksum()
    fields = (
        ("readings", "T-1", "control", vessel, "end_primary", "2025-10-01", NOTHING, analyte, "1",
         "lab_north", repr(value), "", "g/L")
        for vessel, analyte, value in readings
    )  # fmt: skip
    total = sum(digest(BETWEEN.join(each)) for each in fields) % 2**256
    assert found == hashlib.sha256(f"40:{total:064x}".encode()).hexdigest()


def test_pieces_add_up_to_the_whole_wherever_it_is_cut() -> None:
    texts = [str(number) for number in range(50)]
    whole = pa.record_batch({"digest": pa.array([hashlib.sha256(text.encode()).digest() for text in texts])})
    want = Content(50, sum(map(digest, texts)) % 2**256)
    assert added_up([whole]) == want
    assert added_up([whole.slice(0, 17), whole.slice(17, 0), whole.slice(17)]) == want
    assert added_up([]) == Content()
