"""A person taken out of a store: out of what stands, of its whole history, and of the journal beside it."""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Final

import polars as pl

from crosscellar.store import journal
from crosscellar.store.checksum import Content, content_standing
from crosscellar.store.kept_files import bytes_of
from crosscellar.store.ledger import last_entry, write_entry
from crosscellar.store.session import Session
from crosscellar.store.taking import next_number
from crosscellar.store.wording import NEUTRAL, Person

#: The text columns of the store. `free` texts are searched and changed, `item` and `register` are JSON, a
#: `name` means a thing that others point to: it is only searched, and told. Every other column of text holds
#: this program's own words.
COLUMNS: Final[Mapping[str, Mapping[str, tuple[str, ...]]]] = {
    "files": {"free": ("file", "message")},
    "readings": {
        "free": ("sheet", "method", "note", "text_sent", "unit_sent", "conversion"),
        "name": ("trial_id", "arm_id", "vessel_id", "stage", "analyte", "unit", "lab"),
    },
    "picks": {
        "free": ("sheet", "note", "text_sent"),
        "name": ("trial_id", "session_id", "assessor_id", "control_arm", "treatment_arm", "preferred"),
    },
    "scores": {
        "free": ("sheet", "note", "text_sent"),
        "name": ("trial_id", "session_id", "assessor_id", "arm_id", "vessel_id", "attribute"),
    },
    "set_aside": {"free": ("sheet", "text_sent"), "item": ("proposed", "current")},
    "findings": {"free": ("sheet", "value", "message", "suggestion")},
    "lines": {"free": ("sheet", "text")},
    "decisions": {"free": ("reason", "value", "decided_by")},
    "register_rows": {"register": ("row_json",), "name": ("row_key",)},
}

_OF_FILE: Final = "s.file_id IN (SELECT unnest($files::INTEGER[]))"
_SCOPE: Final = {
    "decisions": "s.finding_id IN (SELECT finding_id FROM findings AS s WHERE OF_FILE)".replace(
        "OF_FILE", _OF_FILE
    ),
    "register_rows": "false",
}


@dataclass(frozen=True, slots=True)
class _Column:
    """One column of text: how it is treated, how it is searched and how it is changed."""

    table: str
    column: str
    way: str
    read: str
    write: str


def _column(table: str, column: str, way: str) -> _Column:
    def fill(text: str) -> str:
        return (
            text.replace("TABLE", table)
            .replace("COLUMN", f'"{column}"')
            .replace("SCOPE", _SCOPE.get(table, _OF_FILE))
        )

    return _Column(
        table,
        column,
        way,
        read=fill(
            """
            SELECT s.rowid, s.COLUMN FROM TABLE AS s
            WHERE (contains(lower(s.COLUMN), $plain) OR contains(lower(s.COLUMN), $escaped))
                AND ($files::INTEGER[] IS NULL OR SCOPE)
            ORDER BY s.rowid
            """
        ),
        write=fill(
            "UPDATE TABLE SET COLUMN = changed.instead FROM changed WHERE TABLE.rowid = changed.number"
        ),
    )


_COLUMNS: Final = tuple(
    _column(table, column, way)
    for table, ways in COLUMNS.items()
    for way, columns in ways.items()
    for column in columns
)

_TASTED: Final = """
    SELECT entry_id, file_id, trial_id, assessor_id FROM picks
    UNION ALL SELECT entry_id, file_id, trial_id, assessor_id FROM scores
"""

_OF_ASSESSOR: Final = """
    SELECT DISTINCT file_id FROM (TASTED UNION ALL
        SELECT entry_id, file_id, json_extract_string(proposed, '$.trial_id'),
            json_extract_string(proposed, '$.assessor_id')
        FROM set_aside WHERE target IN ('picks', 'scores') AND proposed IS NOT NULL)
    WHERE ($code = '' OR assessor_id = $code)
        AND ($trials::VARCHAR[] IS NULL OR trial_id IN (SELECT unnest($trials::VARCHAR[])))
    ORDER BY file_id
""".replace("TASTED", _TASTED)

_TRIALS: Final = """
    SELECT DISTINCT trial_id FROM (TASTED) WHERE assessor_id = $code ORDER BY trial_id
""".replace("TASTED", _TASTED)

#: Entries from which on other items of this assessor stand than before.
_TURNS: Final = """
    SELECT DISTINCT entry_id FROM (
        SELECT entry_id FROM (TASTED) WHERE assessor_id = $code
        UNION ALL SELECT x.entry_id FROM supersessions AS x WHERE x.target IN ('picks', 'scores'))
    ORDER BY entry_id
""".replace("TASTED", _TASTED)


_PICKS_OF: Final = """
    SELECT rowid FROM picks WHERE assessor_id = $code
        AND ($trials::VARCHAR[] IS NULL OR trial_id IN (SELECT unnest($trials::VARCHAR[])))
    ORDER BY rowid
"""
_SCORES_OF: Final = _PICKS_OF.replace("picks", "scores")

_OF_SITE: Final = """
    SELECT rowid, row_json FROM register_rows
    WHERE register_table = 'sites' AND json_extract_string(row_json, '$.site_id') = $site
    ORDER BY rowid
"""

#: `whole` where nothing of a file was read: then nothing in the store says what is in it.
_KEPT: Final = """
    SELECT f.file_id, f.file, f.sha256, f.status = 'refused' AND f.readings_in = 0 AS whole
    FROM files AS f WHERE f.sha256 IN (SELECT sha256 FROM contents) ORDER BY f.file_id
"""

#: What an earlier forgetting said that is kept still.
_NAMED_BEFORE: Final = """
    SELECT min(f.file), f.sha256 FROM files AS f WHERE f.sha256 IN (SELECT sha256 FROM contents)
        AND f.sha256 IN (SELECT sha256 FROM forgotten_in) GROUP BY f.sha256 ORDER BY min(f.file_id)
"""


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What of a person was found, and what became of it.

    Attributes
    ----------
    kind, stands_for
        What was forgotten, and what stands for it: a site, an assessor's neutral code, or nothing.
    entry_id
        The entry of the ledger; None where nothing was changed.
    places
        How many texts were changed, by table and column.
    names
        How many names of things the text stands in as well; these stay.
    kept_in
        Files (name, SHA-256) whose kept bytes hold the person still.
    given_up
        Files whose kept bytes were given up.
    unsearched
        Files whose kept bytes cannot be searched: packed, locked or damaged.
    """

    kind: str
    stands_for: str
    entry_id: int | None
    places: Mapping[str, int]
    names: Mapping[str, int]
    kept_in: tuple[tuple[str, str], ...]
    given_up: tuple[tuple[str, str], ...]
    unsearched: tuple[tuple[str, str], ...] = ()

    @property
    def nothing(self) -> bool:
        """Whether there is nothing to change."""
        return not self.places and not self.given_up


@dataclass(frozen=True, slots=True)
class _Found:
    """What will be changed: new texts by column, items by table, and what is only told."""

    changes: tuple[tuple[_Column, pl.DataFrame], ...]
    told: Forgotten


def trials_tasted_by(session: Session, code: str) -> list[str]:
    """The trials that an assessor of this code tasted."""
    return [row[0] for row in session.rows(_TRIALS, {"code": code})]


def look_for(session: Session, person: Person, *, drop_files: bool) -> Forgotten:
    """What forgetting this person would change and leave; nothing is changed."""
    return _find(session, person, drop_files).told


def forget(
    session: Session, person: Person, *, drop_files: bool, moment: datetime, store: Path
) -> tuple[Forgotten, bytes]:
    """What was changed in the session's store, and the content of the journal of `store` that goes with it.

    Runs in a transaction of its own. The ledger gets an entry without the name. Where items have another
    code than before, the sums and checksums of all entries are those of the store as it is now.
    """
    before = dict(session.rows("SELECT entry_id, checksum FROM ledger ORDER BY entry_id"))
    with session.transaction():
        found = _find(session, person, drop_files)
        told, code = found.told, person.code
        turns = [row[0] for row in session.rows(_TURNS, {"code": code})] if code else []
        was = _tasted(session, turns)
        for what, changed in found.changes:
            with session.lend(changed=changed):
                session.run(what.write)
        _carry_on(session, turns, was, _tasted(session, turns))
        _give_up(session, told)
        last = last_entry(session)
        entry = max(last.entry_id if last else 0, journal.last_entry_id(store)) + 1
        write_forgetting(session, told, entry=entry, moment=moment)
    after = dict(session.rows("SELECT entry_id, checksum FROM ledger ORDER BY entry_id"))
    sums = {before[number]: after[number] for number in before}
    lines = journal.rewritten(session, store, sums, lambda text: person.out_of(text, told.stands_for))
    return replace(told, entry_id=entry), lines


def write_forgetting(session: Session, told: Forgotten, *, entry: int, moment: datetime) -> None:
    """Nothing; the entry is in the ledger, with what it forgot. Runs inside the caller's transaction."""
    last = last_entry(session)
    write_entry(
        session,
        entry_id=entry,
        moment=moment,
        kind="forgetting",
        content=last.content if last else Content(),
    )
    session.run(
        "INSERT INTO forgotten VALUES ($entry, $kind, $stands_for, $places)",
        {
            "entry": entry,
            "kind": told.kind,
            "stands_for": told.stands_for,
            "places": sum(told.places.values()),
        },
    )
    session.run(
        "INSERT INTO forgotten_in SELECT $entry, unnest($shas::VARCHAR[])",
        {"entry": entry, "shas": [sha256 for _, sha256 in told.kept_in]},
    )
    session.run(
        "INSERT INTO given_up SELECT $entry, unnest($shas::VARCHAR[])",
        {"entry": entry, "shas": [sha256 for _, sha256 in told.given_up]},
    )


def forgettings(session: Session) -> dict[int, Forgotten]:
    """Every forgetting on record, by its entry, as it can be written down again."""
    files: dict[str, dict[int, list[tuple[str, str]]]] = {"kept": {}, "gone": {}}
    for which, entry, sha256 in session.rows(
        """
        SELECT 'kept', entry_id, sha256 FROM forgotten_in UNION ALL
        SELECT 'gone', entry_id, sha256 FROM given_up ORDER BY ALL
        """
    ):
        files[which].setdefault(entry, []).append(("", sha256))
    return {
        entry: Forgotten(
            kind,
            stands_for,
            entry,
            {"": places},
            {},
            tuple(files["kept"].get(entry, ())),
            tuple(files["gone"].get(entry, ())),
        )
        for entry, kind, stands_for, places in session.rows(
            "SELECT entry_id, kind, stands_for, places FROM forgotten ORDER BY entry_id"
        )
    }


def _find(session: Session, person: Person, drop_files: bool) -> _Found:
    stands_for = person.site if person.kind == "contact" else ""
    files: list[int] | None = None
    if person.kind == "assessor":
        stands_for = _neutral_code(session)
        files = _files_of(session, person, person.code)
    searched = [
        (what, _changed(session, what, person, stands_for, files)) for what in _COLUMNS if what.way != "name"
    ]
    changes = [(what, changed) for what, changed in searched if not changed.is_empty()]
    names: dict[str, int] = {}
    if person.kind == "assessor":
        changes += _renamed(session, person, stands_for)
    elif person.kind != "files":
        for what in (what for what in _COLUMNS if what.way == "name"):
            found = [text for _, text in _searched(session, what, person, files) if person.stands_in(text)]
            if found:
                names[f"{what.table}.{what.column}"] = len(found)
    kept, closed = _kept_files(session, person, files)
    return _Found(
        tuple(changes),
        Forgotten(
            person.kind,
            stands_for,
            None,
            {f"{what.table}.{what.column}": changed.height for what, changed in changes},
            names,
            () if drop_files else kept,
            (*kept, *closed) if drop_files else (),
            () if drop_files else closed,
        ),
    )


def _neutral_code(session: Session) -> str:
    number = next_number(session, "SELECT count(*) FROM forgotten WHERE kind = 'assessor'")
    while trials_tasted_by(session, f"{NEUTRAL}{number}"):
        number += 1
    return f"{NEUTRAL}{number}"


def _files_of(session: Session, person: Person, code: str) -> list[int]:
    trials = None if person.trials is None else list(person.trials)
    return [row[0] for row in session.rows(_OF_ASSESSOR, {"code": code, "trials": trials})]


def _searched(
    session: Session, what: _Column, person: Person, files: list[int] | None
) -> list[tuple[int, str]]:
    """Rows of a column that hold one of the person's texts, as a word or within one."""
    found: dict[int, str] = {}
    if what.way == "register" and person.site:
        # Whatever the contact of this site is, however short.
        found.update(session.rows(_OF_SITE, {"site": person.site}))
    for text in person.texts:
        escaped = json.dumps(text)[1:-1]
        found.update(
            session.rows(what.read, {"plain": text.lower(), "escaped": escaped.lower(), "files": files})
        )
    return sorted(found.items())


def _changed(
    session: Session, what: _Column, person: Person, stands_for: str, files: list[int] | None
) -> pl.DataFrame:
    """number (of the row) and instead (its new text), of the rows of a column that change."""
    way = {"free": person.out_of, "item": person.out_of_item, "register": person.out_of_register}[what.way]
    rows = [
        (number, instead)
        for number, text in _searched(session, what, person, files)
        if (instead := way(text, stands_for)) != text
    ]
    return pl.DataFrame(rows, schema={"number": pl.Int64, "instead": pl.String}, orient="row")


def _renamed(session: Session, person: Person, stands_for: str) -> list[tuple[_Column, pl.DataFrame]]:
    trials = None if person.trials is None else list(person.trials)
    asked = {"code": person.code, "trials": trials}
    tasted = {"picks": session.rows(_PICKS_OF, asked), "scores": session.rows(_SCORES_OF, asked)}
    return [
        (
            what,
            pl.DataFrame(
                [(row[0], stands_for) for row in tasted[what.table]],
                schema={"number": pl.Int64, "instead": pl.String},
                orient="row",
            ),
        )
        for what in _COLUMNS
        if what.column == "assessor_id" and tasted[what.table]
    ]


def _kept_files(
    session: Session, person: Person, files: list[int] | None
) -> tuple[tuple[tuple[str, str], ...], tuple[tuple[str, str], ...]]:
    """Files (name, SHA-256) whose bytes are kept: those that hold the person, and those that may."""
    if person.kind == "files":
        return tuple(session.rows(_NAMED_BEFORE)), ()
    known = set(files or ())
    wide = None if files is None else set(_files_of(session, person, ""))
    found: dict[str, str] = {}
    closed: dict[str, str] = {}
    for file_id, name, sha256, whole in session.rows(_KEPT):
        if sha256 in found or sha256 in closed or not (wide is None or file_id in wide or whole):
            continue
        stands: bool | None = file_id in known
        if not stands and person.telling:
            stands = person.stands_in_file(bytes_of(session, sha256) or b"")
        if stands is None:
            closed[sha256] = name
        elif stands:
            found[sha256] = name
    return (
        tuple((name, sha256) for sha256, name in found.items()),
        tuple((name, sha256) for sha256, name in closed.items()),
    )


def _tasted(session: Session, turns: list[int]) -> list[Content]:
    return [content_standing(session, until=turn, tables=("picks", "scores")) for turn in turns]


def _carry_on(session: Session, turns: list[int], was: list[Content], now: list[Content]) -> None:
    """Nothing; every entry of the ledger has the sum of what stands after it, as it is written now."""
    if was == now:
        return
    sums = []
    for entry in (row[0] for row in session.rows("SELECT entry_id FROM ledger ORDER BY entry_id")):
        place = bisect_right(turns, entry) - 1
        found = last_entry(session, until=entry)
        if place < 0 or found is None:
            continue
        content = found.content.less(was[place]).plus(now[place])
        sums.append((entry, content.sum_text, content.checksum))
    frame = pl.DataFrame(
        sums, schema={"entry_id": pl.Int32, "content_sum": pl.String, "checksum": pl.String}, orient="row"
    )
    with session.lend(sums=frame):
        session.run(
            """
            UPDATE ledger SET content_sum = sums.content_sum, checksum = sums.checksum
            FROM sums WHERE ledger.entry_id = sums.entry_id
            """
        )


def _give_up(session: Session, told: Forgotten) -> None:
    session.run(
        "DELETE FROM contents WHERE sha256 IN (SELECT unnest($shas::VARCHAR[]))",
        {"shas": [sha256 for _, sha256 in told.given_up]},
    )
