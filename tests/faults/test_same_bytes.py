"""The same store gives the same bytes in every output, whatever the machine is set to."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from itertools import product
from pathlib import Path

import pytest

from crosscellar import cli
from crosscellar.network import Network

MESSY = Path(__file__).parent / "messy"
HEADING = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note\n"
READINGS = {
    ("LS24-ORR", "titratable_acidity"): {
        "control": {"ORR-01": 6.2, "ORR-03": 6.31},
        "stir_weekly": {"ORR-02": 6.42, "ORR-04": 6.55},
    },
    ("NT24-TES", "volatile_acidity"): {
        "at_start": {"TES-A1": 0.41, "TES-A3": 0.44},
        "third_drop": {"TES-A2": 0.36, "TES-A4": 0.35},
    },
    ("DM24-QUA", "volatile_acidity"): {"co_inoc": {"QUA-T1": 0.51}, "delayed": {"QUA-T2": 0.43}},
}

#: Every kind of output; the last two alone hold most kinds of file.
COMMANDS = (
    "summary {season} --out hidden --anonymous",
    "effects lees-stirring --figure vessels.svg",
    "rules --out rules.html",
    "sheets --trial LS24-ORR --out sheets",
    "export --out export",
    "summary {season} --out named",
)
WORK = """
import sys
from crosscellar import cli
for words in sys.argv[1:]:
    assert cli.main(["--store", "store", *words.split()]) == 0, words
"""

SEEDS, THREADS = ("0", "4242"), ("1", "4")
LOCALES, ZONES = ("C", "C.UTF-8", "de_DE.UTF-8"), ("UTC", "Pacific/Apia", "America/St_Johns")


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of three trials of one season."""
    folder = tmp_path_factory.mktemp("small")
    rows = [
        f"{trial},{arm},{vessel},pre_bottling,2025-03-04,{analyte},{value},g/L,1,lab_north,\n"
        for (trial, analyte), arms in READINGS.items()
        for arm, vessels in arms.items()
        for vessel, value in vessels.items()
    ]
    (folder / "a.csv").write_text(HEADING + "".join(rows), encoding="utf-8")
    with Network.open(folder / "store", clock=lambda: datetime(2026, 1, 1, tzinfo=UTC)) as network:
        network.register(MESSY / "register")
        assert network.intake([folder / "a.csv"]).accepted == 10
    return folder / "store"


def commands(season: str, count: int) -> list[str]:
    return [words.format(season=season) for words in COMMANDS[-count:]]


def lay(store: Path, folder: Path) -> Path:
    folder.mkdir()
    shutil.copyfile(store, folder / "store")
    shutil.copyfile(f"{store}.journal", folder / "store.journal")
    return folder


def digests(folder: Path) -> dict[str, str]:
    """The SHA-256 of each file that came out."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.startswith("store")
    }


def outputs(
    store: Path, folder: Path, setting: tuple[str, str, str, str], words: list[str]
) -> dict[str, str]:
    """What comes out of a process with this seed, number of threads, locale and zone."""
    seed, threads, locale, zone = setting
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", WORK, *words],
        cwd=lay(store, folder),
        env={
            **{name: value for name, value in os.environ.items() if not name.startswith("LC_")},
            "PYTHONHASHSEED": seed,
            **dict.fromkeys(("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), threads),
            "LC_ALL": locale,
            "LANG": locale,
            "TZ": zone,
        },
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2_000:]
    return digests(folder)


def test_another_process_seed_thread_count_locale_zone_and_folder_give_the_same_bytes(
    small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = commands("2024", 2)
    monkeypatch.chdir(lay(small, tmp_path / "here"))
    for one in words:
        assert cli.main(["--store", "store", *one.split()]) == 0
    here = digests(tmp_path / "here")
    there = outputs(small, tmp_path / "another folder", ("4242", "1", "C", "Pacific/Apia"), words)
    assert {Path(name).suffix for name in here} >= {".html", ".pdf", ".xlsx", ".csv", ".parquet", ".json"}
    assert [name for name in here | there if here.get(name) != there.get(name)] == []


@pytest.mark.long
@pytest.mark.parametrize("season", ["2024", "2023"], ids=["small", "demo"])
def test_every_setting_gives_the_same_bytes(
    season: str, small: Path, demo_store: Path, tmp_path: Path
) -> None:
    store = small if season == "2024" else demo_store
    words = commands(season, 6 if season == "2024" else 2)
    every = list(product(SEEDS, THREADS, LOCALES, ZONES))
    first = outputs(store, tmp_path / "first", every[0], words)
    # of the demo's season every fifth: each value of each setting still comes
    for number, setting in enumerate(every[1:] if season == "2024" else every[4::5]):
        found = outputs(store, tmp_path / f"folder {number}", setting, words)
        assert [name for name in first | found if first.get(name) != found.get(name)] == [], setting
        shutil.rmtree(tmp_path / f"folder {number}")
