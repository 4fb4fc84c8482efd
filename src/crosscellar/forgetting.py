"""A person forgotten at their wish: what goes out of the store, and what only the coordinator can reach."""

from __future__ import annotations

from collections.abc import Sequence

from crosscellar.errors import CrosscellarError, UnknownName
from crosscellar.pooling.verdict import many
from crosscellar.register import Register
from crosscellar.results import Forgetting
from crosscellar.store import NEUTRAL, SHORTEST, Forgotten, Person, Store, contact_person

#: So many files are named one by one.
_NAMED = 5


def forget_person(
    store: Store,
    register: Register,
    *,
    contact: str | None,
    assessor: str | None,
    text: str | None,
    trials: Sequence[str] | None,
    drop_files: bool,
    dry_run: bool,
) -> Forgetting:
    """What was found of a person and taken out of the store, and sentences on what stays elsewhere.

    Raises
    ------
    UnknownName
        For a site that the register never had.
    CrosscellarError
        When it is not clear whom to forget: several or none are named, a code stands for people in several
        trials, a text is so short that it means other things too.
    """
    given = [one for one in (contact, assessor, text) if one is not None]
    if len(given) > 1 or not (given or drop_files):
        raise CrosscellarError(
            "it is not said whom to forget",
            next_step="Name a site (its contact), an assessor's code or a text, one at a time.",
        )
    if contact is not None:
        person = _contact(store, register, contact)
    elif assessor is not None:
        person = _assessor(store, assessor.strip(), trials)
    elif text is not None:
        person = _text(text.strip())
    else:
        person = Person("files")
    found = store.forget(person, drop_files=drop_files, dry_run=dry_run)
    return Forgetting(
        str(store.path),
        found.kind,
        found.stands_for,
        not dry_run and not found.nothing,
        dict(found.places),
        dict(found.names),
        tuple(name for name, _ in found.kept_in),
        tuple(name for name, _ in found.given_up),
        tuple(name for name, _ in found.unsearched),
        tuple(_left(store, found)),
    )


def _contact(store: Store, register: Register, site: str) -> Person:
    contacts = store.history().contacts_of(site)
    if not contacts and site not in register.sites["site_id"].to_list():
        raise UnknownName(
            f"the register has no site {site!r}",
            next_step="Give the site_id of the site whose contact is to be forgotten.",
        )
    return contact_person(site, contacts)


def _assessor(store: Store, code: str, trials: Sequence[str] | None) -> Person:
    if not code or code.startswith(NEUTRAL):
        raise CrosscellarError(
            f"{code!r} is not the code of a person", next_step="Give the code as the sheets have it."
        )
    tasted = store.trials_tasted_by(code)
    if trials is None and len(tasted) > 1:
        raise CrosscellarError(
            f"the code {code} stands in {len(tasted)} trials ({', '.join(tasted)}), perhaps for several",
            next_step="Name the trials of this person with --trial, each once.",
        )
    if trials is None:
        trials = tasted or None
    return Person("assessor", (code,), trials=None if trials is None else tuple(trials))


def _text(text: str) -> Person:
    if len(text) < SHORTEST:
        raise CrosscellarError(
            f"a text of fewer than {SHORTEST} characters stands in too much that means something else",
            next_step="Give the whole name or address.",
        )
    return Person("text", (text,))


def _left(store: Store, found: Forgotten) -> list[str]:
    """What stays elsewhere, and what to do about it."""
    told = []
    if found.kept_in:
        told.append(
            f"The kept bytes of {_files(found.kept_in)} hold it still. `crosscellar forget --drop-files` "
            "gives these bytes up: what was read from them stays, but `rebuild` cannot make it again."
        )
    if found.unsearched:
        told.append(
            f"Packed, locked or damaged, so not searched: {_files(found.unsearched)}. Look into your copy; "
            "if the person stands in it, the same command with `--drop-files` gives these kept bytes up, too."
        )
    if found.given_up:
        told.append(
            f"What {_files(found.given_up)} brought stays, but `rebuild` cannot make it again without "
            "their bytes. The names of the files and their SHA-256 stay, so that they are known again."
        )
    if found.names:
        places = ", ".join(f"{count} in {place}" for place, count in found.names.items())
        told.append(
            f"It stands in names of things as well ({places}), which stay: others point to them. Give these "
            "things other names in the register and in sheets to come."
        )
    older = sorted(file.name for file in store.path.parent.glob(f"{store.path.name}.before-*"))
    if older:
        told.append(f"From before an upgrade, beside the store: {', '.join(older)}. Delete it.")
    if found.kind == "contact":
        told.append(
            "Take the contact out of your own copy of the register: the next `crosscellar register` would "
            "bring it back."
        )
    if found.kind == "assessor":
        told.append(
            f"Where a sheet of these tastings is sent again, write {found.stands_for} in place of the code "
            "first: under the old code the same person would count twice. Snapshots named in reports "
            "that were made before are no longer those of the store."
            if found.places
            else "A sheet that still has the code would bring it back: write the neutral code in it first."
        )
    told.append(
        "Out of reach from here: backups and other copies of the store, summaries, workbooks and exports "
        "made before, and sheets in your own folders and mail. Make outputs and a backup anew, and delete "
        "the old. Deleted bytes stay on a disk until they are written over; an encrypted disk protects them."
    )
    return told


def _files(files: Sequence[tuple[str, str]]) -> str:
    names = ", ".join(name for name, _ in files[:_NAMED])
    more = f" and {len(files) - _NAMED} more" if len(files) > _NAMED else ""
    return f"{many(len(files), 'file')} ({names}{more})"
