"""Figures from the command line: written by the name's ending, and in words beside."""

from __future__ import annotations

from pathlib import Path

import pytest

import crosscellar as cc
from crosscellar.cli import main
from crosscellar.errors import CrosscellarError


def test_the_spread_of_a_questions_vessels_is_drawn_and_said(
    demo_store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "spread.svg"
    assert main(["--store", str(demo_store), "effects", "lees-stirring", "--figure", str(out)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "Glycerol, before bottling: vessels of one arm usually differ by about" in told
    assert "trials with more than one vessel an arm" in told
    assert out.read_bytes().startswith(b"<?xml")


def test_the_spread_of_one_response_is_drawn_where_one_is_named(demo_store: Path, tmp_path: Path) -> None:
    with cc.Network.open(demo_store, read_only=True) as network:
        every = network.effects_figure("lees-stirring", tmp_path / "all.svg").message
        one = network.effects_figure("lees-stirring", tmp_path / "one.svg", response="va").message
    assert "Glycerol" in every
    assert "Volatile acidity" in every
    assert "Volatile acidity" in one
    assert "Glycerol" not in one


def test_a_plan_is_drawn_beside_its_table(
    demo_store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "plan.png"
    command = ["plan", "lees-stirring", "--sites", "1", "--vessels", "1", "--figure", str(out)]
    assert main(["--store", str(demo_store), *command]) == 0
    printed = capsys.readouterr()
    assert "chance of a verdict" in printed.out
    assert str(out) in printed.err
    assert out.read_bytes().startswith(b"\x89PNG")


def test_an_ending_that_is_no_figure_is_refused_with_those_that_are(demo_store: Path, tmp_path: Path) -> None:
    with (
        cc.Network.open(demo_store, read_only=True) as network,
        pytest.raises(CrosscellarError, match=r"\.svg, \.png or \.pdf"),
    ):
        network.effects_figure("lees-stirring", tmp_path / "spread.xlsx")
