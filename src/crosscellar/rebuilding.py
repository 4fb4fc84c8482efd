"""A store made again from what it was made from: kept files, register history and decisions."""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.frames import Batch
from crosscellar.errors import CrosscellarError, StoreError
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import Document, Unreadable, read_document
from crosscellar.intake.grid import Grid
from crosscellar.register import Register
from crosscellar.results import Rebuilt
from crosscellar.store import Circumstances, Step, Store, refuse_place, same_findings


def rebuild_store(store: Store, out: Path, contract: Contract, *, program: str) -> Rebuilt:
    """What came of doing again, in order, all that was ever done to `store`; the new store lies at `out`.

    After each entry the checksum of what stands is held against the one that the ledger of `store` wrote down
    when the entry was made, not against its rows: so a store whose rows were damaged is made whole again.

    Raises
    ------
    CrosscellarError
        When there is a file at `out` already, no folder for it, or nothing to make again.
    """
    refuse_place(out)
    steps = store.history().steps()
    if not steps:
        raise CrosscellarError(
            "there is nothing to make again: the store is empty",
            where=store.path,
            next_step="`crosscellar register PATH` starts a network.",
        )
    try:
        folder = tempfile.TemporaryDirectory(prefix=".rebuild-", dir=out.parent)
    except OSError as fault:
        raise StoreError(
            f"no store can be made here ({fault.strerror})",
            where=out,
            next_step="Choose a folder that exists and that you may write to.",
        ) from fault
    with folder as name:
        again = _Again(store, contract, program, steps[0].moment)
        with Store.open(Path(name) / "store", clock=lambda: again.moment) as made:
            for step in steps:
                again.do(step, made)
            made.backup(out)
            found, snapshot = made.content_checksum(), made.snapshot()
    differences = (*store.missing(), *again.differences)
    same = found == steps[-1].checksum
    return Rebuilt(str(out), len(steps), snapshot.standing, found, same, differences)


@dataclass(slots=True)
class _Again:
    """The work of one rebuilding: the entry's moment, findings found again, and what came out otherwise."""

    old: Store
    contract: Contract
    program: str
    moment: datetime
    findings: dict[int, int] = field(default_factory=dict)
    differences: list[str] = field(default_factory=list)
    strayed: bool = False

    def do(self, step: Step, made: Store) -> None:
        """Nothing; the entry was done again in `made`, or a sentence says why it was not."""
        self.moment = step.moment
        try:
            if step.kind == "register":
                self._register(step, made)
            elif step.kind == "intake":
                self._take_in(step, made)
            elif step.forgotten is not None:
                made.repeat_forgetting(step.forgotten)
            else:
                self._decide(step, made)
        except CrosscellarError as fault:
            self.differences.append(f"{_named(step)} could not be done again: {fault.what}.")
        if not self.strayed and made.snapshot().checksum != step.checksum[:12]:
            self.strayed = True
            self.differences.append(f"{_named(step)} came out otherwise than it did then{self._why(step)}.")

    def _why(self, step: Step) -> str:
        if step.kind == "intake" and step.how is None:
            return ": how it was taken in is not on record, it was made by an older program"
        if step.how is not None and step.how.program != self.program:
            return f": it was taken in by version {step.how.program}, and read now by {self.program}"
        return ""

    def _register(self, step: Step, made: Store) -> None:
        keys = {name: table.key for name, table in self.contract.register_tables.items()}
        tables = self.old.history().register_after(step.entry_id)
        # A table that had no row is given empty, so that what it held before ends.
        bare = {name: pl.DataFrame(schema=dict.fromkeys(key, pl.String)) for name, key in keys.items()}
        made.keep_register({**bare, **tables}, keys)

    def _take_in(self, step: Step, made: Store) -> None:
        how = step.how or Circumstances(step.moment.astimezone(UTC).date(), step.replaced, None, "")
        register = Register.of_tables(made.register_frames(), self.contract)

        def judge(documents: list[Document | Unreadable]) -> Batch:
            return check_documents(
                documents,
                register,
                self.contract,
                stored=made,
                received=how.received,
                correction=how.correction,
                settings=how.settings,
            )

        documents = self._documents(step)
        batch = judge(documents)
        neutral = with_neutral_codes(documents, batch, self.old.history().codes_of(step.entry_id))
        if neutral is not None:
            batch = judge(neutral)
        taken = made.take_in(batch, how=how)
        if taken is not None:
            then = self.old.history().findings_of(step.entry_id)
            self.findings.update(same_findings(then, made.history().findings_of(taken.entry_id)))

    def _documents(self, step: Step) -> list[Document | Unreadable]:
        documents: list[Document | Unreadable] = []
        for file in step.files:
            if file.sha256 is None:
                documents.append(Unreadable(file.name, None, None, file.reason, file.next_step, file.code))
                continue
            try:
                content = self.old.content_of_file(file.sha256)
            except CrosscellarError:
                gone = self.old.history().given_up().get(file.sha256)
                self.differences.append(
                    f"The bytes of {file.name} are not in the store."
                    if gone is None
                    else f"The bytes of {file.name} were given up on {gone:%Y-%m-%d}, when someone was "
                    "forgotten: what it brought cannot be made again."
                )
                continue
            if hashlib.sha256(content).hexdigest() != file.sha256:
                self.differences.append(f"The kept bytes of {file.name} are damaged, so it was left out.")
                continue
            documents.append(read_document(file.name, content))
        return documents

    def _decide(self, step: Step, made: Store) -> None:
        ruling = step.ruling
        if ruling is None:
            self.differences.append(f"{_named(step)} is in the ledger, but what was decided is lost.")
            return
        number = self.findings.get(ruling.finding_id)
        if number is None:
            self.differences.append(
                f"{_named(step)} was about finding {ruling.finding_id}, which was not found again."
            )
            return
        made.decide(
            number, ruling.verdict, reason=ruling.reason, value=ruling.value, decided_by=ruling.decided_by
        )


def with_neutral_codes(
    documents: list[Document | Unreadable], batch: Batch, codes: pl.DataFrame
) -> list[Document | Unreadable] | None:
    """The documents with neutral codes where the old store has them for a person who was forgotten.

    The kept bytes still have the person's code; `codes` are those of the old store, by place. None where
    nothing is to be changed.
    """
    if not codes["neutral"].any():
        return None
    place = ["sha256", "sheet", "row", "column"]
    tasted = pl.concat(
        [
            frame.select("file_no", "sheet", "row", "column", "assessor_id")
            for frame in (batch.picks, batch.scores, _proposed(batch.set_aside))
        ]
    ).join(batch.files.select("file_no", "sha256"), on="file_no")
    pairs = tasted.join(codes, on=place, how="inner", nulls_equal=True, suffix="_then").filter(
        pl.col("neutral") & (pl.col("assessor_id") != pl.col("assessor_id_then"))
    )
    if pairs.is_empty():
        return None
    kept = codes.filter(~pl.col("neutral"))
    return [
        document
        if isinstance(document, Unreadable)
        else replace(
            document,
            grids=tuple(
                _renamed(grid, *(_of(frame, document.sha256, grid.sheet) for frame in (tasted, pairs, kept)))
                for grid in document.grids
            ),
        )
        for document in documents
    ]


def _proposed(set_aside: pl.DataFrame) -> pl.DataFrame:
    tasting = set_aside.filter(pl.col("target").is_in(["picks", "scores"]) & pl.col("proposed").is_not_null())
    return tasting.with_columns(assessor_id=pl.col("proposed").str.json_path_match("$.assessor_id"))


def _of(frame: pl.DataFrame, sha256: str, sheet: str) -> pl.DataFrame:
    return frame.filter((pl.col("sha256") == sha256) & (pl.col("sheet").fill_null("") == sheet))


def _renamed(grid: Grid, tasted: pl.DataFrame, pairs: pl.DataFrame, kept: pl.DataFrame) -> Grid:
    """The grid with other codes in its column of assessors, but where the code is another person's."""
    if pairs.is_empty():
        return grid
    written = grid.text.join(tasted.select("row", "assessor_id").unique(), on="row", how="inner")
    column = next(
        (
            name
            for name in grid.text.columns
            if name != "row" and written[name].str.strip_chars().eq_missing(written["assessor_id"]).all()
        ),
        None,
    )
    if column is None:
        return grid
    cell = pl.col(column)
    for code, neutral in (
        pairs.select("assessor_id", "assessor_id_then").unique(maintain_order=True).iter_rows()
    ):
        others = kept.filter(pl.col("assessor_id") == code)["row"].to_list()
        ours = (pl.col(column).str.strip_chars() == code) & ~pl.col("row").is_in(others)
        cell = pl.when(ours).then(pl.lit(neutral)).otherwise(cell)
    return replace(grid, text=grid.text.with_columns(cell.alias(column)))


def _named(step: Step) -> str:
    kind = {
        "register": "the register",
        "intake": "the taking-in",
        "decision": "the decision",
        "forgetting": "the forgetting",
    }[step.kind]
    files = ", ".join(file.name for file in step.files[:3])
    more = f" and {len(step.files) - 3} more" if len(step.files) > 3 else ""
    what = f" of {files}{more}" if files else ""
    return f"Entry {step.entry_id}, {kind}{what} on {step.moment:%Y-%m-%d},"
