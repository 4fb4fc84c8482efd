"""Units, basis and limits: converted on record, asked about where a basis is not declared, never guessed."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from typing import Any

import polars as pl
import pytest

from crosscellar.intake.check import check_documents
from crosscellar.intake.documents import read_documents
from crosscellar.intake.lookup import NothingStored

LONG = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,lab,replicate\n"


def _sheet(*readings: tuple[str, str, str] | tuple[str, str, str, str]) -> tuple[str, str]:
    """A sheet of one vessel; each reading is analyte, value, unit and, if not lab_north, the laboratory."""
    rows = []
    for number, (analyte, value, unit, *lab) in enumerate(readings, 1):
        value = f'"{value}"' if "," in value else value
        rows.append(
            f"LS24-ORR,control,ORR-01,end_AF,2024-10-15,{analyte},{value},{unit},"
            f"{lab[0] if lab else 'lab_north'},{number}\n"
        )
    return "a.csv", LONG + "".join(rows)


@pytest.mark.parametrize(
    ("analyte", "value", "unit", "canonical", "factor_source"),
    [
        # by definition: 1 g/100 mL is 10 g/L; 1 mg is 1/1000 g; an equivalent of tartaric acid is 75.04 g
        ("TA", 0.712, "g/100mL", 7.12, "definition"),
        ("VA", 320.0, "mg/L", 0.32, "definition"),
        ("TA", 95.7, "meq/L", 95.7 * 0.07504, "equivalent weight of tartaric acid 75.04"),
        # 75.04 / 49.04, the equivalent weights of tartaric and sulfuric acid
        ("TA", 4.70, "g/L as H2SO4", 4.70 * 75.04 / 49.04, "equivalent weights"),
        # 60.05 / 49.04, acetic and sulfuric acid
        ("VA", 0.30, "g/L as H2SO4", 0.30 * 60.05 / 49.04, "equivalent weights"),
    ],
)
def test_a_conversion_gives_the_value_and_its_words(
    judge: Any, analyte: str, value: float, unit: str, canonical: float, factor_source: str
) -> None:
    batch = judge(_sheet((analyte, f"{value}", unit)))
    reading = batch.readings.row(0, named=True)
    assert reading["value"] == pytest.approx(canonical, rel=2e-4)
    assert reading["text_sent"] == f"{value}"
    assert reading["unit_sent"] == unit
    assert "=" in reading["conversion"]
    assert batch.findings["severity"].to_list() == ["remark"]
    assert factor_source


def test_a_basis_that_is_nowhere_declared_is_held_with_both_readings_shown(judge: Any) -> None:
    batch = judge(_sheet(("TA", "6.00", "g/L", "some other bench")))
    assert batch.files["held"].to_list() == [1]
    message = batch.findings["message"][0]
    # 6.00 x 75.04 / 49.04 = 9.18
    assert "6 g/L as tartaric" in message
    assert "9.18" in message


def test_the_only_laboratory_speaks_where_none_is_named_and_says_so(judge: Any) -> None:
    batch = judge(_sheet(("TA", "6.00", "g/L", "")))
    assert batch.readings["unit"].to_list() == ["g/L as tartaric"]
    assert batch.findings["code"].to_list() == ["basis_from_only_lab"]


def _declared(contract: Any, register: Any, unit: str, basis: str, *readings: Any) -> Any:
    """Readings judged where one laboratory alone declares titratable acidity, in this unit on this basis."""
    labs = pl.DataFrame(
        {"lab_id": ["bench"], "analyte": ["titratable_acidity"], "unit": [unit], "basis": [basis]}
    )
    name, text = _sheet(*readings)
    return check_documents(
        read_documents([(name, text.encode())]),
        replace(register, labs=pl.concat([register.labs.clear(), labs], how="diagonal")),
        contract,
        stored=NothingStored(),
        received=date(2026, 1, 5),
    )


def test_a_unit_is_lent_to_no_sheet_that_does_not_name_its_laboratory(contract: Any, register: Any) -> None:
    unnamed, named = (("titratable acidity", "6.00", "", lab) for lab in ("", "bench"))
    batch = _declared(contract, register, "g/L", "tartaric", unnamed, named)
    assert batch.set_aside.select("cell", "outcome").rows() == [("G2", "held")]
    assert batch.findings.filter(pl.col("severity") == "hold")["code"].to_list() == ["unit_missing"]
    assert batch.readings["value"].to_list() == [6.0]


def test_a_conversion_on_the_only_laboratory_s_basis_says_so(contract: Any, register: Any) -> None:
    batch = _declared(contract, register, "g/L", "sulfuric", ("TA", "4.00", "g/L", ""))
    # 4.00 x 75.04 / 49.04 = 6.121
    assert batch.readings["value"].round(2).to_list() == [6.12]
    told = batch.findings["suggestion"][0]
    assert told.endswith("; no laboratory is named, and bench declares sulfuric.")


def test_a_conversion_without_a_unit_in_the_sheet_leaves_no_hole_in_its_words(
    contract: Any, register: Any
) -> None:
    batch = _declared(contract, register, "g/L", "sulfuric", ("titratable acidity", "4.00", "", "bench"))
    assert batch.findings["message"][0].startswith("4 was read as 6.12")


def test_a_value_copied_down_is_told_as_the_sheet_has_it(contract: Any, register: Any) -> None:
    lots = register.trials.with_columns(("lot of " + pl.col("trial_id")).alias("lot"))
    vessels = [("LS24-ORR", "control", "ORR-01"), ("LS24-ORR", "stir_weekly", "ORR-02"),
               ("NT24-TES", "at_start", "TES-A1"), ("NT24-TES", "third_drop", "TES-A2")]  # fmt: skip
    text = LONG + "".join(
        f'{trial},{arm},{vessel},end_AF,2024-10-15,VA,"0,25",g/L as H2SO4,lab_north,1\n'
        for trial, arm, vessel in vessels
    )
    found = check_documents(
        read_documents([("a.csv", text.encode())]),
        replace(register, trials=lots),
        contract,
        stored=NothingStored(),
        received=date(2026, 1, 5),
    ).findings
    (told,) = found.filter(pl.col("code") == "copied_down")["message"].to_list()
    assert told == "4 readings of Volatile acidity in a row are exactly 0,25."


def test_two_laboratories_that_declare_different_things_are_each_taken_at_their_word(
    contract: Any, register: Any
) -> None:
    second = pl.DataFrame({"lab_id": ["bench"], "analyte": ["titratable_acidity"], "basis": ["sulfuric"]})
    two = replace(register, labs=pl.concat([register.labs, second], how="diagonal"))
    name, text = _sheet(("TA", "4.00", "g/L", "bench"), ("TA", "4.00", "g/L"), ("TA", "4.00", "g/L", ""))
    batch = check_documents(
        read_documents([(name, text.encode())]),
        two,
        contract,
        stored=NothingStored(),
        received=date(2026, 1, 5),
    )
    # 4.00 x 75.04 / 49.04 = 6.121
    assert batch.readings["value"].round(2).to_list() == [6.12, 4.0]
    assert batch.findings.filter(pl.col("severity") == "hold")["code"].to_list() == ["basis_missing"]


def _not_detected(contract: Any, register: Any, limit: float, unit: str) -> Any:
    """Malic acid not detected by a laboratory that declares its limit in this unit."""
    labs = pl.DataFrame(
        {"lab_id": ["lab_north"], "analyte": ["malic_acid"], "unit": [unit], "detection_limit": [limit]}
    )
    limited = replace(register, labs=pl.concat([register.labs, labs], how="diagonal"))
    name, text = _sheet(("malic", "ND", unit))
    return check_documents(
        read_documents([(name, text.encode())]),
        limited,
        contract,
        stored=NothingStored(),
        received=date(2026, 1, 5),
    )


def test_a_laboratory_s_detection_limit_stands_for_not_detected(contract: Any, register: Any) -> None:
    batch = _not_detected(contract, register, 0.05, "g/L")
    assert batch.readings.select("value", "qualifier", "text_sent").rows() == [(0.05, "<", "ND")]
    assert batch.findings["code"].to_list() == ["limit_from_laboratory"]


def test_a_detection_limit_declared_in_another_unit_is_converted(contract: Any, register: Any) -> None:
    # 50 mg/L are 0.05 g/L by definition.
    batch = _not_detected(contract, register, 50.0, "mg/L")
    assert batch.readings.select("value", "qualifier").rows() == [(0.05, "<")]


def test_a_unit_in_the_cell_is_read_if_it_agrees_and_refused_if_not(judge: Any) -> None:
    batch = judge(
        _sheet(("malic", "2.1 g/L", "g/L"), ("malic", "2100 mg/L", ""), ("malic", "2100 mg/L", "g/L"))
    )
    assert batch.readings["value"].to_list() == [2.1, 2.1]
    assert batch.findings.filter(pl.col("severity") == "refuse").select("code", "cell").rows() == [
        ("unit_conflict", "G4")
    ]


def test_a_missing_unit_is_asked_for_and_ph_needs_none(judge: Any) -> None:
    batch = judge(_sheet(("pH", "3.31", ""), ("malic", "2.1", "")))
    assert batch.readings["analyte"].to_list() == ["ph"]
    assert batch.findings.select("code", "severity").rows() == [("unit_missing", "hold")]


@pytest.mark.parametrize(
    ("analyte", "value", "unit", "outcome", "said"),
    [
        ("pH", "34.5", "", "refused", "3.45 would fit"),
        ("pH", "9.9", "", "refused", "Check it against"),
        ("TA", "72.1", "g/L", "refused", "7.21 would fit"),
        ("TA", "0.71", "g/L", "held", "g/100 mL"),
        ("malic", "2280", "g/L", "held", "mg/L"),
    ],
)
def test_an_impossible_value_comes_with_the_slip_that_fits(
    judge: Any, analyte: str, value: str, unit: str, outcome: str, said: str
) -> None:
    batch = judge(_sheet((analyte, value, unit)))
    assert batch.set_aside["outcome"].to_list() == [outcome]
    assert said in batch.findings["suggestion"][0]


def test_a_yes_to_a_unit_slip_brings_in_the_value_that_was_suggested(judge: Any) -> None:
    batch = judge(_sheet(("TA", "0.71", "g/L"), ("malic", "2280", "g/L")))
    proposed = batch.set_aside["proposed"].str.json_path_match("$.value").cast(pl.Float64)
    assert proposed.to_list() == [7.1, 2.28]


def test_nothing_is_proposed_where_it_is_open_of_what_a_cell_speaks(judge: Any) -> None:
    batch = judge(_sheet(("SO2", "30", "mg/L")))
    assert batch.files["held"].to_list() == [1]
    assert batch.set_aside["proposed"].to_list() == [None]


def test_a_date_of_two_readings_is_proposed_with_both_and_a_short_one_with_none(judge: Any) -> None:
    name, text = _sheet(("pH", "3.31", ""))
    long = json.loads(judge((name, text.replace("2024-10-15", "09/11/2024"))).set_aside["proposed"][0])
    assert (long["sample_date"], long["day_first"], long["month_first"]) == (None, "2024-11-09", "2024-09-11")
    assert judge((name, text.replace("2024-10-15", "09/11/24"))).set_aside["proposed"].to_list() == [None]


@pytest.mark.parametrize(
    ("analyte", "sent", "unit"), [("malic", "ND", "g/L"), ("malic", "trace", "g/L"), ("H2S", "2,100", "µg/L")]
)
def test_a_reading_without_a_number_is_proposed_without_one(
    judge: Any, analyte: str, sent: str, unit: str
) -> None:
    batch = judge(_sheet((analyte, sent, unit)))
    assert batch.set_aside["outcome"].to_list() == ["held"]
    proposed = json.loads(batch.set_aside["proposed"][0])
    assert (proposed["vessel_id"], proposed["unit"]) == ("ORR-01", unit)
    assert proposed["value"] is None


def test_the_example_of_the_contract_is_worded_for_the_contributor(judge: Any) -> None:
    finding = judge(_sheet(("pH", "34.5", ""))).findings.row(0, named=True)
    assert finding["cell"] == "G2"
    assert finding["message"] == "pH 34.5 is impossible (2.3 to 5)."


def test_an_unusual_value_enters_with_a_remark_and_a_usual_one_without(judge: Any) -> None:
    batch = judge(_sheet(("VA", "1.0", "g/L"), ("VA", "0.3", "g/L")))
    assert batch.readings.height == 2
    assert batch.findings.select("code", "cell").rows() == [("implausible", "G2")]


def test_below_a_limit_is_never_refused_for_being_low(judge: Any) -> None:
    batch = judge(_sheet(("TA", "<0.5", "g/L")))
    assert batch.readings.select("value", "qualifier").rows() == [(0.5, "<")]


def test_a_decimal_comma_is_decided_by_the_column(judge: Any) -> None:
    points = judge(_sheet(("pH", "3.31", ""), ("pH", "7,18", ""), ("turbidity", "1,250", "NTU")))
    told = dict(points.findings.select("cell", "code").rows())
    assert told["G4"] == "undecided_separator"
    commas = judge(_sheet(("pH", "3,31", ""), ("malic", "1,250", "g/L")))
    assert commas.readings["value"].to_list() == [3.31, 1.25]


def test_an_infinite_or_very_large_number_never_enters(judge: Any) -> None:
    batch = judge(_sheet(("pH", "1e400", ""), ("pH", "inf", ""), ("pH", "nan", "")))
    assert batch.files.select("accepted", "refused").row(0) == (0, 3)


def test_ambiguous_misspelt_and_unknown_analytes_are_told_apart(judge: Any) -> None:
    batch = judge(
        _sheet(("SO2", "30", "mg/L"), ("volitile acidity", "0.3", "g/L"), ("moon phase", "3", "g/L"))
    )
    assert batch.findings.select("code", "severity", "cell").rows() == [
        ("analyte_ambiguous", "hold", "F2"),
        ("analyte_misspelt", "hold", "F3"),
        ("unknown_analyte", "refuse", "F4"),
    ]


def test_dates_that_no_sample_can_have_are_held(judge: Any) -> None:
    name, text = _sheet(("pH", "3.31", ""), ("malic", "2.1", "g/L"))
    first, second, third = text.splitlines()
    sheet = "\n".join(
        [first, second.replace("2024-10-15", "2014-10-15"), third.replace("2024-10-15", "2026-10-15")]
    )
    batch = judge((name, sheet))
    assert batch.findings.select("code", "severity", "cell").rows() == [
        ("date_too_old", "hold", "E2"),
        ("date_in_future", "hold", "E3"),
    ]


def test_a_replicate_that_is_no_whole_number_is_refused(judge: Any) -> None:
    name, text = _sheet(("pH", "3.31", ""))
    batch = judge((name, text.replace("lab_north,1\n", "lab_north,b\n")))
    assert batch.findings.select("code", "cell").rows() == [("replicate_not_whole", "J2")]


def test_two_analytes_without_a_basis_are_two_questions(judge: Any) -> None:
    batch = judge(
        _sheet(
            ("TA", "6.00", "g/L", "x"),
            ("VA", "0.30", "g/L", "x"),
            ("TA", "6.10", "g/L", "x"),
            ("VA", "0.31", "g/L", "x"),
        )
    )
    assert batch.findings["items"].to_list() == [[0, 2], [1, 3]]
    assert "Titratable acidity" in batch.findings["message"][0]
    assert "Volatile acidity" in batch.findings["message"][1]


def _with_semicolons(*readings: tuple[str, str, str]) -> tuple[str, str]:
    rows = [
        f"LS24-ORR;control;ORR-01;end_AF;2024-10-15;{';'.join(reading)};lab_north;{number}\n"
        for number, reading in enumerate(readings, 1)
    ]
    return "a.csv", LONG.replace(",", ";") + "".join(rows)


@pytest.mark.parametrize(
    ("analyte", "sent", "unit", "value", "told"),
    [
        ("pH", "3,310", "", 3.31, ["decimal_comma_cell"]),
        ("pH", "3.310", "", 3.31, []),
        ("potassium", "1.250", "mg/L", 1250, ["thousands_point"]),
        ("potassium", "1,250", "mg/L", 1250, ["thousands_comma"]),
    ],
)
def test_of_two_ways_to_read_a_mark_the_only_possible_one_is_taken_and_told(
    analyte: str, sent: str, unit: str, value: float, told: list[str], judge: Any
) -> None:
    batch = judge(_with_semicolons((analyte, sent, unit)))
    assert batch.readings["value"].to_list() == [value]
    assert batch.findings["code"].to_list() == told


def test_a_mark_that_can_be_read_two_possible_ways_waits_without_a_proposal(judge: Any) -> None:
    batch = judge(_with_semicolons(("H2S", "1.250", "µg/L")))
    assert batch.findings["code"].to_list() == ["undecided_separator"]
    assert json.loads(batch.set_aside["proposed"][0])["value"] is None


def test_cells_with_one_possible_reading_decide_for_their_column(judge: Any) -> None:
    agreed = judge(_with_semicolons(("pH", "3,310", ""), ("H2S", "1,250", "µg/L"), ("pH", "9,310", "")))
    assert agreed.readings["value"].to_list() == [3.31, 1.25]
    assert agreed.set_aside.select("text_sent", "outcome").rows() == [("9,310", "held")]
    other = judge(_with_semicolons(("potassium", "1,250", "mg/L"), ("H2S", "1,250", "µg/L")))
    assert other.readings["value"].to_list() == [1250, 1250]
    apart = judge(_with_semicolons(("pH", "3,310", ""), ("potassium", "1,250", "mg/L")))
    assert apart.files["held"].to_list() == [2]


def test_the_sign_between_the_cells_of_a_file_changes_nothing_in_that(judge: Any) -> None:
    batch = judge(_sheet(("pH", "3,310", ""), ("malic", "2,100", "g/L")))
    assert batch.readings["value"].to_list() == [3.31, 2.1]
    assert batch.findings["code"].to_list() == ["decimal_comma_cell", "decimal_comma_cell"]


def test_a_letter_after_a_number_is_not_called_its_unit(judge: Any) -> None:
    batch = judge(_sheet(("VA", "0.47 H", "g/L as acetic")))
    assert batch.findings.select("code", "message").rows() == [
        (
            "unit_conflict",
            "H after the number is no unit of Volatile acidity; the unit column says g/L as acetic.",
        )
    ]
