"""The numbers behind the summary's pages as tables, unrounded: what the open files beside the page hold."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

import polars as pl

from crosscellar.contract.frames import EFFECTS, Columns
from crosscellar.pooling import Pooled
from crosscellar.report.building import Answered, Names
from crosscellar.report.content import TurnedAway
from crosscellar.report.variances import VesselSpread

_NUMBER: Final = pl.Float64()
_COUNT: Final = pl.Int64()
_TEXT: Final = pl.String()

_ASKED: Final = dict.fromkeys(("question", "response", "stage"), _TEXT)
_SAID: Final = {
    **dict.fromkeys(("estimate", "low", "high"), _NUMBER),
    "verdict": _TEXT,
}

#: One row a question and response: the answer as the store has it at the end of the season.
ANSWERS: Final[Columns] = MappingProxyType(
    {
        **dict.fromkeys(("question", "title", "hypothesis", "response", "stage", "role"), _TEXT),
        **dict.fromkeys(("measure", "unit", "wanted"), _TEXT),
        "smallest_asked": _NUMBER,
        "smallest_unit": _TEXT,
        "smallest_difference": _NUMBER,
        **dict.fromkeys(("trials_this_season", "n_effects", "n_sites", "n_seasons"), _COUNT),
        **dict.fromkeys(("estimate", "std_error", "df", "low", "high"), _NUMBER),
        **dict.fromkeys(("prediction_low", "prediction_high"), _NUMBER),
        **dict.fromkeys(("equivalence_low", "equivalence_high"), _NUMBER),
        "direction": _TEXT,
        **dict.fromkeys(("chance_above_zero", "chance_above_smallest"), _NUMBER),
        **dict.fromkeys(("sites_up", "sites_down"), _COUNT),
        **dict.fromkeys(("tau2", "i2", "q", "q_df", "q_p", "p_value", "p_adjusted", "prior_scale"), _NUMBER),
        **dict.fromkeys(("method", "interval_method", "verdict"), _TEXT),
    }
)
BY_SEASON: Final[Columns] = MappingProxyType({**_ASKED, "season": _COUNT, "n_sites": _COUNT, **_SAID})
WITHOUT_SITE: Final[Columns] = MappingProxyType(
    {
        **_ASKED,
        "site": _TEXT,
        "own_effects": _COUNT,
        "own_estimate": _NUMBER,
        **_SAID,
        "verdict_changes": pl.Boolean(),
    }
)
#: What new sites, or old ones again, would buy for each question that is open, beside what that rests on.
PLANS: Final[Columns] = MappingProxyType(
    {
        "question": _TEXT,
        "more_sites": _COUNT,
        "again": _COUNT,
        "vessels": _COUNT,
        **dict.fromkeys(("half_width", "chance_decided", "chance_asked"), _NUMBER),
        **dict.fromkeys(("supposed", "between_sites", "between_trials", "vessel_variance"), _NUMBER),
    }
)
VESSELS: Final[Columns] = MappingProxyType(
    {
        "response": _TEXT,
        "in_logs": pl.Boolean(),
        "unit": _TEXT,
        **dict.fromkeys(("prior_variance", "prior_df"), _NUMBER),
        **dict.fromkeys(("trials", "in_band"), _COUNT),
    }
)
FERMENTS: Final[Columns] = MappingProxyType(
    {
        **dict.fromkeys(("question", "trial", "site"), _TEXT),
        "season": _COUNT,
        "arm": _TEXT,
        "curve": _COUNT,
        "day": _NUMBER,
        "brix": _NUMBER,
    }
)
SEASON: Final[Columns] = MappingProxyType({"what": _TEXT, "number": _COUNT})
TURNED_AWAY: Final[Columns] = MappingProxyType(
    dict.fromkeys(("place", "severity", "message", "suggestion", "state"), _TEXT)
)

#: Columns of the effects that an edition without names may show.
_NAMELESS: Final = (
    *("question", "response", "stage", "role", "measure", "unit", "trial", "site", "season", "arm"),
    *("estimate", "variance", "std_error", "df", "low", "high", "variance_source"),
    *("n_treatment", "n_control", "prior_df", "prior_variance", "prior_trials", "usable", "level"),
    *("n_blocks", "correct", "tasters", "p_value", "critical", "assessors", "weight"),
)

#: What each table is, for the list of files on the page.
TABLES: Final = {
    "answers": "every question's answer, with its interval and what a new site may expect",
    "answers_by_season": "the answers as they stood after each season",
    "answers_without_site": "the answers if one site had not taken part",
    "effects": "every effect with its variance and where it comes from",
    "ferments": "the ferment curves of the season",
    "plans": "what new sites would buy for the questions that are open",
    "readings": "every accepted reading with the sheet and cell it came from",
    "season": "what came in this season, counted",
    "turned_away": "what was refused or held, and why",
    "vessels": "how far vessels of one arm differ",
}


def tables_of(
    answered: Sequence[Answered],
    names: Names,
    *,
    tally: Iterable[tuple[str, int]],
    vessels: Sequence[VesselSpread],
    turned_away: Sequence[TurnedAway],
    readings: pl.DataFrame,
    anonymous: bool,
) -> dict[str, pl.DataFrame]:
    """The tables by name, in the order of `TABLES`; numbers on the scale of the estimates.

    Parameters
    ----------
    answered, names, vessels, turned_away
        As `build_summary` takes them.
    tally
        What was counted this season, and how many.
    readings
        Accepted readings of the season; left out, with what was turned away, of an anonymous edition.
    """
    tables = {
        "answers": _frame(ANSWERS, [row for one in answered for row in _answers(one, names)]),
        "answers_by_season": _frame(BY_SEASON, [row for one in answered for row in _by_season(one)]),
        "answers_without_site": _frame(WITHOUT_SITE, [row for one in answered for row in _without_site(one)]),
        "effects": _effects(answered, anonymous=anonymous),
        "ferments": _frame(FERMENTS, [row for one in answered for row in _ferments(one)]),
        "plans": _frame(PLANS, [row for one in answered for row in _plans(one)]),
        "season": _frame(SEASON, [{"what": what, "number": number} for what, number in tally]),
        "vessels": _frame(VESSELS, [_vessels(spread) for spread in vessels]),
    }
    if not anonymous:
        told = [{name: getattr(row, name) for name in TURNED_AWAY} for row in turned_away]
        tables |= {"readings": readings, "turned_away": _frame(TURNED_AWAY, told)}
    else:
        tables = {name: _coded(table, names) for name, table in tables.items()}
    return {name: tables[name] for name in TABLES if name in tables}


def _coded(table: pl.DataFrame, names: Names) -> pl.DataFrame:
    """The table with codes for its sites and trials."""
    codes = {"site": names.site, "trial": names.trial}
    return table.with_columns(
        pl.col(column).map_elements(code, return_dtype=pl.String)
        for column, code in codes.items()
        if column in table.columns
    )


def _frame(columns: Columns, rows: Sequence[Mapping[str, Any]]) -> pl.DataFrame:
    """A frame of these rows; what cannot be given, or has no limit, is empty."""
    frame = pl.DataFrame(rows, schema=dict(columns), orient="row")
    return frame.with_columns(
        pl.when(pl.col(name).is_finite()).then(pl.col(name)).alias(name)
        for name, kind in columns.items()
        if kind == pl.Float64
    )


def _primary(one: Answered) -> Pooled | None:
    return one.pooled[0] if one.pooled and one.pooled[0].role == "primary" else None


def _answers(one: Answered, names: Names) -> list[dict[str, Any]]:
    question = one.question
    asked = {
        "question": question["question_id"],
        "title": names.told(str(question["title"])),
        "hypothesis": names.told(str(question["hypothesis"] or "")),
        "trials_this_season": one.trials_this_season,
    }
    first = {
        "response": question["primary_response"],
        "stage": question["primary_stage"],
        "role": "primary",
        "wanted": question["wanted"],
        "smallest_asked": question["smallest_difference"],
        "smallest_unit": question["smallest_difference_unit"],
    }
    if _primary(one) is None:
        return [_row(ANSWERS, asked | first), *(_answer(each, asked) for each in one.pooled)]
    return [_answer(each, asked | (first if each.role == "primary" else {})) for each in one.pooled]


def _answer(pooled: Pooled, asked: Mapping[str, Any]) -> dict[str, Any]:
    up, down = pooled.sites_each_way
    found = {name: getattr(pooled, name) for name in ANSWERS if hasattr(pooled, name)}
    if pooled.n_sites < 2:
        # One site's effects stand among the effects: they are no answer of the network.
        found |= {name: None for name, kind in ANSWERS.items() if kind == _NUMBER}
    rest = {
        "smallest_difference": pooled.smallest_difference,
        "sites_up": up,
        "sites_down": down,
        "prior_scale": pooled.bayes.scale if pooled.bayes is not None else None,
    }
    return _row(ANSWERS, found | rest | dict(asked))


def _row(columns: Columns, given: Mapping[str, Any]) -> dict[str, Any]:
    return {name: given.get(name) for name in columns}


def _by_season(one: Answered) -> list[dict[str, Any]]:
    pooled = _primary(one)
    if pooled is None or pooled.n_sites < 2:
        return []
    return [
        _row(BY_SEASON, row | _key(pooled, one))
        for row in pooled.by_season.iter_rows(named=True)
        if row["estimate"] is not None and math.isfinite(row["estimate"])
    ]


def _without_site(one: Answered) -> list[dict[str, Any]]:
    pooled = _primary(one)
    if pooled is None or pooled.n_sites < 3:
        return []
    return [
        _row(WITHOUT_SITE, row | _key(pooled, one))
        for row in pooled.without_site.sort("site").iter_rows(named=True)
    ]


def _key(pooled: Pooled, one: Answered) -> dict[str, str]:
    return {
        "question": str(one.question["question_id"]),
        "response": pooled.response,
        "stage": pooled.stage,
    }


def _plans(one: Answered) -> list[dict[str, Any]]:
    if one.plan is None:
        return []
    resting = {name: getattr(one.plan, name) for name in PLANS if hasattr(one.plan, name)}
    found = one.plan.plan.sort("vessels", "more_sites", "again")
    asked = {"question": one.question["question_id"], "chance_asked": one.plan.chance}
    return [_row(PLANS, resting | row | asked) for row in found.iter_rows(named=True)]


def _vessels(spread: VesselSpread) -> dict[str, Any]:
    return {
        "response": spread.label,
        "in_logs": spread.log,
        "unit": "" if spread.log else spread.unit,
        "prior_variance": spread.prior_variance,
        "prior_df": spread.prior_df,
        "trials": len(spread.df),
        "in_band": spread.inside if spread.known else None,
    }


def _ferments(one: Answered) -> list[dict[str, Any]]:
    return [
        {
            "question": one.question["question_id"],
            "trial": log.trial,
            "site": log.site,
            "season": int(log.season),
            "arm": arm.arm,
            "curve": curve,
            "day": day,
            "brix": brix,
        }
        for log in one.ferments
        for arm in log.arms
        for curve, (days, values) in enumerate(arm.vessels, 1)
        for day, brix in zip(days, values, strict=True)
    ]


def _effects(answered: Sequence[Answered], *, anonymous: bool) -> pl.DataFrame:
    """Every effect, with its weight in the mean where it has one."""
    parts = [
        pl.concat([pooled.effects, pooled.excluded], how="diagonal")
        for one in answered
        for pooled in one.pooled
    ]
    if not parts:
        return pl.DataFrame(schema={**EFFECTS, "weight": pl.Float64}).select(
            [name for name in _NAMELESS if name in EFFECTS] if anonymous else [*EFFECTS]
        )
    found = pl.concat(parts, how="diagonal_relaxed")
    rest = [name for name in found.columns if name not in EFFECTS and name != "left_out"]
    found = found.select(*EFFECTS, *rest).sort(
        *("question", "response", "stage", "role", "measure", "trial", "arm"), maintain_order=True
    )
    return found.select(name for name in _NAMELESS if name in found.columns) if anonymous else found
