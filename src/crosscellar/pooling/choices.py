"""Which estimators and intervals can be asked for, and which interval is taken where none is."""

from __future__ import annotations

from typing import Final

from crosscellar.errors import NotComputable, UnknownName
from crosscellar.pooling.estimators import ESTIMATORS

INTERVALS: Final = ("auto", "estimated_weights", "hartung_knapp", "normal", "robust", "bayes")
#: Intervals that take one effect a site.
ONE_A_SITE: Final = {
    "hartung_knapp": "Hartung-Knapp interval",
    "estimated_weights": "interval for estimated weights",
}


def check_method(method: str, interval: str, level: float) -> None:
    """Nothing when the words are known.

    Raises
    ------
    UnknownName
        For an unknown estimator or interval.
    NotComputable
        For a level outside 0.5 to 1.
    """
    if method not in ESTIMATORS:
        raise UnknownName(
            f"The method {method!r} is not known", next_step=f"Use one of: {', '.join(ESTIMATORS)}."
        )
    if interval not in INTERVALS:
        raise UnknownName(
            f"The interval {interval!r} is not known", next_step=f"Use one of: {', '.join(INTERVALS)}."
        )
    try:
        share = 0.5 < level < 1
    except TypeError:
        share = False
    if not share:
        raise NotComputable(
            f"A level of {level!r} is no share of intervals", next_step="Give a share such as 0.95."
        )


def interval_taken(interval: str, method: str, *, repeated: bool, estimated: bool) -> tuple[str, str]:
    """Which interval `auto` takes, and why in a sentence's words.

    `repeated` says that a site has several effects, `estimated` that variances come with degrees of freedom.

    Raises
    ------
    NotComputable
        An interval for independent effects where a site has several.
    """
    if repeated and interval in ONE_A_SITE:
        raise NotComputable(
            f"The {ONE_A_SITE[interval]} takes one effect a site, and some sites have several",
            next_step='Leave interval="auto", which clusters on sites; to treat every effect as independent, '
            "leave the site column out.",
        )
    if interval != "auto":
        return interval, "as asked"
    if repeated:
        return "robust", "some sites have several effects, so errors are clustered on sites (CR2)"
    if method == "common":
        return "normal", "a common effect has no spread between sites"
    if estimated:
        return "estimated_weights", (
            "one effect a site, so Student's t with sites - 1 degrees of freedom, widened because the "
            "weights are estimates"
        )
    return "hartung_knapp", "one effect a site, so Student's t with sites - 1 degrees of freedom"
