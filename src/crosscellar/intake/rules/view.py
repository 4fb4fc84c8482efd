"""What the rules look at: would-be readings beside what is stored."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.frames import PICK_KEY, READING_KEY, SCORE_KEY
from crosscellar.intake.beside import Different, perhaps_twice, put_beside
from crosscellar.intake.bounds import with_bounds
from crosscellar.intake.headings import plain
from crosscellar.intake.measure import canonical_limit
from crosscellar.intake.values import shown_unit

if TYPE_CHECKING:
    from crosscellar.register import Register

Formula = Callable[[Any], Any]

#: What readings of one sample share. The laboratory is no part of it: partners may come from two.
SAMPLE: Final = ("trial_id", "arm_id", "vessel_id", "stage", "sample_date", "time", "replicate")
VESSEL: Final = ("trial_id", "arm_id", "vessel_id")
LOG: Final = "ferment_daily"
#: One analyte of one tab at one stage, in the order of its rows.
COLUMN: Final = ("file_no", "sheet", "analyte", "stage")
#: One number for a vessel at a stage, an analyte at a stage in a trial or in a tab, an analyte in a tab and
#: a row of a tab: what is grouped by one number takes a third of the time of what is grouped by four texts.
AT_STAGE: Final = pl.col("vessel_no").cast(pl.UInt64) * 2**32 + pl.col("stage_no")
IN_TRIAL: Final = pl.col("trial_no").cast(pl.UInt64) * 2**32 + pl.col("kind_no")
IN_COLUMN: Final = pl.col("tab_no").cast(pl.UInt64) * 2**32 + pl.col("kind_no")
IN_TAB: Final = pl.col("tab_no").cast(pl.UInt64) * 2**32 + pl.col("analyte_no")
IN_ROW: Final = pl.col("tab_no").cast(pl.UInt64) * 2**32 + pl.col("row")
#: The columns that most messages are made of.
SAID: Final = ("name", "value", "in_unit")
#: What a reading says: two that agree in all of it are one.
SAYS: Final = (*READING_KEY, "value", "qualifier")
#: Columns of readings that no rule looks at. Of a stored reading `text_sent` and `unit_sent` are not, too.
UNSEEN: Final = ("file", "cell", "conversion", "supersedes")
_NUMBERED: Final = ("tab_no", "kind_no", "analyte_no")


@dataclass(frozen=True)
class View:
    """Everything a rule may look at.

    Attributes
    ----------
    every
        Every item of the batch that has vessel, stage, analyte and a number, `entering` or not, and behind
        them what is stored, with a null `item_no`. `stands` tells what would stand after the batch: its
        entering readings, each once, and the stored ones under other keys. With season, site_id, colour,
        lot, role, the analyte's name and unit as shown, the bounds of what is usual, `about` (what the
        register says of vessel, arm and question, in small letters), and the method and limit that its
        laboratory declared. Numbers tell vessels, trials, tabs, stages, analytes and analytes at a stage
        (`kind_no`) apart.
    typed
        Those of the batch: their place, lot and vessel, and what they say.
    picks, scores
        Triangle answers and scores of the batch that would enter, with `item_no`; behind them those of the
        same trials that stand in the store, with a null `item_no`.
    contract
        For bounds, stages and seasons.
    readings, numbers, sampled
        What stands, limits among them; those that are a number; those of them outside the ferment logs. Lazy,
        so that a rule copies only the columns it looks at.
    positive
        Sampled numbers above zero, with `decades`, their logarithm. Lazy too.
    columns
        What was typed as a number outside the logs, in the order of its columns, where a column has two or
        more: its `value`, `analyte_no`, `column_no`, `cells`, how many the column has, and `place`, its row
        of `typed`.
    unusual
        The positive numbers beyond what is usual.
    stages
        One row a vessel and stage with dated readings: `first` and `last` day, `stage_name`, and the first
        item of the batch. These three are made once for all rules, as are the places of each analyte.
    """

    every: pl.DataFrame
    typed: pl.DataFrame
    picks: pl.DataFrame
    scores: pl.DataFrame
    contract: Contract

    def make_shared(self) -> None:
        """Nothing; what several rules look at is there, so that no two threads make it at once."""
        for name in ("unusual", "columns", "stages", "_places", "_means", "samples_of"):
            getattr(self, name)

    def of(self, *analytes: str, columns: Iterable[str] | None = None) -> pl.DataFrame:
        """The numbers of these analytes, in their order; of all columns, or these."""
        found = [self._places[analyte] for analyte in dict.fromkeys(analytes) if analyte in self._places]
        every = self.every if columns is None else self.every.select(*columns)
        if not found:
            return every.clear()
        return every[found[0] if len(found) == 1 else pl.concat(found).sort()]

    @cached_property
    def _places(self) -> Mapping[str, pl.Series]:
        """Where the numbers of each analyte stand: many rules ask for one analyte of many."""
        at = pl.int_range(pl.len(), dtype=pl.UInt32).alias("at")
        numbers = self.every.select("analyte", "analyte_no", "is_number", at).filter("is_number")
        places = numbers.group_by("analyte_no").agg("at", pl.col("analyte").first())
        return dict(zip(places["analyte"].to_list(), places["at"], strict=True))

    @cached_property
    def samples_of(self) -> dict[tuple[str, ...], pl.DataFrame]:
        """What `together` found, by analytes: several rules ask for the same."""
        return {}

    @cached_property
    def _means(self) -> dict[str, pl.DataFrame]:
        """What `mean` found, by analyte."""
        return {}

    def mean(self, analyte: str) -> pl.DataFrame:
        """One row a vessel and stage outside the logs: the analyte's mean, what its first reading says."""
        known = self._means.get(analyte)
        if known is None:
            asked = (*VESSEL, "stage", "stage_name", "order", "sample_date", "replicate", "value", "item_no")
            known = self._means[analyte] = _mean(self.of(analyte, columns=asked), analyte)
        return known

    @property
    def readings(self) -> pl.LazyFrame:
        return self.every.lazy().filter("stands")

    @property
    def numbers(self) -> pl.LazyFrame:
        return self.every.lazy().filter("is_number")

    @property
    def sampled(self) -> pl.LazyFrame:
        return self.every.lazy().filter("is_sampled")

    @property
    def positive(self) -> pl.LazyFrame:
        above = self.sampled.filter(pl.col("value") > 0)
        return above.with_columns(pl.col("value").log10().alias("decades"))

    @cached_property
    def unusual(self) -> pl.DataFrame:
        return self.positive.filter(~usual(pl.col("value"))).collect()

    @cached_property
    def stages(self) -> pl.DataFrame:
        looked_at = (*VESSEL, "stage", "sample_date", "stage_name", "item_no")
        dated = self.readings.filter(pl.col("sample_date").is_not_null()).select(*looked_at, at=AT_STAGE)
        stages = dated.collect().group_by("at", maintain_order=True)
        return stages.agg(
            pl.col(*VESSEL, "stage").first(),
            pl.col("sample_date").min().alias("first"),
            pl.col("sample_date").max().alias("last"),
            pl.col("stage_name").first(),
            pl.col("item_no").drop_nulls().first(),
        ).drop("at")

    @cached_property
    def columns(self) -> pl.DataFrame:
        place = pl.int_range(pl.len(), dtype=pl.UInt32).alias("place")
        asked = self.typed.select(
            "row", "column", "value", "analyte_no", "qualifier", "stage", place, in_column=IN_COLUMN
        )
        typed = asked.filter((pl.col("qualifier") == "") & (pl.col("stage") != LOG)).drop(
            "qualifier", "stage"
        )
        counted = typed.group_by("in_column").agg(pl.len().alias("cells"), pl.col("place").first())
        counted = counted.filter(pl.col("cells") > 1)
        columns = counted.hstack(self.typed.select(COLUMN)[counted["place"]]).sort(COLUMN)
        columns = columns.with_row_index("column_no").select("column_no", "cells", "in_column")
        rows = put_beside(typed, columns, "in_column").filter(pl.col("column_no").is_not_null())
        # One number to sort by, of 24, 24 and 15 bits, takes a quarter of the time of three.
        number = pl.col("column_no").cast(pl.Int64) * 2**24 + pl.col("row")
        rows = rows.sort(number * 2**15 + pl.col("column"))
        return rows.select("column_no", "cells", "analyte_no", "value", "place")

    def with_places(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Rows of `columns` with what else was typed there: column, item, name, unit, lot and vessel."""
        about = self.typed.select(*COLUMN, "kind_no", "item_no", "name", "in_unit", "lot", "vessel_id")
        return rows.hstack(about[rows["place"]])


def usual(value: pl.Expr) -> pl.Expr:
    """Whether a value lies within what is usual of its analyte at its stage."""
    return value.is_between(pl.col("unusual_low"), pl.col("unusual_high"))


def standing(items: pl.DataFrame, stored: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The items with `stands`, and behind them what is stored, with a null `item_no`; and the perhaps alike.

    The second frame has what SAYS names, and `item_no`, of all items that may say the same as another.

    `items` has the columns of READINGS, `item_no` and `entering`. What is stored gives way to what the batch
    brings under the same key. A batch and what stands beside it are made one here, so that the caller can let
    both go: two of each would take twice the room.
    """
    items = items.drop(UNSEEN, strict=False)
    several = perhaps_twice(items.select(*SAYS, "item_no", "entering"), SAYS)
    entering = several.filter("entering")
    again = entering.filter(~pl.struct(SAYS).is_first_distinct())["item_no"]
    enters = pl.col("entering") & ~pl.col("item_no").is_in(again.implode())
    every = items.with_columns(enters.alias("stands"))
    if stored.is_empty():
        return every, several
    key = list(READING_KEY)
    brought = every.lazy().filter("stands").select(key).collect()
    others = stored.join(brought, on=key, how="anti", nulls_equal=True).with_columns(
        pl.lit(None, dtype=pl.Int32).alias("item_no"), pl.lit(True).alias("stands")
    )
    others = others.drop(UNSEEN, strict=False)
    every = pl.concat([every, others], how="diagonal_relaxed").select(every.columns).rechunk()
    return every, several


def look(
    every: pl.DataFrame,
    picks: pl.DataFrame,
    scores: pl.DataFrame,
    register: Register,
    contract: Contract,
    *,
    stored_picks: pl.DataFrame | None = None,
    stored_scores: pl.DataFrame | None = None,
) -> View:
    """The view of a batch and what stands beside it, as `standing` gives them."""
    of_batch = every["item_no"].count()
    different = Different(every, VESSEL)
    vessels = different.numbered.join(_known(register), on=list(VESSEL), how="left", nulls_equal=True)
    vessels = vessels.with_columns(vessel_no="number")
    trial = pl.col("trial_id").rank("dense").cast(pl.UInt32).fill_null(0).alias("trial_no")
    placed = different.beside(every, vessels.with_columns(trial).drop(VESSEL))
    tabs = Different(every, ["file_no", "sheet"])
    placed = tabs.beside(placed, tabs.numbered.select("number", tab_no="number"))
    every = _described(placed, register.labs, contract)
    # Every rule asks this: it is told once of each reading.
    is_number = pl.col("stands") & (pl.col("qualifier") == "")
    every = every.with_columns(
        is_number.alias("is_number"), (is_number & (pl.col("stage") != LOG)).alias("is_sampled")
    )
    asked = (*COLUMN, *SAID, *READING_KEY, "row", "column", "item_no", "qualifier", "lot", *_NUMBERED)
    typed = every.head(of_batch).select(*dict.fromkeys(asked))
    tasted = _behind(picks, stored_picks, PICK_KEY), _behind(scores, stored_scores, SCORE_KEY)
    return View(every, typed, *tasted, contract)


def _behind(batch: pl.DataFrame, stored: pl.DataFrame | None, key: Sequence[str]) -> pl.DataFrame:
    """What the batch brings, and behind it what is stored under other keys."""
    if stored is None or stored.is_empty():
        return batch
    others = stored.join(batch.select(key), on=list(key), how="anti", nulls_equal=True)
    others = others.with_columns(pl.lit(None, dtype=pl.Int32).alias("item_no"))
    return pl.concat([batch, others.select(batch.columns)], how="vertical_relaxed")


def _known(register: Register) -> pl.DataFrame:
    """Each vessel with what the register says of its trial, arm and site."""
    sites = register.sites.select("site_id", "hemisphere")
    arms = register.arms.select("trial_id", "arm_id", "description")
    questions = register.questions.select("question_id", "title", "factor")
    design = (
        register.design()
        .join(sites, on="site_id", how="left")
        .join(arms, on=["trial_id", "arm_id"], how="left")
        .join(questions, on="question_id", how="left")
    )
    told = ("kind", "arm_id", "description", "title", "factor")
    about = pl.concat_str([pl.col(name).fill_null("") for name in told], separator=" ").str.to_lowercase()
    wanted = (*VESSEL, "season", "site_id", "colour", "lot", "role", "hemisphere", "about")
    design = design.with_columns(about.alias("about")).select(wanted)
    return design.unique(list(VESSEL), keep="first", maintain_order=True)


def _declared(labs: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """What laboratories declared, by plain name and analyte: the method, and the limit in canonical units."""
    rows = []
    for one in labs.iter_rows(named=True):
        limit = one.get("detection_limit")
        if limit is not None:
            unit, basis = one.get("unit") or None, one.get("basis") or None
            limit = canonical_limit(contract, one["analyte"], float(limit), unit=unit, basis=basis)
        rows.append((plain(one["lab_id"]), one["analyte"], one.get("method") or "", limit))
    shape = {"lab_key": pl.String, "analyte": pl.String, "declared_method": pl.String}
    frame = pl.DataFrame(rows, schema={**shape, "declared_limit": pl.Float64}, orient="row")
    return frame.unique(["lab_key", "analyte"], keep="first", maintain_order=True)


def _described(readings: pl.DataFrame, labs: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    names = {analyte: record.name for analyte, record in contract.analytes.items()}
    orders = {stage: record.order for stage, record in contract.stages.items()}
    titles = {stage: record.name for stage, record in contract.stages.items()}
    # Said once of each analyte at each stage in each laboratory, not of each reading.
    kinds = ["analyte", "stage", "unit", "lab"]
    different = Different(readings, kinds)
    about = with_bounds(_with_declared(different.numbered, _declared(labs, contract)), contract).select(
        "number",
        "lab_key",
        "declared_method",
        "declared_limit",
        "unusual_low",
        "unusual_high",
        pl.col("analyte").replace_strict(names, default="", return_dtype=pl.String).alias("name"),
        pl.col("stage").replace_strict(orders, default=None, return_dtype=pl.Int32).alias("order"),
        pl.col("stage").replace_strict(titles, default="", return_dtype=pl.String).alias("stage_name"),
        shown_unit(pl.col("unit")).alias("in_unit"),
        pl.struct("analyte", "stage").rank("dense").cast(pl.UInt32).alias("kind_no"),
        *(
            pl.col(name).rank("dense").cast(pl.UInt32).fill_null(0).alias(f"{name}_no")
            for name in ("analyte", "stage")
        ),
    )
    return different.beside(readings, about)


def _with_declared(kinds: pl.DataFrame, declared: pl.DataFrame) -> pl.DataFrame:
    keys = {lab: plain(lab) for lab in kinds["lab"].drop_nulls().unique()}
    lab = pl.col("lab").replace_strict(keys, default="", return_dtype=pl.String).alias("lab_key")
    # Where no laboratory is named, the only one that declared the analyte speaks.
    only = declared.filter(pl.len().over("analyte") == 1).with_columns(pl.lit("").alias("lab_key"))
    joined = put_beside(kinds.with_columns(lab), pl.concat([declared, only]), ["lab_key", "analyte"])
    return joined.with_columns(pl.col("declared_method").fill_null(""))


def together(view: View, first: str, *others: str) -> pl.DataFrame:
    """One row a sample in which all these were measured: their values, and `X_item` for each analyte X."""
    known = view.samples_of.get((first, *others))
    if known is None:
        about = ["file_no", "sheet", "season", "colour", "role", "order", "stage_name"]
        known = _named(view, first, about)
        for analyte in others:
            partner = _named(view, analyte, [])
            known = known.join(partner, on=list(SAMPLE), how="inner", nulls_equal=True, maintain_order="left")
        view.samples_of[(first, *others)] = known
    return known


def _named(view: View, analyte: str, about: Sequence[str]) -> pl.DataFrame:
    value, item = pl.col("value").alias(analyte), pl.col("item_no").alias(f"{analyte}_item")
    columns = dict.fromkeys((*SAMPLE, "value", "item_no", *about))
    return view.of(analyte, columns=columns).select(*SAMPLE, value, item, *about)


def by_stage(view: View, first: str, *others: str) -> pl.DataFrame:
    """One row a vessel and stage in which all these were measured: means, first date, `X_item` of the first.

    Readings of the ferment log are left out. Rows are in the order of stages; several dates of one stage are
    one row.
    """
    rows = view.mean(first)
    for analyte in others:
        partner = view.mean(analyte).drop("order", "stage_name", "sample_date")
        rows = rows.join(partner, on=[*VESSEL, "stage"], how="inner", maintain_order="left")
    return rows.sort(*VESSEL, "order", "sample_date", nulls_last=True)


def _mean(numbers: pl.DataFrame, analyte: str) -> pl.DataFrame:
    return (
        numbers.filter(pl.col("stage") != LOG)
        .sort("sample_date", "replicate", nulls_last=True)
        .group_by([*VESSEL, "stage"], maintain_order=True)
        .agg(
            pl.col("value").mean().alias(analyte),
            pl.col("item_no").drop_nulls().first().alias(f"{analyte}_item"),
            pl.col("order", "stage_name", "sample_date").first(),
        )
    )


def with_earlier(rows: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    """Rows of `by_stage` with `X_before` for each column, of the stage before; a first stage is left out."""
    return rows.with_columns(
        pl.col(column).shift(1).over(list(VESSEL)).alias(f"{column}_before")
        for column in (*columns, "stage_name", "order")
    ).filter(pl.col("order_before").is_not_null())


def curve(formula: Formula, value: pl.Expr) -> pl.Expr:
    """A formula of the contract applied to a column of numbers."""
    return value.map_batches(
        lambda series: pl.Series(formula(series.cast(pl.Float64).to_numpy())), return_dtype=pl.Float64
    )
