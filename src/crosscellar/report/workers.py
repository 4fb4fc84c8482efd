"""Sketches drawn over the machine's cores: the same bytes as one after the other, only sooner."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Final

from crosscellar.report.content import Figure
from crosscellar.report.drawing import Sketch, draw

#: Figures that each process must have to draw. One more takes as long to start as eight figures take, so that
#: with fewer than twice as many nothing is gained (benchmarks/summary_speed.py).
_WORTH: Final = 16
#: Between two drawings; a drawing is text and has none.
_BETWEEN: Final = b"\0"
_SERVE: Final = "from crosscellar.report.workers import serve; serve()"


def draw_sketches(sketches: Sequence[Sketch], *, processes: int | None = None) -> tuple[Figure, ...]:
    """The figures in the order of the sketches, drawn by as many processes as cores allow where that helps.

    A process that cannot be started or fails leaves its share to this one. Processes are started afresh, and
    not as copies of this one: they run no line of the script that called, and polars does not survive a copy.
    """
    count = min(processes or cores_here(), len(sketches) if processes else len(sketches) // _WORTH)
    if count < 2:
        return tuple(sketch.drawn(draw(sketch.build)) for sketch in sketches)
    # Figures of one question differ in what they cost; every process gets some of each.
    shares = [sketches[start::count] for start in range(count)]
    contents: list[bytes] = [b""] * len(sketches)
    with ThreadPoolExecutor(count - 1) as waiting:
        asked = [waiting.submit(_drawn_elsewhere, share) for share in shares[1:]]
        contents[::count] = [draw(sketch.build) for sketch in shares[0]]
        for start, answer in enumerate(asked, 1):
            share = shares[start]
            contents[start::count] = answer.result() or [draw(sketch.build) for sketch in share]
    return tuple(sketch.drawn(content) for sketch, content in zip(sketches, contents, strict=True))


def cores_here() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def serve() -> None:
    """Draws the sketches that come in on standard input, and writes their bytes to standard output."""
    # Nobody but the process that started this one writes to its standard input.
    sketches: list[Sketch] = pickle.load(sys.stdin.buffer)  # noqa: S301
    # Whatever a library prints must not fall among the bytes.
    out, sys.stdout = sys.stdout, sys.stderr
    out.buffer.write(_BETWEEN.join(draw(sketch.build) for sketch in sketches))
    out.flush()


def _drawn_elsewhere(share: Sequence[Sketch]) -> list[bytes] | None:
    """What another process drew; None where none can be started, or it failed."""
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-c", _SERVE],
            input=pickle.dumps(list(share)),
            capture_output=True,
            check=True,
        )
    except (OSError, subprocess.SubprocessError, pickle.PicklingError, AttributeError, TypeError):
        return None
    drawn = done.stdout.split(_BETWEEN)
    return drawn if len(drawn) == len(share) else None
