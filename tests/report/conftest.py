"""Networks made for the page: any number of sites, with names as hostile as needed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
import polars as pl
import pytest

from crosscellar.contract import load_contract
from crosscellar.pooling import adjust_monitored, pool
from crosscellar.report.building import Answered, build_summary, names_of
from crosscellar.report.content import Summary, TurnedAway

MakeSummary = Callable[..., Summary]


@pytest.fixture
def make_summary() -> MakeSummary:
    """Builds the summary of a network of `n` sites; `say` stands in every field that holds text of data."""

    def made(n: int, *, say: str = "plain", anonymous: bool = False) -> Summary:
        rng = np.random.default_rng(7)
        sites = [f"site-{number:02d}" for number in range(n)]
        effects = pl.DataFrame(
            {
                "question": ["q"] * n,
                "response": ["glycerol"] * n,
                "stage": ["pre_bottling"] * n,
                "role": ["primary"] * n,
                "measure": ["log_ratio"] * n,
                "unit": ["log ratio"] * n,
                "trial": [f"LS-{site}" for site in sites],
                "site": sites,
                "season": [2022 + number % 4 for number in range(n)],
                "arm": [say] * n,
                "estimate": rng.normal(0.1, 0.05, n),
                "variance": rng.uniform(0.001, 0.004, n),
                "df": [4.0] * n,
                "variance_source": ["borrowed", "moderated"] * (n // 2) + ["own"] * (n % 2),
                "n_treatment": [1] * n,
                "n_control": [1] * n,
                "prior_trials": [5] * n,
                "usable": [True] * n,
                "remark": [say] * n,
            },
            schema_overrides={"season": pl.Int32},
        )
        question = {
            "title": say,
            "hypothesis": say,
            "primary_response": "glycerol",
            "primary_stage": "pre_bottling",
            "wanted": "increase",
            "smallest_difference": 5.0,
            "smallest_difference_unit": "%",
        }
        answers = adjust_monitored([pool(effects, wanted="increase", smallest_difference=0.0488)])
        register = pl.DataFrame({"site_id": sites, "site_name": [f"Winery {site} {say}" for site in sites]})
        return build_summary(
            2025,
            [Answered(question, answers, effects, n)],
            contract=load_contract(),
            names=names_of(register, effects.select(pl.col("trial").alias("trial_id")), anonymous=anonymous),
            anonymous=anonymous,
            snapshot="abc123",
            as_of=date(2026, 11, 25),
            counts=[("sites", str(n))],
            readings=[("came in", "10")],
            turned_away=[TurnedAway(say, "hold", say, say, "open")],
            lost=[("LS-site-00", "site-00", say)],
        )

    return made
