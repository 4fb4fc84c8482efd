"""Figures and pages of more effects than can be read one by one: none is lost, what is left out is said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import polars as pl
import pytest

from crosscellar.contract import load_contract
from crosscellar.pooling import pool
from crosscellar.report.building import MANY_QUESTIONS, Answered, build_summary, names_of, question_page
from crosscellar.report.content import Accumulated, Summary, Tasting
from crosscellar.report.crowded import MOST_DRAWN, by_size, crowd_figure, sites_figure
from crosscellar.report.forest import accumulated_figure, forest_rows, pooled_figure, reading_of
from crosscellar.report.page import render_page
from crosscellar.report.paper import _document
from crosscellar.report.sensory import tasting_figure

EffectsOf = Callable[..., pl.DataFrame]
SITES = [f"s{place:02d}" for place in range(12)]
QUESTION: dict[str, Any] = {
    "question_id": "warm_must",
    "title": "Does a warm must lower volatile acidity?",
    "hypothesis": "",
    "primary_response": "volatile_acidity",
    "primary_stage": "bottled",
    "wanted": "decrease",
    "smallest_difference": 10.0,
    "smallest_difference_unit": "%",
}


def answered(effects: pl.DataFrame, *, this_season: int = 3) -> Answered:
    pooled = pool(effects, smallest_difference=0.1, wanted="decrease")
    return Answered(question=QUESTION, pooled=[pooled], effects=effects, trials_this_season=this_season)


def summary(several: list[Answered]) -> Summary:
    site = several[0].effects["site"].unique(maintain_order=True)
    trials = pl.DataFrame({"trial_id": several[0].effects["trial"]})
    return build_summary(
        2026,
        several,
        contract=load_contract(),
        names=names_of(pl.DataFrame({"site_id": site, "site_name": site}), trials, anonymous=False),
        anonymous=False,
        snapshot="0",
        as_of=date(2026, 12, 31),
        counts=(),
        readings=(),
        processes=1,
    )


def test_many_effects_are_one_picture_with_every_square_by_size_on_one_sheet(effects_of: EffectsOf) -> None:
    pooled = pool(effects_of(SITES, seasons=20))
    rows = forest_rows(pooled, reading_of(pooled))
    assert len(rows) > MOST_DRAWN
    figure = pooled_figure(pooled)
    # A4 less its margins, at the width that figures have there.
    assert figure.get_figheight() * 17.2 / figure.get_figwidth() < 25.0
    full, hollow = (line for line in figure.axes[0].lines if line.get_marker() == "s")
    found = sorted(
        (y, x) for line in (full, hollow) for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)
    )
    assert [x for _, x in found] == [row.estimate for row in by_size(rows)]
    assert len(hollow.get_xdata()) == sum(row.borrowed for row in rows)  # type: ignore[arg-type]
    told = [text.get_text() for text in figure.axes[0].texts]
    assert f"{len(rows)} effects by size" in told
    middle = by_size(rows)[round(0.5 * (len(rows) - 1))]
    assert told[told.index("the middle one") + 1] == f"{middle.effect} ({middle.interval})"


def test_an_interval_beyond_the_edge_ends_in_an_arrow_among_many_too(effects_of: EffectsOf) -> None:
    effects = effects_of(SITES, seasons=8).with_columns(
        variance=pl.when(pl.col("trial") == "s03-2021").then(4.0).otherwise("variance")
    )
    pooled = pool(effects, method="common", interval="normal")
    rows = forest_rows(pooled, reading_of(pooled))
    axes = crowd_figure(rows, reading_of(pooled), pooled=None, prediction=None).axes[0]
    arrows = {line.get_marker(): len(line.get_xdata()) for line in axes.lines}  # type: ignore[arg-type]
    assert (arrows["<"], arrows[">"]) == (1, 1)


def test_each_site_stands_at_the_mean_of_its_own_effects(effects_of: EffectsOf) -> None:
    effects = effects_of(SITES, seasons=6)
    page, sketches = question_page(
        1,
        answered(effects),
        contract=load_contract(),
        names=names_of(_register(), _trials(effects), anonymous=False),
    )
    assert [site.site for site in page.sites] == SITES
    own = effects.filter(pl.col("site") == "s03")
    weight = 1 / own["variance"]
    assert page.sites[3].estimate == pytest.approx((own["estimate"] * weight).sum() / weight.sum())
    reading = reading_of(pool(effects))
    axes = sites_figure(page.sites, page.rows, reading, pooled=None, prediction=None).axes[0]
    rings, squares = (line for line in axes.lines if line.get_marker() in ("o", "s"))
    assert sorted(rings.get_xdata()) == sorted(effects["estimate"])  # type: ignore[arg-type]
    assert list(squares.get_xdata()) == [site.estimate for site in page.sites]  # type: ignore[arg-type]
    assert [sketch.alternative.startswith("Effects site by site") for sketch in sketches] == [
        False,
        True,
        False,
    ]


def _register() -> pl.DataFrame:
    return pl.DataFrame({"site_id": SITES, "site_name": SITES})


def _trials(effects: pl.DataFrame) -> pl.DataFrame:
    return pl.DataFrame({"trial_id": effects["trial"]})


def test_a_long_table_is_folded_on_the_page_and_named_as_not_printed_on_paper(effects_of: EffectsOf) -> None:
    long = summary([answered(effects_of(SITES, seasons=6))])
    html = render_page(long)
    assert html.count("<details>") == html.count("</details>") == 1
    assert "<summary>All 72 effects, trial by trial</summary>" in html
    assert html.count('<td class="k">s03-') == 6
    (paper,) = _document(long)["questions"]
    assert paper["rows"] == []
    assert paper["unprinted"][0].startswith("Not printed: 72 effects trial by trial.")
    assert paper["boxed"][0][1].startswith(long.questions[0].estimate)
    short = summary([answered(effects_of(SITES))])
    assert "<details>" not in render_page(short)
    (paper,) = _document(short)["questions"]
    assert len(paper["rows"]) == 12
    assert paper["unprinted"] == paper["boxed"] == []


def test_of_many_questions_one_without_a_trial_this_season_is_carried_forward_with_its_answer(
    effects_of: EffectsOf,
) -> None:
    one = answered(effects_of(SITES[:4]))
    old = replace(one, trials_this_season=0)
    few = summary([one, old])
    assert [page.carried for page in few.questions] == [False, False]
    assert few.questions[1].figures
    many = summary([old, *[replace(one, pooled=(), effects=one.effects.clear())] * MANY_QUESTIONS])
    carried = many.questions[0]
    assert carried.carried
    assert not carried.figures
    assert len(carried.rows) == 4
    html = render_page(many)
    assert f"1 of {MANY_QUESTIONS + 1} questions had no trial this season" in html
    assert "s03-2020" not in html
    assert f"<dd>{carried.estimate} ({carried.interval})</dd>" in html
    document = _document(many)
    assert document["carried"].startswith(f"1 of {MANY_QUESTIONS + 1} ")
    assert document["questions"][0]["boxed"][0][1] == f"{carried.estimate} ({carried.interval})"


def test_fifty_seasons_and_hundreds_of_sessions_fit_on_one_sheet() -> None:
    points = [
        Accumulated(str(1976 + i), 5, -0.1, -0.2, 0.0, "−10", "−18 to 0", "undecided") for i in range(120)
    ]
    reading = reading_of(pool(pl.DataFrame({"estimate": [0.1, 0.2], "variance": [0.1, 0.1]})))
    figure = accumulated_figure(points, reading)
    labels = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert labels[0] == "to 2095 (5 sites)"
    assert len(labels) < 60
    tastings = [Tasting(f"s{i}", "2024", f"t{i}", i % 19, 18, "10", "0.1") for i in range(300)]
    sessions = tasting_figure(tastings, named=False)
    assert max(figure.get_figheight(), sessions.get_figheight()) * 10.7 / 4.8 < 25.0
    dots = [line for line in sessions.axes[0].lines if line.get_marker() == "o"]
    shares = [float(line.get_xdata()[0]) for line in dots]  # type: ignore[index]
    assert shares == sorted(shares, reverse=True)
    assert len(shares) == 300
