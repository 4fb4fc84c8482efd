"""How many assessors a triangle test needs: to show a difference, or that there is none to speak of."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from scipy.special import bdtr, bdtrc

from crosscellar.effects import critical_number, similarity_limit, triangle_power
from crosscellar.errors import NotComputable

_MOST = 2_000
_GUESS = 1.0 / 3.0


@dataclass(frozen=True, slots=True)
class Panel:
    """A panel that is large enough.

    Attributes
    ----------
    assessors
        The least number that will do.
    correct
        A difference is shown with at least this many correct picks; similarity with at most this many.
    power
        The chance of that, with `assessors`.
    served_evenly
        The least multiple of six that will do: each serving order equally often. It may lie beyond the next
        one, as power goes up in a saw-tooth.
    correct_evenly, power_evenly
        `correct` and `power` with `served_evenly` assessors.
    risk
        The chance of saying so wrongly, with `assessors`.
    always
        From this number on every larger panel will do too: counts are whole, so power goes up in a saw-tooth.
    """

    assessors: int
    served_evenly: int
    correct: int
    power: float
    risk: float
    always: int
    correct_evenly: int
    power_evenly: float


def panel_for_difference(*, discriminators: float = 0.3, power: float = 0.8, alpha: float = 0.05) -> Panel:
    """The panel that shows a difference when this share of assessors can tell.

    By the exact binomial (ISO 4120:2021).

    Raises
    ------
    NotComputable
        For shares outside 0 to 1, or a panel beyond 2,000.
    """
    _check(discriminators, power, alpha)

    def reach(n: int) -> tuple[int | None, float]:
        return critical_number(n, alpha=alpha), triangle_power(n, discriminators=discriminators, alpha=alpha)

    n, correct, reached, always = _least(reach, power)
    even, picks, chance = _evenly(reach, power, n)
    risk = float(bdtrc(correct - 1, n, _GUESS))
    return Panel(n, even, correct, reached, risk, always, picks, chance)


def panel_for_similarity(*, discriminators: float = 0.3, power: float = 0.8, beta: float = 0.05) -> Panel:
    """The panel that shows that fewer than this share can tell, when nobody can (exact binomial).

    `power` is the chance of ending at or below the limit when all guess; `beta` the risk of calling wines
    similar of which the share can tell.

    Raises
    ------
    NotComputable
        For shares outside 0 to 1, or a panel beyond 2,000.
    """
    _check(discriminators, power, beta)

    def reach(n: int) -> tuple[int | None, float]:
        limit = similarity_limit(n, discriminators=discriminators, beta=beta)
        return limit, 0.0 if limit is None else float(bdtr(limit, n, _GUESS))

    n, correct, reached, always = _least(reach, power)
    even, picks, chance = _evenly(reach, power, n)
    risk = float(bdtr(correct, n, (1.0 + 2.0 * discriminators) / 3.0))
    return Panel(n, even, correct, reached, risk, always, picks, chance)


def _least(reach: Callable[[int], tuple[int | None, float]], power: float) -> tuple[int, int, float, int]:
    """The least n that reaches the power, its count and power, and from where all larger ones do."""
    found: tuple[int, int, float] | None = None
    last_short = 0
    for n in range(1, _MOST + 1):
        correct, reached = reach(n)
        if correct is not None and reached >= power:
            found = found or (n, correct, reached)
            # Teeth are no longer than three assessors: a run of a dozen without a gap is past the last.
            if n - last_short > 12:
                return *found, last_short + 1
        else:
            last_short = n
    raise NotComputable(
        f"no panel of up to {_MOST} assessors will do", next_step="Ask for a larger share or less power."
    )


def _evenly(
    reach: Callable[[int], tuple[int | None, float]], power: float, least: int
) -> tuple[int, int, float]:
    """The least multiple of six from `least` on that reaches the power, with its count and power."""
    for n in range(6 * -(-least // 6), 2 * _MOST, 6):
        correct, reached = reach(n)
        if correct is not None and reached >= power:
            return n, correct, reached
    raise NotComputable(
        f"no panel of up to {2 * _MOST} assessors in sixes will do",
        next_step="Ask for a larger share or less power.",
    )


def _check(discriminators: float, power: float, risk: float) -> None:
    for name, share in (("share of discriminators", discriminators), ("power", power), ("risk", risk)):
        if not 0 < share < 1:
            raise NotComputable(
                f"a {name} of {share:g} cannot be planned with", next_step="Give a share between 0 and 1."
            )
