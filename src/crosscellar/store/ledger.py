"""The ledger: every register, taking-in and decision in order, with the checksum of what stood after it."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import NamedTuple

from crosscellar.store.checksum import Content
from crosscellar.store.session import Session

#: After every entry there can be.
ALL = 2_147_483_647


class Entry(NamedTuple):
    """One line of the ledger."""

    entry_id: int
    moment: datetime
    kind: str
    content: Content


class Snapshot(NamedTuple):
    """What stands: a short checksum, the number of items, and when the last entry was made, if any."""

    checksum: str
    standing: int
    moment: datetime | None


def last_entry(session: Session, *, until: int = ALL) -> Entry | None:
    """The last entry up to number `until`, or None."""
    found = session.rows(
        """
        SELECT entry_id, epoch_us(moment), kind, standing, content_sum FROM ledger
        WHERE entry_id <= $until ORDER BY entry_id DESC LIMIT 1
        """,
        {"until": until},
    )
    if not found:
        return None
    number, moment, kind, standing, total = found[0]
    return Entry(number, instant_of(moment), kind, Content(standing, int(total, 16)))


def instant_of(microseconds: int) -> datetime:
    """The instant, in UTC, of a count of microseconds since 1970."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=microseconds)


def write_entry(
    session: Session, *, entry_id: int, moment: datetime, kind: str, content: Content
) -> datetime:
    """The moment written: never before the last entry's, so that `as_of` follows the ledger."""
    last = last_entry(session)
    moment = moment.astimezone(UTC)
    if last is not None and moment < last.moment:
        moment = last.moment
    session.run(
        "INSERT INTO ledger VALUES ($entry, $moment, $kind, $standing, $total, $checksum)",
        {
            "entry": entry_id,
            "moment": moment,
            "kind": kind,
            "standing": content.standing,
            "total": content.sum_text,
            "checksum": content.checksum,
        },
    )
    return moment


def until_of(session: Session, as_of: date | datetime | None) -> int:
    """The number of the last entry made by `as_of`; a date means until its end in UTC."""
    if as_of is None:
        return ALL
    if isinstance(as_of, datetime):
        limit = as_of if as_of.tzinfo else as_of.replace(tzinfo=UTC)
    else:
        limit = datetime.combine(as_of, time.max, tzinfo=UTC)
    return int(
        session.value(
            "SELECT coalesce(max(entry_id), 0) FROM ledger WHERE moment <= $limit", {"limit": limit}
        )
    )
