"""Small invented networks, as the summary's records are built from them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np
import polars as pl
import pytest

from crosscellar.contract import load_contract
from crosscellar.contract.frames import EFFECTS, empty
from crosscellar.pooling import pool
from crosscellar.report.building import Answered, build_summary, names_of
from crosscellar.report.content import Summary, TurnedAway

EffectsOf = Callable[..., pl.DataFrame]
SummaryOf = Callable[..., Summary]


def _effects(sites: list[str], *, seasons: int = 1, arm: str = "warm", centre: float = -0.2) -> pl.DataFrame:
    """Log ratios of volatile acidity, one trial a site and season, every second variance borrowed."""
    chance = np.random.default_rng(20)
    rows: list[dict[str, Any]] = [
        {
            "question": "warm_must",
            "response": "volatile_acidity",
            "stage": "bottled",
            "role": "primary",
            "measure": "log_ratio",
            "unit": "",
            "trial": f"{site}-{2020 + season}",
            "site": site,
            "season": 2020 + season,
            "arm": arm,
            "estimate": float(chance.normal(centre, 0.05)),
            "variance": 0.004 + 0.001 * (place % 3),
            "std_error": (0.004 + 0.001 * (place % 3)) ** 0.5,
            "df": 8.0,
            "variance_source": "borrowed" if place % 2 else "moderated",
            "n_treatment": 1 if place % 2 else 2,
            "n_control": 1 if place % 2 else 2,
            "prior_trials": 5,
            "usable": True,
            "remark": "",
        }
        for place, site in enumerate(sites)
        for season in range(seasons)
    ]
    return pl.concat([empty(EFFECTS), pl.DataFrame(rows, schema_overrides=dict(EFFECTS))], how="diagonal")


@pytest.fixture(scope="session")
def effects_of() -> EffectsOf:
    return _effects


@pytest.fixture(scope="session")
def summary_of() -> SummaryOf:
    """A summary of one question over the given sites; `names` are the sites' names in full."""

    def build(
        sites: list[str],
        *,
        names: list[str] | None = None,
        seasons: int = 1,
        anonymous: bool = False,
        title: str = "Does a warm must lower volatile acidity?",
        hypothesis: str = "If the must is warm, volatile acidity is lower",
        arm: str = "warm",
        turned_away: tuple[TurnedAway, ...] = (),
        lost: tuple[tuple[str, str, str], ...] = (),
    ) -> Summary:
        effects = _effects(sites, seasons=seasons, arm=arm)
        register = pl.DataFrame({"site_id": sites, "site_name": names or sites})
        trials = pl.DataFrame({"trial_id": effects["trial"].unique(maintain_order=True)})
        question = {
            "question_id": "warm_must",
            "title": title,
            "hypothesis": hypothesis,
            "primary_response": "volatile_acidity",
            "primary_stage": "bottled",
            "wanted": "decrease",
            "smallest_difference": 10.0,
            "smallest_difference_unit": "%",
        }
        pooled = pool(effects, smallest_difference=0.1, wanted="decrease")
        return build_summary(
            2020 + seasons - 1,
            [Answered(question=question, pooled=[pooled], effects=effects, trials_this_season=len(sites))],
            contract=load_contract(),
            names=names_of(register, trials, anonymous=anonymous),
            anonymous=anonymous,
            snapshot="0123456789ab",
            as_of=date(2021, 3, 1),
            counts=(("sites", str(len(sites))),),
            readings=(("accepted", "12"),),
            turned_away=turned_away,
            lost=lost,
            files=(("effects.csv", "every effect"),),
        )

    return build
