"""All that was ever done to a store, in order, as it can be done again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from crosscellar.store.circumstances import Circumstances, circumstances_of
from crosscellar.store.forgetting import Forgotten, forgettings
from crosscellar.store.ledger import instant_of
from crosscellar.store.registers import register_frames
from crosscellar.store.session import Session

#: What tells one finding of an entry from another: its file, its cell and what it says is wrong.
_PLACE = ("sha256", "file", "sheet", "row", "column", "cell", "code", "severity")


@dataclass(frozen=True, slots=True)
class GivenFile:
    """A file of a taking-in: its name, its bytes if they are kept, why it was refused if it had none."""

    name: str
    sha256: str | None
    code: str
    reason: str
    next_step: str


@dataclass(frozen=True, slots=True)
class Ruling:
    """A decision on a finding of this store."""

    finding_id: int
    verdict: str
    reason: str
    value: str | None
    decided_by: str | None


@dataclass(frozen=True, slots=True)
class Step:
    """One entry of the ledger with what it was made from; `how` is None where that is not on record.

    `replaced` says whether items gave way in it: in a taking-in only a correction does that.
    """

    entry_id: int
    moment: datetime
    kind: str
    checksum: str
    how: Circumstances | None
    replaced: bool
    files: tuple[GivenFile, ...]
    ruling: Ruling | None
    forgotten: Forgotten | None = None


class History:
    """The past of an open store."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def steps(self) -> tuple[Step, ...]:
        """Every entry of the ledger, in order."""
        how = circumstances_of(self._session)
        forgotten = forgettings(self._session)
        files: dict[int, list[GivenFile]] = {}
        for entry, *given in self._session.rows(
            """
            SELECT f.entry_id, f.file, f.sha256, coalesce(n.code, ''), coalesce(n.message, ''),
                coalesce(n.suggestion, '')
            FROM files AS f LEFT JOIN findings AS n
                ON n.file_id = f.file_id AND f.sha256 IS NULL AND n.severity = 'refuse'
            ORDER BY f.file_id, n.finding_id
            """
        ):
            files.setdefault(entry, []).append(GivenFile(*given))
        rulings = {
            entry: Ruling(*ruling)
            for entry, *ruling in self._session.rows(
                """
                SELECT entry_id, finding_id, verdict, reason, value, decided_by FROM decisions
                ORDER BY decision_id
                """
            )
        }
        replaced = {
            row[0]
            for row in self._session.rows("SELECT DISTINCT entry_id FROM supersessions WHERE NOT stands")
        }
        return tuple(
            Step(
                entry,
                instant_of(moment),
                kind,
                checksum,
                how.get(entry),
                entry in replaced,
                tuple(files.get(entry, ())),
                rulings.get(entry),
                forgotten.get(entry),
            )
            for entry, moment, kind, checksum in self._session.rows(
                "SELECT entry_id, epoch_us(moment), kind, checksum FROM ledger ORDER BY entry_id"
            )
        )

    def register_after(self, entry: int) -> dict[str, pl.DataFrame]:
        """The register's tables as they stood after this entry; a table without rows is left out."""
        return register_frames(self._session, until=entry)

    def contacts_of(self, site: str) -> list[str]:
        """Every contact that the register ever had of this site."""
        return [
            row[0]
            for row in self._session.rows(
                """
                SELECT DISTINCT json_extract_string(row_json, '$.contact') AS contact FROM register_rows
                WHERE register_table = 'sites' AND json_extract_string(row_json, '$.site_id') = $site
                    AND contact IS NOT NULL
                ORDER BY contact
                """,
                {"site": site},
            )
        ]

    def tasted_by_forgotten(self) -> frozenset[str]:
        """SHA-256 of the files in whose bytes an assessor stands who was forgotten.

        Of files whose bytes were given up only those of which something was read: the others were given up
        because nobody can search them.
        """
        return frozenset(
            sha256
            for (sha256,) in self._session.rows(
                """
                SELECT g.sha256 FROM (
                    SELECT entry_id, sha256 FROM forgotten_in UNION ALL
                    SELECT entry_id, sha256 FROM given_up
                    WHERE sha256 IN (SELECT sha256 FROM files WHERE readings_in > 0)
                ) AS g
                JOIN forgotten AS n USING (entry_id)
                WHERE n.kind = 'assessor'
                """
            )
        )

    def given_up(self) -> dict[str, datetime]:
        """When the kept bytes of a file were given up, by its SHA-256."""
        return {
            sha256: instant_of(moment)
            for sha256, moment in self._session.rows(
                """
                SELECT g.sha256, max(epoch_us(l.moment)) FROM given_up AS g JOIN ledger AS l USING (entry_id)
                GROUP BY g.sha256 ORDER BY g.sha256
                """
            )
        }

    def codes_of(self, entry: int) -> pl.DataFrame:
        """Tastings of an entry's files: sha256, place, assessor_id, and whether that is a neutral code."""
        return self._session.frame(
            """
            SELECT f.sha256, t.sheet, t."row", t."column", t.assessor_id,
                t.assessor_id IN (SELECT stands_for FROM forgotten WHERE kind = 'assessor') AS neutral
            FROM (
                SELECT file_id, sheet, "row", "column", assessor_id FROM picks
                UNION ALL SELECT file_id, sheet, "row", "column", assessor_id FROM scores
                UNION ALL SELECT file_id, sheet, "row", "column",
                    json_extract_string(proposed, '$.assessor_id') FROM set_aside
                    WHERE target IN ('picks', 'scores') AND proposed IS NOT NULL
            ) AS t JOIN files AS f USING (file_id)
            WHERE f.entry_id = $entry
            ORDER BY ALL
            """,
            {"entry": entry},
        )

    def findings_of(self, entry: int) -> pl.DataFrame:
        """The entry's findings with their place, numbered `nth` where several share one."""
        found = self._session.frame(
            """
            SELECT n.finding_id, f.sha256, f.file, n.sheet, n."row", n."column", n.cell, n.code, n.severity
            FROM findings AS n LEFT JOIN files AS f USING (file_id)
            WHERE n.entry_id = $entry ORDER BY n.finding_id
            """,
            {"entry": entry},
        )
        return found.with_columns(pl.int_range(pl.len()).over(_PLACE).alias("nth"))


def same_findings(old: pl.DataFrame, new: pl.DataFrame) -> dict[int, int]:
    """The number in one store of each finding of the other: those of one place."""
    both = old.join(new, on=[*_PLACE, "nth"], how="inner", nulls_equal=True, suffix="_new")
    return dict(both.select("finding_id", "finding_id_new").rows())
