"""What more sites, vessels and tasters would buy, and at what cost."""

from crosscellar.planning.vessels import vessel_half_width, vessels_needed, vessels_unrounded

__all__ = ["vessel_half_width", "vessels_needed", "vessels_unrounded"]
