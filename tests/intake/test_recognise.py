"""Sheets are recognised by their headings, wherever the table starts and whatever stands around it."""

from __future__ import annotations

import io
from typing import Any

import openpyxl
import polars as pl
import pytest

LONG = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,lab\n"
ROW = "LS24-ORR,control,ORR-01,end_AF,2024-10-15,pH,3.31,,lab_north\n"


def _codes(batch: Any, severity: str | None = None) -> list[str]:
    found = batch.findings if severity is None else batch.findings.filter(pl.col("severity") == severity)
    return sorted(set(found["code"].to_list()))


def _book(*tabs: tuple[str, list[list[Any]]], hidden: tuple[str, ...] = ()) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, rows in tabs:
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
        if name in hidden:
            sheet.sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


HEAD: list[Any] = LONG.strip().split(",")
CELLS: list[Any] = ["LS24-ORR", "control", "ORR-01", "end_AF", "2024-10-15", "pH", 3.31, None, "lab_north"]


def test_headings_match_on_case_spaces_marks_and_aliases(judge: Any) -> None:
    heading = "TRIAL;Treatment;Barrel ID;Time point;Date sampled;Parameter;Result;Units;Laboratory\n"
    batch = judge(("a.csv", heading + ROW.replace(",", ";")))
    assert batch.files["kind"].to_list() == ["lab_long"]
    assert batch.readings.select("vessel_id", "analyte", "value").rows() == [("ORR-01", "ph", 3.31)]


def test_a_units_row_totals_and_footnotes_are_lines_and_no_readings(judge: Any) -> None:
    text = (
        "Results 2024\n"
        "trial_id;arm_id;vessel_id;stage;sample_date;lab;pH;TA;VA\n"
        ";;;;;;;g/L;g/L\n"
        "LS24-ORR;control;ORR-01;end AF;2024-10-15;lab_north;3,31;7,1;0,34\n"
        "LS24-ORR;stir_weekly;ORR-02;end AF;2024-10-15;lab_north;3,23;n/a;<0,1\n"
        "Mean;;;;;;3,27;7,1;\n"
        "* measured again on Monday\n"
    )
    batch = judge(("wide.csv", text))
    assert sorted(batch.lines["what"].to_list()) == ["footnote", "title", "total", "units"]
    assert batch.files.select("kind", "readings_in", "accepted", "blank").row(0) == ("lab_wide", 6, 5, 1)
    below = batch.readings.filter(pl.col("qualifier") == "<")
    assert below.select("analyte", "value", "unit", "cell").rows() == [
        ("volatile_acidity", 0.1, "g/L as acetic", "I5")
    ]


def test_of_a_long_table_that_nobody_knows_the_first_rows_are_kept_as_text(judge: Any) -> None:
    rows = "".join(f"row {number};nothing of ours\n" for number in range(1, 6_001))
    batch = judge(("list.csv", rows))
    assert batch.files.select("status", "readings_in").row(0) == ("refused", 0)
    assert batch.lines.height == 5_001
    assert batch.lines.select("row", "text").row(4_999) == (5_000, "row 5000 | nothing of ours")
    last = "and 1,000 more rows, of which none was read; the file itself is kept"
    assert batch.lines.select("row", "text").row(5_000) == (5_001, last)


def test_a_ferment_log_needs_no_unit_in_its_headings_and_keeps_the_hour(judge: Any) -> None:
    text = (
        "Trial,Arm,Vessel,Date,Time,Brix,Temperature,Note\n"
        "LS24-ORR,control,ORR-01,2024-09-20,08:00,24.1,18.5,\n"
        "LS24-ORR,control,ORR-01,2024-09-20,8:30 pm,23.0,,pump over\n"
    )
    batch = judge(("log.csv", text))
    assert batch.files["kind"].to_list() == ["ferment_log"]
    assert batch.readings.select("time", "analyte", "value", "stage").rows() == [
        ("08:00", "brix", 24.1, "ferment_daily"),
        ("08:00", "temperature", 18.5, "ferment_daily"),
        ("20:30", "brix", 23.0, "ferment_daily"),
    ]
    assert batch.readings["note"].to_list() == ["", "", "pump over"]


def test_fahrenheit_in_the_heading_is_converted(judge: Any) -> None:
    text = "Trial,Arm,Vessel,Date,Brix,Temp (°F)\nLS24-ORR,control,ORR-01,2024-09-20,24.1,68\n"
    batch = judge(("log.csv", text))
    warm = batch.readings.filter(pl.col("analyte") == "temperature")
    # 68 °F is 20 °C by definition of the scales.
    assert warm["value"].to_list() == [20.0]


def test_a_sample_label_stands_for_trial_arm_vessel_and_stage(judge: Any) -> None:
    rows = "LS24-S01,2024-10-15,pH,3.31,\nLS24-SO2,2024-10-15,pH,3.31,\nX9,2024-10-15,pH,3.3,\n"
    text = "sample_id,sample_date,analyte,value,unit\n" + rows
    batch = judge(("label.csv", text))
    assert batch.files["kind"].to_list() == ["lab_by_label"]
    assert batch.readings.select("trial_id", "arm_id", "vessel_id", "stage").rows() == [
        ("LS24-ORR", "control", "ORR-01", "end_primary")
    ]
    assert _codes(batch) == ["lookalike_id", "unknown_sample"]


def test_a_misspelt_heading_is_asked_about_once_and_nothing_enters(judge: Any) -> None:
    batch = judge(
        (
            "a.csv",
            LONG.replace("trial_id", "trail_id")
            + ROW
            + ROW.replace("pH,3.31", "malic,2.1").replace(",,", ",g/L,"),
        )
    )
    assert batch.files["held"].to_list() == [2]
    assert batch.findings.select("code", "cell").rows() == [("heading_misspelt", "A1")]
    assert batch.findings["items"].to_list() == [[0, 1]]


@pytest.mark.parametrize(
    ("heading", "cells", "where"),
    [
        ("value,value", "3.31,3.45", "H1"),
        ("value,Result", "3.31,3.45", "H1"),
        ("value,unit,unit", "3.31,,g/L", "I1"),
    ],
)
def test_two_columns_of_one_meaning_that_differ_are_asked_about(
    judge: Any, heading: str, cells: str, where: str
) -> None:
    text = LONG.replace("value,unit" if "unit" in heading else "value", heading)
    row = ROW.replace("3.31," if "unit" in heading else "3.31", cells)
    batch = judge(("a.csv", text + row))
    asked = batch.findings.filter(pl.col("severity") == "hold")
    assert asked.select("code", "cell").rows() == [("heading_twice", where)]
    assert batch.files.select("accepted", "held").row(0) == (0, 1)


@pytest.mark.parametrize(
    ("old", "new", "given", "cells"),
    [
        ("value", "value,value", "3.31", "3.31, 3.31 "),
        ("value", "value,result", "3.31", "3.31,"),
        ("lab", "lab,note,comments", "lab_north", "lab_north,warm,two"),
    ],
)
def test_two_columns_that_say_the_same_or_change_no_number_are_no_question(
    judge: Any, old: str, new: str, given: str, cells: str
) -> None:
    batch = judge(("a.csv", LONG.replace(old, new) + ROW.replace(given, cells)))
    assert _codes(batch, "hold") == []
    assert batch.readings["value"].to_list() == [3.31]


def test_a_column_of_an_unknown_thing_with_a_unit_is_refused_not_dropped(judge: Any) -> None:
    heading = "trial_id,arm_id,vessel_id,stage,sample_date,pH,Zorblic index (mg/L)\n"
    text = heading + "LS24-ORR,control,ORR-01,end_AF,2024-10-15,3.3,12\n"
    batch = judge(("a.csv", text))
    assert batch.files.select("accepted", "refused").row(0) == (1, 1)
    assert batch.findings.select("code", "cell").rows() == [("unknown_analyte", "G1")]


def test_two_tables_below_each_other_in_one_tab_are_both_read(judge: Any) -> None:
    wide = "\ntrial_id,arm_id,vessel_id,stage,sample_date,pH\nLS24-ORR,control,ORR-03,end_AF,2024-10-15,3.4\n"
    batch = judge(("a.csv", LONG + ROW + wide))
    assert batch.files.select("kind", "accepted").row(0) == ("several", 2)
    assert batch.readings["cell"].to_list() == ["G2", "F5"]


def test_two_tabs_are_read_and_a_read_me_tab_is_not(judge: Any) -> None:
    second = [*CELLS[:2], "ORR-03", *CELLS[3:]]
    book = _book(("Read me", [["Fill in below"]]), ("one", [HEAD, CELLS]), ("two", [HEAD, second]))
    batch = judge(("a.xlsx", book))
    assert batch.readings.select("sheet", "cell").rows() == [("one", "G2"), ("two", "G2")]
    assert _codes(batch) == ["sheet_not_read"]


def test_a_hidden_tab_is_held_in_one_question(judge: Any) -> None:
    batch = judge(
        (
            "a.xlsx",
            _book(
                ("seen", [HEAD, CELLS]),
                ("unseen", [HEAD, [*CELLS[:5], "malic", 2.1, "g/L", "lab_north"]]),
                hidden=("unseen",),
            ),
        )
    )
    assert batch.files.select("accepted", "held").row(0) == (1, 1)
    assert _codes(batch, "hold") == ["hidden_sheet"]


def test_a_table_with_a_missing_column_is_refused_in_one_message(judge: Any) -> None:
    batch = judge(
        (
            "a.csv",
            "trial_id,arm_id,vessel_id,sample_date,analyte,value\nLS24-ORR,control,ORR-01,2024-10-15,pH,3.3\n",
        )
    )
    assert batch.files.select("refused", "status").row(0) == (1, "refused")
    assert batch.findings["message"].to_list() == [
        "The sheet has no column for stage, so its readings cannot be assigned."
    ]


def test_numbers_under_a_heading_that_is_not_known_are_counted_where_the_values_should_be(judge: Any) -> None:
    heading = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,Wert,unit\n"
    row = "LS24-ORR,control,ORR-01,end_AF,2024-10-15,malic,2.1,g/L\n"
    batch = judge(("a.csv", heading + row))
    assert batch.files.select("readings_in", "refused", "status").row(0) == (1, 1, "refused")
    (stop,) = batch.findings.filter(pl.col("severity") == "refuse").iter_rows(named=True)
    assert stop["code"] == "missing_column"
    assert "no column for value" in stop["message"]
    assert batch.set_aside.select("cell", "text_sent", "outcome").row(0) == ("G2", "2.1", "refused")


def test_picks_under_a_heading_that_is_not_known_are_counted(judge: Any) -> None:
    heading = "trial_id,session_id,session_date,assessor_id,serving,Wahl\n"
    batch = judge(("t.csv", heading + "LS24-ORR,S1,2025-06-01,A01,AAB,3\n"))
    assert batch.files.select("readings_in", "refused", "status").row(0) == (1, 1, "refused")


def test_a_sheet_that_lists_what_to_measure_and_no_values_says_why_nothing_was_read(judge: Any) -> None:
    heading = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,unit\n"
    batch = judge(("a.csv", heading + "LS24-ORR,control,ORR-01,end_AF,2024-10-15,malic,g/L\n"))
    assert batch.files.select("readings_in", "status").row(0) == (0, "nothing_new")
    assert batch.findings.select("code", "severity").row(0) == ("missing_column", "remark")


def test_a_letter_with_no_table_is_refused_with_a_next_step(judge: Any) -> None:
    batch = judge(("letter.csv", "Dear all\nplease find the results attached\n"))
    assert batch.files.select("readings_in", "status", "kind").row(0) == (0, "refused", "none")
    assert batch.findings["code"].to_list() == ["no_table"]
    assert batch.findings["suggestion"][0] != ""


def test_a_spacer_column_does_not_cut_a_table(judge: Any) -> None:
    heading = "trial_id,arm_id,vessel_id,stage,sample_date,pH,,ethanol (% vol)\n"
    text = heading + "LS24-ORR,control,ORR-01,end_AF,2024-10-15,3.3,,13.1\n"
    assert judge(("a.csv", text)).readings["analyte"].to_list() == ["ph", "ethanol"]


def test_a_row_left_unmeasured_is_blank_without_complaint(judge: Any) -> None:
    batch = judge(
        ("a.csv", LONG + ROW.replace("3.31", "") + ROW.replace("ORR-01", "ORR-03").replace("3.31", "n/a"))
    )
    assert batch.files.select("readings_in", "blank", "status").row(0) == (2, 2, "nothing_new")
    assert _codes(batch) == ["nothing_filled_in"]


def test_a_wide_sheet_by_label_is_told_at_its_headings(judge: Any) -> None:
    text = "sample_id,sample_date,pH,Turbidty (NTU)\nLS24-S01,2024-10-15,3.3,1\nLS24-S02,2024-10-15,3.4,2\n"
    batch = judge(("label.csv", text))
    assert batch.files.select("kind", "accepted", "held").row(0) == ("lab_by_label", 2, 2)
    assert batch.findings.select("code", "cell").rows() == [("analyte_misspelt", "D1")]
