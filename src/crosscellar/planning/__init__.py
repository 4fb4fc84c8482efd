"""What more sites, vessels and tasters would buy, and at what cost."""

from crosscellar.planning.budget import Choice, choose_proposals
from crosscellar.planning.costs import Prices, cheapest_plan
from crosscellar.planning.panels import Panel, panel_for_difference, panel_for_similarity
from crosscellar.planning.power import trial_power, vessels_for_difference
from crosscellar.planning.replication import (
    VERDICTS_OF,
    expected_half_width,
    plan_replication,
    site_effects,
)
from crosscellar.planning.vessels import vessel_half_width, vessels_needed, vessels_unrounded

__all__ = [
    "VERDICTS_OF",
    "Choice",
    "Panel",
    "Prices",
    "cheapest_plan",
    "choose_proposals",
    "expected_half_width",
    "panel_for_difference",
    "panel_for_similarity",
    "plan_replication",
    "site_effects",
    "trial_power",
    "vessel_half_width",
    "vessels_for_difference",
    "vessels_needed",
    "vessels_unrounded",
]
