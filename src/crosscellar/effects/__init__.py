"""What one trial showed: readings to vessels, vessels to effects, and where each variance comes from."""

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
