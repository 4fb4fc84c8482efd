"""Accepted items and effects as open files: Parquet and CSV, with a data dictionary (Data Package v2)."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.errors import CrosscellarError

#: What stands beside the tables of every output, and is written last.
_DICTIONARY: Final = "datapackage.json"
_TYPES: Final = {
    pl.String: "string",
    pl.Float64: "number",
    pl.Int32: "integer",
    pl.Int64: "integer",
    pl.UInt32: "integer",
    pl.Boolean: "boolean",
    pl.Date: "date",
}

#: What columns mean, by name or by frame and name; names that speak for themselves are left out.
_MEANINGS: Final = {
    "question": "its identifier in the register",
    "response": "an analyte, triangle, score:ATTRIBUTE, or what a ferment shows (days_to_dry, stuck)",
    "measure": "log_ratio, difference, discriminators, risk_difference and others",
    "effects.unit": "of the estimate",
    "season": "harvest year",
    "arm": "the treatment arm, against the trial's control",
    "estimate": "treatment minus control on the scale of the measure (natural log for log ratios)",
    "variance": "variance of the estimate",
    "std_error": "standard error of the estimate",
    "df": "degrees of freedom of the variance; empty where it is known from counts",
    "variance_source": "own, moderated by the network's replicated trials, or borrowed from them; or none",
    "n_treatment": "vessels (or tasters) of the treatment arm",
    "n_control": "vessels (or tasters) of the control",
    "mean_treatment": "mean of the treatment's vessels, geometric where logarithms are compared; or a share",
    "mean_control": "the same of the control",
    "prior_df": "degrees of freedom that the network's vessel variance is worth",
    "prior_variance": "the network's variance between vessels of one arm, on the scale of the effects",
    "prior_trials": "replicated trials that it was fitted to",
    "level": "of the treatment, where arms have levels",
    "volume_l": "litres of a vessel, mean over the trial's",
    "shared": "the control that several treatment arms share",
    "shared_variance": "covariance of the effects that share a control",
    "usable": "whether the effect is pooled",
    "value": "in canonical words and units; a limit where there is a qualifier",
    "findings.value": "the cell as it was sent",
    "qualifier": "< or > where the value is a limit",
    "text_sent": "the cell as it was sent",
    "unit_sent": "the unit as it was sent",
    "conversion": "how the text became the value; empty when it is the number as typed",
    "file_no": "joins items, findings and files of one taking-in",
    "sheet": "the workbook's tab; empty for CSV",
    "row": "counts from 1, as a spreadsheet does",
    "column": "counts from 1",
    "cell": "the cell a spreadsheet shows",
    "time": "HH:MM in a ferment log",
    "replicate": "repeat reading of one sample, from 1",
    "supersedes": "whether a correction replaced another value of the same item",
    "serving": "glasses from left to right, A the control",
    "picked": "the glass taken for the odd one, 1 to 3",
    "control_arm": "arm in the A glasses",
    "treatment_arm": "arm in the B glasses",
    "vessel_id": "barrel, tank or fermenter: the replicate",
    "scale_low": "low end of the scale",
    "scale_high": "high end of the scale",
    "severity": "refuse, hold or remark",
    "code": "the rule that spoke",
    "items": "numbers of the items that it speaks for",
    "sha256": "SHA-256 of the file's bytes",
    "state": "of a finding: open, accepted, refused, mended, retaken or remark",
    "turned_away.state": "of the finding, with the coordinator's reason",
    "turned_away.place": "file, tab and cell",
    "weight": "share of the effect in the network's mean, 0 to 1; empty where it is not pooled",
    "low": "low end of the 95 % interval, on the scale of the estimate",
    "high": "high end of the 95 % interval, on the scale of the estimate",
    "n_sites": "sites that the answer rests on",
    "n_effects": "effects that the answer rests on",
    "n_seasons": "seasons that the answer rests on",
    "wanted": "increase, decrease, no_change or either, as the register has it",
    "trials_this_season": "trials of the question in the season of the summary",
    "smallest_asked": "the smallest difference that matters, in smallest_unit",
    "smallest_unit": "of smallest_asked",
    "smallest_difference": "the same on the scale of the estimate",
    "answers.unit": "of the estimate, its error and its intervals",
    "answers.df": "degrees of freedom of the interval; empty where it has none or no limit",
    "answers.std_error": "standard error of the estimate: two digits of it, as shown, are the decimals shown",
    "prediction_low": "low end of the range in which the true effect at a new site is expected, 19 in 20",
    "prediction_high": "high end of that range",
    "equivalence_low": "low end of the 90 % interval, that of two one-sided tests at 5 %",
    "equivalence_high": "high end of the 90 % interval",
    "direction": "up or down: the way wanted, or that of the estimate",
    "chance_above_zero": "chance that the true effect at a new site lies beyond 0 in that direction, 0 to 1",
    "chance_above_smallest": "chance that it lies beyond the smallest difference that matters, 0 to 1",
    "sites_up": "sites whose effect lies above 0",
    "sites_down": "sites whose effect lies below 0",
    "tau2": "variance of true effects between sites, on the scale of the estimate",
    "i2": "share of the spread of the effects that is more than their own error, 0 to 1",
    "q": "Cochran's Q about the common effect",
    "q_df": "degrees of freedom of Q",
    "q_p": "p of Q if sites did not differ",
    "answers.p_value": "two-sided p of no effect",
    "effects.p_value": "of a triangle test: chance of so many correct picks by guessing",
    "p_adjusted": "p of a monitored response after Benjamini and Hochberg",
    "prior_scale": "scale of the half-normal prior on the spread between sites, where one was used",
    "verdict": "the rule's answer, or monitored only",
    "own_effects": "effects of that site alone",
    "own_estimate": "mean of the effects of that site alone, weighted by their variances",
    "verdict_changes": "whether the verdict is another without that site",
    "answers_by_season.season": "harvest year up to which the answer counts",
    "more_sites": "new sites supposed",
    "again": "sites that tried it before supposed to try it once more, the least sure first",
    "vessels": "vessels an arm at each site, new or again",
    "half_width": "half of the 95 % interval expected, on the scale of the estimate",
    "chance_decided": "chance of a verdict, 0 to 1",
    "chance_asked": "chance of a verdict that is asked for, 0 to 1",
    "supposed": "true mean effect supposed, on the scale of the estimate",
    "between_sites": "variance between sites supposed, on the scale of the estimate",
    "between_trials": "variance between trials of a site supposed, on the scale of the estimate",
    "vessel_variance": "variance between vessels of one arm supposed, on the scale of the estimate",
    "vessels.response": "the response and stage, in words",
    "in_logs": "whether prior_variance is of natural logarithms",
    "vessels.unit": "of the square root of prior_variance; empty for logarithms",
    "trials": "trials with more than one vessel an arm",
    "in_band": "of these, trials in the range in which 9 in 10 are expected",
    "curve": "counts the vessels of an arm",
    "day": "days from the first reading of the vessel",
    "brix": "degrees Brix",
    "correct": "tasters who picked the odd glass",
    "tasters": "tasters of the session",
    "critical": "least correct picks at 5 %",
    "percent": "the estimate as a change in %, where it is a log ratio",
    "n_blocks": "blocks within which vessels were compared; empty without blocks",
    "prior_from": "whose vessels the variance leans on: same stages, all stages or unpaired trials",
    "exact_p": "exact p of two shares of vessels (Fisher 1935)",
    "similarity_limit": "most correct picks at which wines may be called similar, at a risk of 5 %",
    "d_prime": "distance between the wines in standard deviations of what tasters perceive (triangle test)",
    "d_prime_se": "standard error of d_prime",
    "assessors": "who scored",
    "remark": "why an effect is not pooled, or what to know of it",
    "session": "of the tasting",
    "answers.role": "primary (what the question asks) or monitored (watched for unintended consequences)",
    "effects.role": "primary (what the question asks) or monitored (watched for unintended consequences)",
    "stage": "when the sample was taken",
    "site": "its identifier in the register, or its code where names are hidden",
    "trial": "its identifier in the register, or its code where names are hidden",
    "answers.method": "how the variance between sites was estimated",
    "interval_method": "how the interval was made",
    "reading_id": "number of the reading in the store",
    "season.what": "what was counted",
    "season.number": "how many",
}


def meaning_of(frame: str, column: str) -> str | None:
    """What a column of a frame means; None where its name speaks for itself."""
    return _MEANINGS.get(f"{frame.lower()}.{column}", _MEANINGS.get(column))


def refuse_others(names: Iterable[str], out: Path) -> None:
    """Raise for a folder without earlier output of ours in which a table of one of these names lies."""
    tables = (out / f"{name}{ending}" for name in names for ending in (".parquet", ".csv"))
    there = [path for path in tables if path.exists()]
    if there and not (out / _DICTIONARY).exists():
        raise CrosscellarError(
            "there is a file of this name already, and no earlier output beside it",
            where=there[0],
            next_step="Name a new folder with --out, or move the file away.",
        )


def write_export(
    frames: Mapping[str, pl.DataFrame], out: Path, contract: Contract, *, snapshot: str
) -> list[Path]:
    """The files written: NAME.parquet and NAME.csv for each frame, and datapackage.json.

    In the CSVs, text that a spreadsheet would take for a formula begins with an apostrophe; the Parquet files
    hold it as it is.

    Raises
    ------
    CrosscellarError
        When a file of somebody else would be written over; nothing is written then.
    """
    refuse_others(frames, out)
    out.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    resources: list[dict[str, Any]] = []
    for name, frame in frames.items():
        flat = flattened(frame)
        parquet, csv = out / f"{name}.parquet", out / f"{name}.csv"
        flat.write_parquet(parquet)
        harmless(flat).write_csv(csv)
        written += [parquet, csv]
        resources.append(_resource(name, flat, csv))
    package = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "crosscellar-export",
        "title": f"Trials of the network, store {snapshot or 'empty'}",
        "resources": resources,
        "analytes": {
            analyte.id: {"name": analyte.name, "unit": analyte.unit} for analyte in contract.analytes.values()
        },
    }
    dictionary = out / _DICTIONARY
    dictionary.write_text(json.dumps(package, ensure_ascii=False, indent=2) + "\n", encoding="utf-8")
    return [*written, dictionary]


def flattened(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame in types that every reader has: instants as ISO text, other types as text.

    Numbers keep 12 significant digits: sums over several threads differ in the last ones from run to run, and
    the same store shall give the same bytes.
    """
    return frame.with_columns(pl.col(pl.Float64).round_sig_figs(12)).with_columns(
        pl.col(name).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
        if isinstance(dtype, pl.Datetime)
        else pl.col(name).cast(pl.String)
        for name, dtype in frame.schema.items()
        if dtype.base_type() not in _TYPES
    )


def harmless(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with an apostrophe before text that a spreadsheet would take for a formula."""
    return frame.with_columns(
        pl.when(pl.col(name).str.contains(r"^\s*[=+\-@\t\r＝＋－＠]"))
        .then("'" + pl.col(name))
        .otherwise(pl.col(name))
        .alias(name)
        for name, dtype in frame.schema.items()
        if dtype == pl.String
    )


def _resource(name: str, frame: pl.DataFrame, csv: Path) -> dict[str, Any]:
    content = csv.read_bytes()
    return {
        "name": name.replace("_", "-"),
        "path": csv.name,
        "type": "table",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
        "schema": {
            "fields": [
                {
                    "name": column,
                    "type": _TYPES[dtype.base_type()],
                    **({"description": meaning} if (meaning := meaning_of(name, column)) else {}),
                }
                for column, dtype in frame.schema.items()
            ]
        },
    }
