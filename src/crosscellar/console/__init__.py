"""Results as a person reads them in a terminal or a notebook, or as one JSON document."""

from __future__ import annotations

import json
import shutil
import sys
from typing import Any, Final

from crosscellar.console.layout import laid_out
from crosscellar.console.parts import parts_of

__all__ = ["print_json", "print_text"]

#: Width where there is no terminal to ask.
PIPED_WIDTH: Final = 110


def print_json(result: Any) -> None:
    """Print a result as one JSON document."""
    document = json.dumps(result.as_json(), ensure_ascii=False, indent=2, allow_nan=False)
    sys.stdout.write(f"{document}\n")


def print_text(result: Any) -> None:
    """Print a result as text."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else PIPED_WIDTH
    rule = "─" if (sys.stdout.encoding or "utf").lower().startswith("utf") else "-"
    for part in parts_of(result):
        sys.stdout.write(f"{laid_out(part, width, rule=rule)}\n")
