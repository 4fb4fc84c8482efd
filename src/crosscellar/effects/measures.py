"""Which effect measure an analyte is compared by, and which ones make no sense for it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from crosscellar.contract import Contract
from crosscellar.errors import UnknownName

#: Measures that readings of vessels can be compared by.
READING_MEASURES: Final = ("difference", "log_ratio", "standardized", "slope")

#: Every measure an effect may carry.
MEASURES: Final = (*READING_MEASURES, "risk_difference", "log_risk_ratio", "log_odds", "discriminators")

#: How far from 0 an effect of a measure can lie, whatever its interval adds: two shares differ by 1 at most.
FURTHEST: Final = {"risk_difference": 1.0}

#: What is said of an effect of which every vessel of one arm lies beyond a limit.
ONLY_DIRECTION: Final = "no effect to compute, only its direction"

#: What is said of an effect that has no variance of its own and is lent none.
NOTHING_LENT: Final = "one vessel an arm and fewer than three replicated trials to borrow from: not pooled"

#: Stages over which vessels of an analyte scatter alike, by the order of the stage.
STAGE_GROUPS: Final = (
    (15, "vineyard"),
    (29, "juice"),
    (59, "ferment"),
    (79, "new wine"),
    (119, "ageing"),
    (10_000, "bottle"),
)


def default_measure(contract: Contract, analyte_id: str) -> str:
    """The measure of an analyte unless another is asked for: `log_ratio` or `difference`.

    Concentrations and counts compare by ratio, pH, temperatures, scores and other scales by difference. Days
    and figures already in per cent (alcohol, viability) compare by difference too: a change of so many per
    cent of a per cent is read wrongly.
    """
    analyte = contract.analytes[analyte_id]
    if analyte.scale not in ("ratio", "count") or analyte.log_ratio == "no":
        return "difference"
    return "difference" if analyte.unit == "d" or analyte.unit.startswith("%") else "log_ratio"


def refusal(contract: Contract, analyte_id: str, measure: str) -> str:
    """Why a measure makes no sense for an analyte, in a sentence; empty where it does make sense."""
    if measure not in MEASURES:
        raise UnknownName(f"There is no measure {measure!r}", next_step=f"Known are: {', '.join(MEASURES)}.")
    analyte = contract.analytes[analyte_id]
    if measure not in READING_MEASURES:
        return (
            f"{measure} is for counts of events or picks, and {analyte.name} is measured: ask for difference"
        )
    if measure != "log_ratio" or default_measure(contract, analyte_id) == "log_ratio":
        return ""
    if analyte.scale == "log":
        return f"{analyte.name} is a logarithm already, its ratio means nothing: ask for difference"
    if analyte.scale in ("interval", "circular"):
        return f"{analyte.name} has no true zero, its ratio means nothing: ask for difference"
    if analyte.scale in ("ordinal", "binary") or analyte.log_ratio == "no":
        return f"A ratio of {analyte.name} means nothing: ask for difference"
    return ""


def planned_measures(
    analytes: Sequence[str], contract: Contract, hints: Sequence[str | None], *, measure: str | None
) -> pl.DataFrame:
    """For each distinct analyte and hint: analyte, hint, measure, log, refused (a sentence or "")."""
    rows = []
    for analyte, hint in dict.fromkeys(zip(analytes, hints, strict=True)):
        wanted = measure or hint or default_measure(contract, analyte)
        rows.append(
            {
                "analyte": analyte,
                "hint": hint,
                "measure": wanted,
                "log": wanted == "log_ratio"
                or (wanted == "slope" and default_measure(contract, analyte) == "log_ratio"),
                "refused": refusal(contract, analyte, wanted),
            }
        )
    return pl.DataFrame(
        rows,
        schema={
            "analyte": pl.String,
            "hint": pl.String,
            "measure": pl.String,
            "log": pl.Boolean,
            "refused": pl.String,
        },
    )


def stage_groups(contract: Contract) -> pl.DataFrame:
    """stage and stage_group, a row for each stage of the contract."""
    return pl.DataFrame(
        {
            "stage": list(contract.stages),
            "stage_group": [
                next(name for most, name in STAGE_GROUPS if stage.order <= most)
                for stage in contract.stages.values()
            ],
        },
        schema={"stage": pl.String, "stage_group": pl.String},
    )


def percent_change(log_ratio: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """A log ratio as a change in per cent of the control: 100 (exp(x) - 1), array of the same shape."""
    return 100.0 * np.expm1(np.asarray(log_ratio, dtype=np.float64))
