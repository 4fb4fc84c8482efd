"""Effects of one question, and the network's answer to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import polars as pl

from crosscellar.pooling import Pooled
from crosscellar.results.shown import Shown, plain

if TYPE_CHECKING:
    from crosscellar.pooling.dose import DoseFit


@dataclass(frozen=True, slots=True)
class EffectsAnswer(Shown):
    """What each trial of a question showed, and which planned responses came to no usable effect, and why.

    Attributes
    ----------
    question, title
        From the register.
    effects
        Frame of EFFECTS, with `low` and `high`, the ends of each effect's own 95 % interval; triangle
        sessions have their counts beside.
    without
        Frame: site, season, trial, response, stage, reason.
    """

    question: str
    title: str
    effects: pl.DataFrame
    without: pl.DataFrame

    def as_json(self) -> dict[str, Any]:
        return {
            "question": self.question,
            "title": self.title,
            "effects": plain(self.effects),
            "without_effect": plain(self.without),
        }


@dataclass(frozen=True, slots=True)
class Answer(Shown):
    """The network's answer to one question: the primary response first, then the monitored ones.

    Attributes
    ----------
    question, title, hypothesis
        From the register.
    pooled
        One answer a response, stage and measure.
    one
        Whether one response was asked for: `as_json` then gives one document, not a list.
    remarks
        Sentences about the question as a whole: the prior that was used, the dose-response.
    by
        Empty without a moderator; else `moderator`, `looked_at` (how many were), `fit` (its `terms`, `tests`,
        `explained`: the share of the spread between sites), and `groups`, a frame with the mean of each
        category.
    dose
        Change per unit of level, where trials have several levels; `slope` is the network's.
    """

    question: str
    title: str
    hypothesis: str
    pooled: tuple[Pooled, ...]
    one: bool = False
    remarks: tuple[str, ...] = ()
    by: Mapping[str, Any] = field(default_factory=dict)
    dose: DoseFit | None = None

    def as_json(self) -> Any:
        documents = [plain(pooled.as_json()) for pooled in self.pooled]
        for document, pooled in zip(documents, self.pooled, strict=True):
            document["question"] = self.question
            document["p_adjusted"] = plain(pooled.p_adjusted)
        if documents and self.by:
            fit = self.by["fit"]
            documents[0]["by"] = {
                "moderator": self.by["moderator"],
                "looked_at": self.by["looked_at"],
                "terms": plain(fit.terms),
                "tests": plain(fit.tests),
                "explained": plain(fit.explained),
                "groups": plain(self.by.get("groups", [])),
            }
        if documents and self.dose is not None:
            documents[0]["dose"] = {
                "slope": plain(self.dose.slope),
                "slopes": plain(self.dose.slopes),
                "lack_of_fit_p": plain(self.dose.lack_of_fit_p),
            }
        return documents[0] if self.one and documents else documents
