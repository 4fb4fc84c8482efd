"""What one trial showed: readings to vessels, vessels to effects, and where each variance comes from."""

from crosscellar.effects.measures import MEASURES, default_measure, percent_change
from crosscellar.effects.moderation import ModeratedVariances, moderate_variances
from crosscellar.effects.readings import effects_of_readings, variance_priors
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
from crosscellar.effects.words import variance_words, with_variance_words

__all__ = [
    "MEASURES",
    "ModeratedVariances",
    "Slope",
    "TriangleResult",
    "critical_number",
    "default_measure",
    "effects_from_summary",
    "effects_of_readings",
    "hedges_correction",
    "moderate_variances",
    "percent_change",
    "shared_control_difference",
    "shared_control_log_ratio",
    "shared_control_standardized",
    "similarity_limit",
    "slope_from_case_control",
    "slope_from_means",
    "slope_of_contrasts",
    "triangle_power",
    "triangle_result",
    "variance_priors",
    "variance_words",
    "with_variance_words",
]
