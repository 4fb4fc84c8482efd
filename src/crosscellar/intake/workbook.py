"""A workbook's tabs as grids: structure and comments by openpyxl, cells and styles streamed."""

from __future__ import annotations

import io
import posixpath
import warnings
import zipfile
from collections.abc import Iterator
from typing import Any, Final, Literal

import polars as pl

from crosscellar.gate import Limits, Package, Refused, open_gate
from crosscellar.intake.cells import Cells, Styles, read_cells, read_strings
from crosscellar.intake.grid import Grid, Remark, lay_out, marks_frame, read_reference
from crosscellar.intake.styles import read_styles, styles_of

_CHUNK: Final = 65_536
_COMMENTS: Final = "/comments"
_STRICT: Final = b"http://purl.oclc.org/ooxml/spreadsheetml/main"


def read_workbook(
    content: bytes, limits: Limits
) -> tuple[tuple[Grid, ...], Literal["1900", "1904"], tuple[Remark, ...]]:
    """The grids of all tabs that hold cells, the date system, and remarks.

    Raises
    ------
    Refused
        Whatever the gate refuses, a damaged workbook, or one beyond the limits.
    """
    package = open_gate(content, limits)
    remarks: list[Remark] = []
    if package.macros:
        remarks.append(Remark("macros", None, None, "The workbook holds macros; they are never run."))
    try:
        with warnings.catch_warnings():
            # openpyxl warns of what it leaves out (styles, validations, extensions); none of it is a cell
            warnings.simplefilter("ignore")
            grids, date_system = _read(content, package, limits)
    except Refused:
        raise
    except Exception as fault:
        # a damaged part can make the parsers raise nearly anything; none of it may stop the next file
        raise Refused(
            "damaged",
            "The workbook is damaged (a part of it cannot be read)",
            "Open it in a spreadsheet program, save it, and send it again.",
        ) from fault
    if date_system == "1904":
        remarks.append(
            Remark("date_system_1904", None, None, "The workbook counts its days from 1904; read so.")
        )
    if not any(grid.text.height for grid in grids):
        raise Refused("empty", "The workbook has no content", "Attach the sheet again.")
    return grids, date_system, tuple(remarks)


def _read(
    content: bytes, package: Package, limits: Limits
) -> tuple[tuple[Grid, ...], Literal["1900", "1904"]]:
    from openpyxl.reader.excel import ExcelReader

    for name, size in package.sizes.items():
        small = name.lower().endswith((".xml", ".rels")) and not name.lower().startswith(
            ("xl/worksheets/", "xl/sharedstrings", "xl/styles", "xl/pivotcache", "xl/charts", "xl/drawings")
        )
        if small and size > limits.part_bytes:
            raise Refused(
                "unpacks_too_large",
                "A part of the workbook is too large",
                "Copy the table into a new workbook.",
            )
    # what the reader gathers on its way has no declared types
    reader: Any = ExcelReader(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
    with reader.archive as archive:
        reader.read_manifest()
        reader.read_workbook()
        styles = _styles(reader, archive)
        strings, struck = _strings(reader, archive, limits)
        grids = []
        seen: set[str] = set()
        for tab, relation in reader.parser.find_sheets():
            if not relation.Type.endswith("/worksheet"):
                continue
            path = relation.target
            if path in seen:
                # a tab a part: named ten thousand times, one part would be read as often
                raise ValueError("two tabs of one part")
            seen.add(path)
            with archive.open(path) as part:
                cells = read_cells(_pieces(part), strings, struck, styles, limits)
            _read_comments(archive, path, cells, limits, seen)
            grids.append(_grid(tab.name or "", tab.state != "visible", cells, limits))
        if not grids and _is_strict(archive):
            raise Refused(
                "strict_workbook",
                "This is a workbook in the strict form of its standard, which is not read",
                "Save it as an ordinary .xlsx or as .csv and send it again.",
            )
    if not grids:
        raise Refused("empty", "The workbook has no tab that could hold a table", "Attach the sheet again.")
    return tuple(grids), styles.date_system


def _is_strict(archive: zipfile.ZipFile) -> bool:
    return any(
        _STRICT in archive.read(name) for name in archive.namelist() if name.lower() == "xl/workbook.xml"
    )


def _pieces(part: Any) -> Iterator[bytes]:
    while piece := part.read(_CHUNK):
        yield piece


def _styles(reader: Any, archive: zipfile.ZipFile) -> Styles:
    from openpyxl.xml.constants import ARC_STYLE

    if ARC_STYLE not in archive.namelist():
        return styles_of((), (), reader.wb)
    with archive.open(ARC_STYLE) as part:
        return styles_of(*read_styles(_pieces(part)), reader.wb)


def _strings(reader: Any, archive: zipfile.ZipFile, limits: Limits) -> tuple[list[str], frozenset[int]]:
    from openpyxl.xml.constants import SHARED_STRINGS

    found = reader.package.find(SHARED_STRINGS)
    if found is None:
        return [], frozenset()
    with archive.open(found.PartName.lstrip("/")) as part:
        return read_strings(_pieces(part), limits)


def _read_comments(archive: zipfile.ZipFile, path: str, cells: Cells, limits: Limits, seen: set[str]) -> None:
    from openpyxl.comments.comment_sheet import CommentSheet
    from openpyxl.packaging.relationship import get_dependents, get_rels_path
    from openpyxl.xml.functions import fromstring

    rels_path: Any = get_rels_path
    sheet: Any = CommentSheet
    relations = rels_path(path)
    if relations not in archive.namelist():
        return
    for relation in get_dependents(archive, relations):
        if not str(relation.Type).endswith(_COMMENTS):
            continue
        target = posixpath.normpath(str(relation.target)).lstrip("/")
        if target not in archive.namelist() or archive.getinfo(target).file_size > limits.part_bytes:
            continue
        if target in seen:
            raise ValueError("comments of two tabs")
        seen.add(target)
        for reference, comment in sheet.from_tree(fromstring(archive.read(target))).comments:
            place = read_reference(reference)
            if place is not None:
                cells.marks.append((*place, "comment", str(comment.content).strip()))


def _grid(name: str, hidden: bool, cells: Cells, limits: Limits) -> Grid:
    rows = {row for at, _ in cells.columns.values() for row in at}
    box = len(rows) * len(cells.columns)
    if len(rows) > limits.rows:
        raise Refused(
            "too_many_rows", f"A tab has more than {limits.rows:,} rows", "Split it into several files."
        )
    if len(cells.columns) > limits.columns:
        raise Refused(
            "too_many_columns",
            f"A tab has more than {limits.columns:,} columns",
            "Remove the columns not asked for.",
        )
    if box > 2 * limits.cells:
        raise Refused(
            "too_many_cells",
            "The cells of a tab are spread too far apart",
            "Copy the table into a new workbook.",
        )
    text = lay_out(cells.columns)
    kept = set(text["row"].to_list())
    kinds = lay_out({number: (cells.columns[number][0], kinds) for number, kinds in cells.kinds.items()})
    kinds = text.select("row").join(kinds, on="row", how="left", maintain_order="left").select(text.columns)
    marks = [mark for mark in cells.marks if mark[2] in ("comment", "merged") or mark[0] in kept]
    marks += [(row, None, "hidden_row", "") for row in sorted(cells.hidden_rows & kept)]
    numbers = [int(column) for column in text.columns[1:]]
    marks += [
        (None, number, "hidden_column", "")
        for number in numbers
        if any(first <= number <= last for first, last in cells.hidden_columns)
    ]
    return Grid(name, hidden, text, kinds.cast({pl.Null: pl.String}), marks_frame(marks))
