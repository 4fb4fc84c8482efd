"""How long a large network's summary page takes, beside matplotlib alone drawing the same figures.

    python benchmarks/summary_speed.py [--questions 40] [--sites 60] [--seasons 10] [--runs 5]

Every site tries each question in one season of the ten. Both sides draw with the same calls and settings; the
page adds records, words, tables and HTML. Writes results/summary_speed.md.
"""

from __future__ import annotations

import argparse
import os
import statistics
from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np
import polars as pl
from side_by_side import machine, medians, write

from crosscellar.contract import load_contract
from crosscellar.contract.frames import EFFECTS, empty
from crosscellar.pooling import pool
from crosscellar.report import workers
from crosscellar.report.building import Answered, build_summary, names_of
from crosscellar.report.page import render_page

FIRST = 2016


def effects_of(question: str, sites: int, seasons: int, seed: int) -> pl.DataFrame:
    """Log ratios of volatile acidity, a trial a site, the sites spread over the seasons."""
    chance = np.random.default_rng(seed)
    rows = [
        {
            "question": question,
            "response": "volatile_acidity",
            "stage": "pre_bottling",
            "role": "primary",
            "measure": "log_ratio",
            "unit": "log ratio",
            "trial": f"{question}-{site:02d}",
            "site": f"site-{site:02d}",
            "season": FIRST + site % seasons,
            "arm": "treated",
            "estimate": float(chance.normal(-0.1, 0.1)),
            "variance": 0.004,
            "std_error": 0.004**0.5,
            "df": 8.0,
            "variance_source": "moderated",
            "n_treatment": 2,
            "n_control": 2,
            "prior_trials": 5,
            "usable": True,
            "remark": "",
        }
        for site in range(sites)
    ]
    return pl.concat([empty(EFFECTS), pl.DataFrame(rows, schema_overrides=dict(EFFECTS))], how="diagonal")


def main() -> None:
    """Measures and writes the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--questions", type=int, default=40)
    parser.add_argument("--sites", type=int, default=60)
    parser.add_argument("--seasons", type=int, default=10)
    parser.add_argument("--runs", type=int, default=5)
    options = parser.parse_args()
    contract = load_contract()
    last = FIRST + options.seasons - 1
    answered = []
    for number in range(options.questions):
        name = f"question-{number:02d}"
        effects = effects_of(name, options.sites, options.seasons, number)
        question = {
            "question_id": name,
            "title": f"Question {number}",
            "hypothesis": "If the must is treated, volatile acidity is lower",
            "primary_response": "volatile_acidity",
            "primary_stage": "pre_bottling",
            "wanted": "decrease",
            "smallest_difference": 10.0,
            "smallest_difference_unit": "%",
        }
        answered.append(
            Answered(
                question=question,
                pooled=(pool(effects, smallest_difference=0.1, wanted="decrease"),),
                effects=effects,
                trials_this_season=options.sites // options.seasons,
            )
        )
    sites = [f"site-{site:02d}" for site in range(options.sites)]
    names = names_of(
        pl.DataFrame({"site_id": sites, "site_name": sites}),
        pl.DataFrame({"trial_id": pl.concat([one.effects["trial"] for one in answered])}),
        anonymous=False,
    )

    def page(processes: int | None = None) -> str:
        summary = build_summary(
            last,
            answered,
            contract=contract,
            names=names,
            anonymous=False,
            snapshot="0",
            as_of=date(last, 12, 31),
            counts=(),
            readings=(),
            processes=processes,
        )
        return render_page(summary)

    drawn: list[Callable[[], Any]] = []
    draw = workers.draw

    def noted(build: Callable[[], Any]) -> bytes:
        drawn.append(build)
        return draw(build)

    workers.draw = noted  # type: ignore[assignment]
    html = page(processes=1)
    workers.draw = draw
    busiest: dict[str, list[float]] = {"page": [], "alone": []}

    def noting(name: str, work: Callable[[], object]) -> Callable[[], object]:
        """The work, noting the processor time of its busiest process: no matter how busy the machine."""

        def noted() -> object:
            before = os.times()
            work()
            after = os.times()
            own = after.user + after.system - before.user - before.system
            others = after.children_user + after.children_system
            others -= before.children_user + before.children_system
            busiest[name].append(max(own, others / max(workers.cores_here() - 1, 1)))
            return None

        return noted

    took = medians(
        {
            "page": noting("page", page),
            "alone": noting("alone", lambda: page(processes=1)),
            "figures": lambda: [draw(build) for build in drawn],
        },
        runs=options.runs,
    )
    # The first round is not counted.
    work = {name: statistics.median(seconds[1:]) for name, seconds in busiest.items()}

    def row(what: str, name: str) -> str:
        return f"| {what} | {took[name]:.2f} | {took[name] / took['figures']:.2f} | {work[name]:.2f} |"

    write(
        "summary_speed",
        [
            "# The summary of a large network: speed",
            "",
            machine("matplotlib", "jinja2", "polars"),
            "",
            f"{options.questions} questions, {options.sites} sites, {options.seasons} seasons, {len(drawn)}",
            f"figures, {len(html) / 1e6:.1f} MB of HTML. Medians of {options.runs} runs, in turn;",
            "`python benchmarks/summary_speed.py` repeats it. Figures are drawn on every core.",
            "Processor seconds are those of the busiest process: how long it takes where nothing else runs.",
            "",
            "| what | seconds | ratio | processor seconds |",
            "|---|---|---|---|",
            row("the page with all its figures", "page"),
            row("the same, one process", "alone"),
            f"| matplotlib alone, the same figures | {took['figures']:.2f} | 1 | |",
        ],
    )


if __name__ == "__main__":
    main()
