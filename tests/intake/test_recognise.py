"""Sheets are recognised by their headings, wherever the table starts and whatever stands around it."""

from __future__ import annotations

import io
import json
from io import BytesIO
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


WIDE = "trial_id,arm_id,vessel_id,stage,sample_date,"
AT = "LS24-ORR,control,ORR-01,end_AF,2024-10-15,"


@pytest.mark.parametrize(
    "words", ["Mean of the control", "Mittelwert Kontrolle", "Durchschnitt", "Ø", "Summe", "Écart-type"]
)
def test_a_mean_in_more_words_and_languages_is_a_line(judge: Any, words: str) -> None:
    batch = judge(("wide.csv", f"{WIDE}pH\n{AT}3.31\n{words},,,,,3.31\n"))
    assert batch.files.select("readings_in", "accepted").row(0) == (1, 1)
    assert batch.lines.select("what", "row").rows() == [("total", 3)]


def test_a_reading_whose_trial_begins_like_a_mean_stays_a_reading(judge: Any) -> None:
    """A line that is passed over is seen by nobody."""
    batch = judge(("wide.csv", f"{WIDE}pH\n{AT.replace('LS24-ORR', 'Mean 24')}3.31\n"))
    assert batch.files.select("readings_in", "refused").row(0) == (1, 1)


@pytest.mark.parametrize("heading", ["pH*", "pH¹", "pH †"])
def test_a_sign_of_a_footnote_in_a_heading_is_passed_over(judge: Any, heading: str) -> None:
    batch = judge(("wide.csv", f"{WIDE}{heading},malic acid² (g/L)\n{AT}3.31,1.2\n"))
    assert batch.readings.select("analyte", "value").rows() == [("ph", 3.31), ("malic_acid", 1.2)]
    assert batch.findings.is_empty()


@pytest.mark.parametrize("heading", ["malic acid g/L", "Malic acid, g/L", "malic acid g L⁻¹", "malic g/L"])
def test_an_analyte_of_two_words_has_its_unit_beside_it_without_brackets(judge: Any, heading: str) -> None:
    """`malic` is a name too, and `acid g/L` no unit; the raised sign of `L⁻¹` is no footnote."""
    batch = judge(("wide.csv", f'{WIDE}"{heading}"\n{AT}1.2\n'))
    assert batch.readings.select("analyte", "value").rows() == [("malic_acid", 1.2)]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("malic acid 1 (g/L)", "malic acid 2 (g/L)"),
        ("malic acid (g/L) 1", "malic acid (g/L) 2"),
        ("malic acid rep 1 (g/L)", "malic acid rep. 2 (g/L)"),
        ("malic acid #1 (g/L)", "malic acid #2 (g/L)"),
        ("malic acid g/L rep 1", "malic acid g/L rep 2"),
    ],
)
def test_columns_of_repeats_are_proposed_as_repeats(judge: Any, first: str, second: str) -> None:
    """A yes to each must bring in both: as two readings of one number the second would have no place."""
    batch = judge(("wide.csv", f"{WIDE}{first},{second}\n{AT}1.2,1.3\n"))
    assert batch.findings.select("code", "cell").rows() == [
        ("analyte_misspelt", "F1"),
        ("analyte_misspelt", "G1"),
    ]
    assert "Is repeat 2 of Malic acid meant?" in batch.findings["message"][1]
    proposed = [json.loads(text) for text in batch.set_aside["proposed"].to_list()]
    said = [(one["analyte"], one["value"], one["replicate"], one["unit"]) for one in proposed]
    assert said == [("malic_acid", 1.2, 1, "g/L"), ("malic_acid", 1.3, 2, "g/L")]


@pytest.mark.parametrize(("heading", "repeats"), [("pH (1),pH (2)", [1, 2]), ("pH1,pH 2", [1, 2])])
def test_a_number_behind_an_analyte_is_no_unit(judge: Any, heading: str, repeats: list[int]) -> None:
    batch = judge(("wide.csv", f"{WIDE}{heading}\n{AT}3.31,3.32\n"))
    proposed = [json.loads(text) for text in batch.set_aside["proposed"].to_list()]
    assert [one["replicate"] for one in proposed] == repeats


def test_a_repeat_named_with_its_analyte_in_a_row_is_proposed_as_that(judge: Any) -> None:
    rows = "".join(ROW.replace("pH,3.31", f"pH {number},3.3{number}") for number in (1, 2))
    batch = judge(("long.csv", LONG + rows))
    proposed = [json.loads(text) for text in batch.set_aside["proposed"].to_list()]
    assert [(one["value"], one["replicate"]) for one in proposed] == [(3.31, 1), (3.32, 2)]


def test_two_columns_of_one_analyte_are_told_by_their_columns(judge: Any) -> None:
    batch = judge(("wide.csv", f"{WIDE}pH,pH\n{AT}3.31,3.35\n"))
    assert batch.findings["message"].to_list() == [
        f"{value} and another value are given for the same item (columns F and G)."
        for value in ("3.31", "3.35")
    ]


def test_a_stage_beside_an_analyte_is_called_a_stage(judge: Any) -> None:
    batch = judge(("wide.csv", f"{WIDE}pH end AF\n{AT}3.31\n"))
    assert batch.findings.select("code", "message").rows() == [
        ("unit_unknown", "end AF beside pH is a stage, not a unit.")
    ]
    log = judge(
        ("log.csv", "trial_id,arm_id,vessel_id,date,Brix night\nLS24-ORR,control,ORR-01,2024-10-01,12\n")
    )
    assert (
        "night beside Soluble solids (must) is a time of day, not a unit."
        in log.findings["message"].to_list()
    )


def test_headings_that_are_not_known_are_named_with_what_makes_them_known(judge: Any) -> None:
    """One reading a row is what was asked for: to ask for it again would be no help."""
    heading = "Versuch;Variante;Fass;Stadium;Datum;Analyse;Wert;Einheit\n"
    batch = judge(("a.csv", heading + "LS24-ORR;control;ORR-01;end AF;2024-10-15;pH;3,31;\n"))
    (said,) = batch.findings.iter_rows(named=True)
    assert (said["code"], said["cell"]) == ("sheet_not_recognised", "A1")
    assert "The headings Versuch, Fass, Datum, Wert, Einheit are not known" in said["message"]
    assert "aliases" in said["suggestion"]


def _report(*above: list[Any]) -> bytes:
    """A laboratory's report on one sample, a tab of a workbook: lines, then analyte, result and unit."""
    book = openpyxl.Workbook()
    for row in (["Report", "2026-117"], *above, [], ["Analyte", "Result", "Unit"], ["pH", 3.31, "pH"]):
        book.worksheets[0].append(row)
    content = BytesIO()
    book.save(content)
    return content.getvalue()


ORR = (["Trial:", "LS24-ORR", "Arm", "control"], ["Vessel: ORR-01"], ["Stage", "end AF"])


def test_what_stands_above_a_report_on_one_sample_is_taken_for_its_rows_and_told(judge: Any) -> None:
    batch = judge(("r.xlsx", _report(*ORR, ["Sampled on", "2024-10-15"])))
    assert batch.readings.select("vessel_id", "stage", "value", "cell").rows() == [
        ("ORR-01", "end_primary", 3.31, "B8")
    ]
    (told,) = batch.findings.filter(pl.col("code") == "said_above").iter_rows(named=True)
    assert (told["severity"], told["cell"]) == ("remark", "B2")
    assert "trial LS24-ORR, arm control, vessel ORR-01, stage end AF and date 2024-10-15" in told["message"]
    labelled = judge(("l.xlsx", _report(["Sample", "LS24-S01"], ["Sampled on", "2024-10-15"])))
    assert labelled.readings["vessel_id"].to_list() == ["ORR-01"]


@pytest.mark.parametrize(
    ("line", "lacking"),
    [(["Date", "2024-10-15"], "sample_date"), (["Vessel", "ORR-02"], "vessel_id, sample_date")],
    ids=["day_of_the_report", "said_twice"],
)
def test_what_is_in_doubt_above_a_report_is_not_taken(judge: Any, line: list[Any], lacking: str) -> None:
    refused = judge(("r.xlsx", _report(*ORR, line))).findings.filter(pl.col("severity") == "refuse")
    assert refused.select("code", "value").rows() == [("missing_column", lacking)]


def test_a_column_that_numbers_samples_counts_no_bacteria(judge: Any) -> None:
    """LAB is an abbreviation of lactic acid bacteria; a `Lab no` is a laboratory's own number."""
    batch = judge(("a.csv", f"{WIDE}Lab no,pH\n{AT}1173,3.31\n"))
    assert batch.readings["analyte"].to_list() == ["ph"]
    assert batch.files["readings_in"].to_list() == [1]
    assert batch.findings.select("code", "cell").rows() == [("unknown_column", "F1")]


@pytest.mark.parametrize(
    ("heading", "analyte"), [("Yield (t/ha)", "yield_per_area"), ("Yield (kg/vine)", "yield_per_vine")]
)
def test_a_yield_is_of_the_vine_or_of_the_area_as_its_unit_says(
    judge: Any, heading: str, analyte: str
) -> None:
    readings = judge(("a.csv", f"{WIDE}{heading}\n{AT.replace('end_AF', 'harvest')}3\n")).readings
    assert readings["analyte"].to_list() == [analyte]


def test_a_label_and_one_analyte_are_headings_enough(judge: Any) -> None:
    batch = judge(("a.csv", "Sample,pH\nLS24-S01,3.31\nLS24-S09,3.4\n"))
    assert batch.files.select("kind", "readings_in", "accepted", "refused").row(0) == (
        "lab_by_label",
        2,
        1,
        1,
    )


def test_a_tasting_with_an_assessor_a_column_is_told_what_a_tasting_needs(judge: Any) -> None:
    heading = "trial_id,session_id,session_date,arm_id,attribute,P1,P2\n"
    batch = judge(("a.csv", heading + "LS24-ORR,S1,2025-06-01,control,green,4,5\n"))
    (said,) = batch.findings.iter_rows(named=True)
    assert said["message"].startswith("This looks like a tasting")
    assert "attribute, score, scale_low and scale_high" in said["suggestion"]


def test_a_sheet_on_its_side_is_told_to_stand_up(judge: Any) -> None:
    rows = ["trial_id,LS24-ORR", "arm_id,control", "vessel_id,ORR-01", "stage,end AF", "pH,3.31"]
    batch = judge(("a.csv", "\n".join(rows) + "\n"))
    assert "must be columns" in batch.findings["message"][0]


def _merged(under: list[Any] | None) -> bytes:
    """A workbook with pH merged over two columns of readings, and what stands below it there."""
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.append([*WIDE.strip(",").split(","), "pH", None, "lab"])
    if under:
        sheet.append([*[None] * 5, *under])
    for vessel, arm, first in (("ORR-01", "control", 3.31), ("ORR-02", "stir_weekly", 3.41)):
        sheet.append(["LS24-ORR", arm, vessel, "end_AF", "2024-10-15", first, first + 0.01, "lab_north"])
    sheet.merge_cells("F1:G1")
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_an_analyte_merged_over_its_repeats_stands_over_each(judge: Any) -> None:
    batch = judge(("a.xlsx", _merged(["rep 1", "rep 2"])))
    assert batch.files.select("readings_in", "held").row(0) == (4, 4)
    proposed = [json.loads(text) for text in batch.set_aside["proposed"].to_list()]
    assert [(one["value"], one["replicate"]) for one in proposed] == [
        (3.31, 1),
        (3.32, 2),
        (3.41, 1),
        (3.42, 2),
    ]
    assert batch.lines.select("row", "what").rows() == [(2, "heading")]
    assert batch.findings["cell"].to_list() == ["F1", "G1"]


def test_readings_under_a_merged_heading_are_counted(judge: Any) -> None:
    """The second column has no heading of its own, and was passed over with a remark."""
    batch = judge(("a.xlsx", _merged(None)))
    assert batch.files.select("readings_in", "held").row(0) == (4, 4)
    assert set(batch.findings["code"].to_list()) == {"conflicting_duplicate"}


@pytest.mark.parametrize("heading", ["TA (g/L as H2SO4)", "TA g/L as H2SO4", "free SO2 mg/L", "A420"])
def test_a_number_that_belongs_to_a_name_or_unit_is_no_repeat(judge: Any, heading: str) -> None:
    batch = judge(("wide.csv", f"{WIDE}{heading}\n{AT}0.4\n"))
    assert "analyte_misspelt" not in batch.findings["code"].to_list()
