"""Responses that are watched, not tested: their p-values adjusted together, and no verdict."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from crosscellar.pooling.multiplicity import adjust
from crosscellar.pooling.result import Pooled
from crosscellar.pooling.verdict import MONITORED, NO_EFFECT, ONE_SITE, many, mean_words

_NAMES = {"benjamini_hochberg": "Benjamini-Hochberg", "holm": "Holm"}


def adjust_monitored(answers: Sequence[Pooled], *, method: str = "benjamini_hochberg") -> tuple[Pooled, ...]:
    """The `answers` in their order, those whose role is `monitored` with adjusted p and without a verdict.

    A response that is only watched for unintended consequences was not what the trials were laid out to
    test, and many are watched: their p-values are adjusted together over all monitored answers given that
    have one (by a `method` of `adjust`: `benjamini_hochberg` or `holm`), their `verdict` becomes "monitored
    only", and the reason speaks of a difference, never of a cause. Answers of another role stay as they are.

    Raises
    ------
    UnknownName
        For another method.
    """
    watched = [at for at, answer in enumerate(answers) if answer.role == "monitored"]
    adjusted = adjust([answers[at].p_value for at in watched], method=method)
    together = int(np.isfinite(adjusted).sum())
    told = list(answers)
    for at, p in zip(watched, adjusted.tolist(), strict=True):
        told[at] = _watched(answers[at], p, together, _NAMES[method])
    return tuple(told)


def _watched(answer: Pooled, p: float, together: int, method: str) -> Pooled:
    if answer.verdict in {NO_EFFECT, ONE_SITE}:
        return replace(answer, p_adjusted=math.nan)
    mean = mean_words(
        answer.scale, answer.n_sites, answer.estimate, answer.low, answer.high, answer.level
    ).replace("mean effect", "mean difference between treatment and control")
    if math.isnan(p):
        reason = f"{mean}. Watched, not tested: no verdict."
    else:
        clear = "a difference worth a look" if p <= 1 - answer.level else "no clear difference"
        reason = (
            f"{mean}: {clear} (p {answer.p_value:.2g}, {p:.2g} after {method} over "
            f"{many(together, 'monitored response')}). Watched, not tested: no verdict."
        )
    return replace(answer, verdict=MONITORED, reason=reason, p_adjusted=p)
