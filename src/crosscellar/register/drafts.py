"""Trials of a coming season laid out from earlier ones: what would otherwise be typed once more."""

from __future__ import annotations

import zlib
from typing import Any, Final, NamedTuple

import numpy as np
import polars as pl

from crosscellar.errors import NotComputable
from crosscellar.register.checks import skeleton
from crosscellar.register.trials import Register

Row = dict[str, Any]
#: Tables of the register that have rows of their own for each trial.
DRAFTED: Final = ("trials", "arms", "vessels", "responses")


def draft_trials(register: Register, proposals: pl.DataFrame, season: int) -> dict[str, pl.DataFrame]:
    """The rows that these trials of a season would have in `DRAFTED`, in the register's columns.

    Arms, responses and kinds of vessel are those of the question's latest trial, at the same site where there
    is one; a trial that was lost is a last resort. Due dates move by whole years, and readings that were
    planned follow the number of vessels. Of a question without any trial there are two arms and the primary
    response. Lots are left open. Vessels that the cellar named are dealt to the arms at random, as evenly as
    they go; the deal hangs on the trial's name alone, so that it comes out the same again. Without names they
    are numbered.

    Parameters
    ----------
    proposals
        question, site, vessels (an arm), named (a list). A question that has a trial at that site in that
        season already is left out.

    Raises
    ------
    NotComputable
        Where fewer vessels are named than there are arms.
    """
    trials = register.trials
    there = set(trials.filter(pl.col("season") == season).select("question_id", "site_id").iter_rows())
    taken = {skeleton(name) for name in trials["trial_id"]}
    rows: dict[str, list[Row]] = {name: [] for name in DRAFTED}
    asked = proposals.select("question", "site", "vessels", "named")
    for question, site, vessels, named in asked.iter_rows():
        if (question, site) in there:
            continue
        trial = _free(_name_like(trials, question, site, season), taken)
        taken.add(skeleton(trial))
        own = _like(register, question, site, season, _Vessels(trial, vessels, named))
        for name in DRAFTED:
            rows[name] += [{**row, "trial_id": trial} for row in own[name]]
    return {
        name: pl.DataFrame(rows[name], schema=register.tables[name].schema, orient="row") for name in DRAFTED
    }


class _Vessels(NamedTuple):
    """The vessels of a trial: so many an arm, or those that are named."""

    trial: str
    each: int
    named: list[str]

    def rows(self, arms: list[str]) -> list[Row]:
        """The vessels of these arms."""
        if not self.named:
            return [
                {"arm_id": arm, "vessel_id": f"{arm}_{number}"}
                for arm in arms
                for number in range(1, self.each + 1)
            ]
        if len(self.named) < len(arms):
            raise NotComputable(
                f"{self.trial} has {len(arms)} arms, and the vessels named for it are {len(self.named)}",
                next_step="Name one an arm or more, parted by semicolons.",
            )
        rng = np.random.default_rng(zlib.crc32(self.trial.encode()))
        # Arms are dealt to in a random order too: the control is not always the one with a vessel more.
        order, names = rng.permutation(len(arms)), rng.permutation(len(self.named))
        dealt = [(int(order[at % len(arms)]), int(name)) for at, name in enumerate(names)]
        return [{"arm_id": arms[arm], "vessel_id": self.named[name]} for arm, name in sorted(dealt)]


def _like(
    register: Register, question: str, site: str, season: int, vessels: _Vessels
) -> dict[str, list[Row]]:
    """The rows of one trial, all but its name."""
    model = _model(register.trials, question, site)
    trial = {"season": season, "site_id": site, "question_id": question, "status": "planned"}
    if model is None:
        asked = register.questions.row(by_predicate=pl.col("question_id") == question, named=True)
        response = {
            "response": asked["primary_response"],
            "stage": asked["primary_stage"] or "",
            "role": "primary",
        }
        arms: list[Row] = [{"arm_id": role, "role": role} for role in ("control", "treatment")]
        return {
            "trials": [trial],
            "arms": arms,
            "vessels": vessels.rows([arm["arm_id"] for arm in arms]),
            "responses": [response],
        }
    same_site = model["site_id"] == site
    if same_site or _one_of(register.trials.filter(pl.col("question_id") == question)["colour"]):
        trial["colour"] = model["colour"]
    if same_site:
        trial["cultivar"] = model["cultivar"]
    before = {
        name: register.tables[name].filter(pl.col("trial_id") == model["trial_id"]) for name in DRAFTED[1:]
    }
    about = {"kind": _one_of(before["vessels"]["kind"])}
    if same_site:
        about["volume_l"] = _one_of(before["vessels"]["volume_l"])
    new = [row | about for row in vessels.rows(before["arms"]["arm_id"].to_list())]
    years = season - model["season"]
    responses = before["responses"].with_columns(pl.col("due_date").dt.offset_by(f"{years}y"))
    return {
        "trials": [trial],
        "arms": before["arms"].rows(named=True),
        "vessels": new,
        "responses": [
            row | {"planned_readings": _planned(row, len(new), before["vessels"].height)}
            for row in responses.iter_rows(named=True)
        ],
    }


def _model(trials: pl.DataFrame, question: str, site: str) -> Row | None:
    """The trial that a new one is laid out like."""
    own = trials.filter(pl.col("question_id") == question).sort(
        (pl.col("status") == "lost").fill_null(False),
        pl.col("site_id") != site,
        -pl.col("season"),
        "trial_id",
    )
    return own.row(0, named=True) if own.height else None


def _planned(row: Row, vessels: int, before: int) -> int | None:
    """How many readings are planned with so many vessels in the place of those before.

    Tasters stay as many; None (one a vessel) where the readings did not divide evenly among the vessels.
    """
    planned: int | None = row["planned_readings"]
    if planned is None or row["response"] == "triangle" or row["response"].startswith("score:"):
        return planned
    return planned // before * vessels if before and planned % before == 0 else None


def _one_of(column: pl.Series) -> Any:
    """What all that say anything say; None where they differ."""
    said = column.drop_nulls().unique()
    return said.item() if said.len() == 1 else None


def _name_like(trials: pl.DataFrame, question: str, site: str, season: int) -> str:
    """A name built as the others are, if those of the question begin and those of the site end alike.

    LS24-OST and BF25-OST make LS26-OST; else the name says question, season and site.
    """
    begins = {
        _parted(*row) for row in trials.filter(pl.col("question_id") == question)["trial_id", "season"].rows()
    }
    ends = {_parted(*row) for row in trials.filter(pl.col("site_id") == site)["trial_id", "season"].rows()}
    starts, digits, tails = (
        {part[0] for part in begins},
        {part[1] for part in begins},
        {part[2] for part in ends},
    )
    if len(starts) == len(digits) == len(tails) == 1 and (of := digits.pop()):
        return f"{starts.pop()}{str(season)[-of:]}{tails.pop()}"
    return f"{question}-{season}-{site}"


def _parted(trial: str, season: int) -> tuple[str, int, str]:
    """What stands before the season in a trial's name, how many digits it has, and what stands behind."""
    for digits in (4, 2):
        before, found, behind = trial.partition(str(season)[-digits:])
        if found:
            return before, digits, behind
    return trial, 0, ""


def _free(name: str, taken: set[str]) -> str:
    """The name, with a number behind it where another looks like it."""
    number, free = 2, name
    while skeleton(free) in taken:
        free, number = f"{name}-{number}", number + 1
    return free
