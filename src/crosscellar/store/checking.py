"""What is wrong with a store, in words: its rows, the kept files and the journal held against each other."""

from __future__ import annotations

from collections.abc import Iterator

from crosscellar.store import journal
from crosscellar.store.checksum import Content, content_standing
from crosscellar.store.kept_files import whole
from crosscellar.store.ledger import ALL, last_entry
from crosscellar.store.session import Session
from crosscellar.store.targets import TARGETS


def problems_of(session: Session) -> Iterator[str]:
    """Every problem as a sentence with the next step; none for a sound store."""
    yield from _content(session)
    yield from _files(session)
    yield from missing_entries(session)


def _content(session: Session) -> Iterator[str]:
    last = last_entry(session)
    now = content_standing(session, until=ALL)
    if (last.content if last else Content()) != now:
        yield (
            "The readings in the store are not those that its ledger speaks of: some were changed or lost. "
            "Restore the latest backup that passes this check, and take in again what came since."
        )
    for target in TARGETS.values():
        twice = int(session.value(target.twice, {"until": ALL}))
        if twice:
            yield f"{twice} {target.table} stand twice under one key. Report this with the store."
        stray = int(session.value(target.stray))
        if stray:
            yield f"{stray} {target.table} point to a file that is not here. Restore the latest backup."


def _files(session: Session) -> Iterator[str]:
    names = dict(session.rows("SELECT sha256, min(file) FROM files WHERE sha256 IS NOT NULL GROUP BY sha256"))
    kept: set[str] = set()
    for sha256, sound in whole(session):
        kept.add(sha256)
        if not sound:
            name = names.get(sha256, sha256)
            yield f"The kept bytes of {name} are damaged. Ask the sender for the file again."
    gone = {row[0] for row in session.rows("SELECT DISTINCT sha256 FROM given_up")}
    for sha256 in sorted(set(names) - kept - gone):
        yield f"The bytes of {names[sha256]} are not in the store. Take the file in again."
    broken = int(
        session.value(
            "SELECT count(*) FROM files WHERE readings_in <> accepted + refused + held + already + blank"
        )
    )
    if broken:
        yield f"The readings of {broken} files do not add up. Restore the latest backup."


def missing_entries(session: Session) -> Iterator[str]:
    """A sentence for each entry that the journal has and the store has not; one if there is no journal."""
    lines = journal.lines_of(session)
    entries = dict(session.rows("SELECT entry_id, checksum FROM ledger ORDER BY entry_id"))
    kept = {row[0] for row in session.rows("SELECT DISTINCT sha256 FROM files WHERE sha256 IS NOT NULL")}
    if entries and not lines:
        yield (
            f"The journal {journal.journal_path(session.path).name} is missing: a store that lost its last "
            "entries could not be told from a whole one. Put it back beside the store if you have it."
        )
        return
    decided = {
        (sha256, cell, code): entry
        for sha256, cell, code, entry in session.rows(
            """
            SELECT coalesce(f.sha256, '') AS sha256, coalesce(n.cell, '') AS cell, n.code, max(d.entry_id)
            FROM decisions AS d JOIN findings AS n USING (finding_id) LEFT JOIN files AS f USING (file_id)
            GROUP BY ALL ORDER BY ALL
            """
        )
    }
    forgotten = set(session.rows("SELECT DISTINCT kind, stands_for FROM forgotten ORDER BY ALL"))
    for place, line in enumerate(lines):
        if entries.get(line.entry_id) == line.checksum:
            continue
        if _again(line, lines[place + 1 :], entries, kept, decided, forgotten):
            continue
        yield _lost(line)


def _lost(line: journal.Line) -> str:
    on = f"Entry {line.entry_id} of {line.moment[:10]}"
    lost = "is in the journal but not in the store: the store lost its end."
    if line.files:
        return f"{on} ({', '.join(name for name, _ in line.files)}) {lost} Take these sheets in again."
    if line.kind == "forgetting":
        return f"{on} (someone was forgotten) {lost} What was forgotten is back: forget it again."
    if line.kind == "register":
        return f"{on} (a register) {lost} Take the register in again."
    if line.decided is None:
        return f"{on} (a decision) {lost} Decide its finding again."
    what = line.decided
    where = " ".join(part for part in (what.file, what.cell) if part)
    return (
        f"{on} ({what.verdict} finding {what.finding_id}, {what.code} in {where or 'the whole batch'}) "
        f"{lost} Decide that finding again."
    )


def _again(
    line: journal.Line,
    later: list[journal.Line],
    entries: dict[int, str],
    kept: set[str],
    decided: dict[tuple[str, str, str], int],
    forgotten: set[tuple[str, ...]],
) -> bool:
    """Whether an entry that the store lost was made good: its files came, its finding was decided again.

    A register is taken in whole, so any later one makes a lost one good. A store put back from before
    someone was forgotten has other sums for entries that it does hold.
    """
    if line.files:
        return all(sha256 in kept for _, sha256 in line.files if sha256)
    if line.decided is not None:
        place = (line.decided.sha256, line.decided.cell, line.decided.code)
        return decided.get(place, 0) >= line.entry_id
    if line.forgotten:
        return line.forgotten in forgotten
    return any(other.kind == line.kind and entries.get(other.entry_id) == other.checksum for other in later)
