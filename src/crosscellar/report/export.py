"""Accepted items and effects as open files: Parquet and CSV, with a data dictionary (Data Package v2)."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import polars as pl

from crosscellar.contract import Contract

_TYPES: Final = {
    pl.String: "string",
    pl.Float64: "number",
    pl.Int32: "integer",
    pl.Int64: "integer",
    pl.UInt32: "integer",
    pl.Boolean: "boolean",
    pl.Date: "date",
}

#: What columns mean; names that speak for themselves are left out.
_MEANINGS: Final = {
    "estimate": "treatment minus control on the scale of the measure (natural log for log ratios)",
    "variance": "variance of the estimate",
    "std_error": "standard error of the estimate",
    "df": "degrees of freedom of the variance; empty where it is known from counts",
    "variance_source": "own, moderated by the network's replicated trials, or borrowed from them",
    "shared": "the control that several treatment arms share",
    "shared_variance": "covariance of the effects that share a control",
    "usable": "whether the effect is pooled",
    "value": "in canonical words and units; a limit where there is a qualifier",
    "qualifier": "< or > where the value is a limit",
    "text_sent": "the cell as it was sent",
    "unit_sent": "the unit as it was sent",
    "conversion": "how the text became the value; empty when it is the number as typed",
    "cell": "the cell a spreadsheet shows",
    "sha256": "SHA-256 of the file's bytes",
    "state": "open, decided, retaken or remark",
}


def write_export(
    frames: Mapping[str, pl.DataFrame], out: Path, contract: Contract, *, snapshot: str
) -> list[Path]:
    """The files written: NAME.parquet and NAME.csv for each frame, and datapackage.json.

    In the CSVs, text that a spreadsheet would take for a formula begins with an apostrophe; the Parquet files
    hold it as it is.
    """
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
    dictionary = out / "datapackage.json"
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
                    **({"description": _MEANINGS[column]} if column in _MEANINGS else {}),
                }
                for column, dtype in frame.schema.items()
            ]
        },
    }
