"""Numbers as pages show them: two digits of the standard error decide the decimals, for all formats alike."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from crosscellar.effects import Scale
from crosscellar.effects.scale import TOO_WIDE

#: What stands for a number that cannot honestly be given.
NONE: Final = "–"

_MINUS: Final = "−"


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
class Reading(Scale):
    """A scale as pages show it: true minus signs, and a dash for what cannot be given."""

    def place(self, shown: float) -> float:
        """Where a number as shown stands on the scale of the estimates."""
        if self.is_log_ratio:
            return math.log1p(max(shown, -99.9) / 100.0)
        return shown / self.shown(1.0)

    def words(self, value: float | None, *, signed: bool = True, unit: bool = True) -> str:
        """The number with its sign, and its unit unless the heading has it."""
        if value is None or math.isnan(value):
            return NONE
        # Written out: a dataclass with slots is another class than the one that super() without words means.
        return true_minus(Scale.words(self, value, signed=signed, unit=unit and math.isfinite(value)))

    def interval(self, low: float | None, high: float | None, *, unit: bool = False) -> str:
        """Two numbers as `−1.2 to +0.4`; `too wide to say` for an interval that says nothing."""
        if low is None or high is None or math.isnan(low) or math.isnan(high):
            return NONE
        if self.is_too_wide(low, high):
            return TOO_WIDE
        text = f"{self.words(low, unit=False)} to {self.words(high, unit=False)}"
        return f"{text} {self.told_unit}".rstrip() if unit else text

    @property
    def heading(self) -> str:
        """What the numbers are, for a heading of a column or an axis."""
        if self.is_log_ratio:
            return f"change, {self.shown_unit}"
        if self.is_share:
            return "tasters who can tell, %"
        return f"difference, {self.shown_unit}" if self.shown_unit else "difference"


def true_minus(text: str) -> str:
    """The text with true minus signs before its numbers."""
    return re.sub(r"(?<![\w)])-(?=\d)", _MINUS, text)


def held(text: str) -> str:
    """The text with its numbers held to the percent sign or unit after them, so that no line ends between."""
    return re.sub(r"(?<=\d) (?=%|°|NTU|g/|mg/|µg/)", "\u00a0", text)


def chance(share: float) -> str:
    """A chance as people say it: `about 9 in 10`."""
    if not math.isfinite(share):
        return NONE
    if share > 0.995:
        return "more than 99 in 100"
    if share < 0.005:
        return "less than 1 in 100"
    return f"about {round(round(100 * share, 9))} in 100"


def p_value(p: float | None) -> str:
    """A p-value to two digits, never as 0."""
    if p is None or math.isnan(p):
        return NONE
    return "< 0.001" if p < 0.001 else f"{p:.2g}"
