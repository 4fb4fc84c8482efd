"""What stands behind an option, read from its text; what cannot be read is told with how to write it."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable, Sequence
from typing import TypeVar

Number = TypeVar("Number", int, float)


def _read(kind: Callable[[str], Number], text: str, otherwise: str) -> Number:
    try:
        return kind(text)
    except ValueError:
        raise argparse.ArgumentTypeError(otherwise) from None


def negative_shares_joined(words: Sequence[str]) -> list[str]:
    """The words of a command, `--effect -10%` as `--effect=-10%`: alone it is read as an option."""
    joined: list[str] = []
    for word in words:
        if joined and joined[-1].startswith("--") and re.fullmatch(r"-[\d.]+%", word):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def season(text: str) -> int:
    """A harvest year as `2025`."""
    return _read(int, text, f"{text} is no season: write its year as 2025")


def finding(text: str) -> int:
    """The number of a finding."""
    return _read(int, text, f"{text} is no finding: write its number in `crosscellar findings`")


def seed(text: str) -> int:
    """A seed as `1`."""
    return _read(int, text, f"{text} is no seed: write a whole number")


def rows(text: str) -> int:
    """How many rows, 1 or more."""
    otherwise = f"{text} is no number of rows: write 1 or more"
    number = _read(int, text, otherwise)
    if number < 1:
        raise argparse.ArgumentTypeError(otherwise)
    return number


def amount(text: str) -> float:
    """An amount of money as `1500`."""
    return _read(float, text, f"{text} is no amount: write it as 1500")


def share(text: str) -> float:
    """A share as `10%` or `0.1`."""
    otherwise = f"{text} is no share: write 10% or 0.1"
    value = _read(float, text.removesuffix("%"), otherwise) / (100.0 if text.endswith("%") else 1.0)
    if not 0 < value < 1:
        raise argparse.ArgumentTypeError(otherwise)
    return value


def shares(text: str) -> tuple[float, ...]:
    """Shares as `10%,20%`."""
    return tuple(share(part.strip()) for part in text.split(","))


def ends(text: str) -> tuple[float, float]:
    """The ends of a scale as `0,10`."""
    otherwise = f"{text} is no scale: write its low and high end as 0,10"
    numbers = [_read(float, part, otherwise) for part in text.split(",")]
    if len(numbers) != 2 or not numbers[0] < numbers[1]:
        raise argparse.ArgumentTypeError(otherwise)
    return numbers[0], numbers[1]


def whole_numbers(text: str) -> tuple[int, ...]:
    """Numbers as they are given on the command line: `1,2,3`."""
    return tuple(_read(int, part, f"{text} are no numbers: write them as 1,2,4") for part in text.split(","))
