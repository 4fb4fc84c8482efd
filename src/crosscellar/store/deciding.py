"""The coordinator's decisions: each on record, each undone by a later one."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import polars as pl

from crosscellar.errors import CrosscellarError, NotComputable, UnknownName
from crosscellar.store.checksum import Content, content_of
from crosscellar.store.ledger import ALL, last_entry, write_entry
from crosscellar.store.session import Session
from crosscellar.store.taking import as_texts, enter, next_entry, next_number, turn, typed, withdraw
from crosscellar.store.targets import TARGETS

ACCEPT, REFUSE = "accept", "refuse"

#: What a proposal holds beside its columns where only the order of day and month is open.
_DAY_FIRST: Final = "day_first"
_MONTH_FIRST: Final = "month_first"

_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?", re.ASCII)

_WAITING: Final = """
    SELECT n.finding_id FROM finding_items AS l JOIN findings AS n USING (finding_id)
    WHERE l.item_id = $item AND n.severity = 'hold' AND n.finding_id <> $finding
        AND coalesce((SELECT arg_max(d.verdict, d.decision_id) FROM decisions AS d
            WHERE d.finding_id = n.finding_id), '') <> 'accept'
    ORDER BY n.finding_id
"""


@dataclass(frozen=True, slots=True)
class Decided:
    """What a decision changed: items that entered, items that were withdrawn, items that still wait."""

    finding_id: int
    verdict: str
    entered: int
    withdrawn: int
    waiting_for: tuple[int, ...]


def store_decision(
    session: Session,
    finding_id: int,
    verdict: str,
    *,
    reason: str,
    value: str | None,
    moment: datetime,
    decided_by: str | None = None,
) -> Decided:
    """What this decision changed. Runs inside a transaction that the caller opened.

    Raises
    ------
    UnknownName
        No such finding, or a verdict that is neither accept nor refuse.
    CrosscellarError
        A finding that asks for no decision, a reason left empty, or nothing that could enter.
    """
    if verdict not in (ACCEPT, REFUSE):
        raise UnknownName(f"{verdict!r} is not a decision", next_step="Say accept or refuse.")
    if not reason.strip():
        raise CrosscellarError(
            "a decision needs a reason", next_step="Say why in a few words: --reason TEXT."
        )
    found = session.rows("SELECT severity, file_id FROM findings WHERE finding_id = $f", {"f": finding_id})
    if not found:
        raise UnknownName(
            f"there is no finding number {finding_id}", next_step="`crosscellar findings` lists them."
        )
    if found[0][0] != "hold":
        raise CrosscellarError(
            f"finding {finding_id} is a {'refusal' if found[0][0] == 'refuse' else 'remark'}: "
            "nothing waits for your decision",
            next_step="A refused reading enters when the mended sheet is taken in.",
        )
    _refuse_answered(session, finding_id)
    entry = next_entry(session)
    before = last_entry(session)
    content = before.content if before else Content()
    items = _items_of(session, finding_id)
    last = session.rows(
        "SELECT verdict, value FROM decisions WHERE finding_id = $f ORDER BY decision_id DESC LIMIT 1",
        {"f": finding_id},
    )
    if last and last[0] == (verdict, value):
        raise CrosscellarError(
            f"finding {finding_id} was decided so before", next_step="The other word undoes a decision."
        )
    if verdict == ACCEPT and value is None:
        _refuse_two_values(session, finding_id)
    entered = withdrawn = 0
    waiting: set[int] = set()
    for item in items:
        if verdict == REFUSE:
            content, count = _take_back(session, item, entry, content)
            withdrawn += count
            continue
        others = [row[0] for row in session.rows(_WAITING, {"item": item, "finding": finding_id})]
        if others:
            waiting.update(others)
            continue
        content, count = _enter_item(session, finding_id, item, value, entry, content)
        entered += count
    session.run(
        "INSERT INTO decisions VALUES ($number, $entry, $finding, $verdict, $reason, $value, $by)",
        {
            "number": next_number(session, "SELECT coalesce(max(decision_id), 0) FROM decisions"),
            "entry": entry,
            "finding": finding_id,
            "verdict": verdict,
            "reason": reason.strip(),
            "value": value,
            "by": decided_by,
        },
    )
    write_entry(session, entry_id=entry, moment=moment, kind="decision", content=content)
    return Decided(finding_id, verdict, entered, withdrawn, tuple(sorted(waiting)))


def _items_of(session: Session, finding_id: int) -> list[int]:
    """The items that wait for this decision: those that were refused beside it wait for a mended sheet."""
    items = session.rows(
        """
        SELECT i.item_id, s.outcome FROM finding_items AS i JOIN set_aside AS s USING (item_id)
        WHERE i.finding_id = $f ORDER BY i.item_id
        """,
        {"f": finding_id},
    )
    held = [item for item, outcome in items if outcome == "held"]
    return held or [item for item, _ in items]


def _refuse_answered(session: Session, finding_id: int) -> None:
    answered = session.rows("SELECT how FROM answered WHERE finding_id = $f ORDER BY how", {"f": finding_id})
    if answered and answered[0][0] == "mended":
        raise CrosscellarError(
            f"finding {finding_id} waits no more: a later sheet brought its readings",
            next_step="To change what stands, take in a sheet as a correction.",
        )
    if answered:
        raise CrosscellarError(
            f"finding {finding_id} waits no more: the same file was read again since",
            next_step="`crosscellar findings` lists what that reading asks.",
        )


def _refuse_two_values(session: Session, finding_id: int) -> None:
    """Raise for a finding that speaks of two values for one item: a yes would not say which."""
    proposals: dict[tuple[Any, ...], set[Any]] = {}
    for target, text in session.rows(
        """
        SELECT s.target, s.proposed FROM finding_items AS i JOIN set_aside AS s USING (item_id)
        WHERE i.finding_id = $f AND s.proposed IS NOT NULL
        """,
        {"f": finding_id},
    ):
        row, what = json.loads(text), TARGETS[target]
        if _DAY_FIRST in row:
            continue
        key = (target, *(row.get(name) for name in what.key))
        proposals.setdefault(key, set()).add(row.get(what.value))
    several = next((values for values in proposals.values() if len(values) > 1), None)
    if several is not None:
        shown = " and ".join(str(value) for value in sorted(several, key=str))
        raise CrosscellarError(
            f"finding {finding_id} is about two values for one reading: {shown}",
            next_step="Say which stands with --value.",
        )


def _enter_item(
    session: Session, finding_id: int, item: int, value: str | None, entry: int, content: Content
) -> tuple[Content, int]:
    """The content after the held item entered, and how many did: 0 when it stands already."""
    target, proposed, current, file_id, cell = session.rows(
        'SELECT target, proposed, "current", file_id, cell FROM set_aside WHERE item_id = $item',
        {"item": item},
    )[0]
    what = TARGETS[target]
    if any(row[2] for row in session.rows(what.entered, {"items": [item], "until": ALL})):
        if value is not None:
            raise CrosscellarError(
                f"finding {finding_id} was accepted before, and its reading stands",
                next_step="Refuse it first; then accept it with the other value.",
            )
        return content, 0
    if proposed is None:
        raise NotComputable(
            f"the reading in {cell or 'this row'} cannot enter as it stands: what it says is not settled",
            next_step="Ask the contributor for a mended sheet and take that in.",
        )
    row: dict[str, Any] = json.loads(proposed)
    if _DAY_FIRST in row:
        row = _with_day(target, value, row, cell)
        # only now its key is known: what stands under it may be the same reading, and no other
        value, current = None, json.dumps(row)
    if value is None and row[what.value] is None:
        raise NotComputable(
            f"the reading in {cell or 'this row'} has no number that could enter",
            next_step="Give it with --value, as 0.12 or <0.1, or ask the contributor for a mended sheet.",
        )
    if value is not None:
        row.update(_with_value(target, value, row))
    frame = pl.DataFrame([as_texts(row, what.columns)], schema=dict.fromkeys(what.columns, pl.String)).select(
        typed(name, dtype) for name, dtype in what.columns.items()
    )
    if value is None and _stands_already(session, target, frame, current, cell):
        return content, 0
    frame = frame.with_columns(
        pl.lit(0, dtype=pl.Int32).alias("file_no"),
        pl.lit(item, dtype=pl.Int64).alias("item_id"),
        pl.lit(True).alias("supersedes"),
    )
    files = pl.DataFrame(
        {"file_no": [0], "file_id": [file_id]}, schema={"file_no": pl.Int32, "file_id": pl.Int32}
    )
    return enter(session, target, frame, files, entry, content), 1


def _stands_already(
    session: Session, target: str, frame: pl.DataFrame, current: str | None, cell: str | None
) -> bool:
    """Whether another sheet brought the same since; raises when it is neither that nor what was shown."""
    what = TARGETS[target]
    shown = json.loads(current).get(what.value) if current else None
    with session.lend(wanted=frame.select(what.key)):
        stored = session.frame(what.stored, {"until": ALL})
    stored = stored.filter("standing")
    said = [name for name in (what.value, "qualifier") if name in stored.columns]
    for standing in stored[what.value].to_list():
        if shown is None or float(standing) != float(shown):
            if stored.select(said).rows() == frame.select(said).rows():
                return True
            raise CrosscellarError(
                f"for the reading in {cell or 'this row'} {standing:g} stands by now, which this finding did "
                "not show",
                next_step="Say which value stands with --value, or refuse the finding.",
            )
    return False


def _with_day(target: str, value: str | None, row: dict[str, Any], cell: str | None) -> dict[str, Any]:
    """The row on the day that this order of day and month gives."""
    way = (value or "").strip().replace("-", "_")
    if way not in (_DAY_FIRST, _MONTH_FIRST):
        raise NotComputable(
            f"the date of the reading in {cell or 'this row'} is {row[_DAY_FIRST]} or {row[_MONTH_FIRST]}",
            next_step="Say which comes first: --value day-first or --value month-first.",
        )
    return {**row, "sample_date" if target == "readings" else "session_date": row[way]}


def _with_value(target: str, value: str, row: dict[str, Any]) -> dict[str, Any]:
    column = TARGETS[target].value
    limit = value.strip()[:1] if target == "readings" and value.strip()[:1] in ("<", ">") else ""
    written = value.strip().removeprefix(limit).strip()
    number = float(written) if _NUMBER.fullmatch(written) else math.nan
    if not math.isfinite(number):
        raise CrosscellarError(f"{value!r} is not a number", next_step="Give --value with a decimal point.")
    if target == "readings":
        unit = row.get("unit") or ""
        return {column: number, "qualifier": limit, "conversion": f"{value} {unit} by decision".strip()}
    if target == "picks":
        return _picked(number, value, row)
    low, high = row.get("scale_low"), row.get("scale_high")
    if (low is not None and number < low) or (high is not None and number > high):
        raise CrosscellarError(
            f"the score {value.strip()} is outside its scale ({low:g} to {high:g})",
            next_step="Give --value within the scale, or ask for a mended sheet.",
        )
    return {column: number}


def _picked(number: float, value: str, row: dict[str, Any]) -> dict[str, Any]:
    """The glass that was picked, and whether it was the odd one as served."""
    if number not in (1, 2, 3):
        raise CrosscellarError(
            f"{value!r} is none of the three glasses", next_step="Give --value as 1, 2 or 3."
        )
    serving = row.get("serving") or ""
    odd = next((place for place, letter in enumerate(serving, 1) if serving.count(letter) == 1), None)
    if odd is None:
        raise NotComputable(
            "the order that was served is not known, so the pick is neither right nor wrong",
            next_step="Ask the contributor for a mended sheet and take that in.",
        )
    return {"picked": int(number), "correct": int(number) == odd}


def _take_back(session: Session, item: int, entry: int, content: Content) -> tuple[Content, int]:
    """The content after what an earlier yes brought in is withdrawn and what it replaced stands again."""
    target = session.value("SELECT target FROM set_aside WHERE item_id = $item", {"item": item})
    if target is None:
        return content, 0
    what = TARGETS[target]
    standing = [row[0] for row in session.rows(what.entered, {"items": [item], "until": ALL}) if row[2]]
    if not standing:
        return content, 0
    replaced = session.rows(what.replaced, {"ids": standing, "until": ALL})
    content = withdraw(session, target, pl.Series(standing, dtype=pl.Int64), None, entry, content)
    back = pl.Series([row[0] for row in replaced if not row[1]], dtype=pl.Int64)
    if not back.is_empty():
        turn(session, target, back, None, entry, stands=True)
        content = content.plus(content_of(session, target, back))
    return content, len(standing)
