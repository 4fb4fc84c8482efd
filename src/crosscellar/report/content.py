"""What the annual summary says, as frozen records that every format renders alike."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

#: Verdicts in the order in which page one tells them, with the heading each stands under.
VERDICTS: Final = {
    "holds at new sites": "What holds, and is expected to hold at a new site",
    "holds on average": "What holds on average, though perhaps not everywhere",
    "works against": "What went the other way",
    "no difference that matters": "Where the difference is too small to matter",
    "undecided": "What is still open",
    "one site only": "What only one site has tried",
    "no effects yet": "What has no effect to pool yet",
}


@dataclass(frozen=True, slots=True)
class ForestRow:
    """One effect: where, when, and what it showed; numbers on the scale of the estimates."""

    site: str
    season: str
    trial: str
    arm: str
    estimate: float
    low: float
    high: float
    weight: float
    effect: str
    interval: str
    weight_words: str
    variance: str
    borrowed: bool
    level: float | None = None


@dataclass(frozen=True, slots=True)
class SiteRow:
    """The mean of one site's own effects, and how many they are; a number on the scale of the estimates."""

    site: str
    effects: int
    estimate: float
    effect: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An effect that is shown but not pooled, and why."""

    site: str
    season: str
    trial: str
    arm: str
    effect: str
    reason: str


@dataclass(frozen=True, slots=True)
class Accumulated:
    """The answer as it stood after a season."""

    season: str
    sites: int
    estimate: float
    low: float
    high: float
    effect: str
    interval: str
    verdict: str


@dataclass(frozen=True, slots=True)
class WithoutSite:
    """The answer without one site."""

    site: str
    effect: str
    interval: str
    verdict: str
    changes: bool


@dataclass(frozen=True, slots=True)
class Monitored:
    """A response watched for unintended consequences; it never makes a verdict."""

    response: str
    sites: int
    effect: str
    interval: str
    p_adjusted: str


@dataclass(frozen=True, slots=True)
class Tasting:
    """A triangle session with its exact counts."""

    site: str
    season: str
    trial: str
    correct: int
    tasters: int
    needed: str
    p: str


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing with the words that stand in for it; `wide` if it needs the page's whole width."""

    svg: str
    alternative: str
    caption: str
    wide: bool = False


@dataclass(frozen=True, slots=True)
class Spread:
    """How far vessels of one arm differ on a response, and the prior that trials' own variances lean on."""

    response: str
    scale: str
    usual: str
    prior_variance: str
    prior_df: str
    trials: int
    in_band: str


@dataclass(frozen=True, slots=True)
class PlanRow:
    """What so many new sites with so many vessels an arm would buy."""

    more_sites: int
    vessels: int
    half_width: str
    chance: str


@dataclass(frozen=True, slots=True)
class QuestionPage:
    """One question of the network and its answer."""

    anchor: str
    title: str
    hypothesis: str
    compared: str
    response: str
    heading: str
    verdict: str
    sentence: str
    reason: str
    estimate: str
    interval: str
    prediction: str
    chances: tuple[str, ...]
    evidence: str
    method: str
    rows: tuple[ForestRow, ...]
    left_out: tuple[LeftOut, ...]
    accumulated: tuple[Accumulated, ...]
    without_site: tuple[WithoutSite, ...]
    monitored: tuple[Monitored, ...]
    tastings: tuple[Tasting, ...]
    remarks: tuple[str, ...]
    figures: tuple[Figure, ...]
    this_season: int
    decide: tuple[str, ...] = ()
    plan: tuple[PlanRow, ...] = ()
    plan_figure: Figure | None = None
    level_unit: str = ""
    sites: tuple[SiteRow, ...] = ()
    carried: bool = False


@dataclass(frozen=True, slots=True)
class TurnedAway:
    """A reading or file that did not enter, in the words that went back."""

    place: str
    severity: str
    message: str
    suggestion: str
    state: str


@dataclass(frozen=True, slots=True)
class Summary:
    """The annual summary of one season."""

    season: int
    snapshot: str
    as_of: date
    anonymous: bool
    counts: tuple[tuple[str, str], ...]
    readings: tuple[tuple[str, str], ...]
    page_one: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]
    questions: tuple[QuestionPage, ...]
    turned_away: tuple[TurnedAway, ...]
    lost: tuple[str, ...]
    cautions: tuple[tuple[str, str], ...]
    files: tuple[tuple[str, str], ...]
    vessels: tuple[str, ...] = ()
    vessels_figure: Figure | None = None
    spreads: tuple[Spread, ...] = ()
