"""The whole job on the invented network that comes with the program."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Final

from crosscellar.errors import CrosscellarError
from crosscellar.network import Network
from crosscellar.results import DemoOutcome

#: The season whose summary the demo writes.
SEASON: Final = 2025


def demo_folder() -> Path:
    """Where the invented network lies: beside the package when installed, else in the checkout.

    Raises
    ------
    CrosscellarError
        When it is in neither place.
    """
    package = Path(str(resources.files("crosscellar")))
    for folder in (package / "demo_network", package.parents[1] / "data" / "demo"):
        if (folder / "register").is_dir():
            return folder
    raise CrosscellarError(
        "the demo's files are missing from this installation", next_step="Install crosscellar again."
    )


def run_demo(out: Path, *, say: Callable[[str], None]) -> DemoOutcome:
    """The outcome of register, intake, pool and summary on the demo, in a new folder `out`.

    Raises
    ------
    CrosscellarError
        When `out` holds a demo, or anything else, already.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise CrosscellarError(
            "there is something here already",
            where=out,
            next_step="Name a new folder with --out, or delete this one.",
        )
    source = demo_folder()
    out.mkdir(parents=True, exist_ok=True)
    for name in ("register", "inbox", "corrections"):
        shutil.copytree(source / name, out / name)
    with Network.open(out / "network.duckdb") as network:
        say("1 of 4  the trial register")
        registered = network.register(out / "register")
        say("2 of 4  the sheets that came back")
        taken = network.intake([out / "inbox"], marked_up=out / "marked_up")
        network.intake([out / "corrections"], correction=True)
        say("3 of 4  does it hold? one question after the other")
        answers = tuple(network.answer(question) for question in network.questions)
        say(f"4 of 4  the summary of {SEASON}")
        written = network.summary(SEASON, out=out / "summary")
    page = next(path for path in written.paths if path.endswith(".html"))
    return DemoOutcome(registered, taken, answers, page, str(out / "network.duckdb"))
