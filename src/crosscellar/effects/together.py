"""Two pieces of work that need nothing of each other, done at the same time."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Final, TypeVar

A = TypeVar("A")
B = TypeVar("B")

#: With fewer readings each piece is over before a second thread would be of use.
_MANY: Final = 50_000


def together(one: Callable[[], A], other: Callable[[], B], *, readings: int) -> tuple[A, B]:
    """What both give; with many `readings` a second thread works on `other` meanwhile.

    Columns are worked on outside the interpreter, and mostly by one core at a time: the steps of one piece
    follow from one another.
    """
    if readings < _MANY:
        return one(), other()
    with ThreadPoolExecutor(max_workers=1) as beside:
        waiting = beside.submit(other)
        return one(), waiting.result()
