"""One taking-in: a batch's files, items, findings and lines, stored whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

import polars as pl

from crosscellar.contract.frames import Batch, Columns
from crosscellar.errors import StoreError
from crosscellar.store import journal
from crosscellar.store.checksum import Content, content_between, content_of
from crosscellar.store.circumstances import Circumstances, write_circumstances
from crosscellar.store.kept_files import in_pieces
from crosscellar.store.ledger import Entry, last_entry, write_entry
from crosscellar.store.session import Session
from crosscellar.store.targets import TARGETS

#: Statuses of files that leave nothing to store: their bytes and judgements are on record already.
_ON_RECORD: Final = "already_taken_in"

_PLACE: Final = ("sheet", "row", "column", "cell")


def next_number(session: Session, statement: str) -> int:
    """One more than the largest number so far."""
    return int(session.value(statement)) + 1


def next_entry(session: Session) -> int:
    """The number of the ledger's next entry: beyond all that the journal speaks of, too.

    A store that lost its end must not give a lost entry's number to another, or the loss is forgotten.
    """
    ledger = next_number(session, "SELECT coalesce(max(entry_id), 0) FROM ledger")
    return max(ledger, journal.last_entry_id(session.path) + 1)


def store_batch(
    session: Session,
    batch: Batch,
    *,
    moment: datetime,
    at_step: Callable[[str], None],
    how: Circumstances | None = None,
) -> tuple[Entry, pl.DataFrame] | None:
    """The ledger's entry and the stored files (file_no, file_id), or None when there is nothing to store.

    Runs inside a transaction that the caller opened. Raises StoreError if what was written does not count up
    to what was given.
    """
    fresh = _not_on_record(session, batch.files, batch.findings)
    if fresh.is_empty():
        return None
    _refuse_miscounted(batch, fresh)
    before = last_entry(session)
    entry = next_entry(session)
    files = _store_files(session, batch, fresh, entry)
    at_step("files_written")
    items = _store_set_aside(session, batch.set_aside, files, entry)
    content = before.content if before else Content()
    for target in TARGETS:
        content = enter(session, target, getattr(batch, target), files, entry, content)
    at_step("items_written")
    _store_findings(session, batch.findings, files, items, entry)
    _store_lines(session, batch.lines, files, entry)
    if how is not None:
        write_circumstances(session, entry, how)
    _answer_retaken(session, files, entry)
    _answer_mended(session, entry)
    moment = write_entry(session, entry_id=entry, moment=moment, kind="intake", content=content)
    at_step("entry_written")
    return Entry(entry, moment, "intake", content), files.select("file_no", "file_id")


def _not_on_record(session: Session, files: pl.DataFrame, findings: pl.DataFrame) -> pl.DataFrame:
    """The files that bring something to keep.

    A file refused whole, of which nothing was read, says nothing new when the same bytes come again; nor does
    one whose bytes were not taken, when one of its name was refused before for the same reason.
    """
    fresh = files.filter(pl.col("status") != _ON_RECORD)
    whole = (pl.col("status") == "refused") & (pl.col("readings_in") == 0)
    shas = fresh.filter(whole)["sha256"].drop_nulls().to_list()
    known = session.rows(
        """
        SELECT DISTINCT sha256 FROM files
        WHERE status = 'refused' AND readings_in = 0 AND sha256 IN (SELECT unnest($shas::VARCHAR[]))
        """,
        {"shas": shas},
    )
    again = pl.col("sha256").is_in([row[0] for row in known]).fill_null(False)
    fresh = fresh.filter(~(whole & again))
    return fresh.join(
        _refused_before(session, fresh, findings), on="file_no", how="anti", maintain_order="left"
    )


def _refused_before(session: Session, files: pl.DataFrame, findings: pl.DataFrame) -> pl.DataFrame:
    """file_no of files without bytes of whose name one was refused before, with the same code."""
    refused = findings.filter(pl.col("severity") == "refuse").select("file_no", "code")
    asked = files.filter(pl.col("sha256").is_null()).select("file_no", "file").join(refused, on="file_no")
    if asked.is_empty():
        return asked.select("file_no")
    known = session.frame(
        """
        SELECT DISTINCT f.file, n.code FROM files AS f JOIN findings AS n USING (file_id)
        WHERE f.sha256 IS NULL AND n.severity = 'refuse' AND f.file IN (SELECT unnest($names::VARCHAR[]))
        ORDER BY ALL
        """,
        {"names": asked["file"].unique().to_list()},
    )
    return asked.join(known, on=["file", "code"], how="semi").select("file_no")


def _refuse_miscounted(batch: Batch, fresh: pl.DataFrame) -> None:
    """Raise StoreError for a file whose counts are not those of its items."""
    entering = pl.concat([getattr(batch, target).select("file_no") for target in TARGETS])
    aside = batch.set_aside.select("file_no")
    counted = (
        fresh.select(
            "file_no", "file", "accepted", away=pl.col("refused") + pl.col("held") + pl.col("already")
        )
        .join(entering.group_by("file_no").len("entering"), on="file_no", how="left")
        .join(aside.group_by("file_no").len("aside"), on="file_no", how="left")
        .with_columns(pl.col("entering", "aside").fill_null(0))
        .filter((pl.col("accepted") != pl.col("entering")) | (pl.col("away") != pl.col("aside")))
    )
    if counted.height:
        raise StoreError(
            "the readings of this file do not add up, so nothing was stored",
            where=str(counted["file"][0]),
            next_step="Report this with the file.",
        )


def _store_files(session: Session, batch: Batch, fresh: pl.DataFrame, entry: int) -> pl.DataFrame:
    known = {row[0] for row in session.rows("SELECT DISTINCT sha256 FROM contents")}
    new = [sha for sha in fresh["sha256"].drop_nulls().unique(maintain_order=True) if sha not in known]
    contents = in_pieces(new, [batch.content[sha] for sha in new], entry)
    first = next_number(session, "SELECT coalesce(max(file_id), 0) FROM files")
    files = fresh.sort("file_no").with_columns(
        (pl.int_range(pl.len(), dtype=pl.Int32) + first).alias("file_id"),
        pl.lit(entry, dtype=pl.Int32).alias("entry_id"),
    )
    with session.lend(incoming=contents, incoming_files=files):
        session.run("INSERT INTO contents BY NAME SELECT * FROM incoming")
        session.run("INSERT INTO files BY NAME SELECT * FROM incoming_files")
    return files


def _numbered(
    frame: pl.DataFrame, files: pl.DataFrame, entry: int, *, fileless: bool = False
) -> pl.DataFrame:
    """The frame's rows of these files with their numbers; `fileless` keeps rows that name no file."""
    file_id = pl.col("file_no").replace_strict(
        files["file_no"], files["file_id"], default=None, return_dtype=pl.Int32
    )
    numbered = frame.with_columns(file_id.alias("file_id"), pl.lit(entry, dtype=pl.Int32).alias("entry_id"))
    if numbered["file_id"].has_nulls():
        keep = pl.col("file_id").is_not_null()
        numbered = numbered.filter(keep | pl.col("file_no").is_null() if fileless else keep)
    return numbered.drop("file_no", "file")


def _store_set_aside(
    session: Session, set_aside: pl.DataFrame, files: pl.DataFrame, entry: int
) -> pl.DataFrame:
    first = next_number(session, "SELECT coalesce(max(item_id), 0) FROM set_aside")
    items = _numbered(set_aside, files, entry).with_columns(
        (pl.int_range(pl.len(), dtype=pl.Int64) + first).alias("item_id")
    )
    with session.lend(incoming=items.drop("item_no")):
        session.run("INSERT INTO set_aside BY NAME SELECT * FROM incoming")
    return items.select("item_no", "item_id")


def enter(
    session: Session, target: str, rows: pl.DataFrame, files: pl.DataFrame, entry: int, content: Content
) -> Content:
    """The content after these rows entered one table, those that replace others included.

    Raises
    ------
    StoreError
        When two items of one key would stand, or rows are missing after writing.
    """
    what = TARGETS[target]
    if rows.is_empty():
        return content
    first = next_number(session, what.top)
    order = [
        name for name in ("trial_id", "analyte", "attribute", "stage", "sample_date") if name in rows.columns
    ]
    numbered = (
        _numbered(rows[_order_of(rows, order)], files, entry)
        .with_columns((pl.int_range(pl.len(), dtype=pl.Int64) + first).alias(what.identity))
        .rechunk()
    )
    with session.lend(incoming=numbered.drop("supersedes")):
        clashes = session.frame(what.clashes, {"until": entry})
        session.run(what.insert)
    replacing = numbered.filter("supersedes")[what.identity]
    if not clashes["new_id"].is_in(replacing.implode()).all():
        raise StoreError(
            "another taking-in stored some of these readings first, so nothing of this was stored",
            where=session.path,
            next_step="Run the command again: they will be compared with what stands now.",
        )
    written = int(session.value(what.count, {"entry": entry}))
    if written < numbered.height:
        raise StoreError(
            f"only {written} of {numbered.height} {target} were written, so nothing was stored",
            where=session.path,
            next_step="Run `crosscellar check`.",
        )
    last = first + numbered.height - 1
    content = content.plus(content_between(session, target, first=first, last=last))
    return withdraw(session, target, clashes["old_id"], clashes["new_id"], entry, content)


def _order_of(rows: pl.DataFrame, by: Sequence[str]) -> pl.Series:
    """The places of the rows in the order of these columns: different texts are compared, not all."""
    texts = [name for name in by if rows.schema[name] == pl.String]
    ranked = rows.select(by).with_columns(
        pl.col(name).cast(pl.Enum(rows[name].drop_nulls().unique().sort())) for name in texts
    )
    return ranked.select(pl.arg_sort_by(*by, maintain_order=True)).to_series()


def withdraw(
    session: Session, target: str, old: pl.Series, by: pl.Series | None, entry: int, content: Content
) -> Content:
    """The content after these items stopped standing; `by` names those in their place."""
    if old.is_empty():
        return content
    content = content.less(content_of(session, target, old))
    turn(session, target, old, by, entry, stands=False)
    return content


def turn(
    session: Session, target: str, stored: pl.Series, by: pl.Series | None, entry: int, *, stands: bool
) -> None:
    """Nothing; from this entry on these items stand, or do not."""
    first = next_number(session, "SELECT coalesce(max(step_id), 0) FROM supersessions")
    steps = pl.DataFrame(
        {
            "stored_id": stored.cast(pl.Int64),
            "by_id": by.cast(pl.Int64) if by is not None else [None] * len(stored),
        },
        schema={"stored_id": pl.Int64, "by_id": pl.Int64},
    ).with_columns(
        (pl.int_range(pl.len(), dtype=pl.Int64) + first).alias("step_id"),
        pl.lit(entry, dtype=pl.Int32).alias("entry_id"),
        pl.lit(target).alias("target"),
        pl.lit(stands).alias("stands"),
    )
    with session.lend(incoming=steps):
        session.run("INSERT INTO supersessions BY NAME SELECT * FROM incoming")


def _store_findings(
    session: Session, findings: pl.DataFrame, files: pl.DataFrame, items: pl.DataFrame, entry: int
) -> None:
    first = next_number(session, "SELECT coalesce(max(finding_id), 0) FROM findings")
    numbered = _numbered(findings, files, entry, fileless=True).with_columns(
        (pl.int_range(pl.len(), dtype=pl.Int32) + first).alias("finding_id")
    )
    links = (
        numbered.select("finding_id", pl.col("items").alias("item_no"))
        .explode("item_no")
        .join(items, on="item_no", how="inner")
        .select("finding_id", "item_id")
        .sort("finding_id", "item_id")
    )
    with session.lend(incoming=numbered.drop("items"), incoming_links=links):
        session.run("INSERT INTO findings BY NAME SELECT * FROM incoming")
        session.run("INSERT INTO finding_items BY NAME SELECT * FROM incoming_links")


def _store_lines(session: Session, lines: pl.DataFrame, files: pl.DataFrame, entry: int) -> None:
    with session.lend(incoming=_numbered(lines, files, entry)):
        session.run("INSERT INTO lines BY NAME SELECT * FROM incoming")


def _answer_retaken(session: Session, files: pl.DataFrame, entry: int) -> None:
    """Open findings of an earlier reading of the same bytes are answered by the new reading's findings."""
    shas: Iterable[str] = files["sha256"].drop_nulls().to_list()
    session.run(
        """
        INSERT INTO answered
        SELECT $entry, n.finding_id, 'retaken' FROM findings AS n JOIN files AS f USING (file_id)
        WHERE f.sha256 IN (SELECT unnest($shas::VARCHAR[])) AND n.entry_id < $entry
            AND n.severity <> 'remark'
            AND n.finding_id NOT IN (SELECT finding_id FROM answered)
            AND n.finding_id NOT IN (SELECT finding_id FROM decisions)
        """,
        {"entry": entry, "shas": list(shas)},
    )


def _answer_mended(session: Session, entry: int) -> None:
    """Findings whose every reading has come in by a later sheet ask for nothing any more.

    What entered by a decision on another finding is no answer: it says nothing of the value that waits here.
    """
    came = pl.concat([session.frame(what.mended, {"entry": entry}) for what in TARGETS.values()])
    if came.is_empty():
        return
    with session.lend(came=came):
        session.run(
            """
            INSERT INTO answered
            SELECT $entry, n.finding_id, 'mended'
            FROM findings AS n JOIN finding_items AS i USING (finding_id)
            WHERE n.entry_id < $entry AND n.severity <> 'remark'
                AND n.finding_id NOT IN (SELECT finding_id FROM answered)
                AND n.finding_id NOT IN (SELECT finding_id FROM decisions)
            GROUP BY n.finding_id HAVING bool_and(i.item_id IN (SELECT item_id FROM came))
            """,
            {"entry": entry},
        )


def as_texts(row: Mapping[str, Any], columns: Columns) -> dict[str, str | None]:
    """A proposal's values as text, one for each column."""
    return {name: None if row.get(name) is None else _as_text(row[name]) for name in columns}


def _as_text(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value) if isinstance(value, float) else str(value)


def typed(name: str, dtype: pl.DataType | type[pl.DataType]) -> pl.Expr:
    """A column of text in its own type."""
    if dtype == pl.Boolean:
        return (pl.col(name) == "true").alias(name)
    if dtype == pl.Date:
        return pl.col(name).str.to_date("%Y-%m-%d")
    return pl.col(name).cast(dtype)
