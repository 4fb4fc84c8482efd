"""Results as a person reads them in a terminal or a notebook, or as one JSON document."""

from __future__ import annotations

import json
import sys
from typing import Any, Final

from crosscellar.console.parts import Table, parts_of
from crosscellar.errors import steady

__all__ = ["print_json", "print_text"]

#: Width where there is no terminal to ask.
PIPED_WIDTH: Final = 110


def print_json(result: Any) -> None:
    """Print a result as one JSON document; what is no UTF-8 is given letters of ASCII alone."""
    other = "utf" not in (sys.stdout.encoding or "").lower()
    document = json.dumps(result.as_json(), ensure_ascii=other, indent=2, allow_nan=False)
    sys.stdout.write(f"{document}\n")


def print_text(result: Any) -> None:
    """Print a result as text."""
    from rich.console import Console

    class Plain(Console):
        def on_broken_pipe(self) -> None:
            # The process would be ended here, with a status of its own.
            raise BrokenPipeError

    console = Plain(highlight=False, soft_wrap=False, width=None if sys.stdout.isatty() else PIPED_WIDTH)
    for part in parts_of(result):
        console.print(part if isinstance(part, Table) else steady(str(part)), markup=False)
