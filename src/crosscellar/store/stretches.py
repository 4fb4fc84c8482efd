"""Where the readings of each trial lie in a large store, so that those of a few trials are found at once.

An entry brings readings in by trial: those of one trial lie in one stretch of numbers, those of one of its
stages within it. The stretches are kept beside the store; newer readings are looked for by name.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Final

import polars as pl

from crosscellar.store import beside
from crosscellar.store.ledger import last_entry
from crosscellar.store.session import Session

#: In a store of fewer items the trial's name is found soon enough.
LARGE: Final = 300_000

#: So many newer items are looked through for a trial's name before the stretches are written again.
NEWER: Final = 300_000

#: Stretches of more readings than this hold those of other trials too, from entries in another order.
_MOST: Final = 2_000_000

_STRETCHES: Final = """
    SELECT trial_id, stage, min(reading_id) AS first, max(reading_id) AS last FROM readings AS s
    WHERE entry_id > $since CHOICE
    GROUP BY entry_id, trial_id, stage ORDER BY ALL
"""
_ALL: Final = _STRETCHES.replace("CHOICE", "")
_SOME: Final = _STRETCHES.replace("CHOICE", "AND trial_id IN (SELECT unnest($trials::VARCHAR[]))")

_NAME: Final = "stretches"
_MADE_BY: Final = "first and last reading of a stage of a trial in an entry"


def stretches_of(
    session: Session, trials: Sequence[str], stages: Sequence[str] | None = None
) -> dict[str, list[int]] | None:
    """`first` and `last` number of each stretch that holds readings of these trials, and perhaps of others.

    `stages` are those wanted; None: all. None where names are the quicker way to find the readings.
    """
    last = last_entry(session)
    if last is None or last.content.standing < LARGE:
        return None
    wanted = pl.col("trial_id").is_in(list(trials))
    if stages is not None:
        wanted &= pl.col("stage").is_in(list(stages))
    kept = beside.recall(session, _NAME, made_by=_MADE_BY)
    rows = kept.rows() if kept is not None else None
    since = kept.entry if kept is not None and rows is not None else 0
    if rows is None and not os.access(session.path.parent, os.W_OK):
        return None
    if kept is None or rows is None or last.content.standing - kept.told > NEWER:
        newer = session.frame(_ALL, {"since": since})
        rows = newer if rows is None else pl.concat([rows, newer])
        beside.remember(session, _NAME, made_by=_MADE_BY, told=last.content.standing, rows=rows)
        found = rows.filter(wanted)
    else:
        newer = session.frame(_SOME, {"since": since, "trials": list(trials)})
        found = pl.concat([rows, newer]).filter(wanted)
    if (found["last"] - found["first"] + 1).sum() > _MOST:
        return None
    return {"first": found["first"].to_list(), "last": found["last"].to_list()}
