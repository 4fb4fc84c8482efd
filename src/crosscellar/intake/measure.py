"""Units and basis of each reading, its value in the canonical unit, and the limits it must keep."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import polars as pl

from crosscellar.contract import Contract, UnitReading, unit_key
from crosscellar.intake.beside import Different, few, put_beside
from crosscellar.intake.bounds import BOUNDS, with_bounds
from crosscellar.intake.findings import Faults
from crosscellar.intake.headings import plain
from crosscellar.intake.values import HOW_TOLD, shown_number, shown_unit

_ASKED: Final = ("analyte", "unit_sent", "unit_in_cell", "lab_sent", "stage", "unit_meant")
#: Parts by mass, read as parts by volume: close for wine, and worth a word.
_BY_MASS: Final = ("ppm", "ppb", "ppt")
_TIMES_OF_DAY: Final = ("am", "a.m", "pm", "p.m", "morning", "noon", "evening", "night")
#: Conversions are kept to 12 significant digits: what lies beyond is noise of the arithmetic.
_DIGITS: Final = 12


@dataclass(frozen=True, slots=True)
class Declared:
    """What a laboratory means by an analyte when its sheets do not say."""

    lab: str
    unit: str | None
    basis: str | None
    limit: float | None


class Declarations:
    """What the register's laboratories declared, looked up by laboratory and analyte."""

    def __init__(self, labs: pl.DataFrame) -> None:
        self._by_lab: dict[tuple[str, str], Declared] = {}
        self._by_analyte: dict[str, list[Declared]] = {}
        for row in labs.iter_rows(named=True):
            limit = row.get("detection_limit")
            declared = Declared(
                row["lab_id"],
                row.get("unit") or None,
                row.get("basis") or None,
                None if limit is None else float(limit),
            )
            self._by_lab[plain(row["lab_id"]), row["analyte"]] = declared
            self._by_analyte.setdefault(row["analyte"], []).append(declared)

    def of(self, lab: str | None, analyte: str) -> tuple[Declared | None, bool]:
        """The declaration that holds, and whether the sheet named its laboratory.

        Without a laboratory's name the only one that declared the analyte speaks; of several, none does.
        """
        if lab and lab.strip():
            return self._by_lab.get((plain(lab), analyte)), True
        several = self._by_analyte.get(analyte, [])
        return (several[0], False) if len(several) == 1 else (None, False)


def measure(
    items: pl.DataFrame,
    labs: pl.DataFrame,
    contract: Contract,
    aliases: Mapping[str, str],
    faults: Faults,
) -> pl.DataFrame:
    """Items of readings with `value` and `unit` canonical, `conversion` in words and `unit_text` as sent.

    Each has the bounds of its analyte at its stage, by which it is judged.
    Every distinct (analyte, unit, unit in the cell, laboratory, stage) is looked at once.
    """
    items = items.with_columns(pl.col("unit_in_cell").fill_null(""))
    different = Different(items, ["target", "blank", *_ASKED])
    measured = (pl.col("target") == "readings") & ~pl.col("blank") & pl.col("analyte").is_not_null()
    distinct = different.numbered.filter(measured).sort(_ASKED, nulls_last=True)
    declarations = Declarations(labs)
    own = {unit_key(written): means for written, means in aliases.items()}
    readings: list[UnitReading | None] = []
    rows = []
    for number, key in enumerate(distinct.select(_ASKED).iter_rows()):
        reading, row = _resolve(key, declarations, contract, own)
        readings.append(reading)
        rows.append((number, *row))
    answers = pl.DataFrame(rows, schema={"unit_no": pl.Int32, **_ANSWER}, orient="row")
    in_words = pl.col("unit_code").is_in(_IN_WORDS) & (pl.col("unit_words") != "")
    answers = answers.with_columns(pl.when(in_words).then("unit_words").alias("unit_said"))
    answers = with_bounds(distinct, contract).select("number", *BOUNDS).hstack(answers)
    items = different.beside(items, answers)
    items = _convert(_settle_marks(items, readings, contract), readings, contract)
    said = (pl.col("unit_code") != "") | pl.col("from_limit")
    told = pl.col("unit_no").is_not_null() & ~pl.col("blank") & said
    _tell(few(items.select("unit_no", "blank", *_TOLD), told), faults)
    served = (name for name in _ANSWER if name != "unit")
    return items.drop("unit_no", "or_else", "unit_said", *served)


#: Readings of a unit by these say so in words.
_IN_WORDS: Final = ("unit_converted", "basis_converted", "unit_alias", "basis_from_only_lab")
#: What messages about units look at.
_TOLD: Final = (
    "item_no", "file_no", "sheet", "heading_row", "row", "column", "analyte_at", "unit_at", "text_sent",
    "unit_sent", "unit_in_cell", "typed_value", "value", "unit", "unit_code", "unit_message", "unit_help",
    "unit_words", "or_else", "limit", "limit_lab", "from_limit",
)  # fmt: skip
_ANSWER: Final = {
    "unit": pl.String,
    "unit_code": pl.String,
    "unit_message": pl.String,
    "unit_help": pl.String,
    "unit_words": pl.String,
    "limit": pl.Float64,
    "limit_lab": pl.String,
}


def _resolve(
    key: tuple[str | None, ...], declarations: Declarations, contract: Contract, own: Mapping[str, str]
) -> tuple[UnitReading | None, tuple[str | None, str, str, str, str, float | None, str]]:
    analyte, column_unit, cell_unit, lab, stage, meant = key
    assert analyte is not None  # noqa: S101 - filtered above
    name = contract.analytes[analyte].name
    declared, named = declarations.of(lab, analyte)
    unit = declared.unit if declared else None
    basis = declared.basis if declared else None
    limit = None
    if declared and named and declared.limit is not None:
        limit = canonical_limit(contract, analyte, declared.limit, unit=unit, basis=basis)
    limit_lab = declared.lab if declared else ""

    def read(written: str | None) -> UnitReading:
        text = (written or "").strip()
        text = own.get(unit_key(text), text) if text else ""
        # The only laboratory lends its basis where none is named; a unit it lends to its own sheets alone.
        lent = unit if named or text else None
        return contract.read_unit(analyte, text, declared_unit=lent, declared_basis=basis, stage=stage)

    def answer(
        reading: UnitReading | None, code: str = "", message: str = "", help_: str = "", words: str = ""
    ) -> tuple[UnitReading | None, tuple[str | None, str, str, str, str, float | None, str]]:
        canonical = contract.analytes[analyte].unit
        return reading, (canonical, code, message, help_, words, limit, limit_lab)

    written = (column_unit or "").strip()
    in_cell = (cell_unit or "").strip()
    reading = read(written or in_cell or meant)
    if written and in_cell:
        other = read(in_cell)
        same = (other.unit, other.factor, other.offset, other.formula) == (
            reading.unit,
            reading.factor,
            reading.offset,
            reading.formula,
        )
        if not same or not other.usable:
            if other.outcome in ("unknown", "not_allowed"):
                return answer(
                    None,
                    "unit_conflict",
                    f"{in_cell} after the number is no unit of {name}; the unit column says {written}.",
                    f"Send the number alone, and say what {in_cell} means.",
                )
            return answer(
                None,
                "unit_conflict",
                f"The cell says {in_cell}, the unit column says {written}: one of them is wrong.",
                "Send the reading with its right unit.",
            )
    shown = written or in_cell
    match reading.outcome:
        case "same" | "alias":
            code, message = "", ""
            if plain(shown) in _BY_MASS:
                code, message = "unit_alias", f"{shown} was read as {reading.unit}."
            elif in_cell:
                code, message = "unit_in_cell", f"The unit {in_cell} in the cell was read with the number."
            if (
                basis
                and not named
                and _needs_basis(contract, analyte, written or in_cell or meant or "", stage)
            ):
                code = "basis_from_only_lab"
                message = f"No laboratory is named; {name} was read as {basis}, as {limit_lab} declares."
            return answer(reading, code, message, "", reading.words)
        case "converted" | "basis_converted":
            code = "unit_converted" if reading.outcome == "converted" else "basis_converted"
            words = reading.words
            if basis and not named and _needs_basis(contract, analyte, shown or meant or "", stage):
                words = f"{words}; no laboratory is named, and {limit_lab} declares {basis}"
            return answer(reading, code, "", "", words)
        case "needs_basis":
            return answer(
                reading.alternatives[0] if reading.alternatives else None,
                "basis_missing",
                f"{name} does not say on which basis",
                f"Declare the basis of {name} once for the laboratory; a yes here takes the first.",
            )
        case "needs_unit":
            return answer(
                read(contract.analytes[analyte].unit),
                "unit_missing",
                f"{name} has no unit. Is {contract.analytes[analyte].unit} meant?",
                f"Write the unit of {name}, or declare it once for the laboratory.",
            )
        case "ambiguous":
            ways = " or ".join(way.words or way.unit for way in reading.alternatives[:3])
            return answer(
                None,
                "unit_ambiguous",
                f"Unit {shown} of {name} can be read more than one way: {ways}.",
                "Write the unit in full.",
            )
        case "not_allowed":
            return answer(
                None,
                "unit_not_allowed",
                f"{name} cannot be in {shown}.",
                f"Send it in {contract.analytes[analyte].unit}, or check the analyte.",
            )
    if written and contract.name_stage(written).id is not None:
        return answer(
            None,
            "unit_unknown",
            f"{written} beside {name} is a stage, not a unit.",
            "Give the stage in a column of its own: one row for each vessel and stage.",
        )
    if written.casefold().strip(". ") in _TIMES_OF_DAY:
        return answer(
            None,
            "unit_unknown",
            f"{written} beside {name} is a time of day, not a unit.",
            "Give the time in a column of its own: one row for each reading.",
        )
    return answer(
        None,
        "unit_unknown",
        f"Unit {shown} of {name} is not a known one.",
        f"Send it in {contract.analytes[analyte].unit}, or add the unit to the network's aliases.",
    )


def canonical_limit(
    contract: Contract, analyte: str, limit: float, *, unit: str | None, basis: str | None
) -> float | None:
    """A laboratory's limit in the analyte's canonical unit, from the unit and basis that it declares.

    Without a unit it is taken as canonical; None where the unit cannot be read.
    """
    if not unit:
        return limit
    reading = contract.read_unit(analyte, unit, declared_basis=basis)
    if not reading.usable:
        return None
    converted = contract.convert(pl.Series([limit]), reading)
    return float(converted.round_sig_figs(_DIGITS)[0])


def _needs_basis(contract: Contract, analyte: str, written: str, stage: str | None) -> bool:
    return contract.read_unit(analyte, written, stage=stage).outcome == "needs_basis"


def _settle_marks(
    items: pl.DataFrame,
    readings: list[UnitReading | None],
    contract: Contract,
) -> pl.DataFrame:
    """Items in which numbers such as `3,610` are settled where what is possible shows the decimal sign.

    The cells of a column that have one possible reading decide for it, if they agree.
    """
    text = pl.col("text_sent").str.strip_chars()
    asked = (pl.col("problem") == "undecided_separator") & pl.col("refuse_low").is_not_null()
    open_ = few(items, asked & text.str.contains(r"^[0-9]{1,3}[.,][0-9]{3}$"))
    if open_.is_empty():
        return items
    column = ["table_no", "column"]
    ways = open_.select(
        "item_no",
        "unit_no",
        "refuse_low",
        "refuse_high",
        *column,
        comma=text.str.contains(",", literal=True),
        point=text.str.replace(",", ".", literal=True).cast(pl.Float64),
        converted=pl.lit(None, dtype=pl.Float64),
    ).with_columns(group=(pl.col("point") * 1000).round())
    for way in ("point", "group"):
        value = _converted(ways.with_columns(pl.col(way).alias("value")), readings, contract)
        fits = value.is_between(ways["refuse_low"], ways["refuse_high"]).fill_null(False)
        ways = ways.with_columns(fits.alias(f"{way}_fits"))
    # whether the comma is this column's decimal sign, as each cell with one possible reading has it
    vote = pl.when(pl.col("point_fits") != pl.col("group_fits")).then(pl.col("comma") == pl.col("point_fits"))
    ways = ways.with_columns(vote.alias("vote")).with_columns(
        agreed=pl.col("vote").drop_nulls().n_unique().over(column) == 1,
        as_point=pl.col("comma") == pl.col("vote").drop_nulls().first().over(column),
    )
    possible = pl.when("as_point").then("point_fits").otherwise("group_fits")
    words = pl.when("comma").then(pl.lit("decimal_comma_cell")).otherwise(pl.lit("plain"))
    apart = pl.when("comma").then(pl.lit("thousands_comma")).otherwise(pl.lit("thousands_point"))
    settled = ways.filter(pl.col("agreed") & possible).select(
        "item_no",
        pl.when("as_point").then("point").otherwise("group").alias("settled"),
        pl.when("as_point").then(words).otherwise(apart).alias("settled_how"),
    )
    if settled.is_empty():
        return items
    told = pl.col("settled_how").replace_strict({**HOW_TOLD, "plain": ""}, return_dtype=pl.String)
    items = put_beside(items, settled.with_columns(told.alias("settled_told")), "item_no")
    return items.with_columns(
        pl.coalesce("settled", "value").alias("value"),
        pl.coalesce("settled_how", "how").alias("how"),
        pl.coalesce("settled_told", "told").alias("told"),
        pl.when(pl.col("settled").is_null()).then("problem").otherwise(pl.lit("")).alias("problem"),
    ).drop("settled", "settled_how", "settled_told")


def _convert(items: pl.DataFrame, readings: list[UnitReading | None], contract: Contract) -> pl.DataFrame:
    """Adds typed values in the canonical unit; a limit that a laboratory declared stands for `ND`."""
    limited = (pl.col("problem") == "not_detected_no_limit") & pl.col("limit").is_not_null()
    items = items.with_columns(
        pl.col("value").alias("typed_value"),
        pl.when(pl.col("target") == "readings").then(None).otherwise("value").alias("converted"),
    )
    items = items.with_columns(_converted(items, readings, contract), _other_bases(items, readings, contract))
    finite = pl.when(pl.col("converted").is_finite()).then("converted")
    return items.with_columns(
        pl.when(limited).then("limit").otherwise(finite).alias("value"),
        pl.when(limited).then(pl.lit("<")).otherwise("qualifier").alias("qualifier"),
        pl.when(limited).then(pl.lit("")).otherwise("problem").alias("problem"),
        limited.alias("from_limit"),
        _conversion(items, limited),
    ).drop("converted")


def _conversion(items: pl.DataFrame, limited: pl.Expr) -> pl.Series:
    """How the number of each item was read and converted, in words: of most by its unit alone."""
    more = items.select(((pl.col("told") != "") | limited).fill_null(False).alias("more"))["more"].arg_true()
    said = items.select("told", "unit_said", "limit_lab", limited=limited)[more].select(
        pl.concat_str(
            [
                pl.when(pl.col("told") != "").then("told"),
                "unit_said",
                pl.when("limited").then(pl.format("the laboratory's detection limit ({})", "limit_lab")),
            ],
            separator="; ",
            ignore_nulls=True,
        )
    )
    return items["unit_said"].fill_null("").scatter(more, said.to_series()).alias("conversion")


def _converted(items: pl.DataFrame, readings: list[UnitReading | None], contract: Contract) -> pl.Series:
    """`converted`: each value in the canonical unit, null where its unit is not read.

    Readings of a unit that convert alike are converted together: a large sheet has many analytes and stages,
    and few factors.
    """
    ways: dict[tuple[float, float, str], int] = {}
    alike: list[UnitReading] = []
    way_of: list[int | None] = []
    for reading in readings:
        if reading is None:
            way_of.append(None)
            continue
        way = ways.setdefault((reading.factor, reading.offset, reading.formula), len(ways))
        if way == len(alike):
            alike.append(reading)
        way_of.append(way)
    numbers = pl.Series("way", way_of, dtype=pl.Int32).gather(items["unit_no"])
    converted = items["converted"]
    for way, reading in enumerate(alike):
        at = (numbers == way).arg_true()
        value = items["value"].gather(at)
        if reading.factor != 1.0 or reading.offset != 0.0 or reading.formula:
            value = contract.convert(value, reading).round_sig_figs(_DIGITS)
        else:
            value = contract.convert(value, reading)
        converted = converted.scatter(at, value)
    return converted.alias("converted")


def _other_bases(items: pl.DataFrame, readings: list[UnitReading | None], contract: Contract) -> pl.Series:
    """`or_else`: what numbers would be on the other bases, in words, where the basis is not declared."""
    told = items.select("item_no", "unit_no", "unit_code", "analyte", "unit_text", "stage", "value")
    without = few(told, pl.col("unit_code") == "basis_missing")
    parts = [
        some.select("item_no", _other_basis(contract, some))
        for (number,), some in without.group_by("unit_no", maintain_order=True)
        if readings[int(str(number))] is not None
    ]
    found = pl.concat(parts) if parts else pl.DataFrame(schema={"item_no": pl.Int32, "or_else": pl.String})
    return put_beside(items.select("item_no"), found, "item_no")["or_else"]


def _other_basis(contract: Contract, some: pl.DataFrame) -> pl.Expr:
    analyte, unit = some["analyte"][0], some["unit_text"][0]
    others = contract.read_unit(analyte, unit, stage=some["stage"][0]).alternatives[1:3]
    ways = [
        pl.format(
            "{} if {}",
            shown_number(contract.convert(pl.col("value"), way).round(3)),
            pl.lit(way.words.split(" x ")[0]),
        )
        for way in others
    ]
    return pl.concat_str(ways, separator=", ").alias("or_else") if ways else pl.lit("").alias("or_else")


def _tell(some: pl.DataFrame, faults: Faults) -> None:
    said = pl.coalesce(pl.when(pl.col("unit_sent").fill_null("") != "").then("unit_sent"), "unit_in_cell")
    converted = some.filter(
        pl.col("unit_code").is_in(["unit_converted", "basis_converted"]) & pl.col("typed_value").is_not_null()
    )
    faults.add(
        converted,
        pl.col("unit_code"),
        pl.format(
            "{}{} was read as {}{}.",
            shown_number(pl.col("typed_value")),
            pl.when(said != "").then(pl.format(" {}", said)).otherwise(pl.lit("")),
            shown_number(pl.col("value")),
            shown_unit(pl.col("unit")),
        ),
        pl.format("Conversion: {}.", "unit_words"),
    )
    at_value = ["unit_in_cell", "unit_conflict", "basis_missing", "basis_from_only_lab", "unit_missing"]
    others = some.filter(
        (pl.col("unit_code") != "") & ~pl.col("unit_code").is_in(["unit_converted", "basis_converted"])
    ).with_columns(
        pl.when(
            (pl.col("analyte_at") == pl.col("column"))
            & ~pl.col("unit_code").is_in(["unit_in_cell", "unit_conflict"])
        )
        .then("heading_row")
        .otherwise("row")
        .alias("unit_row"),
        pl.when(pl.col("unit_code").is_in(at_value))
        .then("column")
        .otherwise(pl.coalesce("unit_at", "column"))
        .alias("unit_column"),
    )
    value_cell = pl.when(pl.col("unit_code").is_in(at_value)).then("text_sent").otherwise(said)
    faults.add(
        others,
        pl.col("unit_code"),
        pl.when(pl.col("or_else").is_not_null() & pl.col("value").is_not_null())
        .then(
            pl.format(
                "{}: {}{}, or {}?",
                "unit_message",
                shown_number(pl.col("value")),
                shown_unit(pl.col("unit")),
                "or_else",
            )
        )
        .otherwise("unit_message"),
        pl.col("unit_help"),
        value=value_cell,
        row="unit_row",
        column="unit_column",
    )
    limited = some.filter(pl.col("from_limit"))
    faults.add(
        limited,
        "limit_from_laboratory",
        pl.format(
            "{} was read as <{}{}, the limit {} declares.",
            "text_sent",
            shown_number(pl.col("limit")),
            shown_unit(pl.col("unit")),
            "limit_lab",
        ),
    )
