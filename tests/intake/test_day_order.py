"""Season and order of stages suggest which of day and month comes first, where they fit one way only."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

HEADING = "trial_id,arm_id,vessel_id,stage,sample_date,analyte,value,unit,replicate,lab,note\n"
OPEN = "Is it "


def sheet(*rows: tuple[str, str]) -> tuple[str, str]:
    """Stages and days of one vessel."""
    return "days.csv", HEADING + "".join(
        f"LS24-ORR,control,ORR-01,{stage},{day},pH,3.3{n},,1,lab_north,\n"
        for n, (stage, day) in enumerate(rows)
    )


def suggested(batch: Any) -> list[str]:
    found: list[str] = batch.findings.filter(pl.col("code") == "date_ambiguous")["suggestion"].to_list()
    return found


@pytest.mark.parametrize(
    ("rows", "first"),
    [
        # must in the north on 10 September, not on 9 October after the end of ferment; and so on
        ([("must", "10/09/2024"), ("end_AF", "2024-10-01")], "day"),
        ([("must", "09/10/2024"), ("end_AF", "2024-10-01")], "month"),
        # 4 September is harvest time in the north, 9 April is not
        ([("must", "04/09/2024")], "day"),
        ([("must", "09/04/2024")], "month"),
        # the sheet came in on 5 January 2026: 1 December 2026 is yet to come
        ([("pre_bottling", "12/01/2026")], None),
        ([("pre_bottling", "01/02/2026")], "month"),
    ],
)
def test_the_order_that_alone_fits_is_suggested(rows: Any, first: str | None, judge: Any) -> None:
    (words,) = suggested(judge(sheet(*rows)))
    wanted = OPEN if first is None else f"Season and stages fit only with the {first} first."
    assert words.startswith(wanted)


def test_a_day_that_proves_its_own_order_leans_on_no_other(judge: Any) -> None:
    """Here the other date proves the other order."""
    found = judge(sheet(("end_AF", "10/14/2024"), ("end_AF", "13/10/2024"))).findings
    (words,) = found.filter(pl.col("code") == "date_month_first")["message"].to_list()
    assert words == "10/14/2024 was read as 2024-10-14: the month comes first, as its day proves."


def test_where_both_orders_fit_both_days_are_shown(judge: Any) -> None:
    (words,) = suggested(judge(sheet(("end_AF", "11/10/2024"), ("pre_bottling", "2025-06-01"))))
    assert words.startswith("Is it 2024-10-11 or 2024-11-10?")


def test_a_column_that_fits_in_part_only_suggests_nothing(judge: Any) -> None:
    (words,) = suggested(judge(sheet(("must", "04/09/2024"), ("inoculation", "09/04/2024"))))
    assert words.startswith(OPEN)


def test_what_stands_in_the_store_tells_the_order(judge: Any, shelf: Any) -> None:
    class Standing(type(shelf)):  # type: ignore[misc]
        def stored_readings_of(self, trials: Any) -> pl.DataFrame:
            return self.items["readings"].filter("standing").drop("standing")

    standing = Standing()
    standing.put(judge(sheet(("end_AF", "2024-10-20"))))
    late = sheet(("pre_bottling", "05/11/2024"))
    (words,) = suggested(judge(late, stored=standing))
    # 5 November comes after the end of ferment, 11 May before it
    assert words.startswith("Season and stages fit only with the day first.")
