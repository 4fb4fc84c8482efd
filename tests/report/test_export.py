"""Open files beside the page: the same bytes for the same store, harmless in a spreadsheet, described."""

from __future__ import annotations

import hashlib
import json
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from crosscellar.contract import load_contract
from crosscellar.report.export import write_export


def test_noise_in_the_last_digits_does_not_reach_the_files(tmp_path: Path) -> None:
    frames = [pl.DataFrame({"value": [value, 0.1]}) for value in (0.003105672233513667, 0.003105672233513666)]
    assert frames[0].to_dict(as_series=False) != frames[1].to_dict(as_series=False)
    for place, frame in enumerate(frames):
        write_export({"effects": frame}, tmp_path / str(place), load_contract(), snapshot="ab12")
    for name in ("effects.csv", "effects.parquet", "datapackage.json"):
        assert (tmp_path / "0" / name).read_bytes() == (tmp_path / "1" / name).read_bytes()
    kept = pl.read_parquet(tmp_path / "0" / "effects.parquet")["value"]
    assert kept[0] == pytest.approx(0.003105672233513667, rel=1e-11)
    assert kept[1] == 0.1


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", " =1", "\t=1"])
def test_no_text_of_a_csv_begins_a_formula(tmp_path: Path, text: str) -> None:
    frame = pl.DataFrame({"note": [text], "value": [-1.5]})
    write_export({"readings": frame}, tmp_path, load_contract(), snapshot="")
    read = pl.read_csv(tmp_path / "readings.csv")
    assert read["note"].to_list() == ["'" + text]
    assert read["value"].to_list() == [-1.5]
    assert pl.read_parquet(tmp_path / "readings.parquet")["note"].to_list() == [text]


def test_the_dictionary_describes_each_column_and_seals_each_file(tmp_path: Path) -> None:
    frame = pl.DataFrame({"value": [1.0], "site": ["a"], "usable": [True], "season": [2024]})
    write_export({"effects": frame}, tmp_path, load_contract(), snapshot="ab12")
    package = json.loads((tmp_path / "datapackage.json").read_text(encoding="utf-8"))
    (resource,) = package["resources"]
    content = (tmp_path / resource["path"]).read_bytes()
    assert resource["bytes"] == len(content)
    assert resource["hash"] == "sha256:" + hashlib.sha256(content).hexdigest()
    kinds = {field["name"]: field["type"] for field in resource["schema"]["fields"]}
    # Field types as the Data Package standard, version 2, names them (Table Schema, "Field Types").
    assert kinds == {"value": "number", "site": "string", "usable": "boolean", "season": "integer"}


def test_the_package_is_valid_by_the_open_standards_own_checker(tmp_path: Path) -> None:
    # frictionless, an implementation of the Data Package standard: descriptor, sizes, hashes, types.
    from frictionless import Package, validate

    frames = {
        "effects": pl.DataFrame(
            {"site": ["a", "=b"], "estimate": [-0.1, None], "usable": [True, False], "season": [2024, 2025]}
        ),
        "readings": pl.DataFrame({"value": [1.25], "taken": [date(2024, 9, 30)], "text_sent": ["1,25"]}),
    }
    write_export(frames, tmp_path, load_contract(), snapshot="ab12")
    described = tmp_path / "datapackage.json"
    assert [resource.name for resource in Package(str(described)).resources] == ["effects", "readings"]
    report = validate(str(described))
    assert report.valid, report.flatten(["rowNumber", "fieldName", "type", "note"])
    with (tmp_path / "effects.csv").open("a", encoding="utf-8") as file:
        file.write("c,not a number,true,2025\n")
    assert not validate(str(described)).valid
