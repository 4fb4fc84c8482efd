"""Several proposed trials and one budget: read from a table, weighed by what each question would gain."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import polars as pl

from crosscellar.errors import CrosscellarError, UnknownName
from crosscellar.planning import Prices, choose_proposals
from crosscellar.pooling import Pooled
from crosscellar.pooling.verdict import NO_EFFECT
from crosscellar.results import BudgetAnswer

#: Columns of the table that the coordinator edits; `cost` may be left empty where prices are given. `named`
#: has the cellar's own names of the vessels, parted by semicolons.
COLUMNS: Final = ("question_id", "site_id", "vessels", "named", "cost", "note")


@dataclass(frozen=True, slots=True)
class Weighed:
    """One question among the proposals: its answer so far and the chance of a verdict by new sites.

    `chances`: more_sites, chance_decided, from 0 sites on.
    """

    title: str
    pooled: Pooled | None
    chances: pl.DataFrame


def blank_proposals(questions: pl.DataFrame, sites: pl.DataFrame, effects: pl.DataFrame) -> pl.DataFrame:
    """A table to start from: each question with each site that has not tried it, one vessel an arm.

    Questions that triangle tests answer are left out: they are planned by panels, not by trials weighed here.
    """
    tried = effects.filter(pl.col("usable")).select(question_id="question", site_id="site").unique()
    return (
        questions.filter(pl.col("primary_response") != "triangle")
        .select("question_id")
        .join(sites.select("site_id"), how="cross")
        .join(tried, on=["question_id", "site_id"], how="anti")
        .sort("question_id", "site_id")
        .with_columns(
            vessels=pl.lit(1),
            named=pl.lit(None, dtype=pl.String),
            cost=pl.lit(None, dtype=pl.Float64),
            note=pl.lit(None, dtype=pl.String),
        )
        .select(COLUMNS)
    )


def read_proposals(
    path: Path, *, prices: Prices | None, questions: set[str], sites: set[str], costed: bool = True
) -> pl.DataFrame:
    """Proposals from a CSV table: question, site, vessels, named (a list of names), cost, note.

    A cost left empty is worked out from the prices: the site, and its vessels and samples in two arms. It
    stays empty where there are none and `costed` is false.

    Raises
    ------
    CrosscellarError
        When the file cannot be read, lacks a column, or a line has no proper number; with the line.
    UnknownName
        For a question that the register does not have.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as fault:
        raise CrosscellarError(
            "there is no table of proposals here",
            where=path,
            next_step=f"`crosscellar plan --blank-proposals {path.name}` writes one to start from.",
        ) from fault
    except (UnicodeDecodeError, OSError) as fault:
        raise CrosscellarError(
            f"the table of proposals cannot be read ({fault})", where=path, next_step="Save it as CSV UTF-8."
        ) from fault
    first = text.partition("\n")[0]
    separator = max(",;\t", key=first.count)
    rows = csv.reader(io.StringIO(text), delimiter=separator)
    headed = len(next(rows, []))
    # Cut off, what stands behind a thousand's comma would be lost in silence.
    longer = next((rows.line_num for row in rows if any(cell.strip() for cell in row[headed:])), None)
    if longer is not None:
        raise CrosscellarError(
            "this line has more cells than there are headings",
            where=f"{path}, line {longer}",
            next_step='Write amounts without a thousands mark, and a text with a comma between ".',
        )
    try:
        table = pl.read_csv(
            io.BytesIO(text.encode()), separator=separator, infer_schema=False, truncate_ragged_lines=True
        )
    except pl.exceptions.PolarsError as fault:
        raise CrosscellarError(
            "the table of proposals cannot be read", where=path, next_step="Save it as CSV UTF-8."
        ) from fault
    table = table.rename({name: name.strip().casefold() for name in table.columns})
    if missing := [name for name in COLUMNS[:2] if name not in table.columns]:
        raise CrosscellarError(
            f"the table of proposals has no column {' and no '.join(missing)}",
            where=path,
            next_step=f"Its first line is {','.join(COLUMNS)}.",
        )
    absent = [pl.lit(None, dtype=pl.String).alias(name) for name in COLUMNS if name not in table.columns]
    table = (
        table.with_columns(absent)
        .with_columns(pl.col(COLUMNS).str.strip_chars().replace("", None))
        .with_row_index("line", offset=2)
        .filter(pl.any_horizontal(pl.col(COLUMNS[:5]).is_not_null()))
    )
    for column, known in (("question_id", questions), ("site_id", sites)):
        strange = ~pl.col(column).is_in(list(known))
        _stop_at(table, strange, path, column, "is not in the register", UnknownName)
    named = pl.col("named").fill_null("").str.split(";").list.eval(pl.element().str.strip_chars())
    table = table.with_columns(named.list.eval(pl.element().filter(pl.element() != "")))
    twice = pl.col("named").list.n_unique() != pl.col("named").list.len()
    words = table.with_columns(pl.col("named").list.join("; "), twice=twice)
    _stop_at(words, pl.col("twice"), path, "named", "names a vessel twice")
    # Where no number is given, two arms share the vessels that are named.
    shared = pl.max_horizontal((pl.col("named").list.len() + 1) // 2, 1)
    numbers = table.with_columns(
        vessels_read=pl.coalesce("vessels", shared.cast(pl.String)).cast(pl.Int64, strict=False),
        cost_read=_number(pl.col("cost"), comma=separator != ",").cast(pl.Float64, strict=False),
    )
    _stop_at(numbers, ~(pl.col("vessels_read") >= 1), path, "vessels", "is not a whole number of 1 or more")
    thousands = pl.col("cost").str.contains(r"^\d{1,3}[.,]\d{3}$").fill_null(False)
    _stop_at(numbers, thousands, path, "cost", "may be thousands or a decimal: write it without a mark")
    unread = pl.col("cost").is_not_null() & ~(pl.col("cost_read") >= 0)
    _stop_at(numbers, unread, path, "cost", "is not an amount of 0 or more")
    if prices is None:
        unpriced = numbers.filter(pl.col("cost").is_null())
        if costed and unpriced.height:
            raise CrosscellarError(
                "the cost is empty, and there are no prices to work it out from",
                where=f"{path}, line {unpriced['line'][0]}",
                next_step="Fill it in, or name a table with --prices.",
            )
        worked = pl.lit(None, dtype=pl.Float64)
    else:
        vessels = 2.0 * pl.col("vessels_read")
        worked = prices.per_site + vessels * (prices.per_vessel + prices.per_sample)
    return numbers.select(
        pl.col("question_id").alias("question"),
        pl.col("site_id").alias("site"),
        pl.col("vessels_read").alias("vessels"),
        "named",
        pl.coalesce("cost_read", worked).alias("cost"),
        pl.col("note").fill_null(""),
    )


def _number(column: pl.Expr, *, comma: bool) -> pl.Expr:
    """The text with a point for its decimals: commas are decimals only where they do not part the cells."""
    return column.str.replace(",", ".", literal=True) if comma else column


def _stop_at(
    table: pl.DataFrame,
    wrong: pl.Expr,
    path: Path,
    column: str,
    why: str,
    kind: type[CrosscellarError] = CrosscellarError,
) -> None:
    """Stops at the first line that is wrong, naming it."""
    lines = table.filter(wrong.fill_null(True)).select("line", column)
    if lines.is_empty():
        return
    line, text = lines.row(0)
    raise kind(
        f"{column} {text} {why}" if text is not None else f"{column} is empty",
        where=f"{path}, line {line}",
        next_step="Mend the line and run it again.",
    )


def weigh_proposals(
    proposals: pl.DataFrame,
    weigh: Callable[[str, int, int], Weighed],
    *,
    budget: float,
    currency: str = "",
) -> BudgetAnswer:
    """Which of the proposals decide most questions within the budget.

    Parameters
    ----------
    proposals
        question, site, vessels, named, cost, note.
    weigh
        For a question, the most new sites and the vessels an arm: what is known, what new sites would buy.
        The fewest vessels proposed for a question stand for all its proposals.

    A site that has an effect of the question already brings no new site, and is not chosen; a question that
    is decided already has nothing to gain.
    """
    asked = proposals.group_by("question", maintain_order=True).agg(
        pl.col("site").n_unique().alias("most"), pl.col("vessels").min()
    )
    weighed = {name: weigh(name, most, vessels) for name, most, vessels in asked.iter_rows()}
    known = {
        name: set(one.pooled.effects["site"]) if one.pooled is not None else set()
        for name, one in weighed.items()
    }
    marked = proposals.with_row_index("row").with_columns(
        there=pl.Series(
            [site in known[name] for name, site in proposals.select("question", "site").iter_rows()],
            dtype=pl.Boolean,
        ),
        replicates=pl.Series([bool(known[name]) for name in proposals["question"]], dtype=pl.Boolean),
    )
    open_ones = marked.filter(~pl.col("there"))
    chances = pl.concat(
        [
            one.chances.select(pl.lit(name).alias("question"), "more_sites", "chance_decided")
            for name, one in weighed.items()
        ]
    )
    choice = choose_proposals(open_ones, chances, budget=budget)
    taken = choice.proposals.group_by("question").agg(pl.col("site").n_unique().alias("new_sites"))
    chosen = set(choice.proposals["row"])
    questions = pl.DataFrame([_of_question(name, one, taken) for name, one in weighed.items()])
    return BudgetAnswer(
        budget=budget,
        currency=currency,
        cost=choice.cost,
        proposals=marked.with_columns(
            pl.col("row").is_in(list(chosen)).alias("chosen"),
            pl.when(pl.col("there"))
            .then(pl.lit("has tried this before: another season there is no new site"))
            .when(~pl.col("row").is_in(list(chosen)) & (pl.col("cost") > budget))
            .then(pl.lit("costs more than the whole budget"))
            .when(pl.lit(not chosen))
            .then(pl.lit("raises no chance of a verdict"))
            .when(~pl.col("row").is_in(list(chosen)))
            .then(pl.lit("others decide more for the money"))
            .otherwise(pl.lit(""))
            .alias("why"),
        ).select("question", "site", "vessels", "named", "cost", "chosen", "why", "note"),
        questions=questions,
        decided=choice.decided,
        decided_before=float(questions["chance_before"].sum()),
        exact=choice.exact,
    )


def _of_question(name: str, one: Weighed, taken: pl.DataFrame) -> Mapping[str, Any]:
    new = taken.filter(pl.col("question") == name)["new_sites"].sum()
    gains = one.chances.sort("more_sites")
    reached = gains.filter(pl.col("more_sites") <= new)["chance_decided"]
    return {
        "question": name,
        "title": one.title,
        "verdict": one.pooled.verdict if one.pooled is not None else NO_EFFECT,
        "new_sites": int(new),
        "chance_before": gains["chance_decided"][0],
        # More sites than were asked for never hurt: one may be left out.
        "chance_after": reached.max(),
    }
