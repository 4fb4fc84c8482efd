"""One question's effects out of a large store: its own trials, and what the network lends them.

A vessel variance leans on every trial of the network that measured the same analyte. What they lend comes
to a few numbers an analyte, and these stay as they are until the store changes: worked out once and kept
beside the store, so that a question reads its own trials only.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from pathlib import Path
from typing import Any, Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.effects import (
    analytes_needed,
    effects_of_store,
    in_turn,
    lent_by_readings,
    moderation,
    variance_priors,
)
from crosscellar.effects.picks import TRIANGLES
from crosscellar.effects.spreads import PRIORS
from crosscellar.store import Store

#: A store of fewer items is read whole: that is quick, and nothing needs to lie beside it.
LARGE: Final = 300_000


def effects_of_one(
    store: Store,
    design: pl.DataFrame,
    planned: pl.DataFrame,
    contract: Contract,
    *,
    question: str,
    same_laboratory: bool = True,
) -> pl.DataFrame:
    """The effects of one question, the same to the last digit as `effects_of_store` makes of the whole store.

    Parameters
    ----------
    design
        DESIGN of the whole network.
    planned
        What is planned in any trial under the names of the question's responses.

    Responses read off logs and tasting panels need those of all trials, and are read so.
    """
    names = lent_by_readings(planned["response"].unique(), contract)
    measured = pl.col("response").is_in(names)
    trials = pl.col("question_id") == question
    own = design.filter(trials)
    own_trials = own["trial_id"].unique().sort().to_list()
    readings = store.measured(analytes=names, trials=own_trials)
    lab = effects_of_store(
        readings,
        own,
        planned.filter(measured & pl.col("trial_id").is_in(own_trials)),
        contract,
        question=question,
        same_laboratory=same_laboratory,
        priors=lent(store, design, planned.filter(measured), contract, analytes=names),
    )
    rest = planned.filter(~measured)
    # Triangles lean on no other trial.
    leans = not rest["response"].is_in(list(TRIANGLES)).all()
    logged = analytes_needed(rest["response"].unique(), contract)
    others = effects_of_store(
        store.measured(analytes=logged) if logged else readings.clear(),
        design if leans else own,
        rest,
        contract,
        picks=store.picks(),
        scores=store.scores(),
        question=question,
        same_laboratory=same_laboratory,
    )
    return in_turn(pl.concat([lab, others], how="diagonal"))


def lent(
    store: Store,
    design: pl.DataFrame,
    planned: pl.DataFrame,
    contract: Contract,
    *,
    analytes: Collection[str],
) -> pl.DataFrame:
    """What the network's trials lend each other on these analytes (PRIORS), from beside the store if there.

    Analyte by analyte, so that memory holds the readings of one.
    """
    state = f"{store.state()} {_made_by(contract)}"
    known = store.recall(state)
    missing = [name for name in analytes if name not in known]
    for name in missing:
        priors, _ = variance_priors(
            store.measured(analytes=[name]),
            design,
            contract,
            responses=planned.filter(pl.col("response") == name),
        )
        known[name] = [list(row) for row in priors.rows()]
    if missing:
        store.remember(state, known)
    rows: list[Any] = [row for name in analytes for row in known[name]]
    return pl.DataFrame(rows, schema=PRIORS, orient="row")


def _made_by(contract: Contract) -> str:
    """A SHA-256 that is another where the program, or the contract, would work out other numbers."""
    files = [*Path(moderation.__file__).parent.glob("*.py"), *contract.folder.glob("*.toml")]
    return hashlib.sha256(b"".join(path.read_bytes() for path in sorted(files))).hexdigest()
