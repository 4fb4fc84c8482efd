"""Every write fails once: a sentence each time, the store as before or as after, and a rerun completes."""

from __future__ import annotations

import errno
import gzip
import io
import os
import resource
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from crosscellar import cli
from crosscellar.errors import CrosscellarError, machine_fault
from crosscellar.network import Network

HERE = Path(__file__).parent
HEADING = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note\n"
ARMS = {"ORR-01": "control", "ORR-02": "stir_weekly", "ORR-03": "control", "ORR-04": "stir_weekly"}


def sheet(folder: Path, name: str, **values: str) -> Path:
    rows = [
        f"LS24-ORR,{ARMS[vessel.replace('_', '-')]},{vessel.replace('_', '-')},pre_bottling,2025-03-04,"
        f"titratable_acidity,{value},g/L,1,lab_north,\n"
        for vessel, value in values.items()
    ]
    (folder / name).write_text(HEADING + "".join(rows), encoding="utf-8")
    return folder / name


def clock() -> datetime:
    return datetime(2026, 1, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a store with a register, readings of four vessels and a question; and a sheet to come."""
    folder = tmp_path_factory.mktemp("lived")
    inbox = tmp_path_factory.mktemp("inbox")
    with Network.open(folder / "store", clock=clock) as network:
        network.register(HERE / "messy" / "register")
        network.intake([sheet(inbox, "a.csv", ORR_01="6.20", ORR_02="6.42", ORR_03="6.31")])
        network.intake([sheet(inbox, "b.csv", ORR_01="6.55")])
    sheet(folder, "c.csv", ORR_04="6.48")
    return folder


class Failing:
    """What calls of the file layer there were; the `at`th of them says that the disk is full."""

    def __init__(self) -> None:
        self.calls = 0
        self.at = 0

    def point(self) -> None:
        self.calls += 1
        if self.calls == self.at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


class Written:
    """An open file whose writes are points; a write that fails leaves half of what it was given."""

    def __init__(self, file: Any, failing: Failing) -> None:
        self._file, self._failing = file, failing

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def __enter__(self) -> Written:
        return self

    def __exit__(self, *fault: object) -> None:
        self._file.close()

    def write(self, content: Any) -> int:
        try:
            self._failing.point()
        except OSError:
            self._file.write(content[: len(content) // 2])
            raise
        return int(self._file.write(content))

    def flush(self) -> None:
        self._failing.point()
        self._file.flush()


@contextmanager
def file_layer(failing: Failing) -> Iterator[None]:
    """Inside, opening for writing, writing, flushing, fsync, rename and link are points of `failing`."""
    open_file = io.open

    def opened(file: Any, mode: str = "r", *rest: Any, **more: Any) -> Any:
        if not set(mode) & set("wax+"):
            return open_file(file, mode, *rest, **more)
        failing.point()
        return Written(open_file(file, mode, *rest, **more), failing)

    def counted(work: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **more: Any) -> Any:
            failing.point()
            return work(*given, **more)

        return call

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(io, "open", opened)
        for name in ("fsync", "replace", "link", "rename"):
            patch.setattr(os, name, counted(getattr(os, name)))
        yield


#: What is done with the lived store, each by its command.
WORKS: dict[str, Callable[[Path], object]] = {
    "intake": lambda path: with_store(path, lambda network: network.intake([path.parent / "c.csv"])),
    "decide": lambda path: with_store(path, lambda network: network.decide(1, "accept", reason="yes")),
    "register": lambda path: with_store(path, lambda network: network.register(other_register(path.parent))),
    "backup": lambda path: with_store(path, lambda network: network.backup(path.with_name("copy"))),
    "new": lambda path: with_store(
        path.with_name("new"), lambda network: network.register(HERE / "messy" / "register")
    ),
    "upgrade": lambda path: with_store(path.with_name("old"), lambda network: network.findings()),
}


def with_store(path: Path, work: Callable[[Network], object]) -> object:
    with Network.open(path, clock=clock) as network:
        return work(network)


def other_register(folder: Path) -> Path:
    there = folder / "register"
    if not there.exists():
        shutil.copytree(HERE / "messy" / "register", there)
        told = (there / "sites.csv").read_text("utf-8").splitlines()
        lines = [f"{told[0]},contact", *(f"{line},somebody" for line in told[1:])]
        (there / "sites.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return there


def lay(lived: Path, folder: Path) -> Path:
    shutil.copytree(lived, folder)
    other_register(folder)
    stores = HERE.parent / "store" / "stores"
    (folder / "old").write_bytes(gzip.decompress((stores / "version_1.duckdb.gz").read_bytes()))
    shutil.copyfile(stores / "version_1.journal.txt", folder / "old.journal")
    return folder / "store"


def state(path: Path) -> list[Any] | None:
    """All that can be seen of a store; None for one that is not there."""
    if not path.exists():
        return None
    with Network.open(path, clock=clock) as network:
        store = network._store
        assert store.check() == []
        return [
            store.content_checksum(),
            store.readings().drop("reading_id").rows(),
            store.findings()["state"].to_list(),
            {name: frame.rows() for name, frame in store.register_frames().items()},
        ]


def left_over(folder: Path) -> list[str]:
    kept = ("store", "new", "old", "copy", "c.csv", "register", ".old.upgrading")
    return [
        file.name
        for file in folder.iterdir()
        if not file.name.startswith(kept) or file.name.endswith((".part", ".new", ".upgrade"))
    ]


@pytest.mark.parametrize(
    ("work", "which"),
    [
        ("intake", "store"),
        *(
            pytest.param(work, which, marks=pytest.mark.long)
            for work, which in (
                ("decide", "store"),
                ("register", "store"),
                ("backup", "store"),
                ("new", "new"),
                ("upgrade", "old"),
            )
        ),
    ],
)
def test_whichever_write_fails_the_store_is_as_before_or_as_after_and_a_rerun_completes(
    work: str, which: str, lived: Path, tmp_path: Path
) -> None:
    path = lay(lived, tmp_path / "whole")
    before = None if which == "new" else state(lay(lived, tmp_path / "before").with_name(which))
    failing = Failing()
    with file_layer(failing):
        WORKS[work](path)
    after, points = state(path.with_name(which)), failing.calls
    assert points >= 3
    for at in range(1, points + 1):
        path = lay(lived, tmp_path / str(at))
        failing = Failing()
        failing.at = at
        sentence = ""
        with file_layer(failing):
            try:
                WORKS[work](path)
            except CrosscellarError as fault:
                sentence = fault.sentence
                assert fault.exit_status in (2, 3)
        # What is only a help to others (the folder's own fsync) may fail without a word.
        assert sentence == "" or "disk" in sentence or "No space left" in sentence, (at, sentence)
        assert left_over(path.parent) == []
        found = state(path.with_name(which))
        assert found in (before, after), at
        if found == after and work != "backup":
            continue
        path.with_name("copy").unlink(missing_ok=True)
        WORKS[work](path)
        assert state(path.with_name(which)) == after


class PanicException(BaseException):
    """As polars raises it: no Exception."""


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (MemoryError(), "the machine has no memory left for this. Close other programs"),
        (ImportError("libx.so: failed to map segment from shared object"), "no memory left"),
        (PanicException("OS can't spawn worker thread: Resource temporarily unavailable"), "no memory left"),
        (OSError(errno.ENOSPC, "No space left on device", "out.html"), "out.html: the disk is full"),
        (OSError("No space left on device (os error 28)"), "the disk: the disk is full"),
        (OSError(errno.EFBIG, "File too large", "out.xlsx"), "out.xlsx: the disk is full"),
        (pl.exceptions.ComputeError("underlying IO error: File too large (os error 27)"), "disk is full"),
        (PermissionError(errno.EACCES, "Permission denied", "out"), "out: permission denied."),
    ],
)
def test_a_fault_of_the_machine_ends_in_a_sentence(
    fault: BaseException, words: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise fault

    monkeypatch.setattr(Network, "open", fail)
    assert cli.main(["findings"]) == 2
    told = capsys.readouterr().err
    assert words in told
    assert told.count("\n") == 1


def test_an_exception_that_is_not_the_machine_s_is_not_taken_for_one() -> None:
    assert machine_fault(ValueError("no number")) is None
    assert machine_fault(PanicException("index out of bounds")) is None


def test_a_panic_of_polars_is_told_as_a_fault_of_the_program(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise pl.exceptions.PanicException("index out of bounds")

    monkeypatch.setattr(Network, "open", fail)
    assert cli.main(["findings"]) == 2
    assert "a fault of the program (PanicException: index out of bounds)" in capsys.readouterr().err


def run(words: list[str], folder: Path, **limits: int) -> subprocess.CompletedProcess[str]:
    """The command run in `folder` with these limits of the system: `AS` memory, `FSIZE` a file's length."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        for name, bytes_ in limits.items():
            resource.setrlimit(getattr(resource, f"RLIMIT_{name}"), (bytes_, bytes_))

    threads = dict.fromkeys(("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    # Python writes half a module's bytecode where a file may not grow, and stumbles over it the next time.
    bytecode = {"PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.run(
        [sys.executable, "-m", "crosscellar.cli", "--store", "store", *words],
        cwd=folder,
        env={**os.environ, **threads, **bytecode},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        preexec_fn=limit,
    )


@pytest.mark.parametrize(
    "megabytes",
    [pytest.param(some, marks=pytest.mark.long) for some in range(300, 1500, 100)],
)
def test_a_taking_in_without_enough_memory_leaves_the_store_whole_and_a_rerun_works(
    megabytes: int, lived: Path, tmp_path: Path
) -> None:
    path = lay(lived, tmp_path / "short")
    before = state(path)
    done = run(["intake", "c.csv"], path.parent, AS=megabytes * 1_000_000)
    assert "Traceback" not in done.stderr, done.stderr
    # A library that ends the process itself (a negative status, or 127) is as a kill: nothing is half there.
    assert done.returncode in (0, 2, 3, 127) or done.returncode < 0, done.stderr
    if done.returncode in (2, 3):
        assert "memory" in done.stderr
    found = state(path)
    assert (found == before) is not (done.returncode == 0)
    WORKS["intake"](path)
    whole = lay(lived, tmp_path / "whole")
    WORKS["intake"](whole)
    assert state(path) == state(whole)


@pytest.mark.parametrize(
    ("words", "status"),
    [
        (["rules", "--out", "page.html"], 2),
        pytest.param(["export", "--out", "out"], 2, marks=pytest.mark.long),
        pytest.param(["summary", "2024", "--out", "out"], 2, marks=pytest.mark.long),
        pytest.param(["sheets", "--trial", "LS24-ORR", "--out", "out"], 2, marks=pytest.mark.long),
        pytest.param(["backup", "--out", "out"], 3, marks=pytest.mark.long),
        pytest.param(["rebuild", "--out", "out"], 3, marks=pytest.mark.long),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_an_output_that_may_not_grow_is_told_as_a_full_disk_and_the_store_stays(
    words: list[str], status: int, lived: Path, tmp_path: Path
) -> None:
    path = lay(lived, tmp_path / "short")
    before = path.read_bytes()
    done = run(words, path.parent, FSIZE=1_000)
    assert done.returncode == status, done.stderr
    assert "the disk is full" in done.stderr
    assert done.stderr.count("\n") == 1
    assert path.read_bytes() == before
