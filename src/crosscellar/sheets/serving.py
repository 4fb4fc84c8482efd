"""Who is served what, in which order, under which code: balanced, random, and the same from the same seed."""

from __future__ import annotations

import zlib
from typing import Final

import numpy as np
import polars as pl

from crosscellar.errors import NotComputable

#: The six orders of a triangle; A is the control (ISO 4120:2021).
ORDERS: Final = ("AAB", "ABA", "BAA", "BBA", "BAB", "ABB")
#: Three digits, so that no code says "first" or "best" (common practice).
_CODES: Final = np.arange(100, 1000)


def generator(seed: int, *words: str) -> np.random.Generator:
    """A generator that depends on the seed and these words alone, not on what else is made beside it."""
    return np.random.default_rng([seed, *(zlib.crc32(word.encode()) for word in words)])


def assessor_codes(assessors: int) -> list[str]:
    """P01, P02 …: codes, never names."""
    width = max(2, len(str(assessors)))
    return [f"P{number:0{width}d}" for number in range(1, assessors + 1)]


def triangle_servings(assessors: int, *, seed: int, session: str) -> pl.DataFrame:
    """One row an assessor: assessor_id, serving, code_1, code_2, code_3 (the glasses from left to right).

    Each six assessors in turn get each of the six orders once, in random order; a last group of fewer gets
    different ones. The three glasses of a set carry different codes, and no code is used twice in a session
    while there are enough of them.

    Raises
    ------
    NotComputable
        For fewer than one assessor.
    """
    _check(assessors)
    rng = generator(seed, "triangle", session)
    groups = [rng.permutation(len(ORDERS)) for _ in range(-(-assessors // len(ORDERS)))]
    orders = np.array(ORDERS)[np.concatenate(groups)[:assessors]]
    codes = _codes(rng, assessors, 3)
    return pl.DataFrame(
        {
            "assessor_id": assessor_codes(assessors),
            "serving": orders,
            **{f"code_{place}": codes[:, place - 1] for place in (1, 2, 3)},
        }
    )


def score_servings(assessors: int, arms: list[str], *, seed: int, session: str) -> pl.DataFrame:
    """One row an assessor and glass: assessor_id, place (from 1), arm_id, code.

    Every arm stands in every place equally often over each group of as many assessors as there are arms (a
    Latin square with its rows, columns and letters in random order; Cochran & Cox 1957).

    Raises
    ------
    NotComputable
        For fewer than one assessor or no arms.
    """
    _check(assessors)
    if not arms:
        raise NotComputable("there is no wine to score", next_step="Name the arms of the trial.")
    rng = generator(seed, "scores", session)
    n = len(arms)
    squares = []
    for _ in range(-(-assessors // n)):
        square = (np.arange(n)[:, None] + np.arange(n)[None, :]) % n
        square = square[rng.permutation(n)][:, rng.permutation(n)]
        squares.append(rng.permutation(n)[square])
    places = np.concatenate(squares)[:assessors]
    codes = _codes(rng, assessors, n)
    return pl.DataFrame(
        {
            "assessor_id": np.repeat(assessor_codes(assessors), n),
            "place": np.tile(np.arange(1, n + 1), assessors),
            "arm_id": np.array(arms)[places.ravel()],
            "code": codes.ravel(),
        }
    )


def _codes(
    rng: np.random.Generator, assessors: int, glasses: int
) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
    """Codes of shape (assessors, glasses): distinct in a row, distinct throughout while they last."""
    rows = max(1, len(_CODES) // glasses)
    rounds = [
        rng.permutation(_CODES)[: rows * glasses].reshape(rows, glasses) for _ in range(-(-assessors // rows))
    ]
    return np.concatenate(rounds)[:assessors]


def _check(assessors: int) -> None:
    if assessors < 1:
        raise NotComputable(
            f"a session of {assessors} assessors cannot be served",
            next_step="Plan at least one reading for it in the register.",
        )
