"""What goes back to whoever filled in a sheet: a marked copy, a text for the reply, a correction sheet."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.frames import Batch
from crosscellar.errors import steady
from crosscellar.sheets.corrections import write_corrections
from crosscellar.sheets.replies import of_this_row, reply_text
from crosscellar.workbooks import new_book, save

if TYPE_CHECKING:
    from crosscellar.intake.grid import Document, Grid, Unreadable

#: Colour, border and word of each severity: three signs, so that none is needed.
_SIGNS: Final = {
    "refuse": ("#F6C9C0", 5, "Not taken in: please mend"),
    "hold": ("#FCE8B2", 6, "Waiting: please answer"),
    "remark": ("#D6E6F2", 4, "Taken in: please have a look"),
}
_GRAVITY: Final = {"refuse": 0, "hold": 1, "remark": 2}
_BORDERS: Final = {"refuse": "thick frame", "hold": "double frame", "remark": "dotted frame"}
_INK: Final = "#1F3A4D"
_TAB_NAME: Final = 31
_CELL_TEXT: Final = 32_000
_COMMENT: Final = 900
#: Beyond so many, cells are coloured and listed without a comment of their own: the copy still opens fast.
_COMMENTS: Final = 2_000
_SLUG: Final = 48
_LIST_WIDTHS: Final = (6, 18, 10, 28, 20, 58, 58)


def write_marked_up(
    batch: Batch,
    documents: Sequence[Document | Unreadable],
    out_dir: str | Path,
    contract: Contract,
    *,
    aliases: Mapping[str, str] | None = None,
) -> list[Path]:
    """The files written: for each sheet with findings a marked copy, a reply and, where needed, corrections.

    Parameters
    ----------
    batch, documents
        What intake made of the documents, and the documents themselves in the same order.
    out_dir
        A folder, made if it is not there. No name of an attachment leads out of it.
    contract
        For the names of what was measured.
    aliases
        The network's own words (written -> analyte, stage or unit), as the register declares them.
    """
    from crosscellar.intake.headings import HeadingReader

    out = Path(out_dir)
    out.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    reader = HeadingReader(contract, aliases or {})
    for file_no, document in enumerate(documents, 1):
        findings = batch.findings.filter(pl.col("file_no") == file_no)
        aside = batch.set_aside.filter(pl.col("file_no") == file_no)
        waits = aside["outcome"].is_in(["refused", "held"]).any()
        if not waits and (findings["code"] == "already_taken_in").all():  # of no finding, too
            continue
        stem = _stem(document.name, document.sha256)
        counts = batch.files.filter(pl.col("file_no") == file_no).row(0, named=True)
        reply = out / f"{stem}_reply.txt"
        told = steady(reply_text(document.name, counts, findings))
        reply.write_text(told, encoding="utf-8", newline="\n")
        written.append(reply)
        grids = getattr(document, "grids", ())
        if not grids:
            continue
        copy = out / f"{stem}_marked.xlsx"
        _write_copy(copy, document.name, grids, findings, aside)
        written.append(copy)
        corrections = out / f"{stem}_corrections.xlsx"
        if write_corrections(corrections, file_no, grids, batch, reader):
            written.append(corrections)
    return written


def _stem(name: str, sha256: str | None) -> str:
    """A file name of plain letters that cannot leave a folder, and that two attachments never share."""
    base = re.split(r"[/\\]", name)[-1]
    plain = unicodedata.normalize("NFKD", base).encode("ascii", "ignore").decode()
    slug = re.sub(r"[^A-Za-z0-9]+", "-", plain.rsplit(".", 1)[0] if "." in plain else plain).strip("-")
    told = hashlib.sha256(f"{name}\0{sha256 or ''}".encode()).hexdigest()[:8]
    return f"{slug[:_SLUG].strip('-') or 'sheet'}_{told}"


def _write_copy(
    path: Path, name: str, grids: Sequence[Grid], findings: pl.DataFrame, aside: pl.DataFrame
) -> None:
    book = new_book()
    book.set_properties({"title": f"Findings in {name[:80]}"})
    formats = {
        severity: book.add_format({"bg_color": colour, "border": border, "bold": severity == "refuse"})
        for severity, (colour, border, _) in _SIGNS.items()
    }
    formats["title"] = book.add_format({"bold": True, "font_size": 16, "font_color": _INK})
    formats["heading"] = book.add_format(
        {"bold": True, "font_color": "#FFFFFF", "bg_color": _INK, "text_wrap": True, "valign": "vcenter"}
    )
    formats["words"] = book.add_format({"text_wrap": True, "valign": "top"})
    formats["link"] = book.add_format({"font_color": "#0B5394", "underline": 1, "valign": "top"})
    formats["plain"] = book.add_format({})
    tabs = _tab_names([grid.sheet for grid in grids])
    _write_list(book, name, findings, dict(zip([grid.sheet for grid in grids], tabs, strict=True)), formats)
    marked = _marked_cells(findings, aside)
    for grid, tab in zip(grids, tabs, strict=True):
        _write_grid(book, grid, tab, marked.filter(pl.col("sheet") == grid.sheet), formats)
    save(book, path)


def _tab_names(sheets: Sequence[str]) -> list[str]:
    """A legal name for each tab, none of them the list's, no two alike."""
    taken = {"findings"}
    names = []
    for sheet in sheets:
        base = re.sub(r"[\[\]:*?/\\\x00-\x1f]", " ", sheet).strip().strip("'")[:_TAB_NAME] or "As sent"
        name, number = base, 2
        while name.casefold() in taken or name.casefold() == "history":
            ending = f" {number}"
            name, number = base[: _TAB_NAME - len(ending)] + ending, number + 1
        taken.add(name.casefold())
        names.append(name)
    return names


def _write_list(
    book: Any, name: str, findings: pl.DataFrame, tabs: dict[str, str], formats: dict[str, Any]
) -> None:
    """The first tab: what the marks mean, then every finding with a link to its cell, gravest first."""
    sheet = book.add_worksheet("Findings")
    sheet.hide_gridlines(2)
    for at, width in enumerate(_LIST_WIDTHS):
        sheet.set_column(at, at, width)
    sheet.write_string(0, 0, f"Findings in {name}"[:_CELL_TEXT], formats["title"])
    sheet.write_string(1, 0, "Marks in the copy of your sheet:")
    for row, (severity, (_, _, meaning)) in enumerate(_SIGNS.items(), 2):
        sheet.write_string(row, 1, "1.23", formats[severity])
        sheet.write_string(row, 2, f"{_BORDERS[severity]}: {meaning.lower()}")
    sheet.write_string(
        5, 0, "Each marked cell has a comment. Please mend the correction sheet, not this copy, and send it."
    )
    headings = ("No.", "Tab", "Cell", "What it means", "You wrote", "What was found", "What to do")
    for at, heading in enumerate(headings):
        sheet.write_string(7, at, heading, formats["heading"])
    for number, found in enumerate(_gravest_first(findings).iter_rows(named=True), 1):
        row = 7 + number
        sheet.write_number(row, 0, number, formats["words"])
        sheet.write_string(row, 1, tabs.get(found["sheet"], found["sheet"])[:_CELL_TEXT], formats["words"])
        tab = tabs.get(found["sheet"])
        if found["cell"] and tab:
            target = f"internal:'{tab.replace(chr(39), chr(39) * 2)}'!{found['cell']}"
            sheet.write_url(row, 2, target, formats["link"], string=found["cell"])
        else:
            sheet.write_string(row, 2, found["cell"] or "whole sheet", formats["words"])
        sheet.write_string(row, 3, _SIGNS[found["severity"]][2], formats["words"])
        for at, field in enumerate(("value", "message", "suggestion"), 4):
            sheet.write_string(row, at, (found[field] or "")[:_CELL_TEXT], formats["words"])
        lines = max(-(-len(found[field] or "") // 52) for field in ("message", "suggestion"))
        sheet.set_row(row, 15 * max(1, lines))
    sheet.freeze_panes(8, 0)
    sheet.autofilter(7, 0, 7 + findings.height, len(headings) - 1)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(7)


def _gravest_first(findings: pl.DataFrame) -> pl.DataFrame:
    gravity = pl.col("severity").replace_strict(_GRAVITY, return_dtype=pl.Int32)
    return findings.sort(gravity, "sheet", "row", "column", nulls_last=False, maintain_order=True)


_SPOKEN: Final = ("cell", "message", "suggestion", "item_no")


def _marked_cells(findings: pl.DataFrame, aside: pl.DataFrame) -> pl.DataFrame:
    """sheet, row, column, the gravest severity and all words of each cell that a finding speaks of."""
    said = pl.concat_str(["message", "suggestion"], separator="\n")
    place = ["sheet", "row", "column"]
    own = findings.filter(pl.col("row").is_not_null()).select(*place, "severity", said.alias("words"))
    spoken = findings.rename({"items": "item_no"}).select(*place, "severity", *_SPOKEN)
    theirs = (
        spoken.explode("item_no")
        .drop_nulls("item_no")
        .join(aside.select("item_no", *place), on="item_no", how="inner", suffix="_own")
        .filter(~pl.all_horizontal(pl.col(name).eq_missing(pl.col(f"{name}_own")) for name in place))
        .with_columns(of_this_row("row_own").alias("message"))
        .select(*(pl.col(f"{name}_own").alias(name) for name in place), "severity", said.alias("words"))
    )
    gravity = pl.col("severity").replace_strict(_GRAVITY, return_dtype=pl.Int32)
    return (
        pl.concat([own, theirs])
        .with_columns(pl.col("column").fill_null(1))
        .drop_nulls("row")
        .sort(*place, gravity, maintain_order=True)
        .group_by(place, maintain_order=True)
        .agg(pl.col("severity").first(), pl.col("words").unique(maintain_order=True).str.join("\n\n"))
    )


def _write_grid(book: Any, grid: Grid, tab: str, marked: pl.DataFrame, formats: dict[str, Any]) -> None:
    """A tab as it was sent, every cell as text, with its marks and comments."""
    from crosscellar.intake.grid import column_letters

    sheet = book.add_worksheet(tab)
    marks = {
        (row, column): (severity, words)
        for row, column, severity, words in marked.select("row", "column", "severity", "words").iter_rows()
    }
    columns = [name for name in grid.text.columns if name != "row"]
    unwritten = dict(marks)
    for row, *texts in grid.text.select("row", *columns).iter_rows():
        for name, text in zip(columns, texts, strict=True):
            if text is None:
                continue
            at = (row, int(name))
            style = formats[marks[at][0]] if at in marks else formats["plain"]
            sheet.write_string(row - 1, int(name) - 1, text[:_CELL_TEXT], style)
            unwritten.pop(at, None)
    for (row, column), (severity, _) in unwritten.items():
        sheet.write_blank(row - 1, column - 1, None, formats[severity])
    for number, ((row, column), (severity, words)) in enumerate(marks.items()):
        if number >= _COMMENTS:
            break
        text = f"{_SIGNS[severity][2]}\n{words}"
        text = text if len(text) <= _COMMENT else f"{text[: _COMMENT - 1]}…"
        height = 20 + 18 * (-(-len(text) // 40) + text.count("\n"))
        sheet.write_comment(row - 1, column - 1, text, {"width": 280, "height": height, "author": "intake"})
    if columns:
        last_row = grid.text["row"].to_list()[-1]
        sheet.ignore_errors({"number_stored_as_text": f"A1:{column_letters(int(columns[-1]))}{last_row}"})
        widest = grid.text.select(pl.col(columns).str.len_chars().max().fill_null(0)).row(0)
        sheet.set_landscape()
        sheet.set_paper(9)
        sheet.fit_to_pages(1, 0)
        for name, longest in zip(columns, widest, strict=True):
            sheet.set_column(int(name) - 1, int(name) - 1, min(34, max(9, longest + 2)))
