"""Triangle tests: how many tasters picked the odd glass, and what that says.

A guess is right one time in three. All probabilities are exact binomials (ISO 4120:2021).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from numbers import Real
from typing import Final

import numpy as np
import numpy.typing as npt

from crosscellar.errors import NotComputable

Array = npt.NDArray[np.float64]

#: Chance of picking the odd glass by guessing.
GUESS: Final = 1.0 / 3.0


@dataclass(frozen=True, slots=True)
class TriangleResult:
    """What one triangle session says.

    Attributes
    ----------
    correct, n
        Tasters who picked the odd glass, and all tasters.
    p_value
        Chance of so many or more correct picks if nobody can tell the wines apart.
    critical
        Least number of correct picks that shows a difference at `alpha`; None if even n would not.
    proportion_correct, low, high
        Share of correct picks with its exact interval (Clopper & Pearson 1934) at `level`.
    alpha, level
        As asked for.
    discriminators, discriminators_se
        Share of tasters who do tell: 1.5 pc - 0.5, left negative where there were fewer correct picks than
        guessing gives; standard error sqrt(2.25 pc (1 - pc) / n).
    discriminators_low, discriminators_high
        The exact limits carried over, cut at 0.
    d_prime, d_prime_se
        Distance between the wines in units of a taster's scatter (Ennis 1993), 0 at or below guessing, None
        (unbounded) if all were correct; its standard error by the delta method, None at either end.
    """

    correct: int
    n: int
    alpha: float
    level: float
    p_value: float
    critical: int | None
    proportion_correct: float
    low: float
    high: float
    discriminators: float
    discriminators_se: float
    discriminators_low: float
    discriminators_high: float
    d_prime: float | None
    d_prime_se: float | None


def chance_correct(d_prime: npt.ArrayLike) -> Array:
    """The share of correct picks at each d-prime (array of the same shape).

    The triangle's integral (Ennis 1993) in closed form by Owen's T function: 1 - 4 T(d' / sqrt 6, sqrt 3).
    """
    from scipy.special import owens_t

    h = np.asarray(d_prime, dtype=np.float64) / np.sqrt(6.0)
    return np.asarray(1.0 - 4.0 * owens_t(h, np.sqrt(3.0)), dtype=np.float64)


def chance_correct_slope(d_prime: npt.ArrayLike) -> Array:
    """The change of `chance_correct` per unit of d-prime (Brockhoff & Christensen 2010)."""
    from scipy.special import ndtr

    h = np.asarray(d_prime, dtype=np.float64) / np.sqrt(6.0)
    density = np.exp(-0.5 * h * h) / np.sqrt(2.0 * np.pi)
    return np.asarray(4.0 / np.sqrt(6.0) * density * (ndtr(np.sqrt(3.0) * h) - 0.5), dtype=np.float64)


def d_prime_of(proportion_correct: npt.ArrayLike) -> Array:
    """d-prime at each share of correct picks: 0 at or below a third, infinite at 1. By bisection."""
    pc = np.asarray(proportion_correct, dtype=np.float64)
    low, high = np.zeros_like(pc), np.full_like(pc, 20.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        under = chance_correct(middle) < pc
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    inside = np.where(pc >= 1.0, np.inf, 0.5 * (low + high))
    return np.where(pc <= GUESS, 0.0, inside)


def critical_number(n: int, *, alpha: float = 0.05) -> int | None:
    """The least number of correct picks out of n that shows a difference at alpha, None if n would not do.

    Smallest c with P(X >= c) <= alpha for X binomial(n, 1/3) (ISO 4120:2021, annex A).
    """
    c = np.arange(0, n + 1)
    enough = np.flatnonzero(_at_least(c, n, GUESS) <= alpha)
    return int(c[enough[0]]) if enough.size else None


def similarity_limit(n: int, *, discriminators: float, beta: float = 0.05) -> int | None:
    """The greatest number of correct picks that still shows similarity, None if even 0 would not.

    Largest c with P(X <= c) <= beta for X binomial(n, pc), pc = (1 + 2 discriminators) / 3: with no more
    correct picks than c, the share of tasters who tell is below `discriminators` but for a chance of beta
    (ISO 4120:2021, annex A).
    """
    from scipy.special import bdtr

    c = np.arange(0, n + 1)
    few = np.flatnonzero(bdtr(c, n, (1.0 + 2.0 * discriminators) / 3.0) <= beta)
    return int(c[few[-1]]) if few.size else None


def triangle_power(n: int, *, discriminators: float, alpha: float = 0.05) -> float:
    """The chance that n tasters show a difference at alpha when this share of tasters can tell."""
    critical = critical_number(n, alpha=alpha)
    if critical is None:
        return 0.0
    return float(_at_least(np.array([critical]), n, (1.0 + 2.0 * discriminators) / 3.0)[0])


def exact_limits(correct: npt.ArrayLike, n: npt.ArrayLike, *, level: float = 0.95) -> tuple[Array, Array]:
    """Lower and upper exact limits of a share (Clopper & Pearson 1934), arrays."""
    from scipy.special import betaincinv

    x = np.asarray(correct, dtype=np.float64)
    size = np.asarray(n, dtype=np.float64)
    tail = (1.0 - level) / 2.0
    low = np.where(x > 0, betaincinv(np.maximum(x, 0.5), size - x + 1.0, tail), 0.0)
    high = np.where(x < size, betaincinv(x + 1.0, np.maximum(size - x, 0.5), 1.0 - tail), 1.0)
    return low, high


def triangle_result(correct: int, n: int, *, alpha: float = 0.05, level: float = 0.95) -> TriangleResult:
    """What `correct` picks of the odd glass by `n` tasters say: exact p, limits, who can tell, d-prime.

    p = P(X >= correct) for X binomial(n, 1/3) (ISO 4120:2021); limits by Clopper & Pearson (1934); who can
    tell is 1.5 pc - 0.5; d-prime by Ennis (1993).

    Parameters
    ----------
    correct, n
        Whole numbers: picks that were right, and all.
    alpha
        The risk at which `critical` shows a difference.
    level
        Of the limits.

    Raises
    ------
    NotComputable
        n below 1, or `correct` not between 0 and n.
    """
    return triangle_results([(correct, n)], alpha=alpha, level=level)[0]


def triangle_results(
    counts: Sequence[tuple[int, int]], *, alpha: float = 0.05, level: float = 0.95
) -> list[TriangleResult]:
    """What `triangle_result` says of each pair of right picks and tasters."""
    for correct, n in counts:
        if not (_whole(correct) and _whole(n)) or n < 1 or not 0 <= correct <= n:
            raise NotComputable(
                f"{correct} correct picks out of {n} cannot be",
                next_step="Give whole numbers with 0 <= correct <= n and at least one taster.",
            )
    d_primes = d_prime_of([correct / n for correct, n in counts])
    return [
        _result(correct, n, float(d_prime), alpha=alpha, level=level)
        for (correct, n), d_prime in zip(counts, d_primes, strict=True)
    ]


def _whole(count: object) -> bool:
    return isinstance(count, Real) and float(count).is_integer()


def _result(correct: int, n: int, d_prime: float, *, alpha: float, level: float) -> TriangleResult:
    pc = correct / n
    low, high = (float(limit) for limit in exact_limits(correct, n, level=level))
    inside = GUESS < pc < 1.0
    spread = float(np.sqrt(pc * (1.0 - pc) / n))
    return TriangleResult(
        correct=correct,
        n=n,
        alpha=alpha,
        level=level,
        p_value=float(_at_least(np.array([correct]), n, GUESS)[0]),
        critical=critical_number(n, alpha=alpha),
        proportion_correct=pc,
        low=low,
        high=high,
        discriminators=(3.0 * correct - n) / (2.0 * n),
        discriminators_se=1.5 * spread,
        discriminators_low=max(0.0, 1.5 * low - 0.5),
        discriminators_high=max(0.0, 1.5 * high - 0.5),
        d_prime=d_prime if pc < 1.0 else None,
        d_prime_se=spread / float(chance_correct_slope(d_prime)) if inside else None,
    )


def _at_least(correct: npt.NDArray[np.int_], n: int, chance: float) -> Array:
    from scipy.special import bdtrc

    return np.where(correct <= 0, 1.0, bdtrc(np.maximum(correct - 1, 0), n, chance))
