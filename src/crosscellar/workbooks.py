"""Workbooks of our own: text stays text, whatever it looks like, and one is written whole or not at all."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any


def new_book() -> Any:
    """A workbook of xlsxwriter, put together in memory: a temporary file for each part took twice as long."""
    import xlsxwriter

    as_text = dict.fromkeys(("strings_to_formulas", "strings_to_numbers", "strings_to_urls"), False)
    return xlsxwriter.Workbook(io.BytesIO(), {"in_memory": True, **as_text})


def save(book: Any, path: Path) -> None:
    """Nothing; the workbook is closed and stands at `path`."""
    book.close()
    path.write_bytes(book.filename.getbuffer())
