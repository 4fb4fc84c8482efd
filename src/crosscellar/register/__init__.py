"""The trial register: sites, questions, trials, arms, vessels and what will be compared.

What reads and checks one is loaded when first used: a question takes it out of the store.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from crosscellar.register.trials import DERIVED_RESPONSES, Register, check_season

if TYPE_CHECKING:
    from crosscellar.register.reading import read_register

__all__ = ["DERIVED_RESPONSES", "Register", "check_season", "read_register"]


def __getattr__(name: str) -> Any:
    if name == "read_register":
        from crosscellar.register.reading import read_register

        return read_register
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
