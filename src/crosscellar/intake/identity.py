"""Which trial, arm, vessel and sample a row speaks of: identifiers as written, matched against the register.

Typographic variants are read; another letter, or an identifier that a spreadsheet turned into a number or a
date, is proposed and waits for a yes; what is not in the register is refused with the nearest identifier.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.intake.beside import Different, few, put_beside
from crosscellar.intake.dates import read_dates
from crosscellar.intake.findings import Faults
from crosscellar.intake.known_ids import KnownIds
from crosscellar.intake.letters import normalise_id

if TYPE_CHECKING:
    from crosscellar.register import Register

_WORDS: Final = {"trial": "trial", "arm": "arm", "vessel": "vessel", "sample": "sample label"}
_PARTED: Final = re.compile(r"\s*(?:[+&/,;]|\band\b|\bund\b|\bet\b)\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Match:
    """What one written identifier comes to: `code` is empty where it is read without a word."""

    id: str | None
    code: str = ""
    message: str = ""
    suggestion: str = ""

    @property
    def stops(self) -> bool:
        """Whether the row cannot enter by itself."""
        return self.code not in ("", "id_dash", "id_width", "invisible_character", "id_case")


@dataclass(frozen=True, slots=True)
class Written:
    """An identifier as sent, in plain signs, with what was changed to get there."""

    sent: str
    id: str
    how: str
    problem: str
    proposed: str | None


class IdentifierMatcher:
    """Matches identifiers of one batch; each distinct text is looked at once, for each trial it may be of."""

    def __init__(self, texts: Iterable[str]) -> None:
        distinct = sorted(set(texts))
        read = normalise_id(pl.Series("sent", distinct, dtype=pl.String))
        self._written = {
            sent: Written(sent, row["id"] or "", row["how"] or "", row["problem"] or "", row["proposed"])
            for sent, row in zip(distinct, read.iter_rows(named=True), strict=True)
        }
        dates = read_dates(pl.Series(distinct, dtype=pl.String), order="day_first")["date"].to_list()
        self._dates = dict(zip(distinct, dates, strict=True))
        self._matched: dict[tuple[str, str, str], Match] = {}
        self._known: dict[tuple[str, str], KnownIds] = {}

    def match(self, sent: str, known: Collection[str], noun: str, of: str = "") -> Match:
        """The identifier among `known`, all that are of `of`, that `sent` names."""
        asked = (sent, noun, of)
        found = self._matched.get(asked)
        if found is None:
            names = self._known.get((noun, of))
            if names is None:
                names = self._known[noun, of] = KnownIds(known)
            found = self._matched[asked] = self._match(sent, names, noun, of)
        return found

    def _match(self, sent: str, known: KnownIds, noun: str, of: str) -> Match:
        written = self._written[sent]
        shown = sent.strip()[:60]
        if written.problem == "control_character":
            return Match(
                None,
                "control_character",
                f"The {_WORDS[noun]} holds a character that cannot be seen.",
                "Type the identifier again.",
            )
        if written.id in known and not written.problem:
            return self._read(written)
        same_case = known.of_case(written.id)
        if len(same_case) == 1 and not written.problem:
            return Match(
                same_case[0], "id_case", f"{_WORDS[noun].capitalize()} {shown} was read as {same_case[0]}."
            )
        ascii_id = written.proposed or written.id
        alike = known.of_shape(ascii_id)
        if alike:
            only = alike[0] if len(alike) == 1 else None
            return Match(
                only,
                "lookalike_id",
                f"{_WORDS[noun].capitalize()} {shown} has letters that look like others. "
                f"Is {' or '.join(alike)} meant?",
                "Confirm, or send it with the right letters.",
            )
        damaged = known.damaged(written.id, self._dates.get(sent))
        if damaged is not None:
            code, names = damaged
            turned = "a number" if code == "id_became_number" else "a date"
            return Match(
                names[0] if len(names) == 1 else None,
                code,
                f"{_WORDS[noun].capitalize()} {shown}: a spreadsheet seems to have made {turned} of it. "
                f"Is {' or '.join(names)} meant?",
                "Confirm, or format the column as text and type the identifier again.",
            )
        spelt = known.of_letters(ascii_id)
        if len(spelt) == 1:
            return Match(
                spelt[0],
                "id_spelling",
                f"{_WORDS[noun].capitalize()} {shown} is not spelt as in the register. Is {spelt[0]} meant?",
                "Confirm, or send it as the register has it.",
            )
        if noun == "vessel" and (numbered := known.of_number(written.id)) is not None:
            return Match(
                numbered,
                "id_spelling",
                f"Vessel {shown} is not spelt as in the register. Is {numbered} meant?",
                "Confirm, or send it as the register has it.",
            )
        several = {name for name in _PARTED.split(written.id) if name in known} if noun == "vessel" else set()
        if len(several) > 1:
            return Match(
                None,
                "unknown_vessel",
                f"{shown} names several vessels{f' of {of}' if of else ''}: {', '.join(sorted(several))}.",
                "Send a row for each vessel that was sampled by itself; a blend of vessels stands for none.",
            )
        near = known.nearest(ascii_id)
        where = f" of {of}" if of else " in the register"
        return Match(
            None,
            f"unknown_{noun}",
            f"There is no {_WORDS[noun]} {shown}{where}.",
            f"Is {near} meant? Send it with the right identifier."
            if near
            else "Check it against the register.",
        )

    def _read(self, written: Written) -> Match:
        for code, words in (
            ("invisible_character", "a character that cannot be seen was left out"),
            ("id_width", "wide letters were read as plain ones"),
            ("id_dash", "its dash was read as a hyphen"),
        ):
            if code in written.how.split("+"):
                return Match(written.id, code, f"{written.id}: {words}.")
        return Match(written.id)


def identify(items: pl.DataFrame, register: Register, faults: Faults) -> pl.DataFrame:
    """Items with trial_id, arm_id, vessel_id as in the register (null where not settled) and `stopped`.

    `stopped` is true where an identifier is at fault: one fault a row, the first of trial, vessel and arm.
    A label fills in trial, arm, vessel and stage.
    """
    columns = ["kind", "trial_id_sent", "arm_id_sent", "vessel_id_sent"]
    different = Different(items, columns)
    filled = _by_label(_carry_down(items, different.rows, faults), different.rows, register, faults)
    if filled is not items:
        items, different = filled, Different(filled, columns)
    rows = different.numbered.sort(columns, nulls_last=True)
    arms: dict[str, list[str]] = {}
    for trial, arm in register.arms.select("trial_id", "arm_id").iter_rows():
        arms.setdefault(trial, []).append(arm)
    vessels: dict[str, dict[str, str]] = {}
    homes: dict[str, list[str]] = {}
    for trial, arm, vessel in register.vessels.select("trial_id", "arm_id", "vessel_id").iter_rows():
        vessels.setdefault(trial, {})[vessel] = arm
        homes.setdefault(vessel, []).append(trial)
    trials = dict.fromkeys(register.trials["trial_id"].to_list())

    texts = [text for column in columns[1:] for text in rows[column].drop_nulls().to_list()]
    matcher = IdentifierMatcher(texts)
    settled = [
        _settle(kind, trial, arm, vessel, matcher, trials, arms, vessels, homes)
        for kind, trial, arm, vessel in rows.select(columns).iter_rows()
    ]
    answers = pl.DataFrame(
        [*zip(*settled, strict=True)] if settled else [[]] * len(_ANSWER), schema=_ANSWER, orient="col"
    )
    items = different.beside(items, answers.with_columns(rows["number"]))
    told = (pl.col("id_code") != "") & ~(pl.col("stopped") & (pl.col("kind") == "lab_by_label"))
    _tell(few(items, told), faults)
    stopped = pl.col("stopped") | (pl.col("id_code") != "") & pl.col("id_stops")
    read = ("trial_id_sent", "arm_id_sent", "vessel_id_sent", "sample_id_sent")
    said = (name for name in _ANSWER if name.startswith("id_"))
    return items.with_columns(stopped).drop(*read, *said)


_ANSWER: Final = {
    "trial_id": pl.String,
    "arm_id": pl.String,
    "vessel_id": pl.String,
    "id_field": pl.String,
    "id_code": pl.String,
    "id_message": pl.String,
    "id_suggestion": pl.String,
    "id_stops": pl.Boolean,
}


def _settle(
    kind: str,
    trial: str | None,
    arm: str | None,
    vessel: str | None,
    matcher: IdentifierMatcher,
    trials: Collection[str],
    arms: Mapping[str, list[str]],
    vessels: Mapping[str, Mapping[str, str]],
    homes: Mapping[str, list[str]],
) -> tuple[str | None, str | None, str | None, str, str, str, str, bool]:
    """The identifiers of one distinct row, and its first fault or remark."""

    def answer(
        found: tuple[str | None, str | None, str | None], field: str, match: Match
    ) -> tuple[str | None, str | None, str | None, str, str, str, str, bool]:
        return (*found, field, match.code, match.message, match.suggestion, match.stops)

    needs_arm = kind != "triangle"
    needs_vessel = kind not in ("triangle", "scores")
    if not (trial or "").strip():
        return answer((None, None, None), "trial_id", _left_empty("trial"))
    at_trial = matcher.match(trial or "", trials, "trial")
    if at_trial.id is None:
        return answer((None, None, None), "trial_id", at_trial)
    of = at_trial.id
    told = [("trial_id", at_trial)] if at_trial.code else []
    vessel_id: str | None = None
    if (vessel or "").strip():
        at_vessel = matcher.match(vessel or "", vessels.get(of, {}), "vessel", of)
        if at_vessel.code == "unknown_vessel":
            elsewhere = [name for name in homes.get((vessel or "").strip(), []) if name != of]
            if elsewhere:
                at_vessel = Match(
                    None, at_vessel.code, at_vessel.message, f"It is a vessel of {elsewhere[0]}."
                )
        if at_vessel.id is None:
            return answer((of, None, None), "vessel_id", at_vessel)
        vessel_id = at_vessel.id
        if at_vessel.code:
            told.append(("vessel_id", at_vessel))
    elif needs_vessel:
        return answer((of, None, None), "vessel_id", _left_empty("vessel"))
    arm_id: str | None = None
    if (arm or "").strip():
        at_arm = matcher.match(arm or "", arms.get(of, []), "arm", of)
        if at_arm.id is None:
            if vessel_id is not None:
                home = vessels[of][vessel_id]
                at_arm = Match(
                    None, at_arm.code, at_arm.message, f"The register has {vessel_id} in arm {home}."
                )
            return answer((of, None, vessel_id), "arm_id", at_arm)
        arm_id = at_arm.id
        if at_arm.code:
            told.append(("arm_id", at_arm))
        home = vessels.get(of, {}).get(vessel_id or "", arm_id)
        if home != arm_id:
            wrong = Match(
                None,
                "vessel_of_other_arm",
                f"Vessel {vessel_id} belongs to arm {home}, not {arm_id}.",
                "Check which of the two is right, and send the row again.",
            )
            return answer((of, arm_id, vessel_id), "vessel_id", wrong)
    elif needs_arm:
        return answer((of, None, vessel_id), "arm_id", _left_empty("arm"))
    # A fault that stops the row is told before a remark on how another identifier was read.
    told.sort(key=lambda entry: not entry[1].stops)
    field, match = told[0] if told else ("", Match(of))
    return answer((of, arm_id, vessel_id), field, match)


def _left_empty(noun: str) -> Match:
    return Match(
        None,
        "empty_identifier",
        f"The {_WORDS[noun]} is empty.",
        f"Write the {_WORDS[noun]} in every row.",
    )


def _tell(items: pl.DataFrame, faults: Faults) -> None:
    for field in ("trial_id", "arm_id", "vessel_id"):
        told = items.filter((pl.col("id_field") == field) & (pl.col("id_code") != "") & ~pl.col("blank"))
        faults.add(
            told,
            pl.col("id_code"),
            pl.col("id_message"),
            pl.col("id_suggestion"),
            value=pl.col(f"{field}_sent").fill_null(""),
            column=f"{field}_at",
        )


def _carry_down(items: pl.DataFrame, rows: pl.DataFrame, faults: Faults) -> pl.DataFrame:
    """Identifiers left empty under a filled cell: the one above is proposed, and the rows are held.

    `rows` are the different rows of identifiers. The items themselves come back where nothing is to be done.
    """
    fields = ["trial_id", "arm_id", "vessel_id"]
    for field in fields:
        sent, at = f"{field}_sent", f"{field}_at"
        empty = pl.col(sent).fill_null("").str.strip_chars() == ""
        if not rows.select(empty.any()).item():
            continue
        if not items.select((empty & pl.col(at).is_not_null()).any()).item():
            continue
        above = pl.when(~empty).then(pl.col(sent)).forward_fill().over("table_no", order_by="row")
        items = items.with_columns(
            (empty & pl.col(at).is_not_null() & above.is_not_null()).alias("carried"), above.alias("above")
        )
        carried = items.filter(pl.col("carried") & ~pl.col("blank"))
        faults.add(
            carried,
            "identifier_left_empty",
            pl.format(
                "The {} is empty here. Is {}, from the row above, meant?", pl.lit(_WORDS[field[:-3]]), "above"
            ),
            "Confirm, or write the identifier in every row.",
            value=pl.lit(""),
            column=at,
        )
        items = items.with_columns(
            pl.when("carried").then("above").otherwise(sent).alias(sent),
            (pl.col("stopped") | pl.col("carried")).alias("stopped"),
        ).drop("carried", "above")
    return items


def _by_label(items: pl.DataFrame, rows: pl.DataFrame, register: Register, faults: Faults) -> pl.DataFrame:
    """Rows that only name a sample label take trial, arm, vessel and stage from the register."""
    if "lab_by_label" not in rows["kind"]:
        return items
    labelled = pl.col("kind") == "lab_by_label"
    texts = items.filter(labelled)["sample_id_sent"].drop_nulls().unique().sort().to_list()
    if not texts:
        return items.with_columns(
            pl.when(labelled & (pl.col("sample_id_sent").fill_null("") == ""))
            .then(True)
            .otherwise(pl.col("stopped"))
            .alias("stopped")
        )
    matcher = IdentifierMatcher(texts)
    samples = register.samples
    labels = samples["sample_id"].to_list()
    found = [matcher.match(text, labels, "sample") for text in texts]
    table = pl.DataFrame(
        {
            "sample_id_sent": texts,
            "sample_id": [match.id for match in found],
            "label_code": [match.code for match in found],
            "label_message": [match.message for match in found],
            "label_suggestion": [match.suggestion for match in found],
            "label_stops": [match.stops for match in found],
        },
        schema_overrides={"sample_id": pl.String},
    ).join(
        samples.select(
            "sample_id",
            *(pl.col(name).alias(f"label_{name}") for name in ("trial_id", "arm_id", "vessel_id", "stage")),
        ),
        on="sample_id",
        how="left",
    )
    columns = items.columns
    items = put_beside(items, table, "sample_id_sent")
    told = items.filter(labelled & (pl.col("label_code").fill_null("") != "") & ~pl.col("blank"))
    faults.add(
        told,
        pl.col("label_code"),
        pl.col("label_message"),
        pl.col("label_suggestion"),
        value=pl.col("sample_id_sent"),
        column="sample_id_at",
    )
    filled = [
        pl.when(labelled & pl.col(f"label_{name}").is_not_null())
        .then(pl.col(f"label_{name}"))
        .otherwise(pl.col(f"{name}_sent"))
        .alias(f"{name}_sent")
        for name in ("trial_id", "arm_id", "vessel_id", "stage")
    ]
    return items.with_columns(
        *filled, (pl.col("stopped") | (labelled & pl.col("label_stops").fill_null(True))).alias("stopped")
    ).select(columns)
