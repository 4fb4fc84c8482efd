"""Pools production-scale trials across wineries and years: intake, store, effects, answers, summary.

Names are loaded when first used, so that the command line starts quickly.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from crosscellar.effects import effects_from_summary, moderate_variances, triangle_result
    from crosscellar.network import Network
    from crosscellar.pooling import Pooled, adjust, pool, pool_each

_HOMES = {
    "Network": "crosscellar.network",
    "Pooled": "crosscellar.pooling",
    "adjust": "crosscellar.pooling",
    "effects_from_summary": "crosscellar.effects",
    "moderate_variances": "crosscellar.effects",
    "pool": "crosscellar.pooling",
    "pool_each": "crosscellar.pooling",
    "triangle_result": "crosscellar.effects",
}

__all__ = [
    "Network",
    "Pooled",
    "adjust",
    "effects_from_summary",
    "moderate_variances",
    "pool",
    "pool_each",
    "triangle_result",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'crosscellar' has no attribute {name!r}")
