"""The same item twice: copies count once, two values are never chosen between."""

from __future__ import annotations

from typing import Any

import polars as pl

LONG = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note\n"


def _row(value: str, vessel: str = "ORR-01", note: str = "", replicate: int = 1) -> str:
    arm = "control" if vessel in ("ORR-01", "ORR-03") else "stir_weekly"
    return f"LS24-ORR,{arm},{vessel},end_AF,2024-10-15,pH,{value},,{replicate},lab_north,{note}\n"


def _counts(batch: Any, file: int = 0) -> tuple[int, ...]:
    return batch.files.select("accepted", "refused", "held", "already", "blank").row(file)  # type: ignore[no-any-return]


def test_a_copy_in_one_sheet_is_taken_once(judge: Any) -> None:
    batch = judge(("a.csv", LONG + _row("3.31") + _row("3.31", note="again")))
    assert _counts(batch) == (1, 0, 0, 1, 0)
    assert batch.findings["code"].to_list() == ["duplicate_taken_once"]


def test_two_values_in_two_files_of_one_batch_are_both_held(judge: Any) -> None:
    batch = judge(("a.csv", LONG + _row("3.31")), ("b.csv", LONG + _row("3.41")))
    assert (_counts(batch, 0), _counts(batch, 1)) == ((0, 0, 1, 0, 0), (0, 0, 1, 0, 0))


def test_of_many_values_for_one_reading_each_names_a_few_rows_and_how_many_more(judge: Any) -> None:
    def told(values: int) -> set[str]:
        unlike = (f"{3 + 7 * at % 10 / 100:.2f}" for at in range(values))
        batch = judge(("a.csv", LONG + "".join(map(_row, unlike))))
        assert _counts(batch) == (0, 0, values, 0, 0)
        return set(batch.findings["message"].str.extract(r"\((.*)\)").to_list())

    assert told(3) == {"rows 2 and 3 and 4"}
    assert told(6) == {"rows 2 and 3 and 4 and 5 and 6 and 7"}
    assert told(9) == {"rows 2 and 3 and 4 and 5 and 6 and 7 and 3 more"}


def test_repeat_readings_numbered_by_replicate_both_enter(judge: Any) -> None:
    assert _counts(judge(("a.csv", LONG + _row("3.31") + _row("3.32", replicate=2)))) == (2, 0, 0, 0, 0)


def test_another_value_for_a_stored_reading_waits_or_replaces_it(judge: Any, shelf: Any) -> None:
    shelf.put(judge(("a.csv", LONG + _row("3.31"))))
    waiting = judge(("b.csv", LONG + _row("3.41")), stored=shelf)
    assert _counts(waiting) == (0, 0, 1, 0, 0)
    aside = waiting.set_aside.row(0, named=True)
    assert '"value":3.31' in aside["current"]
    assert '"value":3.41' in aside["proposed"]
    assert waiting.findings["message"].to_list() == ["3.41 differs from 3.31, taken in from a.csv G2."]
    shelf.put(judge(("b.csv", LONG + _row("3.41")), stored=shelf, correction=True))
    assert [row[-3] for row in shelf.standing()] == [3.41]


def test_a_late_old_version_never_undoes_a_correction_even_as_a_correction(judge: Any, shelf: Any) -> None:
    shelf.put(judge(("a.csv", LONG + _row("3.31"))))
    shelf.put(judge(("b.csv", LONG + _row("3.41")), stored=shelf, correction=True))
    for correction in (False, True):
        late = judge(("c.csv", LONG + _row("3.31", note="old")), stored=shelf, correction=correction)
        assert _counts(late) == (0, 0, 1, 0, 0)
        assert late.findings["code"].to_list() == ["would_undo_correction"]


def test_a_half_right_sheet_is_half_taken_and_the_mended_one_adds_the_rest(judge: Any, shelf: Any) -> None:
    half = judge(("a.csv", LONG + _row("3.31") + _row("33.2", "ORR-03")))
    assert (_counts(half), half.files["status"][0]) == ((1, 1, 0, 0, 0), "taken_in_part")
    shelf.put(half)
    mended = judge(("a.csv", LONG + _row("3.31") + _row("3.32", "ORR-03")), stored=shelf)
    assert _counts(mended) == (1, 0, 0, 1, 0)


def test_the_same_value_written_otherwise_is_the_same_reading(judge: Any, shelf: Any) -> None:
    row = "LS24-ORR,control,ORR-01,end_AF,2024-10-15,TA,{},{},1,lab_north,\n"
    shelf.put(judge(("a.csv", LONG + row.format("7.12", "g/L"))))
    again = judge(("b.csv", LONG + row.format("0.712", "g/100mL")), stored=shelf)
    assert _counts(again) == (0, 0, 0, 1, 0)


def test_a_held_reading_that_the_store_has_by_now_needs_no_question(judge: Any, shelf: Any) -> None:
    shelf.put(judge(("a.csv", LONG + _row("3.42"))))
    starred = judge(("b.csv", LONG + _row("3.42*")), stored=shelf)
    assert _counts(starred) == (0, 0, 0, 1, 0)
    assert starred.findings.filter(pl.col("severity") != "remark").is_empty()


def test_a_file_known_by_its_bytes_gives_the_rest_once_the_register_allows_it(judge: Any, shelf: Any) -> None:
    sheet = ("a.csv", LONG + _row("3.31") + _row("3.30", "ORR-03"))
    partly = judge(sheet)
    shelf.items["readings"] = partly.readings.head(1).with_columns(pl.lit(True).alias("standing"))
    shelf.files.append({"sha256": partly.files["sha256"][0], "file": "a.csv", "taken_at": "2026-01-01"})
    again = judge(sheet, stored=shelf)
    assert _counts(again) == (1, 0, 0, 1, 0)
    assert again.files["status"].to_list() == ["taken_in"]
    shelf.put(again)
    assert judge(sheet, stored=shelf).files["status"].to_list() == ["already_taken_in"]


def test_a_refused_sheet_sent_again_is_not_said_to_be_taken_in(judge: Any, shelf: Any) -> None:
    sheet = ("a.csv", LONG.replace("vessel_id,", "") + _row("3.31").replace("ORR-01,", ""))
    first = judge(sheet)
    assert first.files["status"].to_list() == ["refused"]
    shelf.put(first)
    again = judge(sheet, stored=shelf).files.row(0, named=True)
    assert again["status"] == "already_taken_in"
    assert again["message"] == (
        "Came in before, on 2026-01-05 as a.csv; none of it could be used, and that has not changed."
    )
