"""The trial register: sites, questions, trials, arms, vessels and what will be compared."""

from crosscellar.register.reading import read_register
from crosscellar.register.trials import DERIVED_RESPONSES, Register, check_season

__all__ = ["DERIVED_RESPONSES", "Register", "check_season", "read_register"]
