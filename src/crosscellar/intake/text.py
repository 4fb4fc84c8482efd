"""Delimited text: bytes decoded, the separator found, cells as sent at the rows a spreadsheet shows."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Final, Protocol

import numpy as np
import polars as pl
from numpy.typing import NDArray

from crosscellar.gate import Limits, Refused
from crosscellar.intake.grid import CELL_CHARACTERS, Grid, Remark, cell_name, marks_frame
from crosscellar.intake.layout import visible_columns, visible_rows

SEPARATORS: Final = (",", ";", "\t", "|")
_SAMPLE_LINES: Final = 400
_SAMPLE_CHARACTERS: Final = 200_000
_CHUNK_ROWS: Final = 50_000
_HINT: Final = re.compile(r'^"?sep=(.)"?(?:\r\n|\r|\n|$)', re.IGNORECASE)
#: So many characters are handed on at once; a longer line, or cell, than the second is no table.
_PIECE: Final = 250_000
_LINE_CHARACTERS: Final = 6_000_000
_WIDEST: Final = 16_384
_BREAK, _QUOTE = ord("\n"), ord('"')
_NOISE: Final = re.compile("[\x00-\x08\x0e-\x1f\ufffd]")
_NO_MARKS: Final = marks_frame(())

#: UTF-8 read as a single-byte encoding and saved again: `Â°`, `Ã©`, `â€“`.
_MOJIBAKE: Final = (
    r"Ã[\x{0080}-\x{00BF}\x{0152}-\x{0178}\x{0192}\x{02C6}\x{02DC}\x{2013}-\x{2122}]|Â[\x{0080}-\x{00BF}]|â€"
)

#: Text without any of these holds no such pair, whatever marks stand between its letters.
_TWICE_DECODED: Final = ("Ã", "Â", "â")


class _Reader(Protocol):
    """A reader of the csv module, which has no name for it."""

    @property
    def line_num(self) -> int: ...

    def __iter__(self) -> Iterator[list[str]]: ...

    def __next__(self) -> list[str]: ...


def decode(content: bytes) -> tuple[str, str, tuple[Remark, ...]]:
    """The text, the encoding's name, and what the sender should hear about it."""
    for mark, encoding in (
        (b"\xef\xbb\xbf", "utf-8-sig"),
        (b"\xff\xfe\x00\x00", "utf-32"),
        (b"\x00\x00\xfe\xff", "utf-32"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
    ):
        if content.startswith(mark):
            return _lenient(content, encoding)
    head = content[:4096]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if odd > len(head) // 5 and even < odd // 4:
        return _lenient(content, "utf-16-le")
    if even > len(head) // 5 and odd < even // 4:
        return _lenient(content, "utf-16-be")
    try:
        return content.decode("utf-8"), "utf-8", ()
    except UnicodeDecodeError as fault:
        line = content.count(b"\n", 0, fault.start) + 1
        text = content.decode("cp1252", errors="replace")
        remark = Remark(
            "encoding_guessed",
            line,
            None,
            f"Not UTF-8 (first in line {line}); read as Windows-1252. Look at accents and signs.",
        )
        return text, "cp1252", (remark,)


def _lenient(content: bytes, encoding: str) -> tuple[str, str, tuple[Remark, ...]]:
    name = encoding.removesuffix("-sig")
    try:
        return content.decode(encoding), name, ()
    except UnicodeDecodeError:
        text = content.decode(encoding, errors="replace")
        remark = Remark("text_damaged", None, None, "Some characters are damaged and are shown as �.")
        return text, name, (remark,)


def find_separator(text: str) -> str:
    """The separator that splits most lines of the file's start into the same number of cells."""
    sample = text[:_SAMPLE_CHARACTERS]
    return _likeliest(
        (separator, islice(_records(sample, separator), _SAMPLE_LINES))
        for separator in SEPARATORS
        if separator in sample
    )


def _likeliest(tried: Iterable[tuple[str, Iterable[list[str]]]]) -> str:
    """The separator whose records are alike, from the first records that each gives."""
    best, best_score = ",", (0.0, 0)
    for separator, records in tried:
        widths = [len(cells) for cells in records if any(cells)]
        split = Counter(width for width in widths if width > 1)
        if not split:
            continue
        width, lines = max(split.items(), key=lambda item: (item[1], item[0]))
        score = (round(lines / len(widths), 2), width)
        if score > best_score:
            best, best_score = separator, score
    return best


def _only_one(tried: Mapping[str, Iterable[list[str]]]) -> str | None:
    """The separator that the text has, where it has one and that splits a row."""
    if len(tried) != 1:
        return None
    ((separator, records),) = tried.items()
    return separator if any(len(cells) > 1 and any(cells) for cells in records) else None


def _records(text: str, separator: str) -> _Reader:
    # process wide in the csv module, whose default would refuse a long note; only ever set to this
    csv.field_size_limit(_LINE_CHARACTERS)
    return csv.reader(_lines(text), delimiter=separator)


def _lines(text: str) -> Iterable[str]:
    """The lines with their ends; a long text in pieces, for the whole would take four bytes a character.

    Raises
    ------
    Refused
        For a line so long that its cells alone would take too much memory.
    """
    if len(text) <= _PIECE:
        return io.StringIO(text, newline="")
    return _lines_by_piece(text)


def _lines_by_piece(text: str) -> Iterator[str]:
    start = 0
    while start < len(text):
        end = _last_line_end(text, start, start + _PIECE)
        if end == start:
            end = _next_line_end(text, start)
        yield from io.StringIO(text[start:end], newline="")
        start = end


def _last_line_end(text: str, start: int, stop: int) -> int:
    """The place behind the last line that ends before `stop`; `start` where none does."""
    if stop >= len(text):
        return len(text)
    # a return at the very end may be half of a line end
    return max(text.rfind("\n", start, stop), text.rfind("\r", start, stop - 1), start - 1) + 1


def _next_line_end(text: str, start: int) -> int:
    """The place behind the line that begins at `start`, which is longer than a piece."""
    stop = start + _LINE_CHARACTERS
    ends = [at for mark in "\n\r" if (at := text.find(mark, start, stop)) >= 0]
    if not ends and stop < len(text):
        raise Refused(
            "too_many_cells",
            f"A line of the file has more than {_LINE_CHARACTERS / 1e6:.0f} million characters",
            "Send the table itself, a row a line.",
        )
    end = min(ends, default=len(text) - 1) + 1
    return end + (text[end - 1 : end + 1] == "\r\n")


@dataclass(frozen=True, slots=True)
class Split:
    """A text of which the separator is known; `records` are its rows where it is short, else None.

    `width` is the number of columns of a long text that can be read in one way only, else None.
    """

    text: str
    encoding: str
    separator: str
    remarks: tuple[Remark, ...]
    records: list[list[str]] | None
    width: int | None = None


def split_text(content: bytes, limits: Limits) -> Split:
    """The text of one delimited file, its separator found, and its rows if they are few.

    Raises
    ------
    Refused
        Too large, not text, or a quotation mark that is never closed.
    """
    if len(content) > limits.text_bytes:
        raise Refused(
            "too_large",
            f"The file has {len(content) / 1e6:.0f} MB; at most {limits.text_bytes / 1e6:.0f} MB are read",
            "Split it into several files.",
        )
    text, encoding, remarks = decode(content)
    _refuse_noise(text)
    hint = _HINT.match(text)
    tried: dict[str, tuple[list[list[str]], bool]] = {}
    if hint:
        separator = hint[1] if hint[1] in SEPARATORS else find_separator(text[hint.end() :])
        remarks += (
            Remark("separator_hint", 1, None, f"Row 1 only says that cells are separated by {separator!r}."),
        )
    elif len(text) > _SAMPLE_CHARACTERS:
        separator = find_separator(text)
    else:
        tried = {mark: _all_records(text, mark) for mark in SEPARATORS if mark in text}
        sampled = {mark: records[:_SAMPLE_LINES] for mark, (records, _) in tried.items()}
        separator = _only_one(sampled) or _likeliest(sampled.items())
    if len(text) > _SAMPLE_CHARACTERS:
        width = _rectangle(_as_utf8(content, text, encoding), separator, limits)
        if width is None:
            _refuse_open_quote(text, separator)
        return Split(text, encoding, separator, remarks, None, width)
    records, line_by_line = tried.get(separator) or _all_records(text, separator)
    if not line_by_line:
        _refuse_open_quote(text, separator)
    width = max(map(len, records), default=0)
    if width > _WIDEST or width * len(records) > limits.text_cells or len(records) > 2 * limits.text_rows:
        raise _too_many_cells()
    if len(text) > CELL_CHARACTERS and any(len(cell) > CELL_CHARACTERS for row in records for cell in row):
        return Split(text, encoding, separator, remarks, None)
    return Split(text, encoding, separator, remarks, records)


def _all_records(text: str, separator: str) -> tuple[list[list[str]], bool]:
    """Every record, and whether each stands on one line."""
    reader = _records(text, separator)
    records = list(reader)
    return records, reader.line_num == len(records)


def grid_of(content: bytes, split: Split, limits: Limits) -> tuple[Grid, tuple[Remark, ...]]:
    """The grid and the remarks of a text that is too long to be laid out with others.

    Raises
    ------
    Refused
        No visible character, or too many rows or columns.
    """
    fast = None
    if split.width is not None:
        fast = _fast(_as_utf8(content, split.text, split.encoding), split.separator, split.width)
    frame, long_cells = (fast, []) if fast is not None else _slow(split.text, split.separator, limits)
    return as_grid(split, frame, limits, long_cells)


def as_grid(
    split: Split, frame: pl.DataFrame, limits: Limits, long_cells: Iterable[tuple[int, int, str, str]] = ()
) -> tuple[Grid, tuple[Remark, ...]]:
    """The grid of a text whose cells were laid out, and all remarks on it.

    Raises
    ------
    Refused
        No visible character, or too many rows or columns.
    """
    if frame.width < 2:
        raise Refused("empty", "The file has no content", "Attach the sheet again.")
    if frame.height > limits.text_rows or frame.height * frame.width > limits.text_cells:
        raise Refused(
            "too_many_rows",
            f"The file has {frame.height:,} rows; that is too much for one",
            "Split it into several files.",
        )
    if frame.width - 1 > limits.columns:
        raise Refused(
            "too_many_columns",
            f"The file has {frame.width - 1:,} columns; at most {limits.columns:,} are read",
            "Remove the columns that were not asked for.",
        )
    remarks = split.remarks
    if not split.text.isascii() and any(letter in split.text for letter in _TWICE_DECODED):
        remarks += _mojibake(frame)
    marks = marks_frame(long_cells) if long_cells else _NO_MARKS
    return Grid("", False, frame, None, marks), remarks


def _refuse_noise(text: str) -> None:
    head = text[:20_000]
    noise = len(_NOISE.findall(head))
    if noise > len(head) // 10:
        raise Refused(
            "not_a_sheet", "This is neither a workbook nor text", "Send the sheet as .xlsx or .csv."
        )


def _refuse_open_quote(text: str, separator: str) -> None:
    """A quotation mark that opens a cell and closes too late, or never, would swallow the rows below it."""
    if '"' not in text:
        return
    width = max(5, _usual_width(text, separator))
    last_row, last = 0, [""]
    records = _records(text, separator)
    row = 0
    while (cells := _next_record(records, row + 1)) is not None:
        row += 1
        if cells:
            last_row, last = row, cells
        for column, cell in enumerate(cells, 1):
            if ("\n" in cell or "\r" in cell) and any(
                line.count(separator) >= width - 1 for line in cell.splitlines()[1:-1]
            ):
                raise Refused(
                    "open_quote",
                    f"{cell_name(row, column)} holds whole rows: its quotation mark closes too late",
                    "Remove that quotation mark, or close it: the rows below it cannot be told apart.",
                )
    if text.count('"') % 2 and ("\n" in last[-1].strip() or "\r" in last[-1].strip()):
        raise Refused(
            "open_quote",
            f"A quotation mark opens in {cell_name(last_row, len(last))} and is never closed",
            "Remove that quotation mark, or close it: the rows below it cannot be told apart.",
        )


def _next_record(records: _Reader, row: int) -> list[str] | None:
    try:
        return next(records, None)
    except csv.Error:
        # a cell beyond the limit of the reader: only a quotation mark can hold so much together
        raise Refused(
            "open_quote",
            f"A quotation mark opens in row {row} or later and is not closed for millions of characters",
            "Remove that quotation mark, or close it: the rows below it cannot be told apart.",
        ) from None


def _usual_width(text: str, separator: str) -> int:
    records = islice(_records(text[:_SAMPLE_CHARACTERS], separator), _SAMPLE_LINES)
    widths = Counter(len(cells) for cells in records if any(cells))
    return max(widths, key=lambda width: (widths[width], width), default=1)


def _slow(text: str, separator: str, limits: Limits) -> tuple[pl.DataFrame, list[tuple[int, int, str, str]]]:
    chunks: list[pl.DataFrame] = []
    long_cells: list[tuple[int, int, str, str]] = []
    records = enumerate(_records(text, separator), 1)
    cells_seen = 0
    while chunk := list(islice(records, _CHUNK_ROWS)):
        width = max(len(cells) for _, cells in chunk)
        cells_seen += width * len(chunk)
        if cells_seen > limits.text_cells or width > _WIDEST or chunk[-1][0] > 2 * limits.text_rows:
            raise _too_many_cells()
        for row, cells in chunk:
            for column, cell in enumerate(cells, 1):
                if len(cell) > CELL_CHARACTERS:
                    long_cells.append((row, column, "cell_too_long", str(len(cell))))
                    cells[column - 1] = cell[:CELL_CHARACTERS]
        columns = {
            str(number + 1): pl.Series(
                [cells[number] if number < len(cells) else None for _, cells in chunk], dtype=pl.String
            )
            for number in range(width)
        }
        rows = pl.Series("row", [row for row, _ in chunk], dtype=pl.Int32)
        chunks.append(visible_rows(pl.DataFrame({"row": rows, **columns})))
    frame = pl.concat(chunks, how="diagonal") if chunks else pl.DataFrame(schema={"row": pl.Int32})
    return visible_columns(frame), long_cells


def _too_many_cells() -> Refused:
    return Refused("too_many_cells", "The file has too many rows or columns", "Split it into several files.")


def _as_utf8(content: bytes, text: str, encoding: str) -> bytes:
    """The text in UTF-8, without the mark at its beginning."""
    return content if encoding == "utf-8" and not content.startswith(b"\xef\xbb\xbf") else text.encode()


def _rectangle(content: bytes, separator: str, limits: Limits) -> int | None:
    """The number of columns of a text that can be read in one way only; None for any other.

    Every row has as many separators, none is empty, and a cell in quotation marks is quoted as a whole, on
    one line, and holds no such mark.

    Raises
    ------
    Refused
        Too many rows.
    """
    if b"\x00" in content:
        return None
    if b"\r" in content and (content.count(b"\r") != content.count(b"\r\n") or b"\n\r\n" in content):
        return None
    if content.startswith(b"\n") or b"\n\n" in content:
        return None
    signs = np.frombuffer(content, dtype=np.uint8)
    ends = np.flatnonzero(signs == _BREAK)
    lines = len(ends) + (not content.endswith(b"\n"))
    if lines > 2 * limits.text_rows:
        raise _too_many_cells()
    if np.diff(ends, prepend=-1, append=len(signs)).max() > _LINE_CHARACTERS:
        return None
    parts = signs == ord(separator)
    if b'"' in content:
        quotes = signs == _QUOTE
        if not _whole_cells(signs, np.flatnonzero(quotes), ends, separator):
            return None
        # Behind an odd number of marks a separator is text.
        parts &= np.cumsum(quotes, dtype=np.uint8) % 2 == 0
    width = int(np.count_nonzero(parts[: ends[0] if len(ends) else len(parts)])) + 1
    # polars takes minutes over millions of columns; the other way refuses them at once
    return width if width <= limits.columns and np.count_nonzero(parts) == (width - 1) * lines else None


def _whole_cells(
    signs: NDArray[np.uint8], marks: NDArray[np.intp], ends: NDArray[np.intp], separator: str
) -> bool:
    """Whether quotation marks stand in pairs around whole cells, each on one line."""
    if len(marks) % 2:
        return False
    opening, closing = marks[0::2], marks[1::2]
    behind, ahead = opening[opening > 0] - 1, closing[closing < len(signs) - 1] + 1
    edges = [ord(separator), _BREAK]
    return bool(
        np.isin(signs[behind], edges).all()
        and np.isin(signs[ahead], [*edges, ord("\r")]).all()
        and (np.searchsorted(ends, opening) == np.searchsorted(ends, closing)).all()
    )


def _fast(content: bytes, separator: str, width: int) -> pl.DataFrame | None:
    """The same through polars, for a rectangle; None where it is none after all, or a cell is too long."""
    try:
        frame = pl.read_csv(
            io.BytesIO(content),
            has_header=False,
            separator=separator,
            quote_char='"' if b'"' in content else None,
            infer_schema=False,
            new_columns=[str(number + 1) for number in range(width)],
            truncate_ragged_lines=False,
        )
    except pl.exceptions.ComputeError:
        # one row too long and another too short: the separators count up to a rectangle that is none
        return None
    if frame.select((pl.all().str.len_chars() > CELL_CHARACTERS).any()).row(0).count(True):
        return None
    frame = frame.with_row_index("row", offset=1).with_columns(pl.col("row").cast(pl.Int32))
    return visible_columns(visible_rows(frame))


def _mojibake(frame: pl.DataFrame) -> tuple[Remark, ...]:
    """One remark, at the first cell, for letters that were decoded twice."""
    cells = pl.all().exclude("row")
    hits = frame.select("row", cells.str.contains(_MOJIBAKE).fill_null(False))
    hits = hits.filter(pl.any_horizontal(cells))
    if hits.is_empty():
        return ()
    first = hits.row(0)
    column = int(hits.columns[first.index(True, 1)])
    more = sum(sum(bool(cell) for cell in row[1:]) for row in hits.iter_rows()) - 1
    also = f" and {more} more" if more else ""
    return (
        Remark(
            "mojibake",
            first[0],
            column,
            f"Letters in {cell_name(first[0], column)}{also} were decoded twice (Â°, Ã©); kept as sent.",
        ),
    )
