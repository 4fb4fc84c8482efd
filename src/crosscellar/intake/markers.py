"""What people write in a cell instead of a number: not measured, not detected, too many, an error."""

from __future__ import annotations

from typing import Final

import polars as pl

# The words are common practice in laboratory sheets, no source. Compared in lower case, single spaces.


def _words(listed: str) -> frozenset[str]:
    return frozenset(word.strip() for word in listed.split("|"))


#: Not measured: counted as blank, no complaint.
BLANK: Final = _words(
    "|-|--|---|–|—|…|.|..|...|/|//|na|n/a|n.a|n.a.|nm|n.m|n.m.|n/m|nt|n/t|n.t.|nr|n.r.|n/r|null|missing|k.a."
    "|not measured|not analysed|not analyzed|not tested|not done|not determined|not applicable|not available"
    "|not sampled|not reported|not recorded|no sample|no result|no data"
)

#: Looked for and not found, but below which limit?
NOT_DETECTED: Final = _words(
    "nd|n.d|n.d.|n/d|nil|bdl|b.d.l.|bld|bql|blq|lod|loq|<lod|<loq|<dl|<ld|<lq|<mdl|<rl"
    "|< lod|< loq|< dl|< ld|< lq|< mdl|< rl|not detected|not detectable|none detected|non detected|undetected"
    "|undetectable|below detection|below detection limit|below limit|below limit of detection"
    "|below limit of quantification|below quantification"
)

#: Words that order but do not count.
QUALITATIVE: Final = _words(
    "trace|traces|tr|tr.|trc|trazas|tracce|spuren|+|++|+++|++++|(+)|+/-|-/+|pos|pos.|neg|neg.|positive|negative"
    "|present|absent|low|high|medium|yes|no|none|zero|ok|pass|fail|clear|cloudy"
)

#: A plate that could not be counted.
TOO_MANY: Final = frozenset(
    {
        "tntc",
        "t.n.t.c.",
        "tmtc",
        "tnc",
        "too numerous to count",
        "too many to count",
        "uncountable",
        "confluent",
    }
)

#: An error that a spreadsheet shows in a cell, in whatever language: `#DIV/0!`, `#N/A`, `#¡VALOR!`, `#####`.
ERROR: Final = r"^#(#*|[¡¿]?[\p{L}][\p{L}\p{N}/_. ]*[!?]?)$"


def marker_of(text: pl.Expr) -> pl.Expr:
    """blank, not_detected_no_limit, qualitative, too_many, error_cell, or null for anything else."""
    word = text.str.to_lowercase().str.replace_all(r"\s+", " ").str.strip_chars()
    return (
        pl.when(word.is_in(sorted(BLANK)))
        .then(pl.lit("blank"))
        .when(word.is_in(sorted(NOT_DETECTED)))
        .then(pl.lit("not_detected_no_limit"))
        .when(word.is_in(sorted(QUALITATIVE)))
        .then(pl.lit("qualitative"))
        .when(word.is_in(sorted(TOO_MANY)))
        .then(pl.lit("too_many"))
        .when(text.str.contains(ERROR))
        .then(pl.lit("error_cell"))
    )
