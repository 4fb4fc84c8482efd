"""The register in the store: every row that ever held, from which entry until which."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final

import polars as pl

from crosscellar.store.checksum import Content
from crosscellar.store.ledger import last_entry, write_entry
from crosscellar.store.session import Session

_ROWS: Final = """
    SELECT register_table, row_json FROM register_rows WHERE entry_id <= $until
        AND row_id NOT IN (SELECT row_id FROM register_ends WHERE entry_id <= $until) CHOICE
    ORDER BY row_id
"""
_ALL_ROWS: Final = _ROWS.replace("CHOICE", "")
#: The keys of these tables begin with the trial.
_ROWS_OF: Final = _ROWS.replace(
    "CHOICE",
    """AND (register_table NOT IN ('trials', 'arms', 'vessels', 'responses')
        OR json_extract_string(row_key, '$[0]') IN (SELECT unnest($trials::VARCHAR[])))""",
)
_TRIALS_OF: Final = _ROWS.replace(
    "CHOICE",
    "AND register_table = 'trials' AND json_extract_string(row_json, '$.question_id') = $question",
).replace("register_table, row_json", "json_extract_string(row_json, '$.trial_id')")


def row_texts(frame: pl.DataFrame, key: Sequence[str]) -> tuple[list[str], list[str]]:
    """The key of each row and the whole of it as JSON: a list of texts; an object with its names sorted."""
    told = pl.DataFrame({name: _as_json(frame[name].cast(pl.String)) for name in frame.columns})

    def joined(parts: Sequence[pl.Expr], around: str) -> list[str]:
        inner = pl.concat_str(parts, separator=", ")
        return told.select(told=around[0] + inner + around[1])["told"].to_list()

    named = [
        pl.lit(f"{json.dumps(name, ensure_ascii=False)}: ") + pl.col(name) for name in sorted(told.columns)
    ]
    return joined([pl.col(name) for name in key], "[]"), joined(named, "{}")


def _as_json(texts: pl.Series) -> pl.Series:
    odd = texts.str.contains(r'["\\\x00-\x1f]').fill_null(False)
    told = ('"' + texts + '"').fill_null("null")
    if not odd.any():
        return told
    escaped = [json.dumps(text, ensure_ascii=False) for text in texts.filter(odd)]
    return told.scatter(odd.arg_true(), pl.Series(escaped, dtype=pl.String))


def store_register(
    session: Session,
    tables: Mapping[str, pl.DataFrame],
    keys: Mapping[str, Sequence[str]],
    *,
    moment: datetime,
) -> dict[str, dict[str, int]]:
    """What changed in each table (added, changed, ended, same). Runs inside the caller's transaction.

    A register is taken in whole: a row that is not in it any more has ended, and stays in the history.
    """
    from crosscellar.store.taking import next_entry, next_number

    entry = next_entry(session)
    row_id = next_number(session, "SELECT coalesce(max(row_id), 0) FROM register_rows")
    changes: dict[str, dict[str, int]] = {}
    new_rows: list[tuple[int, int, str, str, str]] = []
    ended: list[tuple[int, int]] = []
    for name, frame in tables.items():
        now = dict(zip(*row_texts(frame, keys[name]), strict=True))
        held = {
            text_key: (number, text)
            for number, text_key, text in session.rows(
                """
                SELECT row_id, row_key, row_json FROM register_rows WHERE register_table = $name
                    AND row_id NOT IN (SELECT row_id FROM register_ends) ORDER BY row_id
                """,
                {"name": name},
            )
        }
        count = {"added": 0, "changed": 0, "ended": 0, "same": 0}
        for text_key, text in now.items():
            before = held.get(text_key)
            if before is not None and before[1] == text:
                count["same"] += 1
                continue
            count["added" if before is None else "changed"] += 1
            if before is not None:
                ended.append((before[0], entry))
            new_rows.append((row_id, entry, name, text_key, text))
            row_id += 1
        for text_key, (number, _) in held.items():
            if text_key not in now:
                count["ended"] += 1
                ended.append((number, entry))
        changes[name] = count
    if new_rows or ended:
        rows = pl.DataFrame(
            new_rows,
            schema={
                "row_id": pl.Int64,
                "entry_id": pl.Int32,
                "register_table": pl.String,
                "row_key": pl.String,
                "row_json": pl.String,
            },
            orient="row",
        )
        ends = pl.DataFrame(ended, schema={"row_id": pl.Int64, "entry_id": pl.Int32}, orient="row")
        with session.lend(incoming=rows, incoming_ends=ends):
            session.run("INSERT INTO register_rows BY NAME SELECT * FROM incoming")
            session.run("INSERT INTO register_ends BY NAME SELECT * FROM incoming_ends")
        before_entry = last_entry(session)
        write_entry(
            session,
            entry_id=entry,
            moment=moment,
            kind="register",
            content=before_entry.content if before_entry else Content(),
        )
    return changes


def register_frames(session: Session, *, until: int) -> dict[str, pl.DataFrame]:
    """The register's tables as text frames, as they stood after entry `until`, in the order given."""
    return _tables(session.frame(_ALL_ROWS, {"until": until}))


def register_of_question(session: Session, question: str, *, until: int) -> dict[str, pl.DataFrame]:
    """`register_frames` with the trials of one question only, and their arms, vessels and responses."""
    trials = [row[0] for row in session.rows(_TRIALS_OF, {"until": until, "question": question})]
    return _tables(session.frame(_ROWS_OF, {"until": until, "trials": trials}))


def _tables(rows: pl.DataFrame) -> dict[str, pl.DataFrame]:
    tables = rows.partition_by("register_table", maintain_order=True, include_key=False, as_dict=True)
    return {str(name): _columns(found["row_json"]) for (name,), found in tables.items()}


def _columns(texts: pl.Series) -> pl.DataFrame:
    """The columns, text each, of rows written by `row_texts`: those that the first row has."""
    names = json.loads(texts[0])
    kind = pl.Struct(dict.fromkeys(names, pl.String))
    return texts.str.json_decode(kind).struct.unnest()
