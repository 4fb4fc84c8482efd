"""What a batch of documents comes to: every item accepted, refused, held, already there or blank, and why."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import date
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.frames import Batch
from crosscellar.contract.records import Rule
from crosscellar.intake.beside import in_order, put_beside
from crosscellar.intake.bounds import judge_limits
from crosscellar.intake.conflicts import compare, compared
from crosscellar.intake.day_order import suggest_order
from crosscellar.intake.door import look_again
from crosscellar.intake.findings import Faults, fold
from crosscellar.intake.gather import Gathered, gather
from crosscellar.intake.grid import Document, Unreadable
from crosscellar.intake.headings import HeadingReader
from crosscellar.intake.identity import identify
from crosscellar.intake.lookup import StoredLookup
from crosscellar.intake.measure import measure
from crosscellar.intake.naming import name_analytes, name_stages, read_days, read_replicates
from crosscellar.intake.outcomes import SHAPES, as_target, complete, count, decide, set_aside, target_columns
from crosscellar.intake.rules import SAYS_MORE, UNSEEN, apply_rules, rule_of
from crosscellar.intake.sensory import judge_picks, judge_scores
from crosscellar.intake.values import judge_marks, read_values, tell_values

if TYPE_CHECKING:
    from crosscellar.register import Register

#: Refusals that leave nothing else to say about a row, gravest first.
_STOPPERS: Final = (
    "missing_column",
    "columns_swapped",
    "sheet_not_recognised",
    "unknown_sample",
    "unknown_trial",
    "control_character",
    "unknown_vessel",
    "unknown_arm",
    "vessel_of_other_arm",
)
_MOSTLY: Final = 0.6
#: Beside the trials of a batch, rules hold its readings against so many of the newest in the store.
_NEWEST: Final = 100_000


def check_documents(
    documents: Iterable[Document | Unreadable],
    register: Register,
    contract: Contract,
    *,
    stored: StoredLookup,
    received: date,
    correction: bool = False,
    settings: Mapping[str, Mapping[str, float]] | None = None,
) -> Batch:
    """Everything that these documents hold, judged; nothing is stored.

    Parameters
    ----------
    documents
        From `read_documents`, in the order in which they are to be taken in. Those of an iterator are let go
        once their cells were read.
    register, contract
        The network's trials and declarations, and what may be measured.
    stored
        The store as it stands; `NothingStored()` for a first look.
    received
        The day on which the sheets came in: no sample is younger.
    correction
        Whether another value for a stored item replaces it instead of being held.
    settings
        Settings of rules over several cells that differ from the contract's: code -> name -> number;
        `{"on": 0}` switches a rule off.

    Returns
    -------
    Batch
        For every file readings_in = accepted + refused + held + already + blank.
    """
    faults = Faults(contract.rules)
    aliases = dict(register.aliases.select("written", "means").iter_rows()) if len(register.aliases) else {}
    reader = HeadingReader(contract, aliases)
    gathered = gather(documents, contract, reader, _known_ids(register), _homes(register), faults)
    fahrenheit = rule_of(contract, "temperature_in_fahrenheit", settings)
    items = _read(gathered, register, contract, aliases, reader, received, fahrenheit, faults)
    gathered.items = gathered.items.clear()
    items = items.with_columns(already=pl.lit(False), supersedes=pl.lit(False))
    judged = decide(items, _silenced(faults.frame()))
    enters = (pl.col("outcome") == "accepted").alias("enters")
    said = len(faults)
    look_again({target: as_target(judged, target, "item_no", enters) for target in SHAPES}, contract, faults)
    if len(faults) > said:
        judged = decide(judged, _silenced(faults.frame()))
    _tell_rules(judged, register, contract, stored, settings, faults)
    judged = decide(judged, _silenced(faults.frame()))
    judged = _against_stored(judged, stored, correction=correction, faults=faults)
    judged = decide(judged, _silenced(faults.frame()))
    judged = _as_decided(judged, gathered.files, stored, faults)
    spoken = _said_once(_silenced(faults.frame()))
    spoken = suggest_order(spoken, judged, stored, register, contract, received=received)
    # What is in the store already needs no question, whatever else was odd about its cell.
    settled = pl.col("outcome").is_in(["already", "blank"]) | pl.col("left_out")
    done = judged.filter(settled)["item_no"].to_list()
    spoken = spoken.filter(
        pl.col("item_no").is_null() | ~pl.col("item_no").is_in(done) | (pl.col("severity") == "remark")
    )
    return _batch(gathered, judged, spoken, contract, stored, correction=correction)


def _known_ids(register: Register) -> frozenset[str]:
    return frozenset(
        register.vessels["vessel_id"].to_list()
        + register.trials["trial_id"].to_list()
        + register.arms["arm_id"].to_list()
    )


def _homes(register: Register) -> dict[str, dict[str, str]]:
    homes: dict[str, dict[str, str]] = {}
    for trial, vessel, arm in register.vessels.select("trial_id", "vessel_id", "arm_id").iter_rows():
        homes.setdefault(trial, {})[vessel] = arm
    return homes


#: From these a stage is reached within months: a day without a year is of the vintage.
_AT_HARVEST: Final = ("harvest", "inoculation")


def _read(
    gathered: Gathered,
    register: Register,
    contract: Contract,
    aliases: Mapping[str, str],
    reader: HeadingReader,
    received: date,
    fahrenheit: Rule | None,
    faults: Faults,
) -> pl.DataFrame:
    """Items with every field in canonical words, and their faults told."""
    items = read_values(gathered.items, gathered.separators)
    items = items.with_columns(pl.lit(False).alias("stopped"))
    _tell_swapped(items, reader, faults)
    items = judge_marks(items, gathered.marks, faults)
    items = identify(items, register, faults)
    items = name_stages(items, contract, aliases, faults)
    items = name_analytes(items, contract, aliases, faults)
    seasons = register.trials.select("trial_id", "season", "site_id").join(
        register.sites.select("site_id", "hemisphere"), on="site_id", how="left"
    )
    near = [stage.id for stage in contract.stages.values() if stage.reference in _AT_HARVEST]
    items = read_days(items, seasons, near, gathered.date_systems, received, faults)
    items = read_replicates(items, faults)
    items = measure(items, register.labs, contract, aliases, faults)
    tell_values(items, faults)
    items = judge_limits(items, contract, faults, fahrenheit=fahrenheit)
    items = judge_scores(judge_picks(items, register, faults), register, faults)
    names = gathered.files.select("file_no", "file")
    return put_beside(target_columns(items), names, "file_no")


def _tell_swapped(items: pl.DataFrame, reader: HeadingReader, faults: Faults) -> None:
    """One message for a table whose value column holds units and whose unit column holds numbers."""
    told_of = ["item_no", "table_no", "file_no", "sheet", "heading_row", "column", "text_sent"]
    long = (pl.col("kind") == "lab_long") & ~pl.col("blank")
    mostly_odd = (pl.col("problem") != "").mean().fill_null(0) >= _MOSTLY
    tables = items.lazy().filter(long).group_by("table_no").agg(mostly_odd.alias("odd")).filter("odd")
    odd = tables.select("table_no").collect().to_series()
    if odd.is_empty():
        return
    of_odd = items.lazy().filter(long & pl.col("table_no").is_in(odd.implode()))
    rows = of_odd.select(*told_of, "unit_sent", "problem").collect()
    number = pl.col("unit_sent").str.contains(r"^\s*[<>]?[+-]?[0-9][0-9.,]*\s*$").fill_null(False)
    swapped = rows.with_columns((number & (pl.col("problem") != "")).mean().over("table_no").alias("share"))
    swapped = swapped.filter(pl.col("share") >= _MOSTLY)
    faults.add(
        swapped,
        "columns_swapped",
        pl.lit("The value column holds units and the unit column holds numbers: exchanged?"),
        "Exchange the two columns, and send the sheet again.",
        value=pl.lit(""),
        row="heading_row",
    )


def _silenced(faults: pl.DataFrame) -> pl.DataFrame:
    """Faults without those of rows that one refusal stopped already."""
    order = {code: place for place, code in enumerate(_STOPPERS)}
    stopping = faults.lazy().filter(pl.col("code").is_in(_STOPPERS) & pl.col("item_no").is_not_null())
    rank = pl.col("code").replace_strict(order, return_dtype=pl.Int32)
    gravest = stopping.group_by("item_no").agg(pl.col("code").sort_by(rank).first().alias("gravest"))
    stopped = gravest.collect()
    if stopped.is_empty():
        return faults
    # Faults are many where a unit was converted all down a column, and stopped rows are few.
    of_stopped = pl.col("item_no").is_in(stopped["item_no"].implode()).fill_null(False)
    speaks = faults.select(said=~of_stopped)["said"]
    at = (~speaks).arg_true()
    said = faults[at].join(stopped, on="item_no", how="left", maintain_order="left")
    return faults.filter(speaks.scatter(at, said["code"] == said["gravest"]))


def _said_once(faults: pl.DataFrame) -> pl.DataFrame:
    """Faults without the remark that a reading is unusual where a rule says of it what is unusual."""
    better = faults.filter(pl.col("code").is_in(SAYS_MORE))["item_no"].drop_nulls().to_list()
    return faults.filter(
        (pl.col("code") != "implausible") | ~pl.col("item_no").is_in(better).fill_null(False)
    )


def _tell_rules(
    items: pl.DataFrame,
    register: Register,
    contract: Contract,
    stored: StoredLookup,
    settings: Mapping[str, Mapping[str, float]] | None,
    faults: Faults,
) -> None:
    """What the rules over several cells object to, told at the cell each speaks of."""
    known = pl.all_horizontal(pl.col("vessel_id", "stage", "analyte", "value").is_not_null())
    entering = (pl.col("outcome") == "accepted").alias("entering")
    said = known & ~pl.col("blank")
    trials = items.lazy().filter((pl.col("target") == "readings") & said).select(pl.col("trial_id").unique())
    picks, scores = _entering(items, "picks"), _entering(items, "scores")
    tasted = {"picks": picks["trial_id"].unique().sort(), "scores": scores["trial_id"].unique().sort()}
    peers = stored.peers_of(trials.collect().to_series().sort().to_list(), newest=_NEWEST)
    # Made for the rules alone, which let it go once they have copied what they look at.
    hits = apply_rules(
        as_target(items, "readings", "item_no", entering, where=said, without=UNSEEN),
        peers.filter(pl.col("trial_id").is_in(register.trials["trial_id"].implode())),
        picks,
        scores,
        register,
        contract,
        stored_picks=stored.picks(trials=tasted["picks"].to_list()) if len(tasted["picks"]) else None,
        stored_scores=stored.scores(trials=tasted["scores"].to_list()) if len(tasted["scores"]) else None,
        settings=settings,
    )
    spoken_of = items.lazy().filter(pl.col("item_no").is_in(hits["at_no"].unique().implode()))
    places = spoken_of.select(
        pl.col("item_no").alias("at_no"), "file_no", "sheet", "row", "column", "text_sent"
    ).collect()
    told = _of_whole_sessions(hits, items).join(places, on="at_no", how="inner", maintain_order="left")
    for severity in ("hold", "remark"):
        faults.add(
            told.filter(pl.col("severity") == severity),
            pl.col("code"),
            pl.col("message"),
            pl.col("suggestion"),
            severity=severity,
        )


#: Rules on the orders served in a session: what was refused or waits was served too.
_ON_ORDERS: Final = ("serving_unbalanced", "one_wine_always_odd")


def _of_whole_sessions(hits: pl.DataFrame, items: pl.DataFrame) -> pl.DataFrame:
    """Hits without those on the orders of a session of which some picks did not enter so far."""
    if not hits["code"].is_in(_ON_ORDERS).any():
        return hits
    session = ["trial_id", "session_id"]
    picks = items.filter((pl.col("target") == "picks") & ~pl.col("blank"))
    waits = picks.filter(~pl.col("outcome").is_in(["accepted", "already"])).select(session).unique()
    part = picks.join(waits, on=session, how="semi", nulls_equal=True)["item_no"]
    return hits.filter(~(pl.col("code").is_in(_ON_ORDERS) & pl.col("at_no").is_in(part.implode())))


def _entering(items: pl.DataFrame, target: str) -> pl.DataFrame:
    """What would enter as things stand, in the columns of its target, with item numbers."""
    return as_target(items, target, "item_no", where=pl.col("outcome") == "accepted")


def _against_stored(
    items: pl.DataFrame, stored: StoredLookup, *, correction: bool, faults: Faults
) -> pl.DataFrame:
    answers = []
    for target in SHAPES:
        open_ = (pl.col("outcome") == "accepted").alias("open")
        whole = pl.col("outcome").is_in(["accepted", "held"]) & complete(target)
        beside = [name for name in SHAPES[target] if name not in compared(target)]
        typed = as_target(items, target, "item_no", open_, where=whole, without=beside)
        if not typed.is_empty():
            answers.append(compare(typed, target, stored, correction=correction, faults=faults))
    items = items.drop("already", "supersedes")
    if not answers:
        return items.with_columns(
            pl.lit(False).alias("already"),
            pl.lit(False).alias("supersedes"),
            pl.lit(None, dtype=pl.String).alias("current"),
            pl.lit(None, dtype=pl.String).alias("since"),
        )
    items = put_beside(items, pl.concat(answers), "item_no")
    return items.with_columns(pl.col("already", "supersedes").fill_null(False))


def _as_decided(
    items: pl.DataFrame, files: pl.DataFrame, stored: StoredLookup, faults: Faults
) -> pl.DataFrame:
    """Items of files whose bytes came before as they were decided then, and `left_out`: they wait no more."""
    items = items.with_columns(left_out=pl.lit(False))
    waiting = items.filter(pl.col("outcome") == "held").select("item_no", "file_no", "sheet", "row", "column")
    files = files.drop_nulls("sha256").join(waiting, on="file_no", how="semi")
    decided = stored.decided_cells(files["sha256"].unique().sort().to_list()) if len(files) else None
    if decided is None or decided.is_empty():
        return items
    cells = decided.join(files.select("file_no", "sha256"), on="sha256")
    place = ["file_no", "sheet", "row", "column"]
    found = waiting.with_columns(pl.col("sheet").fill_null("")).join(cells, on=place, nulls_equal=True)
    stands, out = (found.filter(pl.col("verdict") == word)["item_no"] for word in ("accept", "refuse"))
    faults.add(
        items.filter(pl.col("item_no").is_in(out.implode())),
        "decided_before",
        pl.format("{} was left out by a decision when this file came before.", "text_sent"),
        "If it counts after all, accept the finding that was refused: a later decision stands.",
    )
    outcome = (
        pl.when(pl.col("item_no").is_in(stands.implode()))
        .then(pl.lit("already"))
        .when(pl.col("item_no").is_in(out.implode()))
        .then(pl.lit("refused"))
        .otherwise("outcome")
    )
    return items.with_columns(outcome.alias("outcome"), left_out=pl.col("item_no").is_in(out.implode()))


def _batch(
    gathered: Gathered,
    items: pl.DataFrame,
    faults: pl.DataFrame,
    contract: Contract,
    stored: StoredLookup,
    *,
    correction: bool,
) -> Batch:
    names = gathered.files.select("file_no", "file")
    files = _told_copies(
        gathered.files.join(_known(gathered.files, stored), on="sha256", how="left", maintain_order="left")
    )
    undoing = [*_undoing(faults, items, files), *_asked_otherwise(faults, items, files, stored)]
    undoes = pl.col("file_no").is_in(undoing) & pl.col("copy_of").is_null()
    counted = count(items, files.with_columns(undoes.alias("undoes")))
    known = counted.filter(pl.col("status") == "already_taken_in").select("file_no")
    faults = _asked_once(faults, files.join(known, on="file_no", how="semi"))
    notes = Faults(contract.rules)
    _tell_already(counted, items, faults["file_no"].unique().to_list(), notes)
    all_faults = pl.concat([faults, notes.frame()])
    accepted = pl.col("outcome") == "accepted"
    place = ("file_no", "sheet", "row", "column")
    kept = {target: in_order(as_target(items, target, where=accepted), place) for target in SHAPES}
    return Batch(
        files=counted,
        content=dict(gathered.content),
        readings=kept["readings"],
        picks=kept["picks"],
        scores=kept["scores"],
        set_aside=set_aside(items),
        findings=fold(all_faults, names, contract.rules),
        lines=gathered.lines,
        correction=correction,
    )


def _undoing(faults: pl.DataFrame, items: pl.DataFrame, files: pl.DataFrame) -> list[int]:
    """Files known by their bytes that would undo a correction made since they last came."""
    late = faults.filter(pl.col("code") == "would_undo_correction").select("item_no")
    since = items.join(late, on="item_no", how="semi").select("file_no", "since")
    since = since.join(files.select("file_no", "last_taken"), on="file_no", how="inner")
    newer = (pl.col("since") >= pl.col("last_taken")).fill_null(True)
    return since.filter(newer)["file_no"].unique().sort().to_list()


def _asked_otherwise(
    faults: pl.DataFrame, items: pl.DataFrame, files: pl.DataFrame, stored: StoredLookup
) -> list[int]:
    """Files known by their bytes of which something on record is not asked any more, and something waits.

    A word of the network or a laboratory's unit declared since may have answered it.
    """
    known = files.drop_nulls(["sha256", "last_taken"]).select("file_no", "sha256")
    waits = items.filter(pl.col("outcome").is_in(["held", "refused"])).select("file_no").unique()
    known = known.join(waits, on="file_no", how="semi")
    if known.is_empty():
        return []
    open_ = stored.open_questions(known["sha256"].unique().sort().to_list()).join(known, on="sha256")
    place = ["file_no", "sheet", "column", "code"]
    asked = faults.filter(pl.col("severity") != "remark").select(place)
    gone = open_.join(asked, on=place, how="anti", nulls_equal=True)
    return gone["file_no"].unique().sort().to_list()


def _known(files: pl.DataFrame, stored: StoredLookup) -> pl.DataFrame:
    """`sha256`, when and as what it came, and the last instant, for each content that came in before."""
    known = stored.known_files(files["sha256"].drop_nulls().unique().sort().to_list())
    return (
        known.group_by("sha256", maintain_order=True)
        .agg(pl.col("file").first(), pl.col("taken_at").first(), pl.col("taken_at").max().alias("last_taken"))
        .select(
            "sha256",
            "last_taken",
            pl.format("on {} as {}", pl.col("taken_at").cast(pl.String).str.slice(0, 10), "file").alias(
                "known_message"
            ),
        )
    )


def _told_copies(files: pl.DataFrame) -> pl.DataFrame:
    """The files with `copy_of`, the first of the batch with the same bytes; `known_message` tells of it."""
    copy = pl.col("sha256").is_not_null() & ~pl.col("sha256").is_first_distinct()
    first_no, first = (pl.col(name).first().over("sha256") for name in ("file_no", "file"))
    told = pl.when(copy).then(pl.format("with this batch as {}", first))
    return files.with_columns(
        pl.when(copy).then(first_no).alias("copy_of"),
        pl.coalesce("known_message", told).alias("known_message"),
        pl.col("refused_whole") & ~copy,
    )


def _asked_once(faults: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Faults with what is asked of a copy asked of the file that it copies, which has the same cells."""
    copies = known.drop_nulls("copy_of").select("file_no", "copy_of")
    if copies.is_empty():
        return faults
    faults = faults.join(copies, on="file_no", how="left", maintain_order="left")
    told = faults.filter(pl.col("copy_of").is_null() | (pl.col("severity") != "remark"))
    return told.with_columns(pl.coalesce("copy_of", "file_no").alias("file_no")).drop("copy_of")


def _tell_already(
    files: pl.DataFrame, items: pl.DataFrame, spoken_of: Collection[int], notes: Faults
) -> None:
    """Notes of what is in the store already, and of files that bring nothing where nothing else was said."""
    copies = (
        items.filter((pl.col("outcome") == "already") & pl.col("current").is_not_null())
        .group_by("file_no")
        .len()
        .sort("file_no")
    )
    number = dict(copies.iter_rows())
    for file_no, status, message, readings, blank in files.select(
        "file_no", "status", "message", "readings_in", "blank"
    ).iter_rows():
        if status == "already_taken_in":
            words = message
        elif number.get(file_no):
            words = (
                f"{number[file_no]} of {readings} readings are in the store already, with the same values."
            )
        elif status == "nothing_new" and readings == blank and (readings or file_no not in spoken_of):
            notes.note(file_no=file_no, sheet="", row=None, column=None, code="nothing_filled_in",
                       message="No reading is filled in.")  # fmt: skip
            continue
        else:
            continue
        notes.note(file_no=file_no, sheet="", row=None, column=None, code="already_taken_in", message=words)
