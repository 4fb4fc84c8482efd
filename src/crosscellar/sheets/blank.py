"""Blank workbooks made from the register: what goes out before harvest and comes back filled in."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

import polars as pl

from crosscellar.contract import Analyte, Contract
from crosscellar.contract.tabs import LABELS, READ_ME
from crosscellar.errors import CrosscellarError, NotComputable, RegisterRefused, UnknownName
from crosscellar.register import Register
from crosscellar.register.checks import damaged_identifiers
from crosscellar.sheets.book import Book, Column
from crosscellar.sheets.labels import SAMPLES, laboratory_plan, samples_of
from crosscellar.sheets.protocol import protocol_parts
from crosscellar.sheets.tasting import KINDS, tasting_files, write_tasting

#: What a cellar reads its ferments in: the heading of the log's column, and the analyte.
FERMENT_READINGS: Final = {
    "brix": "Brix (°Bx)",
    "density": "Density (g/mL)",
    "specific_gravity": "Specific gravity",
}
#: Open rows below a laboratory's, for repeats and for samples that nobody planned.
_SPARE_ROWS: Final = 10
_LOGGED: Final = ("days_to_dry", "max_ferment_rate", "stuck")


@dataclass(frozen=True, slots=True)
class BlankSheets:
    """What was written.

    Attributes
    ----------
    workbooks
        One for each trial with readings to send to the site.
    ballots
        One for each tasting, with codes alone: for the assessors.
    keys
        One for each tasting, with what stands behind the codes: for the coordinator, and to be returned.
    samples
        The labels (register's table `samples`): intake reads sheets by label once the register has them.
        samples.csv lists them with all others of the register.
    """

    workbooks: tuple[Path, ...]
    ballots: tuple[Path, ...]
    keys: tuple[Path, ...]
    samples: pl.DataFrame
    samples_file: Path

    @property
    def paths(self) -> tuple[Path, ...]:
        """Every file written."""
        return (*self.workbooks, *self.ballots, *self.keys, self.samples_file)


def write_sheets(
    register: Register,
    out: str | Path,
    *,
    contract: Contract,
    seed: int,
    season: int | None = None,
    trials: Sequence[str] | None = None,
    ferment_reading: str = "brix",
    ferment_days: int = 21,
    scale: tuple[float, float] = (0, 10),
) -> BlankSheets:
    """Blank workbooks for the trials of the register that are not lost, in the folder `out`.

    The same register and seed give the same files. Sites' workbooks lie in `out`, ballots in `out/ballots`,
    keys in `out/keys`; a key never goes where its ballots go.

    Parameters
    ----------
    register, contract
        What is planned, and what may be measured.
    out
        A folder; made if it is not there.
    seed
        Of the serving orders and three-digit codes; printed on each key.
    season, trials
        Only these.
    ferment_reading
        brix, density or specific_gravity: the column of the ferment log.
    ferment_days
        Rows of the log for each vessel.
    scale
        The ends of the scale of scores.

    Raises
    ------
    RegisterRefused
        With `faults`, for identifiers that a spreadsheet would turn into a number or a date.
    UnknownName
        For a trial or a ferment reading that is not known.
    NotComputable
        When no trial is left to make a sheet for.
    CrosscellarError
        When a workbook of the same name is there already; nothing is written then.
    """
    if ferment_reading not in FERMENT_READINGS:
        raise UnknownName(
            f"{ferment_reading!r} is not a reading of a ferment log",
            next_step=f"Use one of: {', '.join(FERMENT_READINGS)}.",
        )
    chosen = _chosen(register, season, trials)
    _refuse_damaged(register, chosen)
    out = Path(out)
    names = _file_names(chosen["trial_id"].to_list())
    _refuse_taken(out, names.values())
    out.mkdir(parents=True, exist_ok=True)
    labels = samples_of(register, contract).join(chosen.select("trial_id"), on="trial_id", how="semi")
    asked = laboratory_plan(register, contract)
    workbooks, ballots, keys = [], [], []
    for trial in chosen.iter_rows(named=True):
        trial_id = trial["trial_id"]
        vessels = register.vessels.filter(pl.col("trial_id") == trial_id).sort("arm_id", "vessel_id")
        planned = register.responses.filter(pl.col("trial_id") == trial_id)
        laboratory = asked.filter(pl.col("trial_id") == trial_id)
        logged = planned["response"].is_in(_LOGGED).any()
        own = labels.filter(pl.col("trial_id") == trial_id)
        if laboratory.height or logged:
            path = out / f"{names[trial_id]}.xlsx"
            with Book(path, title=f"Trial {trial_id}", made=datetime(trial["season"], 1, 1)) as book:  # noqa: DTZ001
                book.words(
                    READ_ME,
                    f"Trial {trial_id}",
                    protocol_parts(trial, register, laboratory, contract, logged=bool(logged)),
                )
                if laboratory.height:
                    _laboratory_tab(book, trial, vessels, laboratory, own, register, contract)
                if logged:
                    _log_tab(book, trial, vessels, FERMENT_READINGS[ferment_reading], ferment_days)
                if own.height:
                    book.cards(LABELS, [*_cards(own, contract)])
            workbooks.append(path)
        for ballot, key in write_tasting(
            trial, register, out, contract=contract, seed=seed, scale=scale, file_name=names[trial_id]
        ):
            ballots.append(ballot)
            keys.append(key)
    samples_file = out / "samples.csv"
    # Once it lies in the register it stands for all labels: those of other trials and seasons belong in it.
    before = register.samples.join(labels, on="sample_id", how="anti").select(SAMPLES)
    pl.concat([before, labels.select(SAMPLES)]).write_csv(samples_file)
    return BlankSheets(tuple(workbooks), tuple(ballots), tuple(keys), labels, samples_file)


def heading_of(analyte: Analyte, contract: Contract) -> str:
    """The heading of an analyte's column with its unit, in words that intake reads as this analyte alone."""
    names = [analyte.name.split(" (")[0], *analyte.aliases, analyte.id]
    if "(" not in analyte.name:
        names.insert(0, analyte.name)
    name = next((name for name in names if contract.name_analyte(name).id == analyte.id), analyte.id)
    return name if analyte.unit in {"pH", "1"} else f"{name} ({analyte.unit})"


def hint_of(analyte: Analyte, stage_ids: Sequence[str], contract: Contract) -> str:
    """What to type in an analyte's cells: its unit, what is usual, and how to write less than the limit."""
    limits = [contract.limits(analyte.id, stage) for stage in stage_ids]
    low, high = min(each.unusual_low for each in limits), max(each.unusual_high for each in limits)
    unit = "" if analyte.unit in {"pH", "1"} else f" {analyte.unit}"
    return (
        f"{analyte.name}: usually {low:g} to {high:g}{unit}. Below the laboratory's limit: write < and the "
        "limit, as <0.1. Not measured: leave empty."
    )


def _chosen(register: Register, season: int | None, trials: Sequence[str] | None) -> pl.DataFrame:
    known = register.trials["trial_id"].to_list()
    if trials is not None and (strange := [trial for trial in trials if trial not in known]):
        raise UnknownName(
            f"The trial {strange[0]!r} is not in the register",
            next_step="Check its code in the table trials.",
        )
    chosen = register.trials.filter(pl.col("status").fill_null("running") != "lost")
    if season is not None:
        chosen = chosen.filter(pl.col("season") == season)
    if trials is not None:
        chosen = chosen.filter(pl.col("trial_id").is_in(list(trials)))
    if chosen.is_empty():
        raise NotComputable(
            "there is no trial to make a sheet for",
            next_step="Enter the season's trials in the register, or ask for another season.",
        )
    return chosen.sort("trial_id")


def _refuse_taken(out: Path, names: Collection[str]) -> None:
    """Raise for a folder that holds a workbook of one of these trials: it may have come back filled in."""
    possible = [out / f"{name}.xlsx" for name in names]
    possible += [path for name in names for kind in KINDS for path in tasting_files(out, name, kind)]
    there = [path for path in possible if path.exists()]
    if there:
        more = f" (and {len(there) - 1} more)" if len(there) > 1 else ""
        raise CrosscellarError(
            f"a workbook of this name is here already{more} and may be filled in, so no sheet was written",
            where=there[0],
            next_step=f"Name another folder or single trials, or move {'them' if more else 'it'} away.",
        )


def _refuse_damaged(register: Register, chosen: pl.DataFrame) -> None:
    """Identifiers that come back as something else would make every reading a riddle."""
    faults = damaged_identifiers(register, chosen)
    if faults:
        raise RegisterRefused(
            f"no sheet was made, because {len(faults)} identifiers would not come back as they went out"
            if len(faults) > 1
            else "no sheet was made, because an identifier would not come back as it went out",
            next_step="Put a letter before them in the register, such as B before a barrel's number; sheets "
            "of other trials can be made meanwhile (--trial).",
            faults=tuple(faults),
        )


def _laboratory_tab(
    book: Book,
    trial: dict[str, Any],
    vessels: pl.DataFrame,
    laboratory: pl.DataFrame,
    labels: pl.DataFrame,
    register: Register,
    contract: Contract,
) -> None:
    """One row a vessel and stage, one column an analyte; what a stage does not ask for is shaded."""
    order = {stage: number for number, stage in enumerate(contract.stages)}
    stages = sorted(laboratory["stage"].unique().to_list(), key=lambda stage: order.get(stage, len(order)))
    analytes = laboratory["analyte"].unique(maintain_order=True).to_list()
    planned = set(laboratory.select("stage", "analyte").iter_rows())
    labs = register.labs["lab_id"].unique(maintain_order=True).to_list()
    for name, choices in (
        ("trial", [trial["trial_id"]]),
        ("arms", vessels["arm_id"].to_list()),
        ("vessels", vessels["vessel_id"].to_list()),
        ("stages", [contract.stages[stage].name for stage in stages]),
        ("labs", labs),
    ):
        if choices:
            book.offer(name, choices)
    named = {(row[3], row[4]): row[0] for row in labels.select(SAMPLES).iter_rows()}
    columns = [
        Column("Trial", choices="trial", width=13),
        Column("Arm", choices="arms", width=15),
        Column("Vessel", choices="vessels", width=10),
        Column("Stage", choices="stages", width=24),
        Column("Sample label", width=16),
        _date_column("Sampled on", trial["season"]),
        *(
            Column(
                heading_of(contract.analytes[analyte], contract),
                "number",
                hint=hint_of(
                    contract.analytes[analyte],
                    laboratory.filter(pl.col("analyte") == analyte)["stage"].to_list(),
                    contract,
                ),
                width=13,
            )
            for analyte in analytes
        ),
        Column("Repeat", "number", hint="2 for a second reading of the same sample, else empty.", width=9),
        Column("Laboratory", "text", choices="labs" if labs else "", hint="Who measured it.", width=14),
        Column("Note", "text", hint="Anything worth knowing. No names of people.", width=30),
    ]
    rows: list[list[str | float | None]] = [
        [
            trial["trial_id"],
            vessel["arm_id"],
            vessel["vessel_id"],
            contract.stages[stage].name,
            named.get((vessel["vessel_id"], stage), ""),
            None,
            *(None if (stage, analyte) in planned else "" for analyte in analytes),
            None,
            None,
            None,
        ]
        for stage in stages
        for vessel in vessels.iter_rows(named=True)
    ]
    book.table("Laboratory", columns, rows, spare=_SPARE_ROWS)


def _log_tab(book: Book, trial: dict[str, Any], vessels: pl.DataFrame, heading: str, days: int) -> None:
    """One row a day and vessel, in the order of a walk through the cellar."""
    columns = [
        Column("Trial", width=13),
        Column("Arm", width=15),
        Column("Vessel", width=10),
        _date_column("Date", trial["season"]),
        Column("Time", "time", hint="As 07:30.", width=9),
        Column(heading, "number", hint="The same instrument throughout, read the same way.", width=14),
        Column("Temperature (°C)", "number", hint="Of the liquid, in °C.", width=13),
        Column("Note", "text", hint="Additions, pump-overs, anything worth knowing.", width=40),
    ]
    walk = vessels.select("arm_id", "vessel_id").rows()
    rows: list[list[str | float | None]] = [
        [trial["trial_id"], arm, vessel, None, None, None, None, None]
        for _ in range(days)
        for arm, vessel in walk
    ]
    book.table("Ferment log", columns, rows)


def _date_column(heading: str, season: int) -> Column:
    return Column(
        heading,
        "date",
        hint="As 2026-09-30: year, month, day.",
        width=13,
        earliest=date(season - 1, 7, 1),
        latest=date(season + 5, 12, 31),
    )


def _cards(labels: pl.DataFrame, contract: Contract) -> Iterator[tuple[str, str]]:
    for row in labels.iter_rows(named=True):
        stage = contract.stages[row["stage"]].name if row["stage"] in contract.stages else row["stage"]
        yield row["sample_id"], f"{row['vessel_id']} · {stage}\ndrawn on ____________"


def _file_names(trials: Sequence[str]) -> dict[str, str]:
    """Each trial's code as the name of a file on any system, no two alike."""
    names: dict[str, str] = {}
    for trial in trials:
        plain = "".join(mark if mark.isalnum() or mark in "-_" else "_" for mark in trial)
        name, turn = plain, 1
        while name in names.values():
            turn += 1
            name = f"{plain}_{turn}"
        names[trial] = name
    return names
