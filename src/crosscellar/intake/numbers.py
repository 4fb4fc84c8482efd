"""What a cell says when it should say a number: an ASCII grammar, the decimal mark decided per column."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import polars as pl

from crosscellar.intake.letters import INVISIBLE
from crosscellar.intake.markers import marker_of

DecimalMark = Literal[".", ",", "undecided"]

#: A longer text is no number, whatever it holds; also what keeps every pattern below quick.
_LONGEST: Final = 120

_SPACE: Final = "[ \u00a0\u2007\u2009\u202f]"
_EXPONENT: Final = "(?:[eE][+-]?[0-9]+)?"
_TOKEN: Final = (
    f"[+-]?(?:[0-9]{{1,3}}(?:{_SPACE}[0-9]{{3}})+(?:[.,][0-9]*)?|[0-9][0-9.,'’]*|[.,][0-9]+){_EXPONENT}"
)
# A unit starts with a letter or a sign that only units have, and is not a multiplication: `2.9 x10^0`.
_UNIT: Final = r"(?:%|‰|°|º|[\p{L}µμ])[\p{L}\p{M}\p{N}µμ%‰°º/.,·^⁻⁺¹²³₀-₉ ()\[\]-]*"
_TIMES_TEN: Final = r"^[x×X*·]\s*10"
_ABOUT: Final = (
    r"(?i:^(?:~|≈|≃|∼|±|ca\.?\s|c\.\s?|circa\s|about\s|approx(?:\.|imately)?\s?|around\s|environ\s)\s*)"
)
_ABOUT_AFTER: Final = r"(?i:\s*(?:\(?(?:approx(?:\.|imately)?|est(?:\.|imated)?|about)\)?))$"
_BETWEEN: Final = r"\s*(?:-|–|—|~|\.{3}|…)\s*|\s+(?:to|till|bis|à|a|until)\s+"
_AND: Final = r"\s*(?:/|;|\||&|\\|\n)\s*|,\s+|\s+(?:and|et|und|y|e|or|then)\s+"
_PLUS_MINUS: Final = r"\s*(?:±|\+/-|\+-|\+/−)\s*"
_UNDER: Final = r"(?i)^(?:<=|=<|<|≤|less than|below|under)\s*"
_OVER: Final = r"(?i)^(?:>=|=>|>|≥|more than|greater than|above|over)\s*"
_FLAG: Final = r"(?:\*{1,3}|†|‡|#|\?|!|§|\^[a-z0-9]|\([a-zA-Z*]{1,3}\)|\[[a-zA-Z*]{1,3}\])"

#: What to do about each problem; `{likely}` is the likeliest reading where there is one.
_SUGGESTIONS: Final = {
    "range": "Send the single readings, one a row.",
    "two_values": "Use two rows, replicate 1 and 2.",
    "value_with_error": "Send the single readings, one a row with its replicate.",
    "approximate": "Is {likely} the reading? Write the number alone, or leave the cell empty.",
    "marker": "Is {likely} the reading? Say what the mark means.",
    "not_detected_no_limit": "Write < and the laboratory's detection limit, such as <0.1.",
    "qualitative": "Write a number, or < and the detection limit.",
    "too_many": "Write > and the highest count that the plate allows.",
    "undecided_separator": "Is it {likely}? Write it without a thousands mark.",
    "error_cell": "Mend the formula in the spreadsheet, or type the reading.",
    "formula_without_result": "Open the sheet in a spreadsheet program, save it, and send it again.",
    "not_finite": "Write the reading as a number.",
    "too_long": "Write the number alone in its cell.",
    "date_cell": "The spreadsheet made a date of it. Type the number again, as text if need be.",
    "not_a_number": "Write the number alone, with the digits 0 to 9.",
}


@dataclass(frozen=True, slots=True)
class DecimalChoice:
    """Which decimal mark a column uses, and what decided it."""

    mark: DecimalMark
    reason: str


def _tidied(text: pl.Expr) -> pl.Expr:
    """Text in plain signs: full-width forms and minus signs as ASCII, nothing invisible, no outer space."""
    full_width = {chr(0xFF01 + code): chr(0x21 + code) for code in range(94)}
    return (
        text.str.replace_all(INVISIBLE, "")
        .str.strip_chars()
        .str.replace_many(list(full_width), list(full_width.values()))
        .str.replace_all(r"^(?:[\x{2212}\x{2012}\x{2013}\x{FE63}])(\s?[0-9.,])", "-${1}")
        .str.replace_all(r"([eE])[\x{2212}\x{2013}]([0-9])", "${1}-${2}")
    )


def _is_point(token: pl.Expr) -> pl.Expr:
    """Whether a token can only be read with a decimal point; null when it says nothing."""
    return (
        token.str.contains(rf"^[+-]?(?:[0-9]*\.(?:[0-9]{{0,2}}|[0-9]{{4,}})|0*\.[0-9]+){_EXPONENT}$")
        | token.str.contains(rf"^[+-]?[0-9]{{4,}}\.[0-9]*{_EXPONENT}$")
        | token.str.contains(
            rf"^[+-]?[0-9]{{1,3}}(?:[,'’ \u00a0\u2007\u2009\u202f][0-9]{{3}})+\.[0-9]*{_EXPONENT}$"
        )
        | token.str.contains(r"^[+-]?[0-9]{1,3}(?:,[0-9]{3}){2,}$")
        | token.str.contains(r"^[+-]?[0-9.]+[eE][+-]?[0-9]+$") & token.str.contains(r"\.")
    )


def _is_comma(token: pl.Expr) -> pl.Expr:
    """The same with a decimal comma: the two marks exchanged."""
    return _is_point(token.str.replace_many([".", ","], [",", "."]))


def decide_decimal(texts: pl.Series, *, kinds: pl.Series | None = None, separator: str = "") -> DecimalChoice:
    """Which decimal mark one column uses: the cells that can be read only one way decide.

    Parameters
    ----------
    texts
        The column's cells as sent.
    kinds
        Of a workbook: cells that are numbers there (`n`) are exact and decide nothing.
    separator
        Of a CSV file: a comma between cells speaks for a decimal point where no cell decides.

    Returns
    -------
    DecimalChoice
        `undecided` when no cell decides: `1,250` alone is 1250 or 1.25; or no cell has a mark.
    """
    frame = pl.DataFrame({"text": texts.cast(pl.String)})
    if kinds is not None:
        frame = frame.with_columns(kind=kinds).filter(pl.col("kind").fill_null("s") == "s")
    token = _tidied(pl.col("text")).str.extract(rf"({_TOKEN})", 1)
    counts = (
        frame.select("text")
        .drop_nulls()
        .unique()
        .filter(pl.col("text").str.len_chars() <= _LONGEST)
        .select(token.alias("token"))
        .select(
            points=_is_point(pl.col("token")).sum(),
            commas=_is_comma(pl.col("token")).sum(),
            open_points=pl.col("token").str.contains(r"^[+-]?[1-9][0-9]{0,2}\.[0-9]{3}$").sum(),
            open_commas=pl.col("token").str.contains(r"^[+-]?[1-9][0-9]{0,2},[0-9]{3}$").sum(),
        )
    )
    points, commas, open_points, open_commas = (int(n or 0) for n in counts.row(0))
    # every such cell is read as it stands; a clear majority decides for the cells that say nothing
    if points > 4 * commas:
        return DecimalChoice(".", f"{points} different cells can only have a decimal point")
    if commas > 4 * points:
        return DecimalChoice(",", f"{commas} different cells can only have a decimal comma")
    if points or commas:
        return DecimalChoice("undecided", f"{points} cells have a decimal point and {commas} a decimal comma")
    if separator == "," and open_points and not open_commas:
        return DecimalChoice(".", "the file's cells are separated by commas")
    if open_points or open_commas:
        return DecimalChoice("undecided", "every mark in this column could be a thousands mark")
    return DecimalChoice("undecided", "no cell of this column has a decimal mark")


def read_numbers(texts: pl.Series, *, decimal: DecimalMark, kinds: pl.Series | None = None) -> pl.DataFrame:
    """One row for each cell: `value, qualifier, blank, how, problem, unit_in_cell, likely, suggestion`.

    Parameters
    ----------
    texts
        Cells as sent (String); null is an empty cell.
    decimal
        The column's decimal mark, from `decide_decimal`. With `undecided`, `1,250` and `1.250` are held.
    kinds
        Of a workbook: a number is taken as it is; a date, an error, a formula without result are told.

    Returns
    -------
    polars.DataFrame
        `value` (Float64, null unless there is exactly one reading); `qualifier` (`<`, `>` or empty: the value
        is then the limit); `blank` (not measured); `how` (`plain`, or what was read into it, joined by `+`:
        decimal_comma_cell, decimal_point_cell, thousands_space, thousands_apostrophe, thousands_comma,
        thousands_point, unicode_minus, full_width, invisible_character, unit_in_cell, at_limit, scientific,
        spaces_trimmed); `problem` (empty, or one of not_a_number, range, two_values, value_with_error,
        approximate, marker, not_detected_no_limit, qualitative, too_many, undecided_separator, error_cell,
        formula_without_result, date_cell, not_finite, too_long); `unit_in_cell` (as typed, or empty);
        `likely` (a reading to propose, or null); `suggestion` (what to do, or empty).
    """
    sent = pl.DataFrame({"sent": texts.cast(pl.String)})
    kind = pl.lit("s") if kinds is None else pl.Series("kind", kinds).cast(pl.String).fill_null("s")
    sent = sent.with_columns(kind=kind)
    read = _read_distinct(sent.unique(), decimal)
    if kinds is None:
        sent, read = sent.drop("kind"), read.drop("kind")
    return sent.join(read, on=sent.columns, how="left", nulls_equal=True, maintain_order="left").drop(
        sent.columns
    )


def _read_distinct(cells: pl.DataFrame, decimal: DecimalMark) -> pl.DataFrame:
    long = pl.col("sent").str.len_chars() > _LONGEST
    frame = cells.with_columns(
        too_long=long.fill_null(False),
        text=_tidied(pl.when(long).then(pl.lit("")).otherwise(pl.col("sent"))),
    ).with_columns(marker=marker_of(pl.col("text")))
    frame = frame.with_columns(
        # `(+)` and `< LOD` are markers and never come here; `nd (<0.1)` is a limit with words around it
        body=pl.when(pl.col("marker").is_null()).then(
            pl.col("text").str.replace(r"(?i)^(?:nd|n\.d\.|bdl|blq|lod|loq)\s*[,:=(\[]?\s*(<|≤)", "${1}")
        ),
    )
    under, over = pl.col("body").str.contains(_UNDER), pl.col("body").str.contains(_OVER)
    at_limit = pl.col("body").str.contains("^(?:<=|=<|≤|>=|=>|≥)")
    frame = frame.with_columns(
        qualifier=pl.when(under).then(pl.lit("<")).when(over).then(pl.lit(">")).otherwise(pl.lit("")),
        at_limit=at_limit.fill_null(False),
    ).with_columns(
        body=pl.when(pl.col("qualifier") == "")
        .then(pl.col("body"))
        .otherwise(
            pl.col("body")
            .str.replace(_UNDER, "")
            .str.replace(_OVER, "")
            .str.replace(r"^([^(\[]*)[)\]]$", "${1}")
        ),
    )
    unit = pl.col("body").str.extract(rf"^{_TOKEN}\s*({_UNIT})$", 1).str.strip_chars()
    frame = frame.with_columns(
        several=_several(pl.col("body")), whole=pl.col("body").str.extract(rf"^({_TOKEN})$", 1)
    )
    frame = frame.with_columns(
        unit=pl.when(
            pl.col("whole").is_null() & pl.col("several").is_null() & ~unit.str.contains(_TIMES_TEN)
        ).then(unit),
    ).with_columns(
        token=pl.coalesce(
            "whole",
            pl.when(pl.col("unit").is_not_null()).then(pl.col("body").str.extract(rf"^({_TOKEN})", 1)),
        ),
    )
    return _judge(_value_of(frame, "token", decimal), decimal)


def _several(body: pl.Expr) -> pl.Expr:
    """The problem of a text that holds more, or less, than one number; null for any other."""
    unit = rf"(?:\s*{_UNIT})?"
    return (
        pl.when(body.str.contains(rf"^{_TOKEN}(?:\s*{_UNIT})??(?:{_PLUS_MINUS}){_TOKEN}{unit}$"))
        .then(pl.lit("value_with_error"))
        .when(body.str.contains(rf"^{_TOKEN}\s*\({_TOKEN}\)$"))
        .then(pl.lit("value_with_error"))
        .when(body.str.contains(rf"(?i)^(?:between\s+)?{_TOKEN}(?:{_BETWEEN}){_TOKEN}{unit}$"))
        .then(pl.lit("range"))
        .when(body.str.contains(rf"(?i)^{_TOKEN}(?:(?:{_AND}){_TOKEN})+{unit}$"))
        .then(pl.lit("two_values"))
        .when(body.str.contains(rf"{_ABOUT}{_TOKEN}{unit}$") | body.str.contains(rf"^{_TOKEN}{_ABOUT_AFTER}"))
        .then(pl.lit("approximate"))
    )


def _value_of(frame: pl.DataFrame, token: str, decimal: DecimalMark) -> pl.DataFrame:
    """Adds `reading` (how the marks in the token are to be read, null if they cannot) and `value`."""
    number = pl.col(token).str.replace_all("[eE].*$", "").str.replace_all("^[+-]", "")
    spaced, quoted = number.str.contains(_SPACE), number.str.contains("['’]")
    groups = r"^[0-9]{1,3}(?:%s[0-9]{3})+(?:[.,][0-9]*)?$"
    joined = (
        pl.when(spaced)
        .then(number.str.replace_all(_SPACE, ""))
        .when(quoted)
        .then(number.str.replace_all("['’]", ""))
        .otherwise(number)
    )
    well_grouped = (
        pl.when(spaced & quoted)
        .then(False)
        .when(spaced)
        .then(number.str.contains(groups % _SPACE))
        .when(quoted)
        .then(number.str.contains(groups % "['’]"))
        .otherwise(True)
    )
    frame = frame.with_columns(
        digits=pl.when(well_grouped).then(joined),
        grouped=pl.when(spaced)
        .then(pl.lit("thousands_space"))
        .when(quoted)
        .then(pl.lit("thousands_apostrophe"))
        .otherwise(pl.lit("")),
        exponent=pl.col(token).str.extract("([eE].*)$", 1).fill_null(""),
        minus=pl.when(pl.col(token).str.starts_with("-")).then(pl.lit("-")).otherwise(pl.lit("")),
    )
    digits = pl.col("digits")
    open_group = digits.str.contains("^[1-9][0-9]{0,2}[.,][0-9]{3}$") & (pl.col("grouped") == "")
    in_number_cell = pl.col("kind") == "n"
    against = {".": ",", ",": "."}
    undecided = open_group & (pl.col("exponent") == "") & ~in_number_cell
    if decimal in against:
        undecided = undecided & digits.str.contains(against[decimal], literal=True)
    shape = (
        pl.when(digits.str.contains(r"^[0-9]+$"))
        .then(pl.lit("whole"))
        .when(undecided)
        .then(pl.lit("undecided"))
        .when(digits.str.contains(r"^(?:[0-9]+\.[0-9]*|\.[0-9]+)$"))
        .then(pl.lit("point"))
        .when(digits.str.contains(r"^(?:[0-9]+,[0-9]*|,[0-9]+)$"))
        .then(pl.lit("comma"))
        .when(digits.str.contains(r"^[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+$|^[0-9]{1,3}(?:,[0-9]{3}){2,}$"))
        .then(pl.lit("thousands_comma"))
        .when(digits.str.contains(r"^[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+$|^[0-9]{1,3}(?:\.[0-9]{3}){2,}$"))
        .then(pl.lit("thousands_point"))
    )
    frame = frame.with_columns(shape=shape)
    by_comma = pl.col("shape").is_in(["comma", "thousands_point"])
    plain = (
        pl.when(by_comma)
        .then(digits.str.replace_all(".", "", literal=True).str.replace(",", ".", literal=True))
        .when(pl.col("shape") == "thousands_comma")
        .then(digits.str.replace_all(",", "", literal=True))
        .when(pl.col("shape").is_in(["whole", "point"]))
        .then(digits)
    )
    ascii_text = pl.col("minus") + plain.str.replace(r"^\.", "0.").str.replace(r"\.$", "")
    return frame.with_columns(clean=ascii_text + pl.col("exponent")).with_columns(
        number=pl.col("clean").cast(pl.Float64, strict=False),
        lost=pl.col("clean").str.contains("^-?[0.]*[1-9]"),
    )


def _judge(frame: pl.DataFrame, decimal: DecimalMark) -> pl.DataFrame:
    body, text = pl.col("body"), pl.col("text")
    first = rf"^({_TOKEN})"
    inner = body.str.replace(_ABOUT, "").str.replace(r"^[(\[*†#?]+\s*", "").str.extract(first, 1)
    out_of_reach = pl.col("number").is_infinite() | ((pl.col("number") == 0) & pl.col("lost"))
    problem = (
        pl.when(pl.col("too_long"))
        .then(pl.lit("too_long"))
        .when(pl.col("kind") == "e")
        .then(pl.lit("error_cell"))
        .when(pl.col("kind") == "f")
        .then(pl.lit("formula_without_result"))
        .when(pl.col("kind").is_in(["d", "t"]))
        .then(pl.lit("date_cell"))
        .when(pl.col("kind") == "b")
        .then(pl.lit("not_a_number"))
        .when(pl.col("marker").is_not_null() & (pl.col("marker") != "blank"))
        .then(pl.col("marker"))
        .when(pl.col("shape") == "undecided")
        .then(pl.lit("undecided_separator"))
        .when(out_of_reach)
        .then(pl.lit("not_finite"))
        .when((pl.col("number").is_not_null() & pl.col("several").is_null()) | body.is_null())
        .then(pl.lit(""))
        .when(text.str.contains(r"(?i)^[+-]?(?:inf|infinity|nan|∞)$"))
        .then(pl.lit("not_finite"))
        .when(pl.col("several").is_not_null())
        .then(pl.col("several"))
        .when(body.str.contains(rf"^{_TOKEN}\s*[x×X*·]\s*10"))
        .then(pl.lit("not_a_number"))
        .when(
            body.str.contains(
                rf"^[(\[]\s*{_TOKEN}\s*[)\]]{_FLAG}?$|^{_FLAG}\s*{_TOKEN}$|^{_TOKEN}(?:\s*{_UNIT})?\s*{_FLAG}+$"
            )
        )
        .then(pl.lit("marker"))
        .otherwise(pl.lit("not_a_number"))
    )
    frame = frame.with_columns(problem=problem, inner=inner)
    propose = pl.col("problem").is_in(["approximate", "marker"])
    as_point = pl.col("digits").str.replace(",", ".", literal=True)
    as_group = pl.col("digits").str.replace("[.,]", "")
    frame = frame.with_columns(
        likely=pl.when(propose)
        .then(pl.col("inner"))
        .when(pl.col("problem") == "undecided_separator")
        .then(pl.col("minus") + as_group + pl.lit(" or ") + pl.col("minus") + as_point)
    )
    good = (pl.col("problem") == "") & pl.col("number").is_not_null()
    limit = pl.col("text").str.extract(rf"(?i)^(?:nd|n\.d\.|bdl|blq|lod|loq)\s*[(:=]?\s*({_TOKEN})\)?$", 1)
    told_limit = (pl.col("problem") == "not_a_number") & limit.is_not_null()
    frame = frame.with_columns(
        problem=pl.when(told_limit).then(pl.lit("not_detected_no_limit")).otherwise(pl.col("problem")),
        likely=pl.when(told_limit).then(pl.lit("<") + limit).otherwise(pl.col("likely")),
    )
    number_cell = pl.col("kind") == "n"
    comma_shapes = {"thousands_comma", "thousands_point"}
    how = {
        "decimal_comma_cell": (pl.col("shape") == "comma") & (decimal != ","),
        "decimal_point_cell": (pl.col("shape") == "point") & pl.lit(decimal == ",") & ~number_cell,
        **{word: pl.col("shape") == word for word in sorted(comma_shapes)},
        "thousands_space": pl.col("grouped") == "thousands_space",
        "thousands_apostrophe": pl.col("grouped") == "thousands_apostrophe",
        "unicode_minus": pl.col("sent").str.contains(r"[\x{2212}\x{2012}\x{2013}\x{FE63}\x{FF0D}]"),
        "full_width": pl.col("sent").str.contains(r"[\x{FF01}-\x{FF5E}]"),
        "invisible_character": pl.col("sent").str.contains(INVISIBLE),
        "unit_in_cell": pl.col("unit").is_not_null(),
        "at_limit": pl.col("at_limit"),
        "scientific": (pl.col("exponent") != "") & ~number_cell,
        "spaces_trimmed": pl.col("sent").str.contains(r"^\s|\s$"),
    }
    told = pl.concat_str(
        [pl.when(seen).then(pl.lit(word)) for word, seen in how.items()], separator="+", ignore_nulls=True
    )
    suggestion = pl.col("problem").replace_strict(_SUGGESTIONS, default="", return_dtype=pl.String)
    return frame.select(
        "sent",
        "kind",
        value=pl.when(good).then(pl.col("number")),
        qualifier=pl.when(good).then(pl.col("qualifier")).otherwise(pl.lit("")),
        blank=(
            (pl.col("sent").is_null() | (pl.col("marker") == "blank").fill_null(False))
            & ~pl.col("too_long")
            & (pl.col("problem") == "")
        ),
        how=pl.when(~good).then(pl.lit("")).when(told == "").then(pl.lit("plain")).otherwise(told),
        problem=pl.col("problem"),
        unit_in_cell=pl.when(good).then(pl.col("unit")).fill_null(""),
        likely=pl.col("likely"),
        suggestion=suggestion.str.replace("{likely}", pl.col("likely").fill_null("it"), literal=True),
    )
