"""Cells that should hold a date or a time: day and month are told apart by the file, or the cell is held."""

from __future__ import annotations

import json
from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosscellar.intake.dates import read_dates, read_times

SEASON = (date(2024, 8, 1), date(2025, 7, 31))


def _read(texts: list[str | None], **options: object) -> list[dict[str, object]]:
    options.setdefault("season_window", SEASON)
    return read_dates(pl.Series(texts, dtype=pl.String), **options).to_dicts()  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "how"),
    [
        ("2024-10-15", "iso"),
        (" 2024-10-15 ", "iso"),
        ("2024/10/15", "iso"),
        ("20241015", "iso"),
        ("2024-10-15T13:05", "iso"),
        ("15/10/2024", "day_first"),
        ("15.10.2024", "day_first"),
        ("10/15/2024", "month_first"),
        ("15.10.24", "day_first+two_digit_year"),
        ("24-10-15", "year_first+two_digit_year"),
        ("45580", "serial"),
        ("15 Oct 2024", "month_name"),
        ("15-Oct-24", "month_name+two_digit_year"),
        ("15-Oct", "month_name+year_from_season"),
        ("Oct 15, 2024", "month_name"),
        ("October 15th 2024", "month_name"),
        ("15. Oktober 2024", "month_name"),
        ("15 octubre 2024", "month_name"),
        ("15 de octubre de 2024", "month_name"),
        ("15 ottobre 2024", "month_name"),
        ("Tue 15 Oct 2024", "month_name"),
        ("2024 Oct 15", "month_name"),
        ("15-X-2024", "month_name"),
        ("15. X. 24", "month_name+two_digit_year"),
        ("15/10", "day_first+year_from_season"),
        ("10-15", "month_first+year_from_season"),
        ("15.10.", "day_first+year_from_season"),
    ],
)
def test_a_date_with_one_reading_is_taken_and_says_how(text: str, how: str) -> None:
    # 45580 is 2024-10-15 in the 1900 system: the worked expectation of the sheet 049_date_serials.xlsx
    (row,) = _read([text])
    assert (row["date"], row["how"], row["problem"]) == (date(2024, 10, 15), how, "")


def test_french_accents_and_first_of_the_month_are_read() -> None:
    assert [row["date"] for row in _read(["1er août 2024", "3 février 2025", "2 März 2025"])] == [
        date(2024, 8, 1),
        date(2025, 2, 3),
        date(2025, 3, 2),
    ]


@pytest.mark.parametrize(
    ("text", "problem", "likely"),
    [
        ("09/11/2024", "ambiguous", "2024-11-09 or 2024-09-11"),
        ("3.10.24", "ambiguous", "2024-10-03"),
        ("31/02/2024", "impossible", None),
        ("2024-13-40", "impossible", None),
        ("2024-15-10", "impossible", "2024-10-15"),
        ("30 Feb 2025", "impossible", None),
        ("15/10/31", "two_digit_year", None),
        ("harvest", "not_a_date", None),
        ("46000", "not_a_date", None),
        ("12.4", "not_a_date", None),
        ("9" * 500, "not_a_date", None),
    ],
)
def test_a_date_with_no_or_two_readings_is_held_with_what_it_could_be(
    text: str, problem: str, likely: str | None
) -> None:
    (row,) = _read([text])
    assert (row["date"], row["problem"], row["likely"]) == (None, problem, likely)
    assert row["suggestion"]


def test_the_season_is_needed_for_numbers_and_for_short_years() -> None:
    rows = _read(["45580", "15-Oct", "15.10.24", "15-Oct-24"], season_window=None)
    assert [row["problem"] for row in rows] == ["not_a_date", "no_year", "two_digit_year", "two_digit_year"]


def test_one_cell_that_proves_the_order_settles_the_file() -> None:
    rows = _read(["09/11/2024", "10/15/2024"])
    assert [row["date"] for row in rows] == [date(2024, 9, 11), date(2024, 10, 15)]
    rows = _read(["09/11/2024", "15/10/2024"])
    assert [row["date"] for row in rows] == [date(2024, 11, 9), date(2024, 10, 15)]


def test_a_file_that_proves_both_orders_settles_only_the_cells_with_one_reading() -> None:
    rows = _read(["15/10/2024", "10/15/2024", "09/11/2024", "05/05/2025"])
    assert [row["problem"] for row in rows] == ["", "", "ambiguous", ""]
    assert rows[3]["how"] == "same_either_way"


def test_one_file_proves_nothing_for_another() -> None:
    rows = _read(["09/11/2024", "10/15/2024"], by=pl.Series([1, 2]))
    assert [row["problem"] for row in rows] == ["ambiguous", ""]


def test_the_coordinator_can_say_the_order() -> None:
    assert _read(["09/11/2024"], order="day_first")[0]["date"] == date(2024, 11, 9)
    assert _read(["09/11/2024"], order="month_first")[0]["date"] == date(2024, 9, 11)
    assert _read(["10/15/2024"], order="day_first")[0]["date"] == date(2024, 10, 15)


def test_a_real_date_cell_is_never_ambiguous_and_carries_its_time() -> None:
    (row,) = _read(["2024-11-09T13:05"], kinds=pl.Series(["d"]))
    assert (row["date"], row["time"], row["how"]) == (date(2024, 11, 9), "13:05", "real_date")


def test_an_empty_cell_is_neither_a_date_nor_a_problem() -> None:
    for row in _read([None, "", "  "]):
        assert (row["date"], row["how"], row["problem"]) == (None, "", "")


def test_a_serial_number_follows_the_date_system_of_its_workbook() -> None:
    # the two systems are 1,462 days apart: ECMA-376 part 1, 18.17.4.1
    assert _read(["44118"], date_system="1904")[0]["date"] == date(2024, 10, 15)
    assert _read(["45580.75"])[0]["time"] == "18:00"


def test_each_row_has_its_own_season() -> None:
    low = pl.Series([date(2023, 8, 1), date(2024, 8, 1)])
    high = pl.Series([date(2024, 7, 31), date(2025, 7, 31)])
    rows = _read(["15-Oct", "15-Oct"], season_window=(low, high))
    assert [row["date"] for row in rows] == [date(2023, 10, 15), date(2024, 10, 15)]


@settings(deadline=None, max_examples=20)
@given(st.lists(st.dates(date(1990, 1, 1), date(2090, 1, 1)), min_size=1, max_size=30))
def test_a_date_written_in_iso_or_by_month_name_reads_back(days: list[date]) -> None:
    for form in ("%Y-%m-%d", "%d %B %Y", "%b %d, %Y"):
        texts = [day.strftime(form) for day in days]
        assert [row["date"] for row in _read(list(texts), season_window=None)] == days


@settings(deadline=None, max_examples=20)
@given(st.lists(st.dates(SEASON[0], SEASON[1]), min_size=1, max_size=30))
def test_a_numeric_date_is_never_read_as_another_day(days: list[date]) -> None:
    for form in ("%d/%m/%Y", "%m/%d/%Y", "%d.%m.%y"):
        for day, row in zip(days, _read([day.strftime(form) for day in days]), strict=True):
            assert row["date"] in (day, None)
            assert (row["date"] is None) == (row["problem"] in ("ambiguous", "two_digit_year"))


@settings(deadline=None, max_examples=20)
@given(st.lists(st.text(max_size=70), max_size=30))
def test_any_text_gives_a_date_a_blank_or_a_problem(texts: list[str]) -> None:
    rows = _read(list(texts))
    assert len(rows) == len(texts)
    for text, row in zip(texts, rows, strict=True):
        assert (row["date"] is not None) + (row["problem"] != "") <= 1
        if row["date"] is None and not row["problem"]:
            assert not any(letter.isalnum() for letter in text)


@settings(deadline=None, max_examples=25)
@given(st.integers(40_000, 60_000))
def test_serial_numbers_count_days(serial: int) -> None:
    # 2023-01-01 is 44927 in every spreadsheet of the 1900 system (from memory)
    day = date(2023, 1, 1) + timedelta(days=serial - 44_927)
    assert _read([str(serial)], season_window=(day, day))[0]["date"] == day


@pytest.mark.parametrize(
    ("text", "kind", "time"),
    [
        ("13:05", "s", "13:05"),
        ("1:05 pm", "s", "13:05"),
        ("12:00 AM", "s", "00:00"),
        ("12:30 p.m.", "s", "12:30"),
        ("13h05", "s", "13:05"),
        ("13.05", "s", "13:05"),
        ("1305", "s", "13:05"),
        ("9 am", "s", "09:00"),
        ("13:05:59", "t", "13:05"),
        ("2024-10-15T13:05", "d", "13:05"),
        ("0.5", "n", "12:00"),
    ],
)
def test_a_time_of_day_is_read_in_the_ways_people_write_it(text: str, kind: str, time: str) -> None:
    read = read_times(pl.Series([text]), pl.Series([kind]))
    assert read.row(0) == (time, "", False)


@pytest.mark.parametrize("text", ["25:00", "13:75", "13 pm", "later", "1e300", "24:00"])
def test_what_is_no_time_of_day_is_told(text: str) -> None:
    assert read_times(pl.Series([text])).row(0) == (None, "not_a_time", False)


@pytest.mark.parametrize(
    ("text", "time"),
    [("Morning", "08:00"), ("a.m.", "08:00"), ("midi", "12:00"), ("früh", "08:00"), ("PM", "18:00")],
)
def test_a_part_of_the_day_is_an_hour_that_is_told(text: str, time: str) -> None:
    assert read_times(pl.Series([text])).row(0) == (time, "", True)


LOG = "trial_id,arm_id,vessel_id,date,{}\nLS24-ORR,control,ORR-01,{},12\n"


@pytest.mark.parametrize(("written", "day"), [("20/9", "2024-09-20"), ("5-Jan", "2025-01-05")])
def test_a_log_s_day_without_a_year_is_of_the_vintage_and_that_is_told(
    judge: Any, written: str, day: str
) -> None:
    batch = judge(("log.csv", LOG.format("Brix", written)))
    assert batch.readings["sample_date"].cast(pl.String).to_list() == [day]
    assert "date_completed" in batch.findings["code"].to_list()


def test_a_day_without_a_year_is_asked_about_where_years_may_have_passed(judge: Any) -> None:
    wide = "trial_id,arm_id,vessel_id,stage,date,pH\nLS24-ORR,control,ORR-01,pre_bottling,20/9,3.4\n"
    batch = judge(("wide.csv", wide))
    assert batch.findings.select("code", "message").rows() == [("two_digit_year", "20/9 has no year.")]
    assert batch.files["held"].to_list() == [1]


def test_a_log_s_day_of_two_orders_is_asked_about_and_settled_for_the_file(judge: Any) -> None:
    asked = judge(("log.csv", LOG.format("Brix", "9/10")))
    assert asked.findings["code"].to_list() == ["date_ambiguous"]
    both = json.loads(asked.set_aside["proposed"][0])
    assert (both["day_first"], both["month_first"]) == ("2024-10-09", "2024-09-10")
    proved = LOG.format("Brix", "9/10") + "LS24-ORR,control,ORR-01,13/10,8\n"
    assert judge(("log.csv", proved)).readings["sample_date"].cast(pl.String).to_list()[0] == "2024-10-09"


def test_morning_and_evening_stay_apart_in_columns_and_in_rows(judge: Any) -> None:
    columns = "trial_id,arm_id,vessel_id,date/time,AM Brix,Brix (evening)\n"
    columns += "LS24-ORR,control,ORR-01,2024-10-01,12,11\n"
    rows = "trial_id,arm_id,vessel_id,date,time,Brix\n" + "".join(
        f"LS24-ORR,control,ORR-01,2024-10-01,{part},{brix}\n" for part, brix in (("am", 12), ("evening", 11))
    )
    for sheet in (columns, rows):
        batch = judge(("log.csv", sheet))
        assert batch.readings.select("time", "value").rows() == [("08:00", 12.0), ("18:00", 11.0)]
        assert set(batch.findings["code"]) == {"time_from_word"}


def test_an_empty_time_is_no_problem() -> None:
    assert read_times(pl.Series([None, ""], dtype=pl.String)).rows() == [(None, "", False)] * 2


@pytest.mark.parametrize(
    "text",
    [
        "Fr, 20.3.2026",
        "Friday 20/03/2026",
        "vendredi 20 mars 2026",
        "Fr. 20. März 2026",
        "am 20.3.2026",
        "Friday, March 20, 2026",
        "sexta-feira 20 de março de 2026",
    ],
)
def test_the_name_of_the_day_before_a_date_is_passed_over(text: str) -> None:
    assert read_dates(pl.Series([text]))["date"].to_list() == [date(2026, 3, 20)]


@pytest.mark.parametrize("word", ["before", "after", "until", "ca", "week", "vor", "bis", "prima", "avant"])
def test_a_word_that_changes_what_a_date_says_is_not_passed_over(word: str) -> None:
    """`before 20 March 2026` is not that day."""
    for day in ("20 March 2026", "20.3.2026", "March 20, 2026"):
        read = read_dates(pl.Series([f"{word} {day}"]))
        assert read.select("date", "problem").row(0) == (None, "not_a_date")
