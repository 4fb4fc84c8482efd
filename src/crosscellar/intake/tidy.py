"""One row for each reading, pick or score of a table, as sent, with the cells it came from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl

from crosscellar.intake.findings import Faults
from crosscellar.intake.grid import cell_name, column_letters, read_range
from crosscellar.intake.headings import REASON_HEADINGS, Heading, HeadingReader, part_of_day, plain
from crosscellar.intake.recognise import Table, attribute_headings, scale_of

#: What a row can say besides its value: `NAME_sent` is its text, `NAME_at` the column it stands in.
FIELDS: Final = (
    "trial_id",
    "arm_id",
    "vessel_id",
    "sample_id",
    "stage",
    "sample_date",
    "time",
    "analyte",
    "unit",
    "replicate",
    "lab",
    "method",
    "note",
    "session_id",
    "session_date",
    "assessor_id",
    "arm_pair",
    "serving",
    "preferred",
    "attribute",
    "scale_low",
    "scale_high",
)
_DATED: Final = ("sample_date", "session_date", "time")
_FILLED_DOWN: Final = frozenset(
    {"trial_id", "arm_id", "vessel_id", "sample_id", "stage", "sample_date", "session_id", "session_date"}
    | {"assessor_id", "lab", "analyte", "attribute"}
)
_TARGET: Final = {"triangle": "picks", "scores": "scores"}
_VALUE: Final = {"triangle": "picked", "scores": "score"}

#: What every item of a table shares: kept once a table, joined when all tables of a batch are there.
TABLES: Final[dict[str, pl.DataType | type[pl.DataType]]] = {
    "table_no": pl.Int32,
    "file_no": pl.Int32,
    "sheet": pl.String,
    "kind": pl.String,
    "target": pl.String,
    "heading_row": pl.Int32,
    **{f"{name}_at": pl.Int32 for name in FIELDS if name not in ("analyte", "unit")},
}
ITEMS: Final[dict[str, pl.DataType | type[pl.DataType]]] = {
    "table_no": pl.Int32,
    "row": pl.Int32,
    "column": pl.Int32,
    "text_sent": pl.String,
    "value_kind": pl.String,
    "unit_meant": pl.String,
    "analyte_at": pl.Int32,
    "unit_at": pl.Int32,
    **{f"{name}_sent": pl.String for name in FIELDS},
    **{f"{name}_kind": pl.String for name in _DATED},
}

_EVERY: Final = {**ITEMS, **TABLES}


def together(tables: list[dict[str, object]], parts: list[pl.DataFrame]) -> pl.DataFrame:
    """All items of a batch, numbered in the order of tables, with what their tables say of them.

    What no sheet has, and what all tables say alike, is written as one constant: a column of nothing for a
    million items would take as much room as one of numbers.
    """
    shared = pl.DataFrame(tables, schema=TABLES)
    items = pl.concat(parts, how="diagonal") if parts else pl.DataFrame(schema=ITEMS)
    if not items["table_no"].is_sorted():
        items = items.sort("table_no", maintain_order=True)
    absent = {name: None for name in ITEMS if name not in items.columns}
    alike = {
        column.name: column[0] for column in shared.drop("table_no") if len(column) and column.n_unique() == 1
    }
    differing = shared.drop(alike)
    if differing.width > 1:
        items = items.join(differing, on="table_no", how="left", maintain_order="left")
    constants = {**absent, **alike}
    return (
        items.with_columns(pl.lit(value, dtype=_EVERY[name]).alias(name) for name, value in constants.items())
        .select(*_EVERY)
        .with_row_index("item_no")
        .with_columns(pl.col("item_no").cast(pl.Int32))
    )


def describe(table: Table, *, file_no: int, table_no: int) -> dict[str, object]:
    """What every item of a table shares, in the shape `TABLES`."""
    place = _places(table)
    return {
        "table_no": table_no,
        "file_no": file_no,
        "sheet": table.grid.sheet,
        "kind": table.kind,
        "target": _TARGET.get(table.kind, "readings"),
        "heading_row": table.heading_row,
        **{
            f"{name}_at": place[name].column if name in place else None
            for name in FIELDS
            if f"{name}_at" in TABLES
        },
    }


def tidy(table: Table, reader: HeadingReader, *, file_no: int, table_no: int, faults: Faults) -> pl.DataFrame:
    """The items of a table in the order of the sheet: columns of `ITEMS`, those that the sheet has.

    In a long sheet every row is an item; in a wide sheet and a ferment log every filled cell of an analyte,
    or of an attribute.
    Where a long sheet has no column of values, it is every number under a heading that is not known.
    """
    numbered = pl.lit(table_no, dtype=pl.Int32).alias("table_no")
    rows = _fill_merged(table, file_no, faults).with_columns(numbered)
    kinds = None if table.grid.kinds is None else table.grid.kinds.with_columns(numbered)
    return _items(rows, _beside(kinds, rows), table, reader)


def tidy_alike(tables: Sequence[tuple[int, Table]], reader: HeadingReader) -> pl.DataFrame:
    """The items of numbered tables of one layout, in the shape that `tidy` gives those of each."""
    numbers = [number for number, _ in tables]

    def stacked(frames: list[pl.DataFrame]) -> pl.DataFrame:
        owners = np.repeat(np.array(numbers, dtype=np.int32), [frame.height for frame in frames])
        return pl.concat(frames).with_columns(pl.Series("table_no", owners))

    rows = stacked([table.rows for _, table in tables])
    _, first = tables[0]
    kinds = [table.grid.kinds for _, table in tables if table.grid.kinds is not None]
    return _items(rows, _beside(stacked(kinds) if kinds else None, rows), first, reader)


def _items(
    rows: pl.DataFrame, kinds: pl.DataFrame | None, table: Table, reader: HeadingReader
) -> pl.DataFrame:
    """Items of rows that all have the layout of `table`; `table_no` says which row is of which."""
    place = _places(table)
    given = [name for name in FIELDS if name in place and str(place[name].column) in rows.columns]
    base = rows.select(
        "table_no",
        "row",
        *(pl.col(str(place[name].column)).alias(f"{name}_sent") for name in given),
        *(
            pl.lit(place[name].column, dtype=pl.Int32).alias(f"{name}_at")
            for name in ("analyte", "unit")
            if name in place
        ),
    )
    if kinds is not None:
        dated = [name for name in given if name in _DATED and str(place[name].column) in kinds.columns]
        base = base.with_columns(kinds[str(place[name].column)].alias(f"{name}_kind") for name in dated)
    base = base.with_columns(pl.lit(said.text).alias(f"{said.field}_sent") for said in table.above)
    if table.kind == "ferment_log":
        base = base.with_columns(pl.lit("ferment_daily").alias("stage_sent"))
    headings = _value_headings(table, place)
    parts = [_with_value(base, rows, kinds, heading, table, reader) for heading in headings]
    if not parts:
        return _without_value(base, rows, table)
    if headings[0].field in ("value", "picked", "score"):
        return parts[0]
    items = pl.concat(parts).filter(pl.col("text_sent").str.strip_chars() != "")
    return items.sort("table_no", "row", "column", maintain_order=True)


def _places(table: Table) -> dict[str, Heading]:
    """The heading that serves each field: the first rightly spelt one, else a misspelt one."""
    place: dict[str, Heading] = {}
    for heading in table.headings:
        held = place.get(heading.field)
        if held is None or (held.how == "misspelt" and heading.how != "misspelt"):
            place[heading.field] = heading
    return place


def _value_headings(table: Table, place: dict[str, Heading]) -> list[Heading]:
    wanted = _VALUE.get(table.kind, "value")
    if attributes := attribute_headings(table.kind, table.headings):
        return attributes
    if table.kind in ("lab_long", "triangle", "scores") or (
        table.kind == "lab_by_label" and "analyte" in place
    ):
        return [place[wanted]] if wanted in place else []
    return [heading for heading in table.headings if heading.field == "analyte_value"]


def _with_value(
    base: pl.DataFrame,
    rows: pl.DataFrame,
    kinds: pl.DataFrame | None,
    heading: Heading,
    table: Table,
    reader: HeadingReader,
) -> pl.DataFrame:
    name = str(heading.column)
    extra = [pl.lit(heading.column, dtype=pl.Int32).alias("column")]
    if table.kind == "scores" and heading.field != "score":
        name_of, low, high = scale_of(heading)
        own_scale = {"scale_low_sent": low, "scale_high_sent": high} if low else {}
        extra.append(pl.lit(name_of).alias("attribute_sent"))
        extra += [pl.lit(end).alias(at) for at, end in own_scale.items() if at not in base.columns]
    elif heading.field == "analyte_value":
        # The words over the column speak for every cell below; their faults stand at the heading.
        unit = heading.unit_text or table.units.get(heading.column, "")
        extra += [
            pl.lit(heading.analyte_text).alias("analyte_sent"),
            pl.lit(heading.column, dtype=pl.Int32).alias("analyte_at"),
            pl.lit(unit).alias("unit_sent"),
            pl.lit(heading.column, dtype=pl.Int32).alias("unit_at"),
            pl.lit("" if unit else reader.unit_meant(heading, table.kind)).alias("unit_meant"),
        ]
        parted = None if plain(heading.text) == plain(heading.analyte_text) else part_of_day(heading.text)
        if parted is not None and "time_sent" not in base.columns:
            extra.append(pl.lit(parted[0]).alias("time_sent"))
    empty = pl.lit(None, dtype=pl.String)
    text = rows[name] if name in rows.columns else empty
    items = base.with_columns(*extra, text.alias("text_sent"))
    if kinds is not None:
        kind = kinds[name] if name in kinds.columns else empty
        items = items.with_columns(kind.alias("value_kind"))
    return items


def _without_value(base: pl.DataFrame, rows: pl.DataFrame, table: Table) -> pl.DataFrame:
    """What no heading reads, with what its row says: in it the value was to be.

    A row of a triangle test is one pick whatever it says; of other sheets each number is one reading.
    """
    picks = table.kind == "triangle"
    known = {
        str(heading.column)
        for heading in table.headings
        if heading.field and (heading.field in FIELDS or not picks)
    }
    columns = [name for name in rows.columns if name not in ("table_no", "row") and name not in known]
    if not columns:
        return base.clear().with_columns(pl.lit(None, dtype=pl.Int32).alias("column"))
    if picks:
        said = pl.concat_str(
            [pl.when(pl.col(name).str.strip_chars() != "").then(pl.col(name)) for name in columns],
            separator=" | ",
            ignore_nulls=True,
        )
        first = pl.lit(int(columns[0]), dtype=pl.Int32).alias("column")
        return base.with_columns(rows.select(said.alias("text_sent"), first))
    cells = rows.unpivot(
        columns, index=["table_no", "row"], variable_name="column", value_name="text_sent"
    ).filter(pl.col("text_sent").str.contains(r"^\s*[<>~]?\s*[-+]?\d"))
    items = base.join(
        cells.with_columns(pl.col("column").cast(pl.Int32)), on=["table_no", "row"], how="inner"
    )
    return items.sort("table_no", "row", "column", maintain_order=True)


def _beside(kinds: pl.DataFrame | None, rows: pl.DataFrame) -> pl.DataFrame | None:
    """The kinds of these rows, in their order."""
    if kinds is None:
        return None
    keys = ["table_no", "row"]
    return rows.select(keys).join(kinds, on=keys, how="left", maintain_order="left")


def _fill_merged(table: Table, file_no: int, faults: Faults) -> pl.DataFrame:
    """Rows with identifiers of merged cells written into every row the merge covers."""
    marks = table.grid.marks.filter(pl.col("mark") == "merged")
    columns = {h.column for h in table.headings if h.field in _FILLED_DOWN}
    if marks.is_empty() or not columns:
        return table.rows
    rows = table.rows
    filled: list[str] = []
    for column in sorted(columns & {int(name) for name in rows.columns if name != "row"}):
        spans = [
            (box[0], box[2])
            for row, at, _, detail in marks.iter_rows()
            if at == column
            and row is not None
            and (box := read_range(detail)) is not None
            and box[2] > box[0]
        ]
        if not spans:
            continue
        first = pl.DataFrame(
            {"first": [low for low, _ in spans], "last": [high for _, high in spans]},
            schema={"first": pl.Int32, "last": pl.Int32},
        ).sort("first")
        name = str(column)
        texts = table.grid.text.select(pl.col("row").alias("first"), pl.col(name).alias("spoken"))
        spoken = first.join(texts, on="first", how="left").sort("first")
        rows = (
            rows.sort("row")
            .join_asof(spoken, left_on="row", right_on="first", strategy="backward")
            .with_columns(
                pl.when(pl.col(name).is_null() & (pl.col("row") <= pl.col("last")))
                .then(pl.col("spoken"))
                .otherwise(pl.col(name))
                .alias(name)
            )
            .select(rows.columns)
        )
        filled.append(f"{column_letters(column)}{spans[0][0]}:{column_letters(column)}{spans[-1][1]}")
    if filled:
        first_cell = min(c for c in columns)
        faults.note(
            file_no=file_no,
            sheet=table.grid.sheet,
            row=int(rows["row"].min() or table.heading_row),  # type: ignore[arg-type]
            column=first_cell,
            code="merged_fill",
            value=", ".join(filled),
            message=f"Merged cells {', '.join(filled)} were taken to speak for every row they cover.",
            suggestion="Check that each row got the identifiers you meant.",
        )
    return rows


def unread_columns(table: Table) -> tuple[int, str, str] | None:
    """First column that is not stored, its heading, and a sentence on all such; None if there is none."""
    place = _places(table)
    used = {heading.column for heading in place.values() if heading.field}
    used |= {heading.column for heading in attribute_headings(table.kind, table.headings)}
    used |= (
        {heading.column for heading in table.headings if heading.field == "analyte_value"}
        if (table.kind not in ("lab_long", "triangle", "scores"))
        else set()
    )
    used -= (
        {heading.column for heading in place.values() if heading.field == "analyte_value"}
        if (table.kind in ("lab_long", "triangle", "scores"))
        else set()
    )
    beside = {heading.column for heading in table.beside}
    names = {heading.column: heading.text for heading in table.headings}
    present = [int(name) for name in table.rows.columns if name != "row"]
    with_content = [
        column
        for column in present
        if column not in used
        and column not in beside
        and names.get(column) not in REASON_HEADINGS
        and (column in names or table.rows[str(column)].drop_nulls().str.strip_chars().ne("").any())
    ]
    if not with_content:
        return None
    first, last = with_content[0], with_content[-1]

    def named(column: int) -> str:
        return (
            f"{column_letters(column)} '{names[column][:40]}'" if column in names else column_letters(column)
        )

    if len(with_content) > 4:
        words = f"{len(with_content):,} columns were not stored ({named(first)} to {named(last)})."
    elif len(with_content) > 1:
        words = f"Columns {', '.join(named(c) for c in with_content)} were not stored."
    else:
        words = f"Column {named(first)} was not stored."
    return first, names.get(first, ""), words


def block_name(headings: tuple[Heading, ...], table: Table) -> str:
    """The range of a block that was not read, such as `N1:P3`."""
    first, last = headings[0].column, headings[-1].column
    names = [str(c) for c in range(first, last + 1) if str(c) in table.grid.text.columns]
    filled = table.grid.text.filter(
        pl.any_horizontal(pl.col(names).is_not_null()) & (pl.col("row") >= table.heading_row)
    )
    low = int(filled["row"].min() or table.heading_row)  # type: ignore[arg-type]
    high = int(filled["row"].max() or table.heading_row)  # type: ignore[arg-type]
    return f"{cell_name(low, first)}:{cell_name(high, last)}"
