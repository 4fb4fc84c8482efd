"""What the styles of a workbook say about its cells: what a number is shown as, and what is struck out."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, Final

from crosscellar.intake.cells import Shows, Styles, stream

_QUOTED: Final = re.compile(r'"[^"]*"|\\.')

#: Number formats without a code in the file that show dates in East Asian editions: ECMA-376 part 1, 18.8.30.
_EAST_ASIAN_DATES: Final = frozenset({*range(27, 37), *range(50, 59)})


def read_styles(pieces: Iterable[bytes]) -> tuple[tuple[Shows, ...], tuple[bool, ...]]:
    """For each cell style in order: what its format shows a number as, whether its font is struck out.

    Only these two are read, so that a colour or a border that no standard knows stops no sheet.
    """
    codes: dict[int, str] = {}
    fonts: list[bool] = []
    styles: list[tuple[int, int]] = []
    sections: list[str] = []

    def start(name: str, attributes: dict[str, str]) -> None:
        section = sections[-1] if sections else ""
        if name in ("fonts", "cellXfs", "cellStyleXfs", "dxfs", "numFmts"):
            sections.append(name)
        elif name == "numFmt" and section == "numFmts":
            codes[int(attributes["numFmtId"])] = attributes.get("formatCode", "General")
        elif name == "font" and section == "fonts":
            fonts.append(False)
        elif name == "strike" and section == "fonts" and fonts:
            fonts[-1] = attributes.get("val", "1") not in ("0", "false")
        elif name == "xf" and section == "cellXfs":
            styles.append((int(attributes.get("numFmtId", "0")), int(attributes.get("fontId", "0"))))

    def end(name: str) -> None:
        if sections and name == sections[-1]:
            sections.pop()

    stream(pieces, start, end, lambda _: None)
    shown = {number: _shows(number, codes) for number, _ in styles}
    return (
        tuple(shown[number] for number, _ in styles),
        tuple(font < len(fonts) and fonts[font] for _, font in styles),
    )


def styles_of(shows: tuple[Shows, ...], struck: tuple[bool, ...], book: Any) -> Styles:
    """These with the date system and the calculation state of the workbook as openpyxl found them."""
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    calculation = book.calculation
    return Styles(
        shows=shows,
        struck=struck,
        date_system="1904" if book.epoch == CALENDAR_MAC_1904 else "1900",
        never_calculated=bool(calculation is not None and calculation.fullCalcOnLoad),
    )


def _shows(number: int, codes: dict[int, str]) -> Shows:
    from openpyxl.styles import numbers

    formats: Any = numbers
    if number not in codes and number in _EAST_ASIAN_DATES:
        return "date"
    code = codes.get(number) or formats.BUILTIN_FORMATS.get(number, "General")
    if formats.is_timedelta_format(code):
        return "duration"
    if formats.is_date_format(code):
        return "date"
    return "percent" if "%" in _QUOTED.sub("", code) else "number"
