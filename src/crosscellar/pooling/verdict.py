"""Whether an effect holds across sites: one of a few answers, by rule, with the reason in a sentence."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crosscellar.effects.scale import TOO_WIDE, Scale
from crosscellar.errors import UnknownName
from crosscellar.pooling.heterogeneity import Floats

NO_EFFECT: Final = "no effect computable"
ONE_SITE: Final = "one site only"
AT_NEW_SITES: Final = "holds at new sites"
ON_AVERAGE: Final = "holds on average"
AGAINST: Final = "works against"
NO_DIFFERENCE: Final = "no difference that matters"
UNDECIDED: Final = "undecided"
#: In place of a verdict where a response was only watched.
MONITORED: Final = "monitored only"

#: Verdicts that leave a question open.
OPEN: Final = (UNDECIDED, ONE_SITE, NO_EFFECT)
#: Every verdict, in the order in which the rules are asked.
VERDICTS: Final = (NO_EFFECT, ONE_SITE, AT_NEW_SITES, ON_AVERAGE, AGAINST, NO_DIFFERENCE, UNDECIDED)
#: On so many sites Student's t is so wide that another site tells more than more vessels.
_FEW: Final = 3
WANTED: Final = ("increase", "decrease", "no_change", "either")


def check_wanted(wanted: str) -> str:
    """The wanted direction as given.

    Raises
    ------
    UnknownName
        For a word that is none of `WANTED`.
    """
    if wanted not in WANTED:
        raise UnknownName(
            f"The wanted direction {wanted!r} is not known", next_step=f"Use one of: {', '.join(WANTED)}."
        )
    return wanted


def judge(
    *,
    n_sites: NDArray[np.int64],
    n_effects: NDArray[np.int64],
    low: Floats,
    high: Floats,
    prediction_low: Floats,
    prediction_high: Floats,
    equivalence_low: Floats,
    equivalence_high: Floats,
    smallest_difference: Floats,
    wanted: NDArray[np.str_],
) -> NDArray[np.str_]:
    """The verdict of each question, shape (questions,); a missing `smallest_difference` is NaN.

    In this order: fewer than two sites: `one site only`. For a response that should not change, equivalence
    comes first and any clear change works against it. Otherwise, in the wanted direction (`either` takes
    both): the prediction interval excludes 0 and so does the interval of the mean: `holds at new sites`;
    the interval of the mean alone: `holds on average`; excluded in the other direction: `works against`;
    the 90 % interval within (-d, d): `no difference that matters` (two one-sided tests, Schuirmann 1987);
    else `undecided`.

    Where tau2 is 0 and the effects spread by chance more than expected, the mean's interval can reach beyond
    the prediction interval; asking for both keeps the strongest word from resting on that.
    """
    up, down = low > 0, high < 0
    new_up, new_down = up & (prediction_low > 0), down & (prediction_high < 0)
    wants_up = np.isin(wanted, ["increase", "either"])
    wants_down = np.isin(wanted, ["decrease", "either"])
    keep = wanted == "no_change"
    d = np.abs(smallest_difference)
    same = (equivalence_low > -d) & (equivalence_high < d)
    return np.select(
        [
            n_effects < 1,
            n_sites < 2,
            keep & same,
            keep & (up | down),
            (wants_up & new_up) | (wants_down & new_down),
            (wants_up & up) | (wants_down & down),
            ~keep & (up | down),
            ~keep & same,
        ],
        [NO_EFFECT, ONE_SITE, NO_DIFFERENCE, AGAINST, AT_NEW_SITES, ON_AVERAGE, AGAINST, NO_DIFFERENCE],
        default=UNDECIDED,
    ).astype(np.str_)


def chance_words(chance: float) -> str:
    """A chance as `94 in 100`, never 0 or 100."""
    if not math.isfinite(chance):
        return "not given"
    if chance > 0.995:
        return "more than 99 in 100"
    if chance < 0.005:
        return "less than 1 in 100"
    return f"{round(100 * chance)} in 100"


def many(count: int, noun: str) -> str:
    """`1 site`, `3 sites`."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def mean_words(scale: Scale, n_sites: int, estimate: float, low: float, high: float, level: float) -> str:
    """The mean and its interval as the beginning of a sentence."""
    return (
        f"Over {many(n_sites, 'site')} the mean effect is {scale.words(estimate)} "
        f"({_percent(level)} interval {scale.span(low, high)})"
    )


def reason_of(
    verdict: str,
    *,
    scale: Scale,
    n_effects: int,
    n_sites: int,
    estimate: float,
    low: float,
    high: float,
    level: float,
    prediction_low: float,
    prediction_high: float,
    equivalence_low: float,
    equivalence_high: float,
    smallest_difference: float | None,
    wanted: str,
    between_share: float,
    p_value: float = math.nan,
) -> str:
    """Why the verdict is what it is, in one or two sentences with numbers and units."""
    if verdict == NO_EFFECT:
        return "No trial has an effect with a variance yet."
    if verdict == ONE_SITE:
        what = "One trial" if n_effects == 1 else f"{n_effects} effects"
        return (
            f"{what} at one site: shown, not pooled. Nothing can be said about other sites; "
            "a second site would be the first evidence."
        )
    mean = mean_words(scale, n_sites, estimate, low, high, level)
    new = ""
    if math.isfinite(prediction_low) and math.isfinite(prediction_high):
        new = scale.span(prediction_low, prediction_high)
        new = f"a range {TOO_WIDE}" if new == TOO_WIDE else new
    d = smallest_difference
    small = d is not None and equivalence_low > -abs(d) and equivalence_high < abs(d)
    matters = _matters(scale, d)
    below = f" It is smaller than what matters ({matters})." if small else ""
    reaches = new and d is not None and max(-prediction_low, prediction_high) > abs(d)
    of_mean = f" That is said of the mean: at a new site it may lie in {new}." if reaches else ""
    if scale.is_share:
        told = mean.replace("mean effect", "share who can tell")
        return _share_reason(
            verdict, told, new, matters, wanted, p_value if p_value <= 1.0 - level else math.nan
        ) + (of_mean if verdict == NO_DIFFERENCE else "")
    if verdict == AT_NEW_SITES:
        return (
            f"{mean}, and the effect at a new site is expected in {new}: on the same side of no effect "
            f"throughout.{below}"
        )
    if verdict == ON_AVERAGE:
        after = (
            f"at a new site it may lie in {new}, so some sites may see no effect or the opposite"
            if new
            else "with two sites nothing can be said about a new one"
        )
        return f"{mean}, clear of no effect; {after}.{below}"
    if verdict == AGAINST:
        if wanted == "no_change":
            return f"{mean}: a change, where none was wanted."
        return f"{mean}: against the wanted {wanted}.{below}"
    if verdict == NO_DIFFERENCE:
        inner = _percent(1 - 2 * (1 - level))
        return (
            f"{mean}; its {inner} interval ({scale.span(equivalence_low, equivalence_high)}) lies within "
            f"{matters}, the smallest difference that matters.{of_mean}"
        )
    if math.isnan(low):
        return (
            f"Over {many(n_sites, 'site')} the mean effect is {scale.words(estimate)}, and one site alone "
            "decides it: no interval holds across sites, and nothing can be said about other sites."
        )
    text = f"{mean}, so it may go either way"
    open_question = (
        "no smallest difference that matters was declared, so sameness cannot be claimed"
        if d is None
        else f"a difference beyond {matters}, which would matter, is not ruled out"
    )
    return f"{text}, and {open_question}. {_would_decide(between_share, n_sites)}"


def _share_reason(
    verdict: str, mean: str, new: str, matters: str, wanted: str, against_guessing: float
) -> str:
    """The reason where tasters were asked to tell wines apart: a share cannot lie below 0.

    `against_guessing` is the chance of so many correct picks by guessing alone, NaN where it is not small.
    """
    if verdict == AT_NEW_SITES:
        return f"{mean}, and at a new site {new} is expected: more than the smallest share that matters."
    if verdict == ON_AVERAGE:
        return f"{mean}, more than guessing gives; at a new site {new} is expected."
    if verdict == AGAINST:
        return f"{mean}: tasters can tell the wines apart, where {wanted.replace('_', ' ')} was wanted."
    if verdict == NO_DIFFERENCE:
        return f"{mean}: whatever difference tasters notice is below the share that matters."
    open_question = (
        "a share that matters is not ruled out" if matters else "no smallest share that matters was declared"
    )
    if math.isfinite(against_guessing):
        return (
            f"{mean}. Guessing alone would hardly give so many correct picks (p {against_guessing:.2g}): "
            "some tasters can tell. So few sites leave open what share that is across sites, and "
            f"{open_question}."
        )
    return f"{mean}, which guessing can give, and {open_question}."


def _would_decide(between_share: float, n_sites: int) -> str:
    """What would settle it: sites differ more than a trial's own error, or sites or vessels are few."""
    if between_share > 0.5:
        return (
            "Sites differ more than the trials' own error, so more sites would decide it, not more vessels."
        )
    if n_sites <= _FEW:
        return "So few sites make any interval wide, so more sites would decide it sooner than more vessels."
    return "The trials' own error is the larger part, so more vessels an arm or more sites would decide it."


def _matters(scale: Scale, d: float | None) -> str:
    if d is None:
        return ""
    return scale.words(abs(d)) if scale.is_share else scale.range(-abs(d), abs(d))


def _percent(share: float) -> str:
    return f"{100 * share:.6g} %"
