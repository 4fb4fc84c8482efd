"""Each fault of a register refuses it with its own sentence, and no sound register is refused."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from crosscellar.errors import RegisterRefused
from crosscellar.register import Register

Tables = dict[str, list[dict[str, str]]]
Read = Callable[[Tables], Register]


def change(table: str, row: int, **cells: str) -> Callable[[Tables], None]:
    return lambda tables: tables[table][row].update(cells)


def add(table: str, copy_of: int, **cells: str) -> Callable[[Tables], None]:
    return lambda tables: tables[table].append({**tables[table][copy_of], **cells})


def without(table: str, **cells: str) -> Callable[[Tables], None]:
    def damage(tables: Tables) -> None:
        tables[table] = [
            row for row in tables[table] if any(row[name] != value for name, value in cells.items())
        ]

    return damage


def without_column(table: str, column: str) -> Callable[[Tables], None]:
    def damage(tables: Tables) -> None:
        for row in tables[table]:
            del row[column]

    return damage


def without_table(table: str) -> Callable[[Tables], None]:
    def damage(tables: Tables) -> None:
        del tables[table]

    return damage


def both(*damages: Callable[[Tables], None]) -> Callable[[Tables], None]:
    def damage(tables: Tables) -> None:
        for one in damages:
            one(tables)

    return damage


#: What is done to the sound register, and every sentence it must be refused with.
DAMAGES: dict[str, tuple[Callable[[Tables], None], list[str]]] = {
    "no control": (
        change("arms", 0, role="treatment"),
        [
            "Trial LS-A has no control arm. Give exactly one arm the role control.",
            (
                "Trial LS-A plans a triangle test but has more than one treatment arm. "
                "Make it a trial of two arms, or plan one trial a pair."
            ),
        ],
    ),
    "two controls": (
        change("arms", 1, role="control"),
        ["Trial LS-A has 2 control arms. Exactly one arm is the control."],
    ),
    "no treatment": (
        both(
            without("arms", trial_id="LS-A", arm_id="stirred"),
            without("vessels", trial_id="LS-A", arm_id="stirred"),
        ),
        ["Trial LS-A has no treatment arm."],
    ),
    "a trial without arms": (
        add("trials", 0, trial_id="LS-C"),
        ["Trial LS-C has no control arm. Give exactly one arm the role control."],
    ),
    "an arm without a vessel": (
        without("vessels", trial_id="LS-B", arm_id="stirred"),
        ["Arm stirred of trial LS-B has no vessel."],
    ),
    "a triangle between three arms": (
        both(
            add("arms", 1, arm_id="fined"),
            add("vessels", 2, arm_id="fined", vessel_id="LS-A-fined-v"),
        ),
        [
            (
                "Trial LS-A plans a triangle test but has more than one treatment arm. "
                "Make it a trial of two arms, or plan one trial a pair."
            )
        ],
    ),
    "an unknown question": (
        change("trials", 0, question_id="leas"),
        ["trials.csv row 2: question_id leas is not in the table questions."],
    ),
    "an unknown site": (
        change("trials", 1, site_id="brackwel"),
        ["trials.csv row 3: site_id brackwel is not in the table sites."],
    ),
    "a response of an unknown trial": (
        change("responses", 2, trial_id="LS-Z"),
        ["responses.csv row 4: trial_id LS-Z is not in the table trials."],
    ),
    "a vessel in an unknown arm": (
        add("vessels", 0, arm_id="sur lie", vessel_id="LS-A-x"),
        ["vessels.csv row 10: trial LS-A has no arm sur lie."],
    ),
    "a label for a vessel of another arm": (
        change("samples", 0, vessel_id="LS-A-stirred-v"),
        ["samples.csv row 2: vessel LS-A-stirred-v is not in arm still of LS-A."],
    ),
    "trials that differ in case only": (
        both(
            add("trials", 0, trial_id="ls-a"),
            add("arms", 0, trial_id="ls-a"),
            add("arms", 1, trial_id="ls-a"),
            add("vessels", 0, trial_id="ls-a"),
            add("vessels", 2, trial_id="ls-a"),
        ),
        ["The trial identifiers LS-A and ls-a are too easily taken for each other. Rename one."],
    ),
    "vessels of O and 0": (
        both(
            add("vessels", 0, vessel_id="T-10"),
            add("vessels", 0, vessel_id="T-IO"),
        ),
        ["The vessel of LS-A identifiers T-10 and T-IO are too easily taken for each other. Rename one."],
    ),
    "vessels of a hyphen and a dash": (
        both(
            add("vessels", 0, vessel_id="B-3"),
            add("vessels", 0, vessel_id="B\u20133"),
        ),
        ["The vessel of LS-A identifiers B-3 and B\u20133 are too easily taken for each other. Rename one."],
    ),
    "sites that differ in case only": (
        add("sites", 0, site_id="Brackwell"),
        ["The site identifiers brackwell and Brackwell are too easily taken for each other. Rename one."],
    ),
    "a vessel named twice": (
        add("vessels", 0),
        ["vessels.csv row 10: trial_id LS-A, vessel_id LS-A-still-v stands here a second time."],
    ),
    "a response planned twice in two words": (
        both(
            add("responses", 0, stage="pre bottling", response="tot. acid"),
        ),
        [
            (
                "responses.csv row 6: trial_id LS-A, response titratable_acidity, stage pre_bottling "
                "stands here a second time."
            )
        ],
    ),
    "a season in two figures": (
        change("trials", 0, season="24"),
        ["Trial LS-A: the season 24 is not the year of a harvest."],
    ),
    "a season in words": (
        change("trials", 0, season="2024/25"),
        ["trials.csv row 2: season is '2024/25', which is not a whole number."],
    ),
    "a level in words": (
        change("arms", 1, level="once"),
        ["arms.csv row 3: level is 'once', which is not a number."],
    ),
    "a level that is a thousand or one and a quarter": (
        change("arms", 1, level="1,250"),
        [
            (
                "arms.csv row 3: level is '1,250': a thousand and more, or a decimal comma? "
                "Write it without a comma."
            )
        ],
    ),
    "a level that is not finite": (
        change("arms", 1, level="1e999"),
        ["arms.csv row 3: level is '1e999', which is not a number."],
    ),
    "a date the other way round": (
        change("responses", 0, due_date="01/06/2025"),
        ["responses.csv row 2: due_date is '01/06/2025', which is not a date such as 2025-05-14."],
    ),
    "a date that does not exist": (
        change("responses", 0, due_date="2025-02-30"),
        ["responses.csv row 2: due_date is '2025-02-30', which is not a date such as 2025-05-14."],
    ),
    "a date with a tail": (
        change("responses", 0, due_date="2025-06-011"),
        ["responses.csv row 2: due_date is '2025-06-011', which is not a date such as 2025-05-14."],
    ),
    "an empty primary response": (
        change("questions", 0, primary_response=""),
        ["questions.csv row 2: primary_response is empty."],
    ),
    "a role that is none": (
        change("arms", 0, role="reference"),
        ["arms.csv row 2: role is 'reference'; it may be control, treatment."],
    ),
    "a misspelt response": (
        change("responses", 0, response="titratable_acidty"),
        [
            (
                "responses.csv row 2: the response 'titratable_acidty' is not known. Is titratable_acidity "
                "meant? It may be an analyte, days_to_dry, max_ferment_rate, stuck, malolactic_complete, "
                "triangle, or score:ATTRIBUTE."
            )
        ],
    ),
    "a misspelt stage": (
        change("responses", 0, stage="pre_botling"),
        ["responses.csv row 2: the stage 'pre_botling' is not known. Is pre_bottling meant?"],
    ),
    "no table of arms": (
        without_table("arms"),
        ["The table arms is missing (the levels of the treatment; exactly one is the control)."],
    ),
    "no column of roles": (without_column("arms", "role"), ["arms.csv: the column role is missing."]),
    "two faults": (
        both(change("trials", 0, season="spring"), change("arms", 0, level="none")),
        [
            "trials.csv row 2: season is 'spring', which is not a whole number.",
            "arms.csv row 2: level is 'none', which is not a number.",
        ],
    ),
}


def test_a_sound_register_is_taken_in_without_a_warning(read: Read, sound: Tables) -> None:
    assert read(sound).warnings == ()


@pytest.mark.parametrize("name", DAMAGES)
def test_a_damaged_register_is_refused_with_a_sentence_for_each_fault(
    name: str, read: Read, sound: Tables
) -> None:
    damage, sentences = DAMAGES[name]
    damage(sound)
    with pytest.raises(RegisterRefused) as refused:
        read(sound)
    assert sorted(refused.value.faults) == sorted(sentences)


def test_the_refusal_says_how_many_faults_there_are_and_that_nothing_was_taken_in(
    read: Read, sound: Tables
) -> None:
    sound["arms"][0]["level"] = "none"
    with pytest.raises(RegisterRefused, match="one fault, so nothing of it was taken in"):
        read(sound)


def warned(damage: Callable[[Tables], None], read: Read, tables: Tables) -> list[Any]:
    damage(tables)
    return list(read(tables).warnings)


def test_a_site_without_a_hemisphere_is_taken_as_north_with_a_warning(read: Read, sound: Tables) -> None:
    assert warned(change("sites", 1, hemisphere=""), read, sound) == [
        "No hemisphere given for harrowmere: dates are checked as in the north."
    ]


def test_one_vessel_an_arm_is_taken_in_with_the_word_that_its_variance_is_borrowed(
    read: Read, sound: Tables
) -> None:
    assert warned(without("vessels", vessel_id="LS-A-still-w"), read, sound) == [
        "One vessel an arm in LS-A: the variance of the effect will be borrowed."
    ]


def test_small_vessels_are_taken_in_with_a_warning_from_225_litres_down(read: Read, sound: Tables) -> None:
    assert warned(change("vessels", 7, volume_l="224.9"), read, sound) == [
        "Vessels under 225 L in LS-B: below production scale by common practice (no source)."
    ]


@pytest.mark.parametrize(
    ("identifier", "damage"),
    [("10-11", "a date"), ("3-4", "a date"), ("MAR1", "a date"), ("007", "a number"), ("1E2", "a number")],
)
def test_identifiers_that_a_spreadsheet_damages_are_warned_of(
    identifier: str, damage: str, read: Read, sound: Tables
) -> None:
    assert warned(add("vessels", 0, vessel_id=identifier), read, sound) == [
        f"A spreadsheet would turn these identifiers into something else: {identifier} ({damage})."
    ]


def test_identifiers_that_a_spreadsheet_damages_are_refused_while_the_sheets_have_yet_to_go_out(
    read: Read, sound: Tables
) -> None:
    change("trials", 0, status="planned")(sound)
    add("vessels", 0, vessel_id="10-11")(sound)
    with pytest.raises(RegisterRefused) as told:
        read(sound)
    assert told.value.faults == ("A spreadsheet would turn the vessel 10-11 of trial LS-A into a date.",)


def test_a_trial_that_does_not_plan_the_deciding_response_is_warned_of(read: Read, sound: Tables) -> None:
    assert warned(change("responses", 0, response="volatile_acidity"), read, sound) == [
        "No primary response as the question has it is planned in LS-A."
    ]


def test_a_column_of_ones_own_is_left_out_and_named(read: Read, sound: Tables) -> None:
    for row in sound["vessels"]:
        row["cooper"] = "x"
    register = read(sound)
    assert list(register.warnings) == [
        "vessels.csv: column cooper is not part of the register and was not stored."
    ]
    assert "cooper" not in register.vessels.columns


def test_days_are_read_in_the_order_that_their_column_proves(read: Read, sound: Tables) -> None:
    change("responses", 0, due_date="31.03.2025")(sound)
    change("responses", 1, due_date="01.06.2025")(sound)
    register = read(sound)
    assert register.responses["due_date"].to_list()[:2] == [date(2025, 3, 31), date(2025, 6, 1)]
    assert "responses.csv: due_date was read with the day first, as its dates show." in register.warnings


@pytest.mark.parametrize(
    ("day", "read_as"), [("13.05.2025", date(2025, 5, 13)), ("05.13.2025", date(2025, 5, 13))]
)
def test_the_thirteenth_proves_the_order_of_days(read: Read, sound: Tables, day: str, read_as: date) -> None:
    change("responses", 0, due_date=day)(sound)
    assert read(sound).responses["due_date"][0] == read_as


def test_a_day_that_the_calendar_has_not_is_shown_as_written(read: Read, sound: Tables) -> None:
    change("responses", 0, due_date="31.03.2025")(sound)
    change("responses", 1, due_date="31.02.2025")(sound)
    with pytest.raises(RegisterRefused) as told:
        read(sound)
    assert told.value.faults == (
        "responses.csv row 3: due_date is '31.02.2025', which is not a date such as 2025-05-14.",
    )


def test_what_several_rows_say_alike_is_one_fault_with_all_their_rows(read: Read, sound: Tables) -> None:
    for row in (0, 1, 4):
        change("vessels", row, volume_l="225 L")(sound)
    change("questions", 0, smallest_difference="5 %")(sound)
    with pytest.raises(RegisterRefused) as told:
        read(sound)
    assert told.value.faults == (
        (
            "questions.csv row 2: smallest_difference is '5 %', which is not a number. Write the number "
            "alone. Its unit stands in smallest_difference_unit."
        ),
        "vessels.csv rows 2, 3 and 6: volume_l is '225 L', which is not a number. Write the number alone.",
    )


def test_a_thousand_with_a_space_is_a_number(read: Read, sound: Tables) -> None:
    change("vessels", 0, volume_l="12 000")(sound)
    assert read(sound).vessels["volume_l"][0] == 12_000


def test_a_response_of_no_analyte_is_proposed_by_its_nearest_name(read: Read, sound: Tables) -> None:
    change("responses", 2, response="triangle test")(sound)
    with pytest.raises(RegisterRefused) as told:
        read(sound)
    assert "the response 'triangle test' is not known. Is triangle meant?" in told.value.faults[0]
