"""One rule for rounding: two digits of the standard error decide how many decimals a number shows."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from crosscellar.pooling import Pooled

#: What stands for a number that cannot honestly be given.
NONE: Final = "–"

_MINUS: Final = "−"
_MOST: Final = 6


def decimals_for(std_error: float) -> int:
    """How many decimals show the first two significant digits of a standard error; 0 to 6.

    A standard error of 0.034 gives 3, of 1.4 gives 1, of 27 gives 0.
    """
    if not math.isfinite(std_error) or std_error <= 0:
        return 2
    first = math.floor(math.log10(std_error))
    # 0.0996 rounds to 0.10: its first digit is that of 0.1.
    first = math.floor(math.log10(round(std_error, 1 - first)))
    return min(_MOST, max(0, 1 - first))


def number(value: float | None, decimals: int, *, signed: bool = False) -> str:
    """A number with so many decimals, a true minus sign, and no minus before a zero."""
    if value is None or math.isnan(value):
        return NONE
    if math.isinf(value):
        return "unlimited"
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        return text.lstrip("-")
    if text.startswith("-"):
        return _MINUS + text[1:]
    return f"+{text}" if signed else text


@dataclass(frozen=True, slots=True)
class Reading:
    """How the numbers of one response are read: log ratios as % change, shares in %, else in their unit."""

    measure: str
    unit: str
    decimals: int

    @classmethod
    def of(cls, measure: str, unit: str, estimate: float, std_error: float) -> Reading:
        """The reading whose decimals fit this estimate and its standard error, both on the effects' scale."""
        if measure in _LOGS:
            shown = 100.0 * math.exp(estimate if math.isfinite(estimate) else 0.0) * std_error
            return cls(measure, "%", decimals_for(shown))
        if measure in _SHARES:
            return cls(
                measure,
                "%" if measure != "discriminators" else "% of tasters",
                decimals_for(100.0 * std_error),
            )
        return cls(measure, unit, decimals_for(std_error))

    def shown(self, value: float | None) -> float | None:
        """The number as it is shown, unrounded."""
        if value is None or not math.isfinite(value):
            return value
        if self.measure in _LOGS:
            return 100.0 * math.expm1(value)
        return 100.0 * value if self.measure in _SHARES else value

    def place(self, shown: float) -> float:
        """Where a number as shown stands on the scale of the estimates."""
        if self.measure in _LOGS:
            return math.log1p(max(shown, -99.9) / 100.0)
        return shown / 100.0 if self.measure in _SHARES else shown

    def words(self, value: float | None, *, unit: bool = True) -> str:
        """The number with its sign, and its unit unless the heading has it."""
        text = number(self.shown(value), self.decimals, signed=self.measure != "discriminators")
        return f"{text} {self.unit}" if unit and self.unit and text not in (NONE, "unlimited") else text

    def interval(self, low: float | None, high: float | None, *, unit: bool = False) -> str:
        """Two numbers as `−1.2 to +0.4`."""
        if low is None or high is None or math.isnan(low) or math.isnan(high):
            return NONE
        text = f"{self.words(low, unit=False)} to {self.words(high, unit=False)}"
        return f"{text} {self.unit}" if unit and self.unit else text

    def reworded(self, pooled: Pooled) -> str:
        """The reason of an answer with its numbers rounded as they are everywhere else on the page."""
        scale = pooled.scale
        values = [pooled.estimate, pooled.low, pooled.high, pooled.prediction_low, pooled.prediction_high]
        values += _equivalence(pooled)
        if pooled.smallest_difference is not None:
            values += [pooled.smallest_difference, -pooled.smallest_difference]
        known: dict[str, str] = {}
        for value in values:
            if math.isfinite(value):
                text = scale.words(value).split(" ")[0]
                known[text] = self.words(value, unit=False)
        if not known:
            return pooled.reason
        found = "|".join(re.escape(text) for text in sorted(known, key=len, reverse=True))
        text = re.sub(rf"(?<![\w.])(?:{found})(?![\w]|\.\d)", lambda match: known[match[0]], pooled.reason)
        return re.sub(r"(?<![\w)])-(?=\d)", _MINUS, text)

    @property
    def heading(self) -> str:
        """What the numbers are, for a heading of a column or an axis."""
        if self.measure in _LOGS:
            return "change, %"
        if self.measure == "discriminators":
            return "tasters who can tell, %"
        return f"difference, {self.unit}" if self.unit else "difference"


def _equivalence(pooled: Pooled) -> list[float]:
    """The two ends of the interval that two one-sided tests read (90 % beside 95 %)."""
    from scipy.special import stdtrit

    if not (math.isfinite(pooled.std_error) and pooled.df > 0):
        return []
    df = pooled.df if math.isfinite(pooled.df) else 1e9
    width = float(stdtrit(df, pooled.level)) * pooled.std_error
    return [pooled.estimate - width, pooled.estimate + width]


_LOGS: Final = frozenset({"log_ratio", "log_risk_ratio"})
_SHARES: Final = frozenset({"discriminators", "risk_difference"})


def chance(share: float) -> str:
    """A chance as people say it: `about 9 in 10`."""
    if not math.isfinite(share):
        return NONE
    if share > 0.995:
        return "more than 99 in 100"
    if share < 0.005:
        return "less than 1 in 100"
    return f"about {round(100 * share)} in 100"


def p_value(p: float | None) -> str:
    """A p-value to two digits, never as 0."""
    if p is None or math.isnan(p):
        return NONE
    return "< 0.001" if p < 0.001 else f"{p:.2g}"
