"""Contestants timed in turn within one run, and the table of what they took."""

from __future__ import annotations

import os
import platform
import statistics
import time
from collections.abc import Callable, Mapping, Sequence
from importlib.metadata import version
from pathlib import Path

RESULTS = Path(__file__).parent / "results"
#: Of a contestant: bytecode is kept, as an installed package has it. Where it is not written, each
#: start would compile this package anew and none of the others.
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def medians(
    contestants: Mapping[str, Callable[[], object]],
    *,
    runs: int,
    clock: Callable[[], float] = time.perf_counter,
) -> dict[str, float]:
    """The median seconds of each, taken in turn so that a busy machine slows all alike; one round unseen.

    `time.process_time` as the clock counts this process's work alone, on all its cores.
    """
    taken: dict[str, list[float]] = {name: [] for name in contestants}
    for turn in range(runs + 1):
        for name, work in contestants.items():
            begun = clock()
            work()
            if turn:
                taken[name].append(clock() - begun)
    return {name: statistics.median(seconds) for name, seconds in taken.items()}


def machine(*packages: str) -> str:
    """The machine, how busy it is and the packages that matter, in a sentence."""
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    with_what = ", ".join(f"{name} {version(name)}" for name in packages)
    return (
        f"{time.strftime('%Y-%m-%d', time.gmtime())}, {os.cpu_count()} cores, {memory:.0f} GiB, "
        f"{platform.system()} {platform.machine()}, load {os.getloadavg()[0]:.0f}, "
        f"Python {platform.python_version()}" + (f", {with_what}." if packages else ".")
    )


def write(name: str, lines: Sequence[str]) -> None:
    """The lines on the screen and in results/NAME.md."""
    text = "\n".join(lines) + "\n"
    print(text)
    RESULTS.mkdir(exist_ok=True)
    (RESULTS / f"{name}.md").write_text(text, encoding="utf-8")
