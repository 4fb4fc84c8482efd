"""Characters that look like others or take no room: told, and read where only one reading is left."""

from __future__ import annotations

import re
from types import MappingProxyType
from typing import Final

import polars as pl

#: Characters without width: the format characters of Unicode (category Cf, among them zero-width spaces and
#: the marks that turn the direction), the joiner, variation selectors and fillers.
INVISIBLE: Final = r"[\p{Cf}\x{034F}\x{115F}\x{1160}\x{180B}-\x{180E}\x{3164}\x{FE00}-\x{FE0F}\x{FFA0}]"
DASHES: Final = r"[\x{2010}-\x{2015}\x{2043}\x{2212}\x{FE58}\x{FE63}\x{FF0D}]"
CONTROL: Final = r"\p{Cc}"

#: Letters that print like ASCII ones. From memory of the confusables table of Unicode Technical Standard 39;
#: only pairs that common fonts draw alike.
LOOKALIKES: Final = MappingProxyType(
    {
        # Cyrillic
        **dict(zip("АВЕКМНОРСТУХЅІЈԌԚԜҮ", "ABEKMHOPCTYXSIJGQWY", strict=True)),
        **dict(zip("аеорсухѕіјԁԛԝһӏв", "aeopcyxsijdqwhlb", strict=True)),
        # Greek
        **dict(zip("ΑΒΕΖΗΙΚΜΝΟΡΤΥΧ", "ABEZHIKMNOPTYX", strict=True)),
        **dict(zip("ονρικ", "ovpik", strict=True)),
        # Latin letters beyond ASCII
        **dict(zip("ıɑɡ", "iag", strict=True)),
    }
)

_SHOWN_AWAY: Final = re.compile(
    "[\u0000-\u001f\u007f-\u009f\u00ad\u034f\u061c\u180e\u200b-\u200f\u2028-\u202f\u2060-\u206f\ufeff"
    "\ufff9-\ufffb\ud800-\udfff]"
)


def show_name(name: str) -> str:
    """A file's name fit for showing: nothing that controls, turns or hides text, at most 200 characters."""
    shown = _SHOWN_AWAY.sub("", name).strip() or "(no name)"
    return shown if len(shown) <= 200 else f"{shown[:120]}…{shown[-60:]}"


def normalise_id(texts: pl.Series) -> pl.DataFrame:
    """`id`, `how`, `problem`, `proposed` for each identifier as written.

    Parameters
    ----------
    texts
        String series; null stays null with neither how nor problem.

    Returns
    -------
    polars.DataFrame
        `id`: outer spaces and characters without width removed, width and ligatures folded (NFKC), every dash
        as `-`. `how`: which of these changed it: `invisible_character`, `id_width`, `id_dash`,
        `spaces_trimmed`, several joined by `+`, else empty. `problem`: `control_character`,
        `lookalike_letters` (letters of another alphabet that print like ASCII ones), `not_ascii`, else empty.
        `proposed`: with `lookalike_letters` the id in ASCII letters, else null.
    """
    frame = pl.DataFrame({"sent": texts.cast(pl.String)})
    visible = pl.col("sent").str.replace_all(INVISIBLE, "")
    frame = frame.with_columns(visible=visible, trimmed=visible.str.strip_chars())
    frame = frame.with_columns(dashed=pl.col("trimmed").str.replace_all(DASHES, "-"))
    frame = frame.with_columns(
        # NFKC of a no-break space is a space, which is no matter of width
        id=pl.col("dashed").str.normalize("NFKC").str.strip_chars(),
        spaced=pl.col("dashed").str.replace_all(r"\s", " "),
    )
    changes = {
        "invisible_character": pl.col("visible") != pl.col("sent"),
        "id_width": pl.col("id") != pl.col("spaced"),
        "id_dash": pl.col("dashed") != pl.col("trimmed"),
        "spaces_trimmed": pl.col("trimmed") != pl.col("visible"),
    }
    how = pl.concat_str(
        [pl.when(changed).then(pl.lit(word)) for word, changed in changes.items()],
        separator="+",
        ignore_nulls=True,
    )
    latin = pl.col("id").str.replace_many(list(LOOKALIKES), list(LOOKALIKES.values()))
    not_ascii = r"[^\x00-\x7F]"
    problem = (
        pl.when(pl.col("id").str.contains(CONTROL))
        .then(pl.lit("control_character"))
        .when(~pl.col("id").str.contains(not_ascii))
        .then(pl.lit(""))
        .when(~latin.str.contains(not_ascii))
        .then(pl.lit("lookalike_letters"))
        .when(pl.col("id").is_not_null())
        .then(pl.lit("not_ascii"))
        .otherwise(pl.lit(""))
    )
    return frame.select(
        "id",
        how=how,
        problem=problem,
        proposed=pl.when(problem == "lookalike_letters").then(latin),
    )
