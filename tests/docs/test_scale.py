"""What the page of scale says of exported files holds: the calls are there, and give the same numbers."""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from crosscellar import Network
from crosscellar.answers import planned_responses
from crosscellar.contract import load_contract
from crosscellar.effects import effects_of_store
from crosscellar.register import Register

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "scale.md").read_text("utf-8")


@pytest.fixture(scope="module")
def exported(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the demo was exported as the page has it."""
    folder = tmp_path_factory.mktemp("machine")
    with Network.open(demo_store, read_only=True) as network:
        network.export(folder / "export")
    return folder


def named() -> list[str]:
    """The calls of the page's table, each with its module."""
    found = []
    for row in re.findall(r"^\| (`crosscellar\.[^|]+) \|", PAGE, re.M):
        calls = re.findall(r"`([\w.]+)`", row)
        home = calls[0].rsplit(".", 1)[0]
        found += [call if call.startswith("crosscellar.") else f"{home}.{call}" for call in calls]
    return found


def test_the_calls_that_run_unchanged_are_there() -> None:
    calls = named()
    assert len(calls) >= 7
    for call in calls:
        home, name = re.fullmatch(r"([a-z_.]+)\.((?:[A-Z]\w+\.)?\w+)", call).groups()  # type: ignore[union-attr]
        thing = import_module(home)
        for part in name.split("."):
            thing = getattr(thing, part)


def test_the_pages_code_answers_every_question_of_the_exported_files(
    exported: Path, demo_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (code,) = re.findall(r"^```python\n(.*?)^```$", PAGE, re.M | re.S)
    monkeypatch.chdir(exported)
    names: dict[str, pl.DataFrame] = {}
    exec(compile(code, "scale.md", "exec"), names)  # noqa: S102
    answers = names["answers"]
    with Network.open(demo_store, read_only=True) as network:
        (pooled,) = network.pool("malolactic-timing", response="diacetyl")
    (row,) = answers.filter(
        (pl.col("question") == "malolactic-timing") & (pl.col("response") == "diacetyl")
    ).iter_rows(named=True)
    assert row["n_effects"] == pooled.n_effects
    assert row["estimate"] == pytest.approx(pooled.estimate, abs=1e-9)
    assert (row["low"], row["high"]) == pytest.approx((pooled.low, pooled.high), abs=1e-8)


def test_the_same_effects_come_from_the_exported_readings_as_from_the_store(exported: Path) -> None:
    def read(name: str) -> pl.DataFrame:
        return pl.read_parquet(exported / "export" / f"{name}.parquet")

    contract = load_contract()
    tables = {
        path.stem.removeprefix("register_"): pl.read_parquet(path)
        for path in (exported / "export").glob("register_*.parquet")
    }
    register = Register.of_tables(tables, contract)
    effects = effects_of_store(
        read("readings"),
        register.design(),
        planned_responses(register, contract),
        contract,
        picks=read("picks"),
        scores=read("scores"),
    )
    kept = read("effects")
    assert effects.height == kept.height > 200
    key = ["trial", "response", "stage", "arm"]
    columns = [*key, "estimate", "std_error", "df", "variance_source", "usable"]
    assert_frame_equal(
        effects.select(columns).sort(key), kept.select(columns).sort(key), rel_tol=1e-9, abs_tol=1e-11
    )
