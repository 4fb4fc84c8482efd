"""Our own workbooks: how they are made, and the tabs without readings that maker and reader agree on."""

from __future__ import annotations

from typing import Final

READ_ME: Final = "Read me first"
LABELS: Final = "Labels to print"
POURING: Final = "Pouring"
CHOICES: Final = "choices"

WITHOUT_READINGS: Final = frozenset({READ_ME, LABELS, POURING, CHOICES})

#: How workbooks are written: text stays text, whatever it looks like, and their parts are put together in
#: memory: a temporary file for each took twice as long.
WORKBOOK: Final = {
    "in_memory": True,
    "strings_to_formulas": False,
    "strings_to_numbers": False,
    "strings_to_urls": False,
}
