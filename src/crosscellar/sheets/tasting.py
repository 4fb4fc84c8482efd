"""Ballots for the assessors and the key for the coordinator: two files, so that no key lies by a ballot."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.tabs import POURING, READ_ME
from crosscellar.register import Register
from crosscellar.sheets.book import Book, Column
from crosscellar.sheets.protocol import AT_A_TASTING, caution_words
from crosscellar.sheets.serving import assessor_codes, score_servings, triangle_servings

#: Assessors where the register plans no number: four times the six orders (common practice, no source).
_ASSESSORS: Final = 24
#: Tastings that a trial can plan.
KINDS: Final = ("triangle", "scores")
_TASK: Final = "Taste from left to right. Two are the same, one is odd: circle the odd one. Guess if unsure."


def tasting_files(out: Path, file_name: str, kind: str) -> tuple[Path, Path]:
    """Where the ballots and the key of a tasting lie."""
    ballot = out / "ballots" / f"{file_name}_{kind}_ballots.xlsx"
    return ballot, out / "keys" / f"{file_name}_{kind}_key.xlsx"


def write_tasting(
    trial: dict[str, Any],
    register: Register,
    out: Path,
    *,
    contract: Contract,
    seed: int,
    scale: tuple[float, float],
    file_name: str,
) -> Iterator[tuple[Path, Path]]:
    """Writes and gives the ballots and the key of each tasting that the trial plans."""
    planned = register.responses.filter(pl.col("trial_id") == trial["trial_id"])
    arms = (
        register.arms.filter(pl.col("trial_id") == trial["trial_id"])
        .sort(pl.col("role") != "control", "level", "arm_id")
        .select("arm_id", "role")
        .rows()
    )
    triangle = planned.filter(pl.col("response") == "triangle")
    scored = planned.filter(pl.col("response").str.starts_with("score:"))
    made = datetime(trial["season"], 1, 1)  # noqa: DTZ001
    for kind, rows in zip(KINDS, (triangle, scored), strict=True):
        if rows.is_empty():
            continue
        ballot, key = tasting_files(out, file_name, kind)
        ballot.parent.mkdir(parents=True, exist_ok=True)
        key.parent.mkdir(parents=True, exist_ok=True)
        session = f"{trial['trial_id']}-{'T' if kind == 'triangle' else 'C'}1"
        title = f"{'Triangle test' if kind == 'triangle' else 'Scores'} of trial {trial['trial_id']}"
        with (
            Book(ballot, title=f"{title}: ballots", made=made) as ballots,
            Book(key, title=f"{title}: key", made=made) as keys,
        ):
            parts = _parts(session, seed, contract)
            if kind == "triangle":
                count = int(rows["planned_readings"].fill_null(_ASSESSORS)[0])
                control, treatment = arms[0][0], arms[1][0]
                _triangle(ballots, keys, title, parts, trial, session, control, treatment, count, seed)
            else:
                _scores(
                    ballots, keys, title, parts, trial, session, [arm for arm, _ in arms], rows, scale, seed
                )
        yield ballot, key


def _parts(session: str, seed: int, contract: Contract) -> list[tuple[str, list[str]]]:
    what = (
        f"The key of session {session}: what stands behind the codes. It stays with whoever pours and "
        "counts; the ballots are a file of their own."
    )
    drawn = f"Orders and codes were drawn at random from the seed {seed}: the same seed draws the same."
    task = (
        "Pour as the tab Pouring says, collect the ballots, type the answers into the last tab, and send "
        "this file back."
    )
    return [
        ("What this is", [what, drawn, task]),
        ("Take care", caution_words(contract, AT_A_TASTING)),
    ]


def _triangle(
    ballots: Book,
    keys: Book,
    title: str,
    parts: list[tuple[str, list[str]]],
    trial: dict[str, Any],
    session: str,
    control: str,
    treatment: str,
    count: int,
    seed: int,
) -> None:
    servings = triangle_servings(count, seed=seed, session=session)
    wines = {"A": control, "B": treatment}
    ballots.ballots(
        "Ballots",
        [(who, [str(code) for code in codes], _TASK) for who, _, *codes in servings.iter_rows()],
    )
    keys.words(READ_ME, title, parts)
    keys.table(
        POURING,
        [Column("Place", width=8), *(Column(f"Glass {place} from left", width=26) for place in (1, 2, 3))],
        [
            [who, *(f"{code}: {wines[letter]}" for code, letter in zip(codes, serving, strict=True))]
            for who, serving, *codes in servings.iter_rows()
        ],
    )
    keys.offer("places", ["1", "2", "3"])
    keys.offer("preferences", ["odd one", "the two alike", "none"])
    columns = [
        Column("Trial", width=13),
        Column("Session", width=15),
        _session_date(trial["season"]),
        Column("Assessor", width=10),
        Column("Pair", width=26),
        Column("Serving", width=9),
        Column(
            "Picked",
            "number",
            choices="places",
            hint="The place of the glass that was circled: 1, 2 or 3 from the left. A guess counts.",
            width=9,
        ),
        Column(
            "Preferred",
            "text",
            choices="preferences",
            hint="Only where the panel leader asked for it, after the pick.",
            width=14,
        ),
        Column("Note", "text", hint="Anything worth knowing; nothing about health.", width=36),
    ]
    keys.table(
        "Triangle",
        columns,
        [
            [trial["trial_id"], session, None, who, f"{control}|{treatment}", serving, None, None, None]
            for who, serving, *_ in servings.iter_rows()
        ],
    )


def _scores(
    ballots: Book,
    keys: Book,
    title: str,
    parts: list[tuple[str, list[str]]],
    trial: dict[str, Any],
    session: str,
    arms: list[str],
    rows: pl.DataFrame,
    scale: tuple[float, float],
    seed: int,
) -> None:
    attributes = [name.removeprefix("score:") for name in rows["response"].to_list()]
    planned = rows["planned_readings"].max()
    count = -(-int(planned) // len(arms)) if isinstance(planned, int) else _ASSESSORS
    servings = score_servings(count, arms, seed=seed, session=session)
    low, high = scale
    task = f"Score each glass from {low:g} to {high:g} for: {', '.join(attributes)}."
    by_assessor = servings.partition_by("assessor_id", maintain_order=True)
    ballots.ballots(
        "Ballots",
        [
            (who, [str(code) for code in own["code"].to_list()], task)
            for who, own in zip(assessor_codes(count), by_assessor, strict=True)
        ],
    )
    keys.words(READ_ME, title, parts)
    keys.table(
        POURING,
        [
            Column("Place", width=8),
            *(Column(f"Glass {place} from left", width=26) for place in range(1, len(arms) + 1)),
        ],
        [
            [who, *(f"{code}: {arm}" for code, arm in own.select("code", "arm_id").iter_rows())]
            for who, own in zip(assessor_codes(count), by_assessor, strict=True)
        ],
    )
    columns = [
        Column("Trial", width=13),
        Column("Session", width=15),
        _session_date(trial["season"]),
        Column("Assessor", width=10),
        Column("Arm", width=18),
        Column("Attribute", width=16),
        Column("Score", "number", hint=f"From {low:g} to {high:g}.", width=9),
        Column("Scale low", width=9),
        Column("Scale high", width=9),
        Column("Note", "text", hint="Anything worth knowing; nothing about health.", width=36),
    ]
    keys.table(
        "Scores",
        columns,
        [
            [trial["trial_id"], session, None, who, arm, attribute, None, low, high, None]
            for who, arm in servings.select("assessor_id", "arm_id").iter_rows()
            for attribute in attributes
        ],
    )


def _session_date(season: int) -> Column:
    return Column(
        "Session date",
        "date",
        hint="As 2026-09-30: year, month, day.",
        width=13,
        earliest=date(season - 1, 7, 1),
        latest=date(season + 8, 12, 31),
    )
