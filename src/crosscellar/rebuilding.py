"""A store made again from what it was made from: kept files, register history and decisions."""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from crosscellar.contract import Contract
from crosscellar.errors import CrosscellarError, StoreError
from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import Document, Unreadable, read_document
from crosscellar.register import Register
from crosscellar.results import Rebuilt
from crosscellar.store import Circumstances, Step, Store, same_findings


def rebuild_store(store: Store, out: Path, contract: Contract, *, program: str) -> Rebuilt:
    """What came of doing again, in order, all that was ever done to `store`; the new store lies at `out`.

    After each entry the checksum of what stands is held against the one that the ledger of `store` wrote down
    when the entry was made, not against its rows: so a store whose rows were damaged is made whole again.

    Raises
    ------
    StoreError
        When there is a file at `out` already, or none can be written.
    """
    if out.exists():
        raise StoreError("there is a file of this name already", where=out, next_step="Choose another name.")
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
        batch = check_documents(
            self._documents(step),
            Register.of_tables(made.register_frames(), self.contract),
            self.contract,
            stored=made,
            received=how.received,
            correction=how.correction,
            settings=how.settings,
        )
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
                self.differences.append(f"The bytes of {file.name} are not in the store.")
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


def _named(step: Step) -> str:
    kind = {"register": "the register", "intake": "the taking-in", "decision": "the decision"}[step.kind]
    files = ", ".join(file.name for file in step.files[:3])
    more = f" and {len(step.files) - 3} more" if len(step.files) > 3 else ""
    what = f" of {files}{more}" if files else ""
    return f"Entry {step.entry_id}, {kind}{what} on {step.moment:%Y-%m-%d},"
