"""Text and tables keep within the width of a terminal and lose nothing."""

from __future__ import annotations

import textwrap

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosscellar.console.layout import laid_out
from crosscellar.console.parts import Table, table

cells = st.lists(st.sampled_from(["glycerol", "+1.6 %", "Überlauf", "a" * 30, "12", "of"]), max_size=6).map(
    " ".join
)


def test_columns_stand_below_their_headings() -> None:
    drawn = laid_out(
        table(("site", "effect"), [("ondrel-bank", "+0.9 %"), ("vash", "-12 %")], right=(1,)), 80
    )
    assert drawn.split("\n")[1:-1] == [
        " site         effect ",
        " ─────────────────── ",
        " ondrel-bank  +0.9 % ",
        " vash          -12 % ",
    ]


def test_a_cell_of_several_lines_is_one_row() -> None:
    drawn = laid_out(table(("site", "note"), [("a", "one\ntwo"), ("b", "three")]), 80)
    assert [line.split() for line in drawn.split("\n")[3:-1]] == [["a", "one"], ["two"], ["b", "three"]]


def test_a_wide_letter_takes_two_places_and_an_accent_none() -> None:
    lines = laid_out(table(("x", "y"), [("葡萄", "1"), ("e\u0301", "2")]), 80).split("\n")
    assert lines[3] == " 葡萄  1 "
    assert lines[4] == " e\u0301     2 "


@given(
    rows=st.integers(1, 5).flatmap(lambda n: st.lists(st.tuples(*[cells] * n), min_size=1, max_size=4)),
    width=st.integers(40, 120),
)
def test_a_table_keeps_within_its_width_and_all_its_letters(rows: list[tuple[str, ...]], width: int) -> None:
    drawn = laid_out(Table(rows[0], tuple(rows[1:]), frozenset({0})), width)
    assert max(len(line) for line in drawn.split("\n")) <= width
    assert sorted(drawn.replace("─", "").replace("\n", "").replace(" ", "")) == sorted(
        "".join(cell for row in rows for cell in row).replace(" ", "")
    )


@pytest.mark.parametrize("width", [110, 60, 30])
def test_text_is_broken_where_the_standard_library_breaks_it(width: int) -> None:
    # textwrap of Python's standard library, greedy too; it drops the spaces that end a line.
    text = (
        "Over 5 sites the mean effect is +1.6 % (95 % interval -1.2 to +4.5 %); it lies within the bounds. "
        * 3
    )
    expected = textwrap.wrap(text, width, break_on_hyphens=False)
    assert [line.rstrip() for line in laid_out(text.rstrip(), width).split("\n")] == expected


def test_what_steers_a_terminal_is_left_out() -> None:
    assert "\x1b" not in laid_out("red \x1b[31m", 80) + laid_out(table(("\x1b[2J",), [("\x1b",)]), 80)
