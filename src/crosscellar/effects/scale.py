"""How a number on the scale of the effects is read out: in its unit, rounded by its standard error."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final, Self

_LOGS: Final = frozenset({"log_ratio", "log_risk_ratio"})
_SHARES: Final = {"discriminators": "% of tasters", "risk_difference": "percentage points"}
#: The unit of scores, with the ends of their scale.
_POINTS: Final = re.compile(r"^points \(.*\)$")
#: How the unit of a slope of log ratios begins: `log ratio per day`.
_LOG_SLOPE: Final = "log ratio per "
#: A number shows no more decimals than this.
_MOST: Final = 6
#: From here on a number is shown with an exponent.
_LONGEST: Final = 1e9
#: What stands for an interval whose ends differ more than ten-thousandfold.
TOO_WIDE: Final = "too wide to say"
_TOO_WIDE_LOG: Final = math.log(10_000.0)
#: The exponential of more than this is no number any more.
_LARGEST_LOG: Final = 700.0


def decimals_for(std_error: float) -> int:
    """How many decimals show the first two significant digits of a standard error; 0 to 6.

    A standard error of 0.034 gives 3, of 1.4 gives 1, of 27 gives 0; 2 where it is not known.
    """
    if not math.isfinite(std_error) or std_error <= 0:
        return 2
    first = math.floor(math.log10(std_error))
    # 0.0996 rounds to 0.10: its first digit is that of 0.1.
    first = math.floor(math.log10(round(std_error, 1 - first)))
    return min(_MOST, max(0, 1 - first))


def two_digits(value: float) -> str:
    """A positive number to two significant digits, without an exponent; `0` for none."""
    if not value > 0:
        return "0"
    if math.isinf(value):
        return "unlimited"
    return f"{value:.{max(0, 1 - math.floor(math.log10(value)))}f}"


@dataclass(frozen=True, slots=True)
class Scale:
    """How the numbers of one response are read: log ratios as % change, shares in %, else in their unit.

    `decimals` is the same for an estimate, its interval and all that is set beside them; three significant
    digits each where it is None.
    """

    measure: str = ""
    unit: str = ""
    decimals: int | None = None

    @classmethod
    def of(cls, measure: str, unit: str, estimate: float, std_error: float) -> Self:
        """The scale whose decimals fit this estimate and its standard error, both as effects are stored.

        A share of tasters pooled on its counts has no standard error, and no panel tells it closer than 1 %.
        """
        if not (math.isfinite(std_error) and std_error > 0):
            return cls(measure, unit, 0 if measure == "discriminators" else None)
        shown = std_error
        if cls(measure, unit).is_log_ratio:
            shown = (
                100.0 + cls(measure, unit).shown(estimate if math.isfinite(estimate) else 0.0)
            ) * std_error
        elif measure in _SHARES:
            shown = 100.0 * std_error
        return cls(measure, unit, decimals_for(shown))

    @property
    def is_log_ratio(self) -> bool:
        """Whether numbers are natural logs of a ratio, of a step in level too."""
        return self.measure in _LOGS or self.unit.startswith(_LOG_SLOPE)

    @property
    def is_share(self) -> bool:
        """Whether numbers are shares of tasters who can tell."""
        return self.measure == "discriminators"

    @property
    def shown_unit(self) -> str:
        """The unit in which numbers are shown."""
        if self.is_log_ratio:
            return f"%{self.unit.removeprefix('log ratio')}" if self.unit.startswith(_LOG_SLOPE) else "%"
        return _SHARES.get(self.measure, self.unit)

    @property
    def told_unit(self) -> str:
        """The unit behind a number in a sentence: `points` without the ends of their scale."""
        return _POINTS.sub("points", self.shown_unit)

    def shown(self, value: float) -> float:
        """The number as it is shown, unrounded; infinite for a log ratio whose ratio no number can hold."""
        if self.is_log_ratio:
            return 100.0 * math.expm1(value) if value < _LARGEST_LOG else math.inf
        return 100.0 * value if self.measure in _SHARES else value

    def spread(self, variance: float) -> float:
        """How far things of this variance differ: in % of their mean for log ratios, else in the unit.

        The coefficient of variation of a lognormal quantity is sqrt(exp(s2) - 1) (Aitchison and Brown 1957):
        the number in which laboratories tell repeatability, and in which `vessels_needed` takes a spread.
        """
        if not self.is_log_ratio:
            return math.sqrt(variance)
        return 100.0 * math.sqrt(math.expm1(variance)) if variance < _LARGEST_LOG else math.inf

    @property
    def spread_name(self) -> str:
        """What `spread` is called."""
        return "coefficient of variation" if self.is_log_ratio else "standard deviation"

    def spread_words(self, variance: float) -> str:
        """The spread to two digits, with its unit: `8.5 %`, `0.34 NTU`."""
        unit = "%" if self.is_log_ratio else self.shown_unit
        return f"{two_digits(self.spread(variance))} {unit}".rstrip()

    def words(self, value: float, *, signed: bool = True, unit: bool = True) -> str:
        """The number with its sign and unit: `+0.25 g/L`, `-12 %`."""
        if not math.isfinite(value):
            return "unlimited"
        # Fewer right picks than guessing gives: nobody can tell.
        shown = self.shown(max(value, 0.0) if self.is_share else value)
        if math.isinf(shown):
            return "unlimited"
        plain = self.decimals is not None and abs(shown) < _LONGEST
        text = f"{shown:.{self.decimals}f}" if plain else _digits(shown)
        if float(text) == 0:
            text = text.removeprefix("-")
        elif signed and not self.is_share and not text.startswith("-"):
            text = f"+{text}"
        return f"{text} {self.told_unit}".strip() if unit else text

    def is_too_wide(self, low: float, high: float) -> bool:
        """Whether an interval says nothing: its ends are ratios that differ more than ten-thousandfold."""
        return self.is_log_ratio and high - low > _TOO_WIDE_LOG

    def span(self, low: float, high: float) -> str:
        """Two numbers as in `range`, in a sentence: an end that rounds to 0 says on which side it lies."""
        if self.is_too_wide(low, high):
            return TOO_WIDE
        ends = [self.words(end, unit=False) for end in (low, high)]
        told = [_beside_zero(words, end) for words, end in zip(ends, (low, high), strict=True)]
        unit = self.told_unit if math.isfinite(high) else ""
        return f"{told[0]} to {told[1]} {unit}".rstrip()

    def range(self, low: float, high: float, *, unit: bool = True) -> str:
        """Two numbers as `+0.1 to +0.4 g/L`; `TOO_WIDE` in place of an interval that says nothing."""
        if self.is_too_wide(low, high):
            return TOO_WIDE
        bounded = math.isfinite(low) and math.isfinite(high)
        return f"{self.words(low, unit=unit and not bounded)} to {self.words(high, unit=unit)}"


def _digits(value: float) -> str:
    """Three significant digits without an exponent where that is short."""
    if value == 0:
        return "0"
    size = abs(value)
    if size >= 1e6 or size < 1e-5:
        return f"{value:.2e}"
    return f"{value:.{max(0, 2 - math.floor(math.log10(size)))}f}"


def _beside_zero(words: str, value: float) -> str:
    """The words of a number; where they say 0 of one that is not, on which side of 0 it lies."""
    if value == 0 or words.strip("+-0."):
        return words
    return "just above 0" if value > 0 else "just below 0"
