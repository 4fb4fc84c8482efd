"""The three kinds of item a store keeps, and the fixed statements about each.

The statements differ only in names from the lists here and in `crosscellar.contract.frames`; they are put
together once, at import. No text from a sheet or a user ever enters one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from crosscellar.contract.frames import (
    PICK_KEY,
    PICKS,
    READING_KEY,
    READINGS,
    SCORE_KEY,
    SCORES,
    Columns,
)

_WITHDRAWN: Final = """
    SELECT stored_id FROM supersessions
    WHERE target = 'TABLE' AND entry_id <= $until
    GROUP BY stored_id
    HAVING NOT arg_max(stands, step_id)
"""

#: Their rows are found by the trial's name alone, and only those are read in full.
OF_TRIALS: Final = (
    "s.rowid IN (SELECT rowid FROM TABLE WHERE trial_id IN (SELECT unnest($trials::VARCHAR[])))"
)

OF_FILES: Final = "file_id IN (SELECT unnest($files::INTEGER[]))"

#: Their rows are found by stretches of numbers.
IN_STRETCHES: Final = """s.IDENTITY IN (SELECT unnest(range(first, last + 1))
    FROM (SELECT unnest($first::BIGINT[]) AS first, unnest($last::BIGINT[]) AS last))"""

_DIGESTS: Final = """
    SELECT unhex(sha256(concat_ws(chr(31), 'TABLE', FIELDS))) AS digest FROM TABLE AS s WHERE CHOICE
"""

_MENDED: Final = """
    SELECT a.item_id FROM set_aside AS a JOIN TABLE AS s ON THIS
    WHERE a.target = 'TABLE' AND a.proposed IS NOT NULL AND s.entry_id > a.entry_id
        AND a.entry_id < $entry AND s.entry_id <= $entry
        AND s.entry_id NOT IN (SELECT entry_id FROM decisions)
"""


def _column(name: str) -> str:
    return f's."{name}"'


def _number(name: str) -> str:
    """Adding 0 makes one text of 0 and -0."""
    return f"{_column(name)} + 0.0"


@dataclass(frozen=True, slots=True)
class Target:
    """One table of items and its statements; `value` is the column that answers, `identity` its number."""

    table: str
    identity: str
    key: tuple[str, ...]
    columns: Columns
    value: str
    read: str
    read_of: str
    read_in: str
    placed: str
    placed_of: str
    placed_in: str
    trials: str
    stored: str
    clashes: str
    insert: str
    top: str
    entered: str
    count: str
    digest_chosen: str
    digest_between: str
    digest_standing: str
    replaced: str
    twice: str
    stray: str
    mended: str
    trace: str


def _target(
    table: str,
    identity: str,
    key: tuple[str, ...],
    columns: Columns,
    value: str,
    also: tuple[str, ...],
    about: tuple[str, ...],
) -> Target:
    place = ("sheet", "row", "column", "cell")
    own = [name for name in columns if name not in ("file_no", "file", "supersedes", *place)]
    shown = ", ".join(f's."{name}"' for name in (*place, *own))
    same = " AND ".join(f's."{name}" IS NOT DISTINCT FROM k."{name}"' for name in key)
    as_text = {value: _number(value)} if table != "picks" else {}
    fields = ", ".join(
        f"coalesce(CAST({as_text.get(name, _column(name))} AS VARCHAR), chr(30))"
        for name in (*key, value, *also)
    )
    proposed = {
        name: f"""CAST(s."{name}" AS VARCHAR) IS NOT DISTINCT FROM (a.proposed->>'{name}')""" for name in key
    }
    # a reading whose day waits may have come on either, and tells itself by its number
    either = f"""CAST(s.sample_date AS VARCHAR) IN (a.proposed->>'day_first', a.proposed->>'month_first')
        AND s."{value}" = CAST(a.proposed->>'{value}' AS DOUBLE)"""
    ways = [proposed, {**proposed, "sample_date": either}] if "sample_date" in key else [proposed]
    order = ", ".join(f's."{name}" NULLS FIRST' for name in key)

    def fill(text: str) -> str:
        return (
            text.replace("WITHDRAWN", _WITHDRAWN)
            .replace("TABLE", table)
            .replace("IDENTITY", identity)
            .replace("SHOWN", shown)
            .replace("SAME", same)
            .replace("FIELDS", fields)
            .replace("ORDER_KEY", order)
            .replace("KEY_LIST", ", ".join(f's."{name}"' for name in key))
        )

    read = """
        SELECT s.IDENTITY, f.file_no, f.file, SHOWN,
            s.entry_id IN (SELECT entry_id FROM supersessions
                WHERE target = 'TABLE' AND by_id = s.IDENTITY) AS supersedes
        FROM TABLE AS s JOIN files AS f USING (file_id)
        WHERE s.entry_id <= $untilCHOSEN
            AND s.IDENTITY NOT IN (WITHDRAWN)
        ORDER BY ORDER_KEY, s.IDENTITY
    """
    placed = """
        SELECT f.file, s.sheet, s."row", s."column", ABOUT FROM TABLE AS s JOIN files AS f USING (file_id)
        WHERE s.entry_id <= $untilCHOSEN AND s.IDENTITY NOT IN (WITHDRAWN)
        ORDER BY s.IDENTITY
    """.replace("ABOUT", ", ".join(map(_column, about)))
    return Target(
        table=table,
        identity=identity,
        key=key,
        columns=columns,
        value=value,
        read=fill(read.replace("CHOSEN", "")),
        read_of=fill(read.replace("CHOSEN", f" AND {OF_TRIALS}")),
        read_in=fill(read.replace("CHOSEN", f" AND {IN_STRETCHES}")),
        placed=fill(placed.replace("CHOSEN", "")),
        placed_of=fill(placed.replace("CHOSEN", f" AND s.{OF_FILES}")),
        placed_in=fill(
            placed.replace(
                "CHOSEN", ' AND (s.file_id, s."row") IN (SELECT a.file_id, a."row" FROM asked AS a)'
            )
        ),
        trials=fill(
            """
            SELECT DISTINCT trial_id FROM TABLE
            WHERE trial_id IN (SELECT unnest($trials::VARCHAR[])) ORDER BY trial_id
            """
        ),
        stored=fill(
            """
            SELECT s.IDENTITY, f.file_no, f.file, SHOWN, s.IDENTITY NOT IN (WITHDRAWN) AS standing,
                l.moment AS taken_at
            FROM TABLE AS s JOIN files AS f USING (file_id) JOIN ledger AS l ON l.entry_id = s.entry_id
            WHERE s.trial_id IN (SELECT trial_id FROM wanted)
                AND EXISTS (SELECT 1 FROM wanted AS k WHERE SAME)
            ORDER BY ORDER_KEY, s.IDENTITY
            """
        ),
        clashes=fill(
            """
            SELECT k.IDENTITY AS new_id, s.IDENTITY AS old_id
            FROM TABLE AS s JOIN incoming AS k ON SAME
            WHERE s.entry_id <= $until AND s.IDENTITY NOT IN (WITHDRAWN)
            ORDER BY new_id, old_id
            """
        ),
        insert=fill("INSERT INTO TABLE BY NAME SELECT * FROM incoming"),
        top=fill("SELECT coalesce(max(IDENTITY), 0) FROM TABLE"),
        entered=fill(
            """
            SELECT IDENTITY AS stored_id, item_id, IDENTITY NOT IN (WITHDRAWN) AS standing FROM TABLE
            WHERE item_id IN (SELECT unnest($items::BIGINT[])) ORDER BY stored_id
            """
        ),
        count=fill("SELECT count(*) FROM TABLE WHERE entry_id = $entry"),
        digest_between=fill(_DIGESTS.replace("CHOICE", "s.IDENTITY BETWEEN $first AND $last")),
        digest_chosen=fill(_DIGESTS.replace("CHOICE", "s.IDENTITY IN (SELECT stored_id FROM chosen)")),
        digest_standing=fill(
            _DIGESTS.replace("CHOICE", "s.entry_id <= $until AND s.IDENTITY NOT IN (WITHDRAWN)")
        ),
        replaced=fill(
            """
            SELECT x.stored_id, x.stored_id NOT IN (WITHDRAWN) AS standing FROM supersessions AS x
            WHERE x.target = 'TABLE' AND x.by_id IN (SELECT unnest($ids::BIGINT[]))
                AND x.step_id = (SELECT max(step_id) FROM supersessions AS y
                    WHERE y.target = 'TABLE' AND y.stored_id = x.stored_id)
            ORDER BY x.stored_id
            """
        ),
        twice=fill(
            """
            SELECT count(*) FROM (SELECT count(*) AS n FROM TABLE AS s
            WHERE s.entry_id <= $until AND s.IDENTITY NOT IN (WITHDRAWN) GROUP BY KEY_LIST HAVING n > 1)
            """
        ),
        stray=fill("SELECT count(*) FROM TABLE WHERE file_id NOT IN (SELECT file_id FROM files)"),
        mended=fill(" UNION ".join(_MENDED.replace("THIS", " AND ".join(way.values())) for way in ways)),
        trace=fill(
            """
            SELECT s.IDENTITY, f.file, f.sha256, s.sheet, s."row", s."column", s.cell, s.text_sent,
                s.trial_id,
                l.moment AS taken_at, s.IDENTITY NOT IN (WITHDRAWN) AS standing,
                (SELECT arg_max(by_id, step_id) FROM supersessions AS x
                    WHERE x.target = 'TABLE' AND x.stored_id = s.IDENTITY AND NOT x.stands) AS replaced_by,
                (SELECT arg_max(d.reason, d.decision_id) FROM finding_items AS i
                    JOIN decisions AS d USING (finding_id) WHERE i.item_id = s.item_id) AS decision
            FROM TABLE AS s JOIN files AS f USING (file_id) JOIN ledger AS l ON l.entry_id = s.entry_id
            WHERE s.IDENTITY IN (SELECT unnest($ids::BIGINT[]))
            ORDER BY s.IDENTITY
            """
        ),
    )


TARGETS: Final[Mapping[str, Target]] = MappingProxyType(
    {
        "readings": _target(
            "readings",
            "reading_id",
            READING_KEY,
            READINGS,
            "value",
            ("qualifier", "unit"),
            ("trial_id", "vessel_id", "stage", "analyte"),
        ),
        "picks": _target(
            "picks", "pick_id", PICK_KEY, PICKS, "picked", ("serving", "preferred"), ("trial_id",)
        ),
        "scores": _target(
            "scores",
            "score_id",
            SCORE_KEY,
            SCORES,
            "score",
            ("scale_low", "scale_high"),
            ("trial_id", "attribute"),
        ),
    }
)
