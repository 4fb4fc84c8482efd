"""One question's effects out of a large store: its own trials, and what the network lends them.

A vessel variance leans on every trial of the network that measured the same analyte. What they lend comes
to a few numbers an analyte: kept beside the store, so that a question reads its own trials only, together
with each trial's variances, so that after a change only the trials that it touched are read again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection
from functools import cache
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
    priors_of_trials,
    trial_variances,
)
from crosscellar.effects.measures import planned_measures
from crosscellar.effects.planned import TRIANGLES
from crosscellar.effects.spreads import PRIORS
from crosscellar.store import Store

#: A store of fewer items is read whole: that is quick, and nothing needs to lie beside it.
LARGE: Final = 300_000

#: Trials touched, for each vessel of the network, beyond which the analyte is read again in all of them.
FEW: Final = 0.01


def effects_of_one(
    store: Store,
    design: pl.DataFrame,
    planned: pl.DataFrame,
    contract: Contract,
    *,
    question: str,
    network: Callable[[], tuple[pl.DataFrame, pl.DataFrame]],
    same_laboratory: bool = True,
) -> pl.DataFrame:
    """The effects of one question, the same to the last digit as `effects_of_store` makes of the whole store.

    Parameters
    ----------
    design, planned
        DESIGN and planned responses of the question's own trials.
    network
        Gives those of all trials, where they are needed: responses read off logs and tasting panels lean on
        all, and so does what the network lends where none of it lies beside the store.
    """
    names = lent_by_readings(planned["response"].unique(), contract)
    measured = planned.filter(pl.col("response").is_in(names))
    rest = planned.filter(~pl.col("response").is_in(names))
    trials = design["trial_id"].unique().sort().to_list()
    readings = store.measured(analytes=names, trials=trials, stages=_stages(measured))
    lab = effects_of_store(
        readings,
        design,
        measured,
        contract,
        question=question,
        same_laboratory=same_laboratory,
        priors=lent(store, lambda: network()[0], contract, scales=_scales(measured, contract)),
    )
    # Triangles lean on no other trial.
    if not rest["response"].is_in(list(TRIANGLES)).all():
        design, everything = network()
        rest = everything.filter(pl.col("response").is_in([*rest["response"], *TRIANGLES]))
    logged = analytes_needed(rest["response"].unique(), contract)
    others = effects_of_store(
        store.measured(analytes=logged) if logged else readings.clear(),
        design,
        rest,
        contract,
        picks=store.picks(),
        scores=store.scores(),
        question=question,
        same_laboratory=same_laboratory,
    )
    return in_turn(pl.concat([lab, others], how="diagonal"))


def _stages(planned: pl.DataFrame) -> list[str] | None:
    """The stages at which these responses are asked for; None where one is at any stage."""
    stages = planned["stage"].replace("", None)
    return None if stages.has_nulls() else stages.unique().sort().to_list()


def _scales(planned: pl.DataFrame, contract: Contract) -> list[tuple[str, bool]]:
    """On which scales these responses are compared."""
    measures = planned_measures(
        planned["response"].to_list(), contract, planned["measure"].to_list(), measure=None
    )
    return measures.select("analyte", "log").unique().sort("analyte", "log").rows()


def lent(
    store: Store,
    design: Callable[[], pl.DataFrame],
    contract: Contract,
    *,
    scales: Collection[tuple[str, bool]],
) -> pl.DataFrame:
    """What the network's trials lend each other (PRIORS) on these scales: analyte, and whether in logarithms.

    What lies beside the store is taken as it is, or worked out anew for the trials that a change touched;
    scale by scale, so that memory holds the readings of one analyte. `design` gives DESIGN of the whole
    network where it is needed.
    """
    made_by = _made_by(contract)
    rows = [
        row
        for analyte, log in scales
        for row in _lent_on(store, design, contract, analyte=analyte, log=log, made_by=made_by)
    ]
    return pl.DataFrame(rows, schema=PRIORS, orient="row")


def keep_up(store: Store, design: Callable[[], pl.DataFrame], contract: Contract) -> None:
    """Nothing; what lies beside the store follows the changes made to it, and the next answer finds it so.

    `design` gives DESIGN of the whole network. A scale on which more than a few trials were touched is left
    to the question that asks for it.
    """
    kept = [_scale_of(name) for name in store.names_kept]
    scales = [scale for scale in kept if scale is not None]
    made_by = _made_by(contract) if scales else ""
    # Most decisions touch none, and then the register need not be read.
    once = cache(design)
    for analyte, log in scales:
        _lent_on(store, once, contract, analyte=analyte, log=log, made_by=made_by, anew=False)


_SCALES: Final = {True: "logarithms", False: "readings"}


def _name(analyte: str, log: bool) -> str:
    return f"{analyte}-{_SCALES[log]}"


def _scale_of(name: str) -> tuple[str, bool] | None:
    """The analyte, and whether in logarithms, of which something is kept under this name, if it is of any."""
    analyte = name.rpartition("-")[0]
    return next(((analyte, log) for log in _SCALES if name == _name(analyte, log)), None)


def _lent_on(
    store: Store,
    design: Callable[[], pl.DataFrame],
    contract: Contract,
    *,
    analyte: str,
    log: bool,
    made_by: str,
    anew: bool = True,
) -> list[Any]:
    """The priors on one scale; without `anew` none where the readings of all trials would be needed."""
    name = _name(analyte, log)
    kept = store.recall(name, made_by=made_by)
    if kept is not None and kept.current:
        return list(kept.told)
    touched = None if kept is None else store.trials_touched(analyte, since=kept.entry)
    if kept is not None and touched == []:
        return list(kept.told)
    if touched is None and not anew:
        return []
    vessels = design()
    few = touched is not None and len(touched) <= FEW * vessels.height
    rows = kept.rows() if kept is not None and few else None
    if rows is not None and touched is not None:
        of_touched = pl.col("trial_id").is_in(touched)
        fresh = trial_variances(
            store.measured(analytes=[analyte], trials=touched),
            vessels.filter(of_touched),
            contract,
            log=log,
        )
        lending = rows.filter(~of_touched).merge_sorted(fresh, key="trial_id")
    elif anew:
        lending = trial_variances(store.repeats_of(analyte), vessels, contract, log=log)
    else:
        return []
    told = [list(row) for row in priors_of_trials(lending).rows()]
    store.remember(name, made_by=made_by, told=told, rows=lending)
    return told


def _made_by(contract: Contract) -> str:
    """A SHA-256 that is another where the program, or the contract, would work out other numbers."""
    files = [*Path(moderation.__file__).parent.glob("*.py"), *contract.folder.glob("*.toml")]
    return hashlib.sha256(b"".join(path.read_bytes() for path in sorted(files))).hexdigest()
