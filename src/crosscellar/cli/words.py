"""What stands behind an option, read from its text: shares, the ends of a scale, lists of numbers."""

from __future__ import annotations

import argparse


def share(text: str) -> float:
    """A share as `10%` or `0.1`."""
    value = float(text[:-1]) / 100.0 if text.endswith("%") else float(text)
    if not 0 < value < 1:
        raise argparse.ArgumentTypeError(f"{text} is no share: write 10% or 0.1")
    return value


def shares(text: str) -> tuple[float, ...]:
    """Shares as `10%,20%`."""
    return tuple(share(part.strip()) for part in text.split(","))


def ends(text: str) -> tuple[float, float]:
    """The ends of a scale as `0,10`."""
    low, high = (float(part) for part in text.split(","))
    if not low < high:
        raise argparse.ArgumentTypeError(f"{text} is no scale: write its low and high end as 0,10")
    return low, high


def whole_numbers(text: str) -> tuple[int, ...]:
    """Numbers as they are given on the command line: `1,2,3`."""
    return tuple(int(part) for part in text.split(","))
