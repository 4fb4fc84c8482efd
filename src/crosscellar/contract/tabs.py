"""The tabs of our own blank workbooks that hold no readings: who makes and who reads them agree here."""

from __future__ import annotations

from typing import Final

READ_ME: Final = "Read me first"
LABELS: Final = "Labels to print"
POURING: Final = "Pouring"
CHOICES: Final = "choices"

WITHOUT_READINGS: Final = frozenset({READ_ME, LABELS, POURING, CHOICES})
