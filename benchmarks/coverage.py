"""How often the intervals hold what they promise: a simulation through the project's effects and pooling.

    python benchmarks/coverage.py [--quick] [--runs 2000] [--keep FILE] [--out FILE]

Each run is one question of a network that asks twelve on one analyte. A trial has 1 to 3 vessels an arm, half
of the trials one; the variance between its vessels varies from trial to trial (inverse chi-square, 8 degrees
of freedom, about 0.12 on the log scale). Sites differ by tau; where sites have several seasons, a site's
trials differ by tau / 2 besides; in the last cells seasons differ too, each alike at all sites. The mean
effect is 0, as it can be: pooling moves with a shift.
Readings go through `effects_of_readings`, which moderates the variances over the network, and `pool_each`.

Told for each cell: the share of default 95 % intervals that hold the mean, of prediction intervals that hold
the effect of one new trial at a new site, and of questions said to hold though there is no effect; for two to
four sites with one season also the interval with a half-normal prior, on a part of the runs.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl

from crosscellar.contract import Contract, load_contract
from crosscellar.contract.frames import DESIGN, READINGS
from crosscellar.effects.readings import effects_of_readings
from crosscellar.pooling import pool_each

VESSEL_SD = 0.12
VARIANCE_DF = 8
QUESTIONS = 12
SITES = (2, 3, 4, 6, 8, 10)
SEASONS = (1, 3)
TAU = (0.0, 0.5, 1.0, 1.5)
PRIOR_RUNS = 400


@dataclass(frozen=True)
class Cell:
    """One setting: sites a question, most seasons a site, tau and what seasons differ by in vessel sd."""

    sites: int
    seasons: int
    tau: float
    season: float = 0.0


def networks(cell: Cell, many: int, rng: np.random.Generator) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Vessels of that many networks, and what a new trial at a new site would truly see for each question."""
    questions = many * QUESTIONS
    seasons = rng.integers(1, cell.seasons + 1, (questions, cell.sites))
    place = np.repeat(np.arange(questions * cell.sites), seasons.ravel())
    question, site = place // cell.sites, place % cell.sites
    year = 2024 + np.arange(place.size) - np.repeat(np.cumsum(seasons) - seasons.ravel(), seasons.ravel())
    trials = place.size
    tau = cell.tau * VESSEL_SD
    within = tau / 2 if cell.seasons > 1 else 0.0
    at_site = tau * rng.normal(size=questions * cell.sites)
    effect = at_site[place] + within * rng.normal(size=trials)
    between = cell.season * VESSEL_SD
    if between:
        effect += between * rng.normal(size=(questions, cell.seasons))[question, year - 2024]
    vessels = np.where(rng.random(trials) < 0.5, 1, rng.integers(2, 4, trials))
    sd = VESSEL_SD * np.sqrt(VARIANCE_DF / rng.chisquare(VARIANCE_DF, trials))
    level = np.log(5.0) + 0.3 * rng.normal(size=trials)
    row = np.repeat(np.arange(trials), 2 * vessels)
    number = np.arange(row.size) - np.repeat(np.cumsum(2 * vessels) - 2 * vessels, 2 * vessels)
    treated = number >= vessels[row]
    value = np.exp(level[row] + effect[row] * treated + sd[row] * rng.normal(size=row.size))
    frame = pl.DataFrame(
        {
            "network": question[row] // QUESTIONS,
            "question": question[row],
            "site": site[row],
            "season": year[row],
            "trial": row,
            "vessel": number,
            "treated": treated,
            "value": value,
        }
    )
    new = np.sqrt(tau**2 + within**2 + between**2) * rng.normal(size=questions)
    return frame, pl.DataFrame({"question": np.arange(questions), "new": new})


def effects(vessels: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """The effects of all networks: each on an analyte of its own, so that variances lean within it alone."""
    analytes = [
        name
        for name, analyte in contract.analytes.items()
        if analyte.log_ratio == "yes" and analyte.scale == "ratio"
    ]
    parts = []
    for first in range(0, vessels["network"].n_unique(), len(analytes)):
        part = vessels.filter(pl.col("network").is_between(first, first + len(analytes) - 1))
        named = part.with_columns(
            pl.format("t{}", "trial").alias("trial_id"),
            pl.when("treated").then(pl.lit("treated")).otherwise(pl.lit("control")).alias("arm_id"),
            pl.format("v{}", "vessel").alias("vessel_id"),
            pl.Series("analyte", [analytes[at - first] for at in part["network"]]),
            pl.lit("bottled").alias("stage"),
            pl.lit(date(2026, 3, 1)).alias("sample_date"),
            pl.lit("").alias("qualifier"),
            pl.lit("house").alias("lab"),
            pl.lit("usual").alias("method"),
            pl.format("q{}", "question").alias("question_id"),
            pl.format("s{}", "site").alias("site_id"),
            pl.when("treated").then(pl.lit("treatment")).otherwise(pl.lit("control")).alias("role"),
        )
        responses = named.select(
            "trial_id", pl.col("analyte").alias("response"), "stage", pl.lit("primary").alias("role")
        ).unique()
        parts.append(
            effects_of_readings(_shaped(named, READINGS), _shaped(named, DESIGN), responses, contract)
        )
    return pl.concat(parts)


def _shaped(frame: pl.DataFrame, columns: object) -> pl.DataFrame:
    shape = dict(columns)  # type: ignore[call-overload]
    return frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(kind).alias(name)
        for name, kind in shape.items()
    )


def measured(cell: Cell, runs: int, rng: np.random.Generator, contract: Contract) -> dict[str, float]:
    """The shares of one cell."""
    vessels, new = networks(cell, -(-runs // QUESTIONS), rng)
    found = effects(vessels, contract).with_columns(pl.col("question").str.strip_prefix("q").cast(pl.Int64))
    found = found.filter(pl.col("question") < runs)
    answers = pool_each(found, "question", wanted="increase").join(new, on="question")
    zero_in = (pl.col("low") <= 0) & (pl.col("high") >= 0)
    new_in = pl.col("new").is_between(pl.col("prediction_low"), pl.col("prediction_high"))
    shares = answers.select(
        runs=pl.len(),
        holds_mean=zero_in.mean(),
        holds_new=new_in.mean(),
        false_holds=pl.col("verdict").str.starts_with("holds").mean(),
        false_new=(pl.col("verdict") == "holds at new sites").mean(),
        converged=pl.col("converged").mean(),
    ).row(0, named=True)
    if cell.sites <= 4 and cell.seasons == 1:
        few = found.filter(pl.col("question") < PRIOR_RUNS)
        prior = pool_each(few, "question", interval="bayes")
        shares["with_prior"] = prior.select(zero_in.mean()).item()
    return shares


def cells(quick: bool) -> Iterator[Cell]:
    """Every cell, or a few of them."""
    for seasons in SEASONS:
        for sites in (3, 6) if quick else SITES:
            for tau in (0.0, 1.0) if quick else TAU:
                yield Cell(sites, seasons, tau)
    for sites in () if quick else (3, 6, 10):
        for season in (0.5, 1.0):
            yield Cell(sites, 3, 0.5, season)


def table(rows: list[tuple[Cell, dict[str, float]]], seed: int) -> str:
    """The results as a page."""
    alike = [(cell, shares) for cell, shares in rows if not cell.season]
    differ = ""
    if apart := [shares["holds_mean"] for cell, shares in rows if cell.season]:
        differ = (
            " Where seasons differ as well, three of them tell little of it: the mean was held in "
            f"{100 * min(apart):.1f} to {100 * max(apart):.1f} % (the last rows)."
        )
    from_three = [shares for cell, shares in alike if cell.sites >= 3]
    low = min(shares["holds_mean"] for shares in from_three)
    high = max(shares["holds_mean"] for shares in from_three)
    worst = max(shares["false_holds"] for _, shares in alike)
    typical = float(np.mean([shares["false_holds"] for _, shares in alike]))
    least_new = min(shares["holds_new"] for shares in from_three)
    most_new = max(shares["holds_new"] for shares in from_three)
    worst_new = max(shares["false_new"] for shares in from_three)
    runs, most = (pick(shares["runs"] for _, shares in rows) for pick in (min, max))
    lines = [
        "# Coverage of the intervals",
        "",
        (
            f"{runs:.0f} to {most:.0f} runs a cell, seed {seed}. Vessel sd {VESSEL_SD} on the log "
            f"scale, varying by trial with {VARIANCE_DF} degrees of freedom; 1 to 3 vessels an arm, half of "
            f"the trials one; tau in vessel sd. A share of 95 % from {runs:.0f} runs is known to within "
            f"{196 * (0.95 * 0.05 / runs) ** 0.5:.1f} points, one of 2.5 % to within "
            f"{196 * (0.025 * 0.975 / runs) ** 0.5:.1f} points, 19 times in 20."
        ),
        "",
        (
            f"With 3 sites or more the default interval held the mean in {100 * low:.1f} to {100 * high:.1f} "
            f'% of runs; "holds" was said of no effect in {100 * typical:.2f} % of all runs, '
            f"at most {100 * worst:.1f} % in a cell; 2.5 % is what a 95 % interval allows on one side. "
            "Where sites do not differ at all (tau 0) a variance between them is still estimated now and "
            "then, and where three sites share three seasons the model lets seasons differ as well, which "
            f"here they do not: those intervals err on the wide side.{differ}"
        ),
        "",
        (
            f"Prediction intervals held the new trial's effect in {100 * least_new:.1f} to "
            f"{100 * most_new:.1f} %: with one season a site by the distribution of tau2, with several by t "
            "on sites - 2, which for three sites is very wide. "
            f'"Holds at new sites" was said of no effect in at most {100 * worst_new:.1f} % of a cell.'
        ),
        "",
        (
            "| sites | seasons a site | tau | season | runs | mean in interval % "
            "| new site in prediction % | "
            'false "holds" % | of these "at new sites" % | with prior % |'
        ),
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for cell, shares in rows:
        prior = f"{100 * shares['with_prior']:.1f}" if "with_prior" in shares else ""
        new = "none given" if cell.sites < 3 else f"{100 * shares['holds_new']:.1f}"
        seasons = "1" if cell.seasons == 1 else f"1 to {cell.seasons}"
        lines.append(
            f"| {cell.sites} | {seasons} | {cell.tau:g} | {cell.season:g} | {shares['runs']:.0f} "
            f"| {100 * shares['holds_mean']:.1f} | {new} | {100 * shares['false_holds']:.2f} "
            f"| {100 * shares['false_new']:.2f} | {prior} |"
        )
    return "\n".join(lines) + "\n"


def kept(path: Path | None) -> dict[Cell, dict[str, float]]:
    """Cells measured before, the latest of each."""
    if path is None or not path.exists():
        return {}
    lines = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    return {Cell(**line["cell"]): line["shares"] for line in lines}


def main() -> None:
    """Runs all cells and prints or writes the table."""
    read = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    read.add_argument("--runs", type=int, default=2000)
    read.add_argument("--runs-seasons", type=int, help="runs of the cells with several seasons, if other")
    read.add_argument("--keep", type=Path, help="a file of cells already measured, carried on from there")
    read.add_argument("--seed", type=int, default=1)
    read.add_argument("--quick", action="store_true", help="eight cells of 240 runs")
    read.add_argument("--out", type=Path)
    asked = read.parse_args()
    contract = load_contract()
    began = time.perf_counter()
    done = kept(asked.keep)
    rows = []
    for at, cell in enumerate(cells(asked.quick)):
        runs = 240 if asked.quick else asked.runs if cell.seasons == 1 else asked.runs_seasons or asked.runs
        if done.get(cell, {}).get("runs", 0) < runs:
            done[cell] = measured(cell, runs, np.random.default_rng([asked.seed, at]), contract)
            print(cell, done[cell], flush=True)
            if asked.keep:
                with asked.keep.open("a", encoding="utf-8") as file:
                    file.write(json.dumps({"cell": asdict(cell), "shares": done[cell]}) + "\n")
        rows.append((cell, done[cell]))
    page = table(rows, asked.seed)
    print(f"{page}\n{time.perf_counter() - began:.0f} s")
    if asked.out:
        asked.out.parent.mkdir(parents=True, exist_ok=True)
        asked.out.write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
