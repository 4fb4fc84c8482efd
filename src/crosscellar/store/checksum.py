"""One number for all that stands in a store, the same whatever the order things came in."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import polars as pl

from crosscellar.store.session import Session
from crosscellar.store.targets import TARGETS

if TYPE_CHECKING:
    import pyarrow as pa

_MODULUS: Final = 1 << 256


class Content(NamedTuple):
    """The standing items: how many, and the sum modulo 2^256 of the SHA-256 of each.

    A sum of digests does not depend on order and is carried on from one entry to the next without reading the
    store again. It finds damage and mistakes; it is no proof against someone who sets out to forge one.
    """

    standing: int = 0
    total: int = 0

    def plus(self, other: Content) -> Content:
        return Content(self.standing + other.standing, (self.total + other.total) % _MODULUS)

    def less(self, other: Content) -> Content:
        return Content(self.standing - other.standing, (self.total - other.total) % _MODULUS)

    @property
    def sum_text(self) -> str:
        """The sum as 64 hexadecimal digits."""
        return f"{self.total:064x}"

    @property
    def checksum(self) -> str:
        """The SHA-256 that stands for the whole content."""
        return hashlib.sha256(f"{self.standing}:{self.sum_text}".encode("ascii")).hexdigest()


def added_up(digests: Iterable[pa.RecordBatch]) -> Content:
    """How many digests there are, and their sum, added up in eight columns of 32 bits."""
    standing, columns = 0, np.zeros(8, dtype=np.uint64)
    for piece in digests:
        # As a batch it is handed over as it lies; its column alone would be copied, by a part of pyarrow
        # that is slow to load.
        found = pl.DataFrame(piece).to_series().cast(pl.Binary)
        words = found.bin.reinterpret(dtype=pl.Array(pl.UInt32, 8), endianness="big").to_numpy()
        columns += words.sum(axis=0, dtype=np.uint64)
        standing += len(found)
    total = 0
    for column in columns.tolist():
        total = (total << 32) + column
    return Content(standing, total % _MODULUS)


def content_of(session: Session, target: str, stored_ids: pl.Series) -> Content:
    """The content of these items of one table."""
    if stored_ids.is_empty():
        return Content()
    with session.lend(chosen=pl.DataFrame({"stored_id": stored_ids.cast(pl.Int64)})):
        return added_up(session.pieces(TARGETS[target].digest_chosen))


def content_between(session: Session, target: str, *, first: int, last: int) -> Content:
    """The content of the items of one table that have these numbers and all between."""
    return added_up(session.pieces(TARGETS[target].digest_between, {"first": first, "last": last}))


def content_standing(session: Session, *, until: int, tables: Collection[str] = tuple(TARGETS)) -> Content:
    """The content that stands after entry `until` in these tables, computed anew from every row."""
    content = Content()
    for target in (TARGETS[table] for table in tables):
        content = content.plus(added_up(session.pieces(target.digest_standing, {"until": until})))
    return content
