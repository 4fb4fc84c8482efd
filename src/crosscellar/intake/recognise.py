"""Tables found in the grids of a document: which kind of sheet, from which row, with which headings."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import polars as pl

from crosscellar.intake.beside import OnceEach
from crosscellar.intake.grid import Grid, read_range
from crosscellar.intake.headings import REASON_HEADINGS, Heading, HeadingReader, plain

#: Columns a row of each kind cannot do without (contract of returned sheets, the columns without brackets).
REQUIRED: Final = {
    "lab_long": ("trial_id", "arm_id", "vessel_id", "stage", "sample_date", "analyte", "value"),
    "lab_wide": ("trial_id", "arm_id", "vessel_id", "stage", "sample_date"),
    "lab_by_label": ("sample_id",),
    "ferment_log": ("trial_id", "arm_id", "vessel_id", "sample_date"),
    "triangle": ("trial_id", "session_id", "session_date", "assessor_id", "serving", "picked"),
    "scores": (
        "trial_id",
        "session_id",
        "session_date",
        "assessor_id",
        "arm_id",
        "attribute",
        "score",
        "scale_low",
        "scale_high",
    ),
}
#: So many rows outside of tables are kept as text; of a table that nobody knows the file says the rest.
_MOST_LINES: Final = 5_000
_IDENTIFIERS: Final = {"trial_id", "arm_id", "vessel_id", "sample_id", "stage", "sample_date"}
#: What places a row: a trial, a vessel, a day, a session, an assessor.
KEYS: Final = frozenset(_IDENTIFIERS | {"session_id", "assessor_id"})
LOG_ANALYTES: Final = {"brix", "density_20", "specific_gravity", "oechsle", "baume", "temperature"}
_SCALE: Final = re.compile(
    r"^(?P<name>.*?\S)\s*[(\[]\s*(?P<low>\d+)\s*(?:[-–—/]|to)\s*(?P<high>\d+)\s*[)\]]$"
)
_SAID_ABOVE: Final = KEYS | {"session_date", "lab"}
_BARE_DATES: Final = {"date", "day", "datetime", "dateandtime"}
#: So few rows are looked at one by one.
FEW: Final = 200
NAMED: Final = ("exact", "alias", "case")
_SUMMARY: Final = (
    r"(?:grand\s+total|sub\s*total|total|sum|mean|average|avg|median|sd|s\.d\.|st\.?\s*dev\.?"
    r"|std\.?(?:\s*dev\.?)?|standard deviation|cv|rsd|min|max|minimum|maximum|count|summe|gesamt|mittelwert"
    r"|mittel|durchschnitt|standardabweichung|moyenne|somme|[eé]cart[- ]type|m[eé]diane|media|mediana"
    r"|promedio|ø|x̄)"
)
_SUMMARY_TEXT: Final = rf"(?i)^\W*{_SUMMARY}(?:\W*|\s+\S.{{0,60}})$"
#: What a total or mean may begin with, so that its row is looked at: `Mean`, `Mean of the control`.
SUMMARY_WORD: Final = re.compile(_SUMMARY_TEXT)
_SUMMARY_ALONE: Final = re.compile(rf"(?i)^\W*{_SUMMARY}\W*$")


class Said(NamedTuple):
    """A field that stands above a table with its text, as `Vessel: T07`, and the cell of that text."""

    field: str
    row: int
    column: int
    text: str


@dataclass(frozen=True, slots=True)
class Table:
    """One table of one grid.

    `rows` has `row` and the String columns of the grid that belong to it, data rows only; `lines` are
    (row, what, text) of rows that are no readings; `beside` are unread headings of a block without a kind;
    `above` is what lines above the table say of all its rows.
    """

    grid: Grid
    kind: str
    heading_row: int
    headings: tuple[Heading, ...]
    units: dict[int, str]
    rows: pl.DataFrame
    lines: tuple[tuple[int, str, str], ...]
    beside: tuple[Heading, ...] = ()
    missing: tuple[str, ...] = ()
    above: tuple[Said, ...] = ()

    def column_of(self, field: str) -> int | None:
        """The first column with this field, or None."""
        return next((h.column for h in self.headings if h.field == field), None)


@dataclass(frozen=True, slots=True)
class Recognised:
    """What a grid holds: tables, and the rows that belong to none."""

    grid: Grid
    tables: tuple[Table, ...]
    lines: tuple[tuple[int, str, str], ...]


def recognise(grid: Grid, reader: HeadingReader) -> Recognised:
    """The tables of a grid, each with its heading row; rows above the first are title lines."""
    columns = [name for name in grid.text.columns if name != "row"]
    if not columns:
        return Recognised(grid, (), ())
    tests = OnceEach(grid.text)
    spelt = reader.spelt(grid.text.select(columns), tests)
    starts = _heading_rows(grid, columns, spelt, reader)
    if not starts:
        return Recognised(grid, (), _as_lines(grid, columns, len(grid.text), "unread"))
    tables: list[Table] = []
    # of several tables it is not known of which such a line speaks
    above = _said_above(grid, columns, starts[0][0], reader) if len(starts) == 1 else ()
    for place, (index, headings) in enumerate(starts):
        stop = starts[place + 1][0] if place + 1 < len(starts) else len(grid.text)
        tables.extend(_tables(grid, index, stop, headings, above, spelt, tests, reader))
    return Recognised(grid, tuple(tables), _as_lines(grid, columns, starts[0][0], "title"))


def _said_above(grid: Grid, columns: list[str], stop: int, reader: HeadingReader) -> tuple[Said, ...]:
    """What the lines above a table say of all of it: `Trial` and its code beside it, or `Trial: LS26-OND`.

    A field said twice, and not alike, is left out; so is a mere `Date`, which may be that of a report.
    """
    found: dict[str, Said] = {}
    twice: set[str] = set()

    def say(label: str, row: int, column: int, text: str) -> bool:
        heading = reader.read(column, label.strip().rstrip(":"))
        if heading.how != "exact" or heading.field not in _SAID_ABOVE or plain(label) in _BARE_DATES:
            return False
        said = found.setdefault(heading.field, Said(heading.field, row, column, text.strip()))
        if said.text != text.strip():
            twice.add(heading.field)
        return True

    for row, *texts in grid.text.head(stop).tail(FEW).select("row", *columns).iter_rows():
        cells = [(int(name), text) for name, text in zip(columns, texts, strict=True) if (text or "").strip()]
        at = 0
        while at < len(cells):
            column, text = cells[at]
            label, colon, value = text.partition(":")
            if colon and value.strip():
                say(label, row, column, value)
            elif at + 1 < len(cells) and say(text, row, *cells[at + 1]):
                at += 1
            at += 1
    return tuple(said for field, said in found.items() if field not in twice)


def _as_lines(grid: Grid, columns: list[str], stop: int, what: str) -> tuple[tuple[int, str, str], ...]:
    some = grid.text.head(min(stop, _MOST_LINES))
    lines = [
        (row, what, _joined(cells))
        for row, cells in zip(some["row"].to_list(), some.select(columns).rows(), strict=True)
    ]
    if stop > _MOST_LINES:
        more = f"and {stop - _MOST_LINES:,} more rows, of which none was read; the file itself is kept"
        lines.append((int(grid.text["row"][_MOST_LINES]), what, more))
    return tuple(lines)


def _joined(cells: Iterable[str | None]) -> str:
    return " | ".join(text for text in cells if text)[:500]


def _heading_rows(
    grid: Grid, columns: list[str], spelt: pl.Series, reader: HeadingReader
) -> list[tuple[int, tuple[Heading, ...]]]:
    """Rows that open a table. A repeat of the headings above opens none: it is a line of that table."""
    found: list[tuple[int, tuple[Heading, ...]]] = []
    fingerprint: frozenset[tuple[int, str]] = frozenset()
    alone = (spelt == 1) & (pl.int_range(len(spelt), eager=True) < FEW)
    for index in ((spelt >= 2) | alone).arg_true().to_list():
        # a label beside analytes is enough, `Sample` and `pH`, where no table was opened
        if found and alone[index]:
            continue
        cells = grid.text.select(columns).row(index)
        filled = [
            (int(name), text) for name, text in zip(columns, cells, strict=True) if text and text.strip()
        ]
        if fingerprint and frozenset((c, plain(t)) for c, t in filled) == fingerprint:
            continue
        # Rows of readings repeat short words and numbers; only rows made mostly of words can be headings.
        if sum(not _numeric(text) for _, text in filled) < 0.6 * len(filled):
            continue
        headings = tuple(reader.read(column, text) for column, text in _spread(grid, index, filled, reader))
        fields = {h.field for h in headings if h.known and not h.analyte_text}
        analytes = sum(h.field == "analyte_value" and h.how in NAMED for h in headings)
        labelled = "sample_id" in fields and analytes >= 1
        enough = len(fields) >= 3 or (len(fields) >= 2 and analytes >= 1) or labelled
        if enough and _kind(headings) and (not found or _opens_another(headings)):
            found.append((index, headings))
            fingerprint = frozenset((h.column, plain(h.text)) for h in headings)
    return found


def _spread(
    grid: Grid, index: int, filled: list[tuple[int, str]], reader: HeadingReader
) -> list[tuple[int, str]]:
    """Headings in which an analyte merged over several columns stands over each, with what is below it there.

    `pH` over two columns and below it `rep 1` and `rep 2` come to `pH rep 1` and `pH rep 2`.
    """
    row = int(grid.text["row"][index])
    texts = dict(filled)
    over: dict[int, str] = {}
    for detail in grid.marks.filter((pl.col("mark") == "merged") & (pl.col("row") == row))["detail"]:
        box = read_range(detail)
        if box is not None and box[3] > box[1]:
            heading = reader.read(box[1], texts.get(box[1], ""))
            if heading.field == "analyte_value":
                columns = (column for column in range(box[1], box[3] + 1) if str(column) in grid.text.columns)
                over.update(dict.fromkeys(columns, heading.text))
    if not over:
        return filled
    below = grid.text.row(index + 1, named=True) if index + 1 < len(grid.text) else {}
    under = {int(name): text for name, text in below.items() if name != "row" and text and text.strip()}
    worded = set(under) == set(over) and not any(_numeric(text) for text in under.values())
    texts.update({c: f"{text} {under[c].strip()}" if worded else text for c, text in over.items()})
    return sorted(texts.items())


def _numeric(text: str) -> bool:
    return bool(re.fullmatch(r"\s*[<>~+\-]?\s*\d[\d.,:/\-\s']*\s*", text))


def _opens_another(now: tuple[Heading, ...]) -> bool:
    """Whether a row below a table is made of headings, not of readings that use some of their words."""
    known = [h for h in now if h.field]
    return len(known) >= 0.6 * len(now) and len({h.field for h in known if not h.analyte_text}) >= 2


def _kind(headings: Iterable[Heading]) -> str:
    """The kind of sheet these headings make, or "" for none."""
    all_headings = list(headings)
    fields = {h.field for h in all_headings if h.field and h.field != "analyte_value"}
    analytes = [h for h in all_headings if h.field == "analyte_value"]
    tasted = bool(fields & {"session_id", "assessor_id"})
    if tasted and "attribute" in fields and fields & {"score", "value"}:
        return "scores"
    if {"serving", "picked"} <= fields or (tasted and fields & {"picked", "arm_pair"}):
        return "triangle"
    if "score" in fields and ("attribute" in fields or "assessor_id" in fields):
        return "scores"
    if {"assessor_id", "arm_id"} <= fields and not fields & {"analyte", "value", "stage", "attribute"}:
        return "scores" if attribute_headings("scores", all_headings) else ""
    if tasted and "serving" in fields:
        return "triangle"
    if {"analyte", "value"} <= fields or ("analyte" in fields and "unit" in fields and fields & _IDENTIFIERS):
        return "lab_by_label" if "sample_id" in fields and "vessel_id" not in fields else "lab_long"
    if analytes and fields & _IDENTIFIERS:
        if "sample_id" in fields and "vessel_id" not in fields:
            return "lab_by_label"
        named = {h.candidates[0] for h in analytes if h.candidates}
        if "stage" not in fields and named and named <= LOG_ANALYTES and "sample_date" in fields:
            return "ferment_log"
        return "lab_wide"
    return ""


def attribute_headings(kind: str, headings: Iterable[Heading]) -> list[Heading]:
    """Of a score sheet with a column an attribute the headings that name one: all that are no field."""
    all_headings = list(headings)
    if kind != "scores" or any(h.field in ("attribute", "score") for h in all_headings):
        return []
    return [
        h
        for h in all_headings
        if h.field in ("", "analyte_value") and h.text.strip() and h.text not in REASON_HEADINGS
    ]


def scale_of(heading: Heading) -> tuple[str, str, str]:
    """The attribute in `Green (0-10)`, and the ends of its scale; those are empty where none are given."""
    found = _SCALE.match(" ".join(heading.text.split()))
    return (found["name"], found["low"], found["high"]) if found else (heading.text.strip(), "", "")


def _blocks(headings: tuple[Heading, ...]) -> list[list[Heading]]:
    """Tables that stand side by side: a gap, then a field that the block before has already."""
    blocks: list[list[Heading]] = [[]]
    for heading in headings:
        current = blocks[-1]
        gap = bool(current) and heading.column > current[-1].column + 1
        if gap and heading.field in _IDENTIFIERS and any(h.field == heading.field for h in current):
            blocks.append([])
        blocks[-1].append(heading)
    return blocks


def _tables(
    grid: Grid,
    index: int,
    stop: int,
    headings: tuple[Heading, ...],
    above: tuple[Said, ...],
    spelt: pl.Series,
    tests: OnceEach,
    reader: HeadingReader,
) -> list[Table]:
    blocks = _blocks(headings)
    said = [Heading(said.column, said.text, said.field) for said in above]
    kinds = [_kind([*block, *said]) if _kind(block) else "" for block in blocks]
    tables: list[Table] = []
    unread: list[Heading] = []
    for block, kind in zip(blocks, kinds, strict=True):
        if not kind:
            unread.extend(block)
            continue
        last = next((b[0].column - 1 for b in blocks if b[0].column > block[-1].column), None)
        tables.append(_table(grid, index, stop, tuple(block), above, kind, last, spelt, tests, reader))
    if tables and unread:
        tables[0] = replace(tables[0], beside=tuple(unread))
    return tables


def _table(
    grid: Grid,
    index: int,
    stop: int,
    headings: tuple[Heading, ...],
    above: tuple[Said, ...],
    kind: str,
    last_column: int | None,
    spelt: pl.Series,
    tests: OnceEach,
    reader: HeadingReader,
) -> Table:
    headings = tuple(reader.in_kind(heading, kind) for heading in headings)
    first_column = headings[0].column
    names = [
        name
        for name in grid.text.columns
        if name != "row" and int(name) >= first_column and (last_column is None or int(name) <= last_column)
    ]
    by_column = {h.column: h for h in headings}
    attributes = attribute_headings(kind, headings)
    value_columns = {h.column for h in headings if h.field in ("value", "analyte_value", "picked", "score")}
    value_columns |= {h.column for h in attributes}
    key_columns = [h.column for h in headings if h.field in KEYS]
    repeat = {h.column: plain(h.text) for h in headings}
    body = grid.text[index + 1 : stop].select("row", *names)
    odd = _odd_rows(body, key_columns, index + 1, spelt, tests)
    units: dict[int, str] = {}
    lines: list[tuple[int, str, str]] = []
    left_out: list[int] = []
    data_seen = False
    looked_at = odd.arg_true()
    for at, (row, *cells) in zip(looked_at.to_list(), body[looked_at].rows(), strict=True):
        filled = {int(name): text for name, text in zip(names, cells, strict=True) if (text or "").strip()}
        if not filled:
            what = ""
        elif _repeats(filled, repeat):
            what = "heading"
        elif not data_seen and not units and _is_units_row(filled, by_column, value_columns, reader):
            units = dict(filled)
            what = "units"
        elif not data_seen and _continues_headings(filled, by_column, key_columns):
            what = "heading"
        elif _is_summary(filled, key_columns):
            what = "total"
        elif _is_footnote(filled, value_columns, key_columns):
            what = "footnote"
        else:
            data_seen = True
            continue
        left_out.append(at)
        if what:
            lines.append((row, what, _joined(filled.values())))
    rows = body
    if left_out:
        rows = body.with_row_index("at").filter(~pl.col("at").is_in(left_out)).drop("at")
    above = tuple(said for said in above if said.field not in {h.field for h in headings})
    given = {h.field for h in headings} | {said.field for said in above}
    if attributes:
        given |= {"attribute", "score"}
        if all(scale_of(h)[1] for h in attributes):
            given |= {"scale_low", "scale_high"}
    missing = tuple(name for name in REQUIRED[kind] if name not in given)
    heading_row = int(grid.text["row"][index])
    return Table(grid, kind, heading_row, headings, units, rows, tuple(lines), (), missing, above)


def _odd_rows(
    body: pl.DataFrame, key_columns: list[int], begin: int, spelt: pl.Series, tests: OnceEach
) -> pl.Series:
    """Rows to be looked at one by one: the first, those with an empty identifier or a word of a total.

    `begin` is the place of the body in the whole grid, of which `spelt` and `tests` speak.
    """
    if len(body) <= FEW:
        return pl.repeat(True, len(body), eager=True)
    keys = [str(column) for column in key_columns if str(column) in body.columns]
    worded = dict.fromkeys([*keys, *body.columns[1:2]])
    odd = spelt >= 2
    for name in keys:
        odd |= tests.of(name, lambda texts: texts.fill_null("").str.strip_chars() == "")
    for name in worded:
        odd |= tests.of(name, lambda texts: texts.str.contains(_SUMMARY_TEXT))
    return odd.slice(begin, len(body)) | (pl.int_range(len(body), eager=True) < 1)


def _repeats(filled: dict[int, str], repeat: dict[int, str]) -> bool:
    shared = sum(plain(text) == repeat.get(column, "\0") for column, text in filled.items())
    return shared >= 2 and shared >= 0.8 * len(filled)


def _continues_headings(
    filled: dict[int, str], by_column: dict[int, Heading], key_columns: list[int]
) -> bool:
    """A row right below the headings whose words went into those above them."""
    return not set(filled) & set(key_columns) and all(
        column in by_column and by_column[column].text.endswith(f" {text.strip()}")
        for column, text in filled.items()
    )


def _is_units_row(
    filled: dict[int, str],
    by_column: dict[int, Heading],
    value_columns: set[int],
    reader: HeadingReader,
) -> bool:
    """A row right below the headings that names units over the analytes and identifies nothing."""
    over_values = [text for column, text in filled.items() if column in value_columns]
    if not over_values or any(
        by_column[c].field in ("trial_id", "vessel_id", "sample_id") for c in filled if c in by_column
    ):
        return False
    named = sum(reader.is_unit(text) for text in over_values)
    return named >= 1 and not any(_numeric(text) for text in over_values)


def _is_summary(filled: dict[int, str], key_columns: list[int]) -> bool:
    """A total or mean: such a word stands where an identifier belongs, and no vessel is named.

    Where more follows the word (`Mean of the control`), nothing else may identify the row.
    """
    first = filled[min(filled)]
    words = [filled[c] for c in key_columns if c in filled]
    summary = [word for word in (first, *words) if _SUMMARY_ALONE.match(word)]
    others = [word for word in words if not _SUMMARY_ALONE.match(word)]
    if summary:
        return len(others) <= 1
    return len(key_columns) > 2 and bool(SUMMARY_WORD.match(first)) and all(word == first for word in words)


def _is_footnote(filled: dict[int, str], value_columns: set[int], key_columns: list[int]) -> bool:
    """Text alone: one or two cells, no value, and not the identifiers of a row left unmeasured."""
    if value_columns & set(filled):
        return False
    return len(filled) == 1 or (len(filled) <= 2 and not set(filled) & set(key_columns))
