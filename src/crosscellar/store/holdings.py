"""What a store holds, and how it is asked: readings, findings, files, history. Nothing here changes it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from crosscellar.contract.frames import READINGS
from crosscellar.errors import CrosscellarError
from crosscellar.store import beside, views
from crosscellar.store.checksum import content_standing
from crosscellar.store.kept_files import bytes_of
from crosscellar.store.ledger import ALL, Snapshot, last_entry, until_of
from crosscellar.store.registers import register_frames, register_of_question
from crosscellar.store.session import Session
from crosscellar.store.stretches import stretches_of
from crosscellar.store.targets import TARGETS

if TYPE_CHECKING:
    from crosscellar.store.history import History

When = date | datetime | None


class Holdings:
    """What can be asked of an open store; with `as_of`, as it stood at a moment or at the end of a day."""

    def __init__(self, session: Session) -> None:
        self._session = session

    @property
    def path(self) -> Path:
        """Where the store lies."""
        return self._session.path

    def register_frames(self, *, as_of: When = None) -> dict[str, pl.DataFrame]:
        """The register's tables, every column as text, as they stood."""
        return register_frames(self._session, until=until_of(self._session, as_of))

    def register_of_question(self, question: str) -> dict[str, pl.DataFrame]:
        """`register_frames` with the trials of one question only, and their arms, vessels and responses."""
        return register_of_question(self._session, question, until=ALL)

    def known_files(self, sha256s: Sequence[str]) -> pl.DataFrame:
        """Files of these contents taken in before: sha256, file, taken_at (ISO text)."""
        return views.known_files_of(self._session, sha256s)

    def open_questions(self, sha256s: Sequence[str]) -> pl.DataFrame:
        """What is said of files of these contents and not answered so far: sha256, sheet, column, code."""
        return views.open_questions_of(self._session, sha256s)

    def decided_cells(self, sha256s: Sequence[str]) -> pl.DataFrame:
        """What waited in files of these contents and was decided: sha256, sheet, row, column, verdict."""
        return views.decided_cells_of(self._session, sha256s)

    def stored_items(self, target: str, keys: pl.DataFrame) -> pl.DataFrame:
        """Items under these keys, those that were replaced included: the target's columns and `standing`."""
        what = TARGETS[target]
        trials = keys["trial_id"].unique().to_list()
        here = [row[0] for row in self._session.rows(what.trials, {"trials": trials})]
        wanted = keys.select(what.key).filter(pl.col("trial_id").is_in(here)).unique()
        with self._session.lend(wanted=wanted):
            return self._session.frame(what.stored, {"until": ALL})

    def _items(self, target: str, trials: Sequence[str] | None, as_of: When) -> pl.DataFrame:
        what, until = TARGETS[target], until_of(self._session, as_of)
        if trials is None:
            return self._session.frame(what.read, {"until": until})
        stretches = stretches_of(self._session, trials) if target == "readings" else None
        if stretches is None:
            return self._session.frame(what.read_of, {"until": until, "trials": list(trials)})
        found = self._session.frame(what.read_in, {"until": until, **stretches})
        return found.filter(pl.col("trial_id").is_in(list(trials)))

    def readings(self, *, trials: Sequence[str] | None = None, as_of: When = None) -> pl.DataFrame:
        """The readings that stand (READINGS and reading_id), of some trials or of all."""
        return self._items("readings", trials, as_of)

    def measured(
        self,
        *,
        analytes: Sequence[str] | None = None,
        trials: Sequence[str] | None = None,
        stages: Sequence[str] | None = None,
        as_of: When = None,
    ) -> pl.DataFrame:
        """Key, value, unit and method of the readings that stand, of some analytes and trials or of all.

        What effects are computed from, in the order of the key. Without file, cell and text sent it is read
        much quicker than `readings`. `stages` are those wanted of some trials.
        """
        until = until_of(self._session, as_of)
        return views.measured_of(self._session, analytes=analytes, trials=trials, stages=stages, until=until)

    def repeats_of(self, analyte: str) -> pl.DataFrame:
        """What is known of the vessels of every trial by one analyte: the readings that stand, in no order.

        trial_id, arm_id, vessel_id, stage, sample_date, analyte, value, qualifier, lab and method: enough to
        tell how far vessels differ, and read in a third of the time of `measured`.
        """
        return views.repeats_of(self._session, analyte)

    @property
    def names_kept(self) -> list[str]:
        """Under which names `remember` kept something, perhaps of an older history."""
        return beside.names_kept(self.path)

    def recall(self, name: str, *, made_by: str) -> beside.Kept | None:
        """What `remember` kept under this name by the program `made_by`, if it still tells of this store."""
        return beside.recall(self._session, name, made_by=made_by)

    def remember(self, name: str, *, made_by: str, told: Any, rows: pl.DataFrame) -> None:
        """Nothing; what was worked out of the store as it stands lies beside it, where that can be written.

        `told` is what it came to (JSON), `rows` what that came from.
        """
        beside.remember(self._session, name, made_by=made_by, told=told, rows=rows)

    def trials_touched(self, analyte: str, *, since: int) -> list[str] | None:
        """The trials of which an entry later than `since` changed vessels, or readings of this analyte.

        None where that cannot be told: someone was forgotten since.
        """
        return views.trials_touched(self._session, analyte, since=since)

    def stored_readings_of(self, trials: Sequence[str]) -> pl.DataFrame:
        """Current readings of these trials, in the columns of READINGS."""
        return self.readings(trials=trials).select(list(READINGS))

    def peers_of(self, trials: Sequence[str], *, newest: int) -> pl.DataFrame:
        """Current readings of these trials, and those among the `newest` of all: place, key, and value.

        However large the store grew, what a sheet is held against stays within bounds.
        """
        return views.peers_of(self._session, trials=trials, newest=newest)

    def picks(self, *, trials: Sequence[str] | None = None, as_of: When = None) -> pl.DataFrame:
        """The triangle answers that stand (PICKS and pick_id)."""
        return self._items("picks", trials, as_of)

    def picked(self, *, as_of: When = None) -> pl.DataFrame:
        """Key of the triangle answers that stand and whether they are right: what effects are computed from.

        Without file, cell and text sent it is read in half the time of `picks`.
        """
        return views.picked_of(self._session, until=until_of(self._session, as_of))

    def scored(self, *, as_of: When = None) -> pl.DataFrame:
        """Key of the scores that stand, the score and its scale: what effects are computed from."""
        return views.scored_of(self._session, until=until_of(self._session, as_of))

    def tasted(self, trials: Sequence[str]) -> bool:
        """Whether any triangle of these trials ever came in."""
        return bool(
            self._session.value(
                "SELECT count(*) > 0 FROM picks WHERE trial_id IN (SELECT unnest($trials::VARCHAR[]))",
                {"trials": list(trials)},
            )
        )

    def scores(self, *, trials: Sequence[str] | None = None, as_of: When = None) -> pl.DataFrame:
        """The scores that stand (SCORES and score_id)."""
        return self._items("scores", trials, as_of)

    def placed(self, target: str, *, files: Sequence[int] | None = None) -> pl.DataFrame:
        """What stands of readings, picks or scores: file, sheet, row, column, trial, and what it is about.

        Of all files, or of those of these numbers.
        """
        return views.placed_of(self._session, target, files=files)

    def placed_in(self, target: str, *, files: Sequence[str], rows: pl.DataFrame) -> pl.DataFrame:
        """As `placed`, of the files of these names and in these rows (file, row); twice where both ask."""
        return views.placed_in(self._session, target, files=files, rows=rows)

    def turned_away(self, *, files: Sequence[int] | None = None) -> pl.DataFrame:
        """Every item that was refused or held: its place, target and what it is about, where it is known."""
        return views.turned_away_of(self._session, files=files)

    def counted(self, asked: pl.DataFrame) -> pl.DataFrame:
        """`found`: how many readings stand of each trial_id, vessel_id, stage and analyte asked for."""
        return views.counted_of(self._session, asked)

    def vessels_read(self) -> pl.DataFrame:
        """trial_id, arm_id and vessel_id of every vessel of which a reading stands."""
        return views.vessels_read(self._session)

    def findings(
        self, *, open_only: bool = False, as_of: When = None, files: Sequence[int] | None = None
    ) -> pl.DataFrame:
        """Findings with their number and `state`: open, accepted, refused, mended, retaken or remark.

        Of all files, or of those of these numbers; with `open_only` those that wait for a decision.
        """
        until = until_of(self._session, as_of)
        if open_only and files is None:
            return views.open_findings_of(self._session, until=until)
        found = views.findings_of(self._session, until=until, files=files)
        return found.filter(pl.col("state") == "open") if open_only else found

    def waiting(self, *, as_of: When = None) -> pl.DataFrame:
        """file_id and item_id of every held item of which a finding waits for a decision."""
        return views.waiting_of(self._session, until=until_of(self._session, as_of))

    def files(self, *, as_of: When = None) -> pl.DataFrame:
        """Every file taken in, with its counts, and `taken_at`."""
        return views.files_of(self._session, until=until_of(self._session, as_of))

    def trials_of_files(self) -> pl.DataFrame:
        """file_id and trial_id of every item that stands or waits, distinct."""
        return views.trials_of_files(self._session)

    def files_of_trials(self, trials: Sequence[str]) -> list[int]:
        """The numbers of the files that hold an item of these trials, or one that waits for them."""
        return views.files_of_trials(self._session, trials)

    def set_aside(self, *, files: Sequence[int] | None = None) -> pl.DataFrame:
        """Every item that did not enter, with its file and outcome; of all files, or of these."""
        return views.set_aside_of(self._session, files=files)

    def content_of_file(self, sha256: str) -> bytes:
        """The bytes of a file as they came in.

        Raises
        ------
        CrosscellarError
            When no file of this SHA-256 was taken in.
        """
        found = bytes_of(self._session, sha256)
        if found is None:
            raise CrosscellarError("no file of this content was taken in", where=sha256)
        return found

    def trace(self, target: str, ids: Sequence[int]) -> pl.DataFrame:
        """Where these items came from: file, SHA-256, sheet, cell, text as sent, and what became of them."""
        return self._session.frame(TARGETS[target].trace, {"ids": list(ids), "until": ALL})

    def snapshot(self, *, as_of: When = None) -> Snapshot:
        """What stands: a short checksum of the content, the number of items, the last entry's moment."""
        entry = last_entry(self._session, until=until_of(self._session, as_of))
        if entry is None:
            return Snapshot("", 0, None)
        return Snapshot(entry.content.checksum[:12], entry.content.standing, entry.moment)

    def check(self) -> list[str]:
        """Every problem found, as sentences with the next step; empty for a sound store."""
        from crosscellar.store.checking import problems_of

        return list(problems_of(self._session))

    def missing(self) -> list[str]:
        """Entries that the journal speaks of and the store has not, as sentences with the next step."""
        from crosscellar.store.checking import missing_entries

        return list(missing_entries(self._session))

    def history(self) -> History:
        """All that was ever done to this store, as it can be done again."""
        from crosscellar.store.history import History

        return History(self._session)

    def trials_tasted_by(self, code: str) -> list[str]:
        """The trials in which an assessor of this code tasted."""
        from crosscellar.store.forgetting import trials_tasted_by

        return trials_tasted_by(self._session, code)

    def content_checksum(self) -> str:
        """The SHA-256 that stands for everything that stands, computed anew."""
        return content_standing(self._session, until=ALL).checksum

    def facts(self) -> dict[str, Any]:
        """A few numbers about what is kept."""
        snapshot = self.snapshot()
        return {
            "snapshot": snapshot.checksum,
            "standing": snapshot.standing,
            "last_entry": snapshot.moment,
            "files": int(self._session.value("SELECT count(*) FROM files")),
            "kept_contents": int(self._session.value("SELECT count(DISTINCT sha256) FROM contents")),
            "given_up": int(self._session.value("SELECT count(DISTINCT sha256) FROM given_up")),
        }
