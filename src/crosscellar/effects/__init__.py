"""What one trial showed: readings to vessels, vessels to effects, and where each variance comes from.

Names are loaded when first used: an effect of readings needs nothing of panels.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from crosscellar.effects.events import EventRules, effects_of_events, vessel_events
    from crosscellar.effects.ferments import (
        FermentRules,
        effects_of_ferments,
        ferment_curves,
        ferment_summaries,
    )
    from crosscellar.effects.measures import MEASURES, default_measure, percent_change
    from crosscellar.effects.moderation import ModeratedVariances, moderate_variances
    from crosscellar.effects.picks import effects_of_picks
    from crosscellar.effects.readings import (
        effects_of_readings,
        priors_of_trials,
        trial_variances,
        variance_priors,
    )
    from crosscellar.effects.scale import Scale, decimals_for
    from crosscellar.effects.scores import effects_of_scores
    from crosscellar.effects.shared import (
        shared_control_difference,
        shared_control_log_ratio,
        shared_control_standardized,
    )
    from crosscellar.effects.slopes import (
        Slope,
        slope_from_case_control,
        slope_from_means,
        slope_of_contrasts,
    )
    from crosscellar.effects.summaries import effects_from_summary, hedges_correction
    from crosscellar.effects.triangles import (
        TriangleResult,
        critical_number,
        similarity_limit,
        triangle_power,
        triangle_result,
    )
    from crosscellar.effects.whole import (
        analytes_needed,
        effects_of_store,
        in_turn,
        lent_by_readings,
        trials_without_effect,
    )
    from crosscellar.effects.words import prior_words, variance_words, with_variance_words

__all__ = [
    "MEASURES",
    "EventRules",
    "FermentRules",
    "ModeratedVariances",
    "Scale",
    "Slope",
    "TriangleResult",
    "analytes_needed",
    "critical_number",
    "decimals_for",
    "default_measure",
    "effects_from_summary",
    "effects_of_events",
    "effects_of_ferments",
    "effects_of_picks",
    "effects_of_readings",
    "effects_of_scores",
    "effects_of_store",
    "ferment_curves",
    "ferment_summaries",
    "hedges_correction",
    "in_turn",
    "lent_by_readings",
    "moderate_variances",
    "percent_change",
    "prior_words",
    "priors_of_trials",
    "shared_control_difference",
    "shared_control_log_ratio",
    "shared_control_standardized",
    "similarity_limit",
    "slope_from_case_control",
    "slope_from_means",
    "slope_of_contrasts",
    "trial_variances",
    "trials_without_effect",
    "triangle_power",
    "triangle_result",
    "variance_priors",
    "variance_words",
    "vessel_events",
    "with_variance_words",
]

_HOMES = {
    **dict.fromkeys(("EventRules", "effects_of_events", "vessel_events"), "events"),
    **dict.fromkeys(
        ("FermentRules", "effects_of_ferments", "ferment_curves", "ferment_summaries"), "ferments"
    ),
    **dict.fromkeys(("MEASURES", "default_measure", "percent_change"), "measures"),
    **dict.fromkeys(("ModeratedVariances", "moderate_variances"), "moderation"),
    "effects_of_picks": "picks",
    **dict.fromkeys(
        ("effects_of_readings", "priors_of_trials", "trial_variances", "variance_priors"), "readings"
    ),
    **dict.fromkeys(("Scale", "decimals_for"), "scale"),
    "effects_of_scores": "scores",
    **dict.fromkeys(
        ("shared_control_difference", "shared_control_log_ratio", "shared_control_standardized"), "shared"
    ),
    **dict.fromkeys(("Slope", "slope_from_case_control", "slope_from_means", "slope_of_contrasts"), "slopes"),
    **dict.fromkeys(("effects_from_summary", "hedges_correction"), "summaries"),
    **dict.fromkeys(
        ("TriangleResult", "critical_number", "similarity_limit", "triangle_power", "triangle_result"),
        "triangles",
    ),
    **dict.fromkeys(
        ("analytes_needed", "effects_of_store", "in_turn", "lent_by_readings", "trials_without_effect"),
        "whole",
    ),
    **dict.fromkeys(("prior_words", "variance_words", "with_variance_words"), "words"),
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
