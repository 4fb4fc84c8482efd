"""Cells that should hold a number: one reading is taken and told, two are held, none is guessed."""

from __future__ import annotations

import polars as pl
import pytest

from crosscellar.intake.numbers import DecimalMark, decide_decimal, read_numbers


def _one(text: str | None, decimal: DecimalMark = ".", kind: str | None = None) -> dict[str, object]:
    kinds = None if kind is None else pl.Series([kind])
    return read_numbers(pl.Series([text], dtype=pl.String), decimal=decimal, kinds=kinds).row(0, named=True)


@pytest.mark.parametrize(
    ("text", "value", "how"),
    [
        ("3.31", 3.31, "plain"),
        ("007", 7.0, "plain"),
        ("-2", -2.0, "plain"),
        ("+3.2", 3.2, "plain"),
        (".5", 0.5, "plain"),
        ("5.", 5.0, "plain"),
        ("1.250", 1.25, "plain"),
        ("7,18", 7.18, "decimal_comma_cell"),
        ("0,250", 0.25, "decimal_comma_cell"),
        ("1,2345", 1.2345, "decimal_comma_cell"),
        ("2,9e0", 2.9, "decimal_comma_cell+scientific"),
        ("3.2E-01", 0.32, "scientific"),
        ("1 234.5", 1234.5, "thousands_space"),
        ("1\u202f180.0", 1180.0, "thousands_space"),
        ("1\u00a0234", 1234.0, "thousands_space"),
        ("1 234,567", 1234.567, "decimal_comma_cell+thousands_space"),
        ("1'050.5", 1050.5, "thousands_apostrophe"),
        ("1’050", 1050.0, "thousands_apostrophe"),
        ("1,234.50", 1234.5, "thousands_comma"),
        ("12,345,678", 12345678.0, "thousands_comma"),
        ("1.234,56", 1234.56, "thousands_point"),
        ("1.234.567", 1234567.0, "thousands_point"),
        ("\u22122.5", -2.5, "unicode_minus"),
        ("\u20132.5", -2.5, "unicode_minus"),
        ("１２.5", 12.5, "full_width"),
        ("3.2\u200b", 3.2, "invisible_character"),
        ("\u20072.90\u2009", 2.9, "spaces_trimmed"),
    ],
)
def test_a_number_with_one_reading_in_a_decimal_point_column_is_taken_and_told(
    text: str, value: float, how: str
) -> None:
    read = _one(text)
    assert (read["value"], read["how"], read["problem"]) == (value, how, "")


@pytest.mark.parametrize(
    ("text", "value", "how"),
    [
        ("3,31", 3.31, "plain"),
        ("1,250", 1.25, "plain"),
        ("3.31", 3.31, "decimal_point_cell"),
        ("1.234,5", 1234.5, "thousands_point"),
        ("1,234.5", 1234.5, "thousands_comma"),
    ],
)
def test_a_number_with_one_reading_in_a_decimal_comma_column_is_taken_and_told(
    text: str, value: float, how: str
) -> None:
    read = _one(text, ",")
    assert (read["value"], read["how"]) == (value, how)


@pytest.mark.parametrize(
    ("text", "decimal", "likely"),
    [
        ("1,250", ".", "1250 or 1.250"),
        ("1.250", ",", "1250 or 1.250"),
        ("1.250", "undecided", "1250 or 1.250"),
        ("-1,250", ".", "-1250 or -1.250"),
        ("<1,250", ".", "1250 or 1.250"),
    ],
)
def test_a_number_with_two_readings_is_held_with_both(text: str, decimal: DecimalMark, likely: str) -> None:
    read = _one(text, decimal)
    assert (read["value"], read["problem"], read["likely"]) == (None, "undecided_separator", likely)
    assert likely in str(read["suggestion"])


@pytest.mark.parametrize(
    ("text", "qualifier", "value", "how"),
    [
        ("<0.1", "<", 0.1, "plain"),
        ("< 0,1", "<", 0.1, "decimal_comma_cell"),
        ("<0.1 mg/L", "<", 0.1, "unit_in_cell"),
        ("\u22640.5", "<", 0.5, "at_limit"),
        ("<=0.5", "<", 0.5, "at_limit"),
        (">20", ">", 20.0, "plain"),
        ("less than 0.1", "<", 0.1, "plain"),
        ("ND (<0.1)", "<", 0.1, "plain"),
        ("\uff1c0.1", "<", 0.1, "full_width"),
    ],
)
def test_a_value_beyond_a_limit_keeps_its_limit_and_its_side(
    text: str, qualifier: str, value: float, how: str
) -> None:
    read = _one(text)
    assert (read["qualifier"], read["value"], read["how"], read["blank"]) == (qualifier, value, how, False)


@pytest.mark.parametrize(
    ("text", "problem", "likely"),
    [
        ("3.4-3.6", "range", None),
        ("3.4–3.6", "range", None),
        ("3.4 to 3.6", "range", None),
        ("3.41/3.43", "two_values", None),
        ("3.41; 3.43", "two_values", None),
        ("3.41, 3.43", "two_values", None),
        ("7.2 ± 0.1", "value_with_error", None),
        ("7.2+/-0.1", "value_with_error", None),
        ("2.9 (0.1)", "value_with_error", None),
        ("~0.3", "approximate", "0.3"),
        ("ca. 3.4", "approximate", "3.4"),
        ("3.4 approx", "approximate", "3.4"),
        ("3.42*", "marker", "3.42"),
        ("0.5 g/L*", "marker", "0.5"),
        ("(2.9)", "marker", "2.9"),
        ("[2.9]", "marker", "2.9"),
        ("4.5?", "marker", "4.5"),
        ("ND", "not_detected_no_limit", None),
        ("n.d.", "not_detected_no_limit", None),
        ("nil", "not_detected_no_limit", None),
        ("BDL", "not_detected_no_limit", None),
        ("< LOD", "not_detected_no_limit", None),
        ("ND (0.1)", "not_detected_no_limit", "<0.1"),
        ("trace", "qualitative", None),
        ("tr", "qualitative", None),
        ("+", "qualitative", None),
        ("TNTC", "too_many", None),
        ("#DIV/0!", "error_cell", None),
        ("#N/A", "error_cell", None),
        ("#¡VALOR!", "error_cell", None),
        ("#####", "error_cell", None),
        ("1e400", "not_finite", None),
        ("1e-400", "not_finite", None),
        ("inf", "not_finite", None),
        ("NaN", "not_finite", None),
        ("1_000", "not_a_number", None),
        ("\u0663", "not_a_number", None),
        ("2. 9", "not_a_number", None),
        ("12 34", "not_a_number", None),
        ("1,234,5", "not_a_number", None),
        ("1.2.3", "not_a_number", None),
        ("2.9 x10^0", "not_a_number", None),
        ("10²", "not_a_number", None),
        ("½", "not_a_number", None),
        ("12:30", "not_a_number", None),
        ("2024-10-15", "not_a_number", None),
        ("--3", "not_a_number", None),
        ("<", "not_a_number", None),
        ("g/L", "not_a_number", None),
        ("9" * 200, "too_long", None),
    ],
)
def test_what_is_not_one_number_has_no_value_a_named_problem_and_a_next_step(
    text: str, problem: str, likely: str | None
) -> None:
    read = _one(text)
    assert (read["value"], read["problem"], read["likely"], read["blank"]) == (None, problem, likely, False)
    assert 3 <= len(str(read["suggestion"]).split()) <= 25


@pytest.mark.parametrize(
    "text", [None, "", "  ", "-", "--", "–", "n/a", "NA", "N.A.", "Not  measured", "not done"]
)
def test_a_cell_that_says_not_measured_is_blank_without_complaint(text: str | None) -> None:
    read = _one(text)
    assert (read["blank"], read["value"], read["problem"]) == (True, None, "")


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("7.05 g/L", 7.05, "g/L"),
        ("7.31g/L", 7.31, "g/L"),
        ("12.5 % vol", 12.5, "% vol"),
        ("0.32 g/100 mL", 0.32, "g/100 mL"),
        ("5 mg/L as N", 5.0, "mg/L as N"),
        ("18 °C", 18.0, "°C"),
        ("42000 µg/L", 42000.0, "µg/L"),
    ],
)
def test_a_unit_in_the_cell_is_kept_beside_the_number(text: str, value: float, unit: str) -> None:
    read = _one(text)
    assert (read["value"], read["unit_in_cell"], read["how"]) == (value, unit, "unit_in_cell")


@pytest.mark.parametrize(
    ("kind", "text", "problem"),
    [
        ("e", "#VALUE!", "error_cell"),
        ("f", "=G3/2", "formula_without_result"),
        ("d", "2024-04-03", "date_cell"),
        ("t", "13:05", "date_cell"),
        ("b", "TRUE", "not_a_number"),
    ],
)
def test_what_a_workbook_knows_of_a_cell_is_believed(kind: str, text: str, problem: str) -> None:
    read = _one(text, ".", kind)
    assert (read["value"], read["problem"]) == (None, problem)


def test_a_number_cell_of_a_workbook_is_exact_whatever_the_column_of_texts_uses() -> None:
    read = _one("1.085", ",", "n")
    assert (read["value"], read["how"], read["problem"]) == (1.085, "plain", "")


@pytest.mark.parametrize(
    ("texts", "separator", "mark"),
    [
        (["3.31", "7.11", None, "x"], "", "."),
        (["3,31", "7,11"], ";", ","),
        (["1,250"], ";", "undecided"),
        (["1.250"], ";", "undecided"),
        (["1.089", "1.072"], ",", "."),
        (["1.089", "0.998"], ";", "."),
        (["12", "14"], ",", "undecided"),
        (["7,18", "3.31", "3.32", "3.33", "3.34", "3.35"], ",", "."),
        (["7,18", "3.31"], ",", "undecided"),
        (["1.234,5"], "", ","),
        (["1,234.5"], "", "."),
        ([], "", "undecided"),
    ],
)
def test_the_cells_with_one_reading_decide_the_column(
    texts: list[str | None], separator: str, mark: str
) -> None:
    choice = decide_decimal(pl.Series(texts, dtype=pl.String), separator=separator)
    assert choice.mark == mark
    assert choice.reason


def test_number_cells_of_a_workbook_say_nothing_about_its_texts() -> None:
    texts, kinds = pl.Series(["3.5", "3.6", "7,18"]), pl.Series(["n", "n", "s"])
    assert decide_decimal(texts, kinds=kinds).mark == ","


def test_rows_come_back_in_the_order_sent_each_read_alike_wherever_it_stands() -> None:
    texts = pl.Series(["3.31", "ND", None, "3.31", "<0.1", "ND"])
    read = read_numbers(texts, decimal=".")
    assert read["value"].to_list() == [3.31, None, None, 3.31, 0.1, None]
    assert read["problem"].to_list()[1] == read["problem"].to_list()[5] == "not_detected_no_limit"


def test_a_hostile_cell_costs_no_time() -> None:
    # patterns are linear and the text is bounded: 32,767 characters that nearly match everything
    for text in (
        "9" * 32_767,
        "1 234" * 6_000,
        "(" * 32_767,
        "9**9**9",
        "1e" + "9" * 3_000,
        " " * 32_000 + "1",
    ):
        assert _one(text)["problem"] in ("too_long", "not_a_number", "not_finite"), text[:20]
