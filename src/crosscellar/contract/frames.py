"""The columns that one room hands to the next: written once, checked where frames change hands.

Every frame is a polars DataFrame. A room may add columns of its own behind these; it never drops,
renames or retypes one. `empty(NAME)` gives a frame of no rows in the right shape.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

import polars as pl

from crosscellar.errors import NotComputable

Columns = Mapping[str, pl.DataType | type[pl.DataType]]

#: Where an item stands in the file it came from. `row` and `column` count from 1 as a spreadsheet does;
#: `cell` is what it shows (`C14`); `sheet` is empty for CSV.
_PLACE: Final[dict[str, pl.DataType | type[pl.DataType]]] = {
    "file_no": pl.Int32,
    "file": pl.String,
    "sheet": pl.String,
    "row": pl.Int32,
    "column": pl.Int32,
    "cell": pl.String,
}

#: One file of a taking-in. `status`: taken_in, taken_in_part, nothing_new, already_taken_in, refused, held.
#: `kind`: lab_long, lab_wide, lab_by_label, ferment_log, triangle, scores, several, none.
FILES: Final[Columns] = MappingProxyType(
    {
        "file_no": pl.Int32,
        "file": pl.String,
        "sha256": pl.String,
        "kind": pl.String,
        "readings_in": pl.Int64,
        "accepted": pl.Int64,
        "refused": pl.Int64,
        "held": pl.Int64,
        "already": pl.Int64,
        "blank": pl.Int64,
        "status": pl.String,
        "message": pl.String,
    }
)

#: One accepted measured value, in canonical words and units. `qualifier` is "" or "<" or ">" (then `value`
#: is the limit). `time` is HH:MM for a ferment log, else null. `conversion` says in words how `text_sent`
#: became `value` ("" when it is the number as typed in the canonical unit).
#: `supersedes` is true where a correction replaces the reading of the same key.
READINGS: Final[Columns] = MappingProxyType(
    {
        **_PLACE,
        "trial_id": pl.String,
        "arm_id": pl.String,
        "vessel_id": pl.String,
        "stage": pl.String,
        "sample_date": pl.Date,
        "time": pl.String,
        "analyte": pl.String,
        "replicate": pl.Int32,
        "value": pl.Float64,
        "qualifier": pl.String,
        "unit": pl.String,
        "lab": pl.String,
        "method": pl.String,
        "note": pl.String,
        "text_sent": pl.String,
        "unit_sent": pl.String,
        "conversion": pl.String,
        "supersedes": pl.Boolean,
    }
)

#: What makes two readings the same reading.
READING_KEY: Final = (
    "trial_id",
    "arm_id",
    "vessel_id",
    "stage",
    "sample_date",
    "time",
    "analyte",
    "replicate",
    "lab",
)

#: One assessor's answer to one triangle. `serving` is one of the six orders (A = control).
PICKS: Final[Columns] = MappingProxyType(
    {
        **_PLACE,
        "trial_id": pl.String,
        "session_id": pl.String,
        "session_date": pl.Date,
        "assessor_id": pl.String,
        "control_arm": pl.String,
        "treatment_arm": pl.String,
        "serving": pl.String,
        "picked": pl.Int32,
        "correct": pl.Boolean,
        "preferred": pl.String,
        "note": pl.String,
        "text_sent": pl.String,
        "supersedes": pl.Boolean,
    }
)

PICK_KEY: Final = ("trial_id", "session_id", "assessor_id", "control_arm", "treatment_arm")

#: One score by one assessor.
SCORES: Final[Columns] = MappingProxyType(
    {
        **_PLACE,
        "trial_id": pl.String,
        "session_id": pl.String,
        "session_date": pl.Date,
        "assessor_id": pl.String,
        "arm_id": pl.String,
        "vessel_id": pl.String,
        "attribute": pl.String,
        "score": pl.Float64,
        "scale_low": pl.Float64,
        "scale_high": pl.Float64,
        "replicate": pl.Int32,
        "note": pl.String,
        "text_sent": pl.String,
        "supersedes": pl.Boolean,
    }
)

SCORE_KEY: Final = (
    "trial_id",
    "session_id",
    "assessor_id",
    "arm_id",
    "vessel_id",
    "attribute",
    "replicate",
)

#: One item that did not enter: refused, held or already in the store. `target` is readings, picks or scores;
#: `proposed` is a JSON object with the target's columns as they would enter on a yes (null: it is not settled
#: of what the cell speaks; a null value within: the coordinator has to give the number; `day_first` and
#: `month_first` beside a null day: the coordinator has to say which comes first); `current` is a JSON
#: object of the stored item it conflicts with, if any.
SET_ASIDE: Final[Columns] = MappingProxyType(
    {
        **_PLACE,
        "item_no": pl.Int32,
        "outcome": pl.String,
        "target": pl.String,
        "text_sent": pl.String,
        "proposed": pl.String,
        "current": pl.String,
    }
)

#: One thing wrong or odd, located. `severity`: refuse, hold, remark. `items` lists the SET_ASIDE `item_no`s
#: of the batch that it speaks for: none for a remark or a whole-file finding, several where one cause stopped
#: many rows.
FINDINGS: Final[Columns] = MappingProxyType(
    {
        **_PLACE,
        "code": pl.String,
        "severity": pl.String,
        "value": pl.String,
        "message": pl.String,
        "suggestion": pl.String,
        "items": pl.List(pl.Int32),
    }
)

#: A line that is no reading: title, units, heading, total, footnote.
LINES: Final[Columns] = MappingProxyType({**_PLACE, "what": pl.String, "text": pl.String})

#: One vessel of one arm of one trial, with everything the register knows about it.
DESIGN: Final[Columns] = MappingProxyType(
    {
        "trial_id": pl.String,
        "season": pl.Int32,
        "site_id": pl.String,
        "question_id": pl.String,
        "lot": pl.String,
        "cultivar": pl.String,
        "colour": pl.String,
        "status": pl.String,
        "status_reason": pl.String,
        "arm_id": pl.String,
        "role": pl.String,
        "level": pl.Float64,
        "level_unit": pl.String,
        "vessel_id": pl.String,
        "kind": pl.String,
        "volume_l": pl.Float64,
        "block": pl.String,
    }
)

#: Treatment minus control for one trial, arm and response. `shared` names the control that several arms
#: share (null otherwise) and `shared_variance` is the covariance of their effects. `usable` is false where
#: the effect is shown but not pooled; `remark` says why. `variance_source`: own, moderated, borrowed, none.
EFFECTS: Final[Columns] = MappingProxyType(
    {
        "question": pl.String,
        "response": pl.String,
        "stage": pl.String,
        "role": pl.String,
        "measure": pl.String,
        "unit": pl.String,
        "trial": pl.String,
        "site": pl.String,
        "season": pl.Int32,
        "arm": pl.String,
        "estimate": pl.Float64,
        "variance": pl.Float64,
        "std_error": pl.Float64,
        "df": pl.Float64,
        "variance_source": pl.String,
        "shared": pl.String,
        "shared_variance": pl.Float64,
        "n_treatment": pl.Int32,
        "n_control": pl.Int32,
        "mean_treatment": pl.Float64,
        "mean_control": pl.Float64,
        "prior_df": pl.Float64,
        "prior_variance": pl.Float64,
        "prior_trials": pl.Int32,
        "usable": pl.Boolean,
        "remark": pl.String,
        "cultivar": pl.String,
        "colour": pl.String,
        "level": pl.Float64,
        "volume_l": pl.Float64,
    }
)


def as_frame(frame: Any) -> pl.DataFrame:
    """The polars frame of a polars, pandas or Arrow table, a lazy frame (collected) or a mapping of columns.

    Raises
    ------
    NotComputable
        For anything else, and for columns that are no table: of several lengths, of one name, of mixed kinds.
    """
    if isinstance(frame, pl.DataFrame):
        return frame
    if isinstance(frame, pl.LazyFrame):
        return frame.collect()
    try:
        if isinstance(frame, Mapping):
            # Not strict: whole numbers may stand beside others in a list.
            return pl.DataFrame(frame, strict=False)
        if hasattr(frame, "__arrow_c_stream__"):
            return pl.DataFrame(frame)
        if hasattr(frame, "to_dict") and hasattr(frame, "columns"):
            return pl.DataFrame({str(name): frame[name].to_numpy() for name in frame.columns})
    except (pl.exceptions.PolarsError, TypeError, ValueError) as fault:
        first = (str(fault).strip() or "no reason given").splitlines()[0].rstrip(".")
        raise NotComputable(
            f"The table cannot be read: {first}",
            next_step="Give each column its own name, one kind of value, and as many rows as the others.",
        ) from fault
    raise NotComputable(
        f"Effects cannot be read from a {type(frame).__name__}",
        next_step="Give a polars, pandas or Arrow table, or a mapping of columns, with an estimate and its "
        "variance or standard error in each row.",
    )


def empty(columns: Columns) -> pl.DataFrame:
    """A frame of no rows with these columns."""
    return pl.DataFrame(schema=dict(columns))


@dataclass(frozen=True, slots=True)
class Batch:
    """What reading some files came to, before anything is stored: made by intake, kept by the store.

    `content` maps a file's SHA-256 to its bytes. `file_no` joins all frames; each file of the batch is stored
    whole or not at all, and conservation holds for each row of `files`.
    """

    files: pl.DataFrame
    content: Mapping[str, bytes]
    readings: pl.DataFrame
    picks: pl.DataFrame
    scores: pl.DataFrame
    set_aside: pl.DataFrame
    findings: pl.DataFrame
    lines: pl.DataFrame
    correction: bool = False
