"""Effects pooled into the network's answer: does it hold across sites and seasons?

What pools thousands of questions at once is loaded when first used: one question needs none of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from crosscellar.pooling.monitored import adjust_monitored
from crosscellar.pooling.multiplicity import adjust
from crosscellar.pooling.pool import pool
from crosscellar.pooling.result import Pooled, set_plotter

if TYPE_CHECKING:
    from crosscellar.pooling.groups import pool_each

__all__ = ["Pooled", "adjust", "adjust_monitored", "pool", "pool_each", "set_plotter"]


def __getattr__(name: str) -> Any:
    if name == "pool_each":
        from crosscellar.pooling.groups import pool_each

        return pool_each
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
