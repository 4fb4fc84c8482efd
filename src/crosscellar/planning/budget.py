"""Several proposed trials and one budget: which set decides most questions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

from crosscellar.errors import NotComputable

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.int64]

#: Up to this many proposals every set is looked at.
EXACT_UP_TO: Final = 18


@dataclass(frozen=True, slots=True)
class Choice:
    """A set of proposals within the budget.

    Attributes
    ----------
    proposals
        The rows chosen, in the order given.
    cost, decided
        What they cost; the number of questions expected to be decided.
    sites
        How many sites take part.
    exact
        Whether every set was looked at; else the set was built step by step and a better one may exist.
    """

    proposals: pl.DataFrame
    cost: float
    decided: float
    sites: int
    exact: bool


def choose_proposals(proposals: pl.DataFrame, chances: pl.DataFrame, *, budget: float) -> Choice:
    """The set of proposals within the budget that is expected to decide most questions.

    A second proposal of a question at the same site adds nothing: sites decide. A proposal that adds nothing
    is not taken. Among sets that decide as many, the one with more sites is taken, then the one with more
    proposals that replicate what was tried before, then the cheaper one.

    Parameters
    ----------
    proposals
        question, site, cost: one row a proposed trial; if wanted `replicates`, whether the question has been
        tried before.
    chances
        question, more_sites, chance_decided: for each question what each number of new sites would buy
        (`plan_replication`), with 0 sites among them. Beyond the largest number the chance stays.
    budget
        What may be spent.

    Raises
    ------
    NotComputable
        For a negative cost, or a question without a row of 0 sites in `chances`.
    """
    cost = proposals["cost"].cast(pl.Float64).to_numpy()
    if cost.size and (not np.isfinite(cost).all() or cost.min() < 0):
        raise NotComputable("a proposal has no proper cost", next_step="Give amounts of 0 or more.")
    if "replicates" not in proposals.columns:
        proposals = proposals.with_columns(replicates=pl.lit(False))
    gains = _gains(proposals, chances)
    if proposals.height <= EXACT_UP_TO:
        taken, exact = _best_of_all(proposals, gains, cost, budget), True
    else:
        taken, exact = _step_by_step(proposals, gains, cost, budget), False
    chosen = proposals.filter(pl.Series(taken, dtype=pl.Boolean))
    decided, sites = _worth(proposals, gains, taken[None, :])
    return Choice(chosen, float(cost[taken].sum()), float(decided[0]), int(sites[0]), exact)


def _gains(proposals: pl.DataFrame, chances: pl.DataFrame) -> dict[str, Floats]:
    """For each question the chance by number of new sites, never falling: an idle site may be left out."""
    gains = {}
    for question in proposals["question"].unique(maintain_order=True).to_list():
        own = chances.filter(pl.col("question") == question).sort("more_sites")
        counts, values = own["more_sites"].to_list(), own["chance_decided"].to_numpy()
        if not counts or counts[0] != 0:
            raise NotComputable(
                f"the question {question} has no chance for 0 new sites",
                next_step="Plan it with more_sites from 0 on.",
            )
        most = proposals.filter(pl.col("question") == question)["site"].n_unique()
        at = np.searchsorted(counts, np.arange(most + 1), side="right") - 1
        gains[question] = np.maximum.accumulate(values[at])
    return gains


def _worth(
    proposals: pl.DataFrame,
    gains: dict[str, Floats],
    sets: Flags,
) -> tuple[Floats, Counts]:
    """Questions decided and sites taking part, for each set (rows of `sets`, one column a proposal)."""
    decided = np.zeros(len(sets))
    question, site = proposals["question"].to_numpy(), proposals["site"].to_numpy()
    for name, gain in gains.items():
        decided += gain[_sites(site, sets, question == name)]
    return decided, _sites(site, sets, np.ones(len(site), dtype=bool))


def _sites(site: npt.NDArray[Any], sets: Flags, among: Flags) -> Counts:
    """How many sites each set has among some of the proposals."""
    count = np.zeros(len(sets), dtype=np.int64)
    for place in np.unique(site[among]):
        count += sets[:, among & (site == place)].any(axis=1)
    return count


def _idle(proposals: pl.DataFrame, gains: dict[str, Floats], sets: Flags) -> Flags:
    """Whether a set could do with one proposal less: one a flag for each set."""
    found = np.zeros(len(sets), dtype=bool)
    question, site = proposals["question"].to_numpy(), proposals["site"].to_numpy()
    for name, gain in gains.items():
        of_question = question == name
        trials = sets[:, of_question].sum(axis=1)
        count = _sites(site, sets, of_question)
        last = np.round(gain - np.concatenate([[-1.0], gain[:-1]]), 3)
        found |= (trials > count) | (last[count] <= 0)
    return found


def _best_of_all(
    proposals: pl.DataFrame,
    gains: dict[str, Floats],
    cost: Floats,
    budget: float,
) -> Flags:
    n = proposals.height
    sets = (np.arange(2**n)[:, None] >> np.arange(n)[None, :]) & 1 == 1
    price = sets @ cost
    sets, price = sets[price <= budget], price[price <= budget]
    if not len(sets):
        return np.zeros(n, dtype=bool)
    idle = _idle(proposals, gains, sets)
    sets, price = sets[~idle], price[~idle]
    decided, sites = _worth(proposals, gains, sets)
    # Chances come from simulation: a thousandth of a question is no reason to prefer a set.
    again = sets @ proposals["replicates"].to_numpy().astype(np.int64)
    order = np.lexsort((price, -again, -sites, -np.round(decided, 3)))
    return np.asarray(sets[order[0]])


def _step_by_step(
    proposals: pl.DataFrame,
    gains: dict[str, Floats],
    cost: Floats,
    budget: float,
) -> Flags:
    """Takes, again and again, the proposal that adds most for its cost."""
    taken = np.zeros(proposals.height, dtype=bool)
    while True:
        open_ones = np.flatnonzero(~taken & (cost <= budget - cost[taken].sum()))
        if not open_ones.size:
            return taken
        before, _ = _worth(proposals, gains, taken[None, :])
        tries = np.repeat(taken[None, :], open_ones.size, axis=0)
        tries[np.arange(open_ones.size), open_ones] = True
        after, sites = _worth(proposals, gains, tries)
        added = np.round(after - before, 3)
        if added.max() <= 0:
            return taken
        rate = added / np.maximum(cost[open_ones], 1e-12)
        again = proposals["replicates"].to_numpy().astype(np.int64)[open_ones]
        taken[open_ones[np.lexsort((cost[open_ones], -again, -sites, -rate))[0]]] = True
