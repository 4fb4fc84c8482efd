"""The rules that look at more than one cell, in one table, and the call that applies them."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.frames import PICKS, SCORES
from crosscellar.contract.records import Rule
from crosscellar.errors import UnknownName
from crosscellar.intake.rules import (
    calendars,
    colours,
    copies,
    digits,
    ferments,
    instruments,
    laboratories,
    peers,
    samples,
    series,
    tastings,
    vineyards,
)
from crosscellar.intake.rules.hits import no_hits
from crosscellar.intake.rules.view import SAYS, UNSEEN, View, look, standing

if TYPE_CHECKING:
    from crosscellar.register import Register

__all__ = [
    "RULES",
    "SAYS_MORE",
    "UNSEEN",
    "View",
    "apply_rules",
    "check_settings",
    "date_objections",
    "rule_of",
]

#: Rules that a date read the wrong way round would break.
_ON_DATES: Final = ("date_outside_season", "date_in_other_hemisphere", "stages_out_of_order")
_TASTED: Final = {"picks": PICKS, "scores": SCORES}
#: Rules with settings that are applied where bounds are judged.
_AT_BOUNDS: Final = ("temperature_in_fahrenheit",)
#: Rules whose one sentence about a reading says more than that it is unusual.
SAYS_MORE: Final = (
    "stage_unlike_chemistry",
    "malic_left",
    "hot_ferment",
    "heat_test_falls",
    "carbon_dioxide_high",
    "oxygen_above_saturation",
)

#: How many rules look at a batch at the same time.
_AT_ONCE: Final = 4

Check = Callable[[View, Rule], pl.DataFrame]

#: Rules over readings, and rules over sessions of tasters, each by its code in rules.toml.
_OF_READINGS: Final[Mapping[str, Check]] = MappingProxyType(
    {
        check.__name__: check
        for check in (
            samples.free_above_total,
            samples.free_close_above_total,
            samples.free_share_of_total,
            samples.free_so2_far_out,
            samples.molecular_so2_differs,
            samples.va_above_ta,
            samples.va_high_share_of_ta,
            samples.acetic_above_va,
            samples.ta_above_acids,
            samples.ph_unlike_ta,
            samples.sugars_do_not_add,
            samples.glucose_above_fructose,
            samples.colour_does_not_add,
            samples.hue_differs,
            samples.yan_does_not_add,
            samples.density_unlike_sg,
            samples.brix_unlike_sg,
            samples.extract_balance,
            samples.glycerol_unlike_alcohol,
            samples.zero_below_limit,
            series.total_so2_rises,
            series.va_falls,
            series.malic_rises,
            series.lactic_falls,
            series.malolactic_balance,
            series.ta_unlike_malic,
            series.ph_over_malolactic,
            series.malic_left,
            series.alcohol_above_possible,
            series.alcohol_unlike_brix,
            series.alcohol_unlike_sugar,
            series.alcohol_moves_in_ageing,
            series.yan_rises,
            series.malolactic_with_free_so2,
            series.stage_unlike_chemistry,
            series.analyte_not_at_stage,
            series.refractometer_after_alcohol,
            instruments.refractometer_on_wine,
            instruments.hydrometer_temperature,
            instruments.hot_ferment,
            instruments.heat_test_falls,
            instruments.carbon_dioxide_high,
            instruments.oxygen_above_saturation,
            instruments.log_in_count_column,
            instruments.absorbance_out_of_reach,
            colours.colour_unlike_wine,
            colours.chroma_differs,
            colours.tannin_methods_mixed,
            colours.aroma_unit_slip,
            colours.oak_without_oak,
            colours.ethylphenol_ratio,
            vineyards.berries_times_weight,
            vineyards.clusters_times_weight,
            vineyards.ravaz_differs,
            laboratories.below_laboratory_limit,
            laboratories.limit_differs_by_arm,
            laboratories.end_point_missing,
            laboratories.laboratories_at_a_factor,
            laboratories.legal_information,
            ferments.sugar_rises,
            ferments.sugar_rises_far,
            ferments.brix_falls_fast,
            ferments.brix_falls_too_fast,
            ferments.ferment_stalls,
            calendars.date_outside_season,
            calendars.date_in_other_hemisphere,
            calendars.stages_out_of_order,
            calendars.days_unlike_stage,
            calendars.laboratories_differ,
            calendars.scale_changes,
            peers.decimal_slip,
            peers.unit_slip,
            peers.columns_swapped_pair,
            peers.ph_and_ta_swapped,
            peers.ta_as_sulfuric,
            peers.ta_in_g_per_100ml,
            peers.va_in_g_per_100ml,
            copies.copied_down,
            copies.copied_between,
            copies.row_like_another,
            copies.filled_series,
            copies.too_little_scatter,
            digits.terminal_digits,
            digits.digits_swapped,
        )
    }
)
_OF_TASTINGS: Final[Mapping[str, Check]] = MappingProxyType(
    {
        check.__name__: check
        for check in (
            tastings.serving_unbalanced,
            tastings.one_wine_always_odd,
            tastings.assessor_twice,
            tastings.picks_below_chance,
            tastings.scales_mixed,
            tastings.flat_scorer,
            tastings.anchors_reversed,
            tastings.tasting_before_sample,
        )
    }
)
#: Every rule over several cells by its code.
RULES: Final[Mapping[str, Check]] = MappingProxyType({**_OF_READINGS, **_OF_TASTINGS})


def apply_rules(
    typed: pl.DataFrame,
    stored: pl.DataFrame,
    picks: pl.DataFrame,
    scores: pl.DataFrame,
    register: Register,
    contract: Contract,
    *,
    stored_picks: pl.DataFrame | None = None,
    stored_scores: pl.DataFrame | None = None,
    settings: Mapping[str, Mapping[str, float]] | None = None,
) -> pl.DataFrame:
    """Everything the rules object to: item_no, at_no, code, severity, message, suggestion.

    Parameters
    ----------
    typed
        Items of the batch that have vessel, stage, analyte and a number: the columns of READINGS, `item_no`,
        and `entering` (false for what is refused or held already).
    stored
        Readings that stand in the store, as `StoredLookup.peers_of` gives them.
    picks, scores
        What would enter, in the columns of PICKS and SCORES, with `item_no`.
    stored_picks, stored_scores
        What stands in the store, so that a session which came in two sheets is judged whole.
    settings
        Settings that differ from the contract's, code -> name -> number; `{"on": 0}` switches a rule off.

    Returns
    -------
    polars.DataFrame
        One row for each item a rule objects to. `at_no` is the item at whose cell it is told. The severity
        is hold or remark: no rule here refuses.

    Raises
    ------
    UnknownName
        If `settings` names a rule or a setting that there is not.
    """
    check_settings(settings or {}, contract)
    every, several = standing(typed, stored)
    del typed, stored
    view = look(
        every,
        picks,
        scores,
        register,
        contract,
        stored_picks=stored_picks,
        stored_scores=stored_scores,
    )
    del every
    asked = [
        (check, rule)
        for code, check in _asked(view).items()
        if (rule := rule_of(contract, code, settings)) is not None
    ]
    view.make_shared()
    # Rules do not see each other; most of their time is spent where threads may run side by side.
    with ThreadPoolExecutor(max_workers=min(_AT_ONCE, os.cpu_count() or 1)) as pool:
        found = list(pool.map(lambda one: one[0](view, one[1]), asked))
    return _for_twins(pl.concat([no_hits(), *found]).unique(maintain_order=True), several)


def date_objections(
    typed: pl.DataFrame, stored: pl.DataFrame, register: Register, contract: Contract
) -> list[int]:
    """The items to whose dates season or order of stages objects; frames as in `apply_rules`."""
    none = {target: pl.DataFrame(schema={**shape, "item_no": pl.Int32}) for target, shape in _TASTED.items()}
    view = look(standing(typed, stored)[0], none["picks"], none["scores"], register, contract)
    found = [_OF_READINGS[code](view, contract.rules[code]) for code in _ON_DATES]
    return pl.concat(found)["item_no"].unique().sort().to_list()


def _asked(view: View) -> Mapping[str, Check]:
    """The rules that can object to this batch: a rule that names its analytes objects to no other."""
    here = set(view.typed["analyte"].unique())
    asked = {
        code: check
        for code, check in (_OF_READINGS if here else {}).items()
        if not (named := view.contract.rules[code].analytes) or here.intersection(named)
    }
    return {**asked, **_OF_TASTINGS} if view.picks.height or view.scores.height else asked


def check_settings(
    settings: Mapping[str, Mapping[str, float]], contract: Contract, *, where: str | Path = ""
) -> None:
    """Nothing; `UnknownName` for the first rule or setting that there is not, told as standing in `where`."""
    for code, own in sorted(settings.items()):
        if code not in (*RULES, *_AT_BOUNDS):
            near = get_close_matches(code, RULES, n=3)
            raise UnknownName(
                f"there is no rule {code!r} over several cells",
                where=where,
                next_step=f"Did you mean {' or '.join(near)}?" if near else f"There are: {', '.join(RULES)}.",
            )
        known = contract.rules[code].settings
        unknown = sorted(set(own) - set(known) - {"on"})
        if unknown:
            raise UnknownName(
                f"the rule {code!r} has no setting {unknown[0]!r}",
                where=where,
                next_step=f"It has: {', '.join(['on', *sorted(known)])}.",
            )


def rule_of(contract: Contract, code: str, settings: Mapping[str, Mapping[str, float]] | None) -> Rule | None:
    """The rule with a network's own settings; None if it is switched off."""
    rule, own = contract.rules[code], (settings or {}).get(code, {})
    if not own.get("on", 1):
        return None
    changed = {name: value for name, value in own.items() if name != "on"}
    return rule._replace(settings=MappingProxyType({**rule.settings, **changed}))


def _for_twins(found: pl.DataFrame, several: pl.DataFrame) -> pl.DataFrame:
    """Hits for each item that says the same as one that was hit: rules see every reading once."""
    said = list(SAYS)
    held = found.filter(pl.col("severity") == "hold")
    if held.is_empty():
        return found
    hit = several.join(held, on="item_no", how="semi").select(said).unique()
    several = several.join(hit, on=said, how="semi", nulls_equal=True, maintain_order="left")
    several = several.filter(pl.len().over(said) > 1)
    if several.is_empty():
        return found
    twins = several.select(
        pl.col("item_no").alias("twin"), pl.col("item_no").first().over(said).alias("item_no")
    ).filter(pl.col("twin") != pl.col("item_no"))
    more = held.join(twins, on="item_no", how="inner")
    return pl.concat([found, more.with_columns(pl.col("twin").alias("item_no")).select(found.columns)])
