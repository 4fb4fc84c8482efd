"""What a store shows of itself beside its items: findings and their state, measured values, files."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from crosscellar.contract.frames import FILES
from crosscellar.store.ledger import ALL
from crosscellar.store.session import Session
from crosscellar.store.stretches import stretches_of
from crosscellar.store.targets import IN_STRETCHES, OF_FILES, OF_TRIALS, TARGETS

_STATE: Final = """
    CASE
        WHEN n.severity = 'remark' THEN 'remark'
        WHEN d.verdict IS NOT NULL THEN CASE d.verdict WHEN 'accept' THEN 'accepted' ELSE 'refused' END
        WHEN a.how IS NOT NULL THEN a.how
        WHEN n.severity = 'refuse' THEN 'refused'
        ELSE 'open'
    END
"""

_ANSWERS: Final = """
    LEFT JOIN (SELECT finding_id, arg_max(verdict, decision_id) AS verdict,
            arg_max(reason, decision_id) AS reason
        FROM decisions WHERE entry_id <= $until GROUP BY finding_id) AS d USING (finding_id)
    LEFT JOIN (SELECT finding_id, min(how) AS how FROM answered WHERE entry_id <= $until
        GROUP BY finding_id) AS a USING (finding_id)
"""

_FINDINGS: Final = """
    SELECT n.finding_id, f.file, n.sheet, n."row", n."column", n.cell, n.code, n.severity, n.value,
        n.message, n.suggestion, STATE AS state, d.reason AS reason, l.moment AS taken_at,
        (SELECT count(*) FROM finding_items AS i WHERE i.finding_id = n.finding_id) AS readings,
        coalesce((SELECT min(json_extract_string(s.proposed, '$.trial_id')) FROM finding_items AS i
            JOIN set_aside AS s USING (item_id) WHERE i.finding_id = n.finding_id), '') AS trial_id
    FROM findings AS n
    LEFT JOIN files AS f USING (file_id)
    JOIN ledger AS l ON l.entry_id = n.entry_id
    ANSWERS
    WHERE n.entry_id <= $untilCHOSEN
    ORDER BY n.finding_id
""".replace("STATE", _STATE).replace("ANSWERS", _ANSWERS)
_ALL_FINDINGS: Final = _FINDINGS.replace("CHOSEN", "")
_FINDINGS_OF: Final = _FINDINGS.replace("CHOSEN", f" AND n.{OF_FILES}")
#: No other is ever open.
_HOLDS: Final = _FINDINGS.replace("CHOSEN", " AND n.severity = 'hold'")

_WAITING: Final = """
    SELECT DISTINCT s.file_id, s.item_id
    FROM findings AS n JOIN finding_items AS i USING (finding_id) JOIN set_aside AS s USING (item_id)
    ANSWERS
    WHERE n.entry_id <= $until AND s.outcome = 'held' AND STATE = 'open'
    ORDER BY ALL
""".replace("STATE", _STATE).replace("ANSWERS", _ANSWERS)


_STANDS: Final = """s.entry_id <= $until AND s.reading_id NOT IN (SELECT stored_id FROM supersessions
        WHERE target = 'readings' AND entry_id <= $until
        GROUP BY stored_id HAVING NOT arg_max(stands, step_id))"""
_BY_KEY: Final = """
    ORDER BY s.trial_id, s.arm_id NULLS FIRST, s.vessel_id NULLS FIRST, s.stage NULLS FIRST,
        s.sample_date NULLS FIRST, s."time" NULLS FIRST, s.analyte, s.replicate NULLS FIRST,
        s.lab NULLS FIRST, s.reading_id
"""
_MEASURED_SOME: Final = """
    SELECT s.trial_id, s.arm_id, s.vessel_id, s.stage, s.sample_date, s."time", s.analyte, s.replicate,
        s.lab, s.value, s.qualifier, s.unit, s.method
    FROM readings AS s
    WHERE STANDSCHOSEN BY_KEY
""".replace("STANDS", _STANDS).replace("BY_KEY", _BY_KEY)
_OF_ANALYTES: Final = " AND s.analyte IN (SELECT unnest($analytes::VARCHAR[]))"
_OF_TRIALS: Final = f" AND {OF_TRIALS.replace('TABLE', 'readings')}"
_MEASURED: Final = _MEASURED_SOME.replace("CHOSEN", "")
_MEASURED_ANALYTES: Final = _MEASURED_SOME.replace("CHOSEN", _OF_ANALYTES)
_MEASURED_TRIALS: Final = _MEASURED_SOME.replace("CHOSEN", _OF_TRIALS)
_MEASURED_IN: Final = _MEASURED_SOME.replace("CHOSEN", f" AND {IN_STRETCHES}").replace(
    "IDENTITY", "reading_id"
)


def _answers(target: str, *columns: str) -> str:
    """The statement that reads key and `columns` of what stands of the picks or scores, by the key."""
    what = TARGETS[target]
    return (
        "SELECT COLUMNS FROM TABLE AS s WHERE STANDS ORDER BY KEY, s.IDENTITY".replace("STANDS", _STANDS)
        .replace("reading_id", what.identity)
        .replace("readings", what.table)
        .replace("COLUMNS", ", ".join(f"s.{name}" for name in (*what.key, *columns)))
        .replace("TABLE", what.table)
        .replace("KEY", ", ".join(f"s.{name} NULLS FIRST" for name in what.key))
        .replace("IDENTITY", what.identity)
    )


_SET_ASIDE: Final = """
    SELECT s.*, f.file FROM set_aside AS s JOIN files AS f USING (file_id) CHOSEN ORDER BY s.item_id
"""
_ALL_SET_ASIDE: Final = _SET_ASIDE.replace("CHOSEN", "")
_SET_ASIDE_OF: Final = _SET_ASIDE.replace("CHOSEN", f"WHERE s.{OF_FILES}")
#: The fields of what was proposed that tell what an item is about.
_ABOUT: Final = ("trial_id", "vessel_id", "stage", "analyte", "attribute")
_TURNED_AWAY: Final = """
    SELECT f.file, coalesce(s.sheet, '') AS sheet, s."row", s."column", s.cell,
        coalesce(s.target, '') AS target, FIELDS
    FROM (SELECT *, json_extract_string(proposed, [PATHS]) AS found FROM set_aside
        WHERE outcome IN ('refused', 'held')CHOSEN) AS s
    JOIN files AS f USING (file_id) ORDER BY s.item_id
""".replace("FIELDS", ", ".join(f"s.found[{at}] AS {name}" for at, name in enumerate(_ABOUT, 1))).replace(
    "PATHS", ", ".join(f"'$.{name}'" for name in _ABOUT)
)
_ALL_TURNED_AWAY: Final = _TURNED_AWAY.replace("CHOSEN", "")
_TURNED_AWAY_OF: Final = _TURNED_AWAY.replace("CHOSEN", f" AND {OF_FILES}")
_VESSELS_READ: Final = """
    SELECT DISTINCT s.trial_id, s.arm_id, s.vessel_id FROM readings AS s WHERE STANDS ORDER BY ALL
""".replace("STANDS", _STANDS)
#: How many readings that stand have a key that was asked for.
_COUNTED: Final = """
    SELECT s.trial_id, s.vessel_id, s.stage, s.analyte, count(*) AS found FROM readings AS s
    JOIN asked AS a ON s.trial_id = a.trial_id AND s.vessel_id = a.vessel_id AND s.stage = a.stage
        AND s.analyte = a.analyte
    WHERE STANDS GROUP BY ALL ORDER BY ALL
""".replace("STANDS", _STANDS)
_PICKED: Final = _answers("picks", "correct")
_SCORED: Final = _answers("scores", "score", "scale_low", "scale_high")

_REPEATS: Final = """
    SELECT s.trial_id, s.arm_id, s.vessel_id, s.stage, s.sample_date, s.value, s.qualifier, s.lab, s.method
    FROM readings AS s
    WHERE STANDSCHOSEN
""".replace("STANDS", _STANDS).replace("CHOSEN", _OF_ANALYTES)

_PEERS: Final = """
    SELECT f.file_no, s.sheet, s."row", s."column", s.trial_id, s.arm_id, s.vessel_id, s.stage, s.sample_date,
        s."time", s.analyte, s.replicate, s.value, s.qualifier, s.unit, s.lab, s.method, s.note
    FROM readings AS s JOIN files AS f USING (file_id)
    WHERE STANDS
        AND (s.trial_id IN (SELECT unnest($trials::VARCHAR[]))
            OR s.reading_id > (SELECT max(reading_id) - $newest FROM readings)) BY_KEY
""".replace("STANDS", _STANDS).replace("BY_KEY", _BY_KEY)

#: Of each file and trial one row for each table in which they meet, CHOSEN in each.
_TRIALS_OF_FILES: Final = """
    SELECT file_id, trial_id FROM readings CHOSEN UNION SELECT file_id, trial_id FROM picks CHOSEN
    UNION SELECT file_id, trial_id FROM scores CHOSEN
    UNION SELECT file_id, trial_id FROM (
        SELECT file_id, json_extract_string(proposed, '$.trial_id') AS trial_id
        FROM set_aside WHERE proposed IS NOT NULL) CHOSEN
    ORDER BY ALL
"""
_ALL_TRIALS_OF_FILES: Final = _TRIALS_OF_FILES.replace("CHOSEN", "")
_FILES_OF_TRIALS: Final = _TRIALS_OF_FILES.replace(
    "CHOSEN", "WHERE trial_id IN (SELECT unnest($trials::VARCHAR[]))"
)

#: A trial is touched by rows of the register that say which vessels it has, when they come and when they end.
_TOUCHED: Final = """
    SELECT trial_id FROM readings WHERE entry_id > $since AND analyte = $analyte
    UNION
    SELECT trial_id FROM readings WHERE reading_id IN
        (SELECT stored_id FROM supersessions WHERE target = 'readings' AND entry_id > $since)
    UNION
    SELECT json_extract_string(row_json, '$.trial_id') FROM register_rows
    WHERE register_table IN ('trials', 'arms', 'vessels') AND entry_id > $since
    UNION
    SELECT json_extract_string(row_json, '$.trial_id') FROM register_rows
    WHERE register_table IN ('trials', 'arms', 'vessels')
        AND row_id IN (SELECT row_id FROM register_ends WHERE entry_id > $since)
    ORDER BY ALL
"""
_OTHER_KINDS: Final = """
    SELECT count(*) FROM ledger
    WHERE entry_id > $since AND kind NOT IN ('register', 'intake', 'decision')
"""


def findings_of(session: Session, *, until: int, files: Sequence[int] | None = None) -> pl.DataFrame:
    """Findings with their number and `state`: open, accepted, refused, mended, retaken or remark."""
    if files is None:
        return session.frame(_ALL_FINDINGS, {"until": until})
    return session.frame(_FINDINGS_OF, {"until": until, "files": list(files)})


def open_findings_of(session: Session, *, until: int) -> pl.DataFrame:
    """The findings that wait for a decision, as `findings_of` gives them."""
    return session.frame(_HOLDS, {"until": until}).filter(pl.col("state") == "open")


def placed_of(session: Session, target: str, *, files: Sequence[int] | None) -> pl.DataFrame:
    """Of what stands of one table: file, sheet, row, column, trial, and what it is about."""
    what = TARGETS[target]
    if files is None:
        return session.frame(what.placed, {"until": ALL})
    return session.frame(what.placed_of, {"until": ALL, "files": list(files)})


def placed_in(session: Session, target: str, *, files: Sequence[str], rows: pl.DataFrame) -> pl.DataFrame:
    """As `placed_of`, of the files of these names and in these rows (file, row); twice where both ask."""
    ids = session.frame("SELECT file_id, file FROM files")
    whole = ids.filter(pl.col("file").is_in(list(files)))["file_id"].to_list()
    with session.lend(asked=ids.join(rows.drop_nulls(), on="file").select("file_id", "row")):
        single = session.frame(TARGETS[target].placed_in, {"until": ALL})
    return pl.concat([placed_of(session, target, files=whole), single])


def counted_of(session: Session, asked: pl.DataFrame) -> pl.DataFrame:
    """`found`: how many readings stand of each trial_id, vessel_id, stage and analyte of `asked`."""
    with session.lend(asked=asked):
        return session.frame(_COUNTED, {"until": ALL})


def set_aside_of(session: Session, *, files: Sequence[int] | None) -> pl.DataFrame:
    """Every item that did not enter, with its file and outcome."""
    if files is None:
        return session.frame(_ALL_SET_ASIDE)
    return session.frame(_SET_ASIDE_OF, {"files": list(files)})


def turned_away_of(session: Session, *, files: Sequence[int] | None) -> pl.DataFrame:
    """Every item that was refused or held: its place, target and what it is about, as far as was proposed."""
    if files is None:
        return session.frame(_ALL_TURNED_AWAY)
    return session.frame(_TURNED_AWAY_OF, {"files": list(files)})


def vessels_read(session: Session) -> pl.DataFrame:
    """trial_id, arm_id and vessel_id of every vessel of which a reading stands."""
    return session.frame(_VESSELS_READ, {"until": ALL})


def waiting_of(session: Session, *, until: int) -> pl.DataFrame:
    """file_id and item_id of every held item of which a finding is open."""
    return session.frame(_WAITING, {"until": until})


def measured_of(
    session: Session,
    *,
    analytes: Sequence[str] | None,
    trials: Sequence[str] | None,
    stages: Sequence[str] | None,
    until: int,
) -> pl.DataFrame:
    """Key, value, unit and method of the readings that stand, in the order of the key.

    `stages` counts where `trials` are named.
    """
    if analytes is None and trials is None:
        return session.frame(_MEASURED, {"until": until})
    if trials is None:
        return session.frame(_MEASURED_ANALYTES, {"until": until, "analytes": list(analytes or ())})
    stretches = stretches_of(session, trials, stages)
    if stretches is None:
        found = session.frame(_MEASURED_TRIALS, {"until": until, "trials": list(trials)})
    else:
        found = session.frame(_MEASURED_IN, {"until": until, **stretches})
    # Asked for together with the trials, analytes and stages would be looked for in the whole table.
    wanted = {"trial_id": trials, "analyte": analytes, "stage": stages}
    return found.filter(pl.col(name).is_in(list(of)) for name, of in wanted.items() if of is not None)


def picked_of(session: Session, *, until: int) -> pl.DataFrame:
    """Key of the triangle answers that stand and whether they are right, in the order of the key."""
    return session.frame(_PICKED, {"until": until})


def scored_of(session: Session, *, until: int) -> pl.DataFrame:
    """Key of the scores that stand, the score and its scale, in the order of the key."""
    return session.frame(_SCORED, {"until": until})


def repeats_of(session: Session, analyte: str) -> pl.DataFrame:
    """The readings of an analyte that stand, in no order: vessel, stage, day, value, laboratory."""
    found = session.frame(_REPEATS, {"until": ALL, "analytes": [analyte]})
    return found.with_columns(pl.lit(analyte).alias("analyte"))


def trials_touched(session: Session, analyte: str, *, since: int) -> list[str] | None:
    """The trials whose readings of an analyte, or whose vessels, an entry after `since` changed.

    None where an entry is of another kind than a register, a taking-in or a decision.
    """
    if session.value(_OTHER_KINDS, {"since": since}):
        return None
    found = session.rows(_TOUCHED, {"since": since, "analyte": analyte})
    return [row[0] for row in found if row[0] is not None]


def peers_of(session: Session, *, trials: Sequence[str], newest: int) -> pl.DataFrame:
    """What stands of these trials, and of the `newest` readings of all, in the order of the key."""
    return session.frame(_PEERS, {"trials": list(trials), "newest": newest, "until": ALL})


def files_of(session: Session, *, until: int) -> pl.DataFrame:
    """Every file taken in, with its counts, and `taken_at`."""
    return session.frame(
        """
        SELECT f.*, l.moment AS taken_at FROM files AS f JOIN ledger AS l USING (entry_id)
        WHERE f.entry_id <= $until ORDER BY f.file_id
        """,
        {"until": until},
    ).select("file_id", "entry_id", *FILES, "taken_at")


def known_files_of(session: Session, sha256s: Sequence[str]) -> pl.DataFrame:
    """Files of these contents taken in before: sha256, file, taken_at (ISO text)."""
    return session.frame(
        """
        SELECT f.sha256, f.file, strftime(l.moment, '%Y-%m-%dT%H:%M:%SZ') AS taken_at
        FROM files AS f JOIN ledger AS l USING (entry_id)
        WHERE f.sha256 IN (SELECT unnest($shas::VARCHAR[])) ORDER BY f.file_id
        """,
        {"shas": list(sha256s)},
    )


def open_questions_of(session: Session, sha256s: Sequence[str]) -> pl.DataFrame:
    """What is said of files of these contents and not answered so far: sha256, sheet, column, code."""
    return session.frame(
        """
        SELECT DISTINCT f.sha256, n.sheet, n."column", n.code
        FROM findings AS n JOIN files AS f USING (file_id)
        WHERE f.sha256 IN (SELECT unnest($shas::VARCHAR[])) AND n.severity <> 'remark'
            AND n.finding_id NOT IN (SELECT finding_id FROM answered)
            AND n.finding_id NOT IN (SELECT finding_id FROM decisions)
        ORDER BY ALL
        """,
        {"shas": list(sha256s)},
    )


def decided_cells_of(session: Session, sha256s: Sequence[str]) -> pl.DataFrame:
    """What waited in files of these contents and was decided: sha256, sheet, row, column, verdict.

    `verdict` is accept where what a yes brought in stands, and refuse where a no keeps it out.
    """
    items = session.frame(
        """
        WITH last AS (
            SELECT finding_id, arg_max(verdict, decision_id) AS verdict FROM decisions GROUP BY finding_id
        )
        SELECT f.sha256, s.sheet, s."row", s."column", s.item_id, s.target,
            bool_or(d.verdict = 'refuse') AS out
        FROM files AS f JOIN set_aside AS s USING (file_id) JOIN finding_items USING (item_id)
            JOIN last AS d USING (finding_id)
        WHERE f.sha256 IN (SELECT unnest($shas::VARCHAR[])) AND s.outcome = 'held'
        GROUP BY ALL ORDER BY s.item_id
        """,
        {"shas": list(sha256s)},
    )
    standing = [
        row[1]
        for target, what in TARGETS.items()
        for row in session.rows(
            what.entered,
            {"items": items.filter(pl.col("target") == target)["item_id"].to_list(), "until": ALL},
        )
        if row[2]
    ]
    stands = pl.col("item_id").is_in(standing)
    verdict = pl.when(stands).then(pl.lit("accept")).when("out").then(pl.lit("refuse"))
    decided = items.select("sha256", pl.col("sheet").fill_null(""), "row", "column", verdict.alias("verdict"))
    return decided.drop_nulls("verdict").unique(["sha256", "sheet", "row", "column"], keep="last")


def trials_of_files(session: Session) -> pl.DataFrame:
    """file_id and trial_id of every item that stands or waits, distinct."""
    return session.frame(_ALL_TRIALS_OF_FILES)


def files_of_trials(session: Session, trials: Sequence[str]) -> list[int]:
    """The files that hold an item of these trials, or one that waits for them."""
    found = session.rows(_FILES_OF_TRIALS, {"trials": list(trials)})
    return sorted({file for file, _ in found})
