"""Pools production-scale trials across wineries and years: intake, store, effects, answers, summary.

Names are loaded when first used, so that the command line starts quickly.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from crosscellar.effects import effects_from_summary, moderate_variances, triangle_result
    from crosscellar.network import Network
    from crosscellar.planning import vessels_needed
    from crosscellar.pooling import Pooled, adjust, pool, pool_each

_HOMES = {
    "Network": "crosscellar.network",
    "Pooled": "crosscellar.pooling",
    "adjust": "crosscellar.pooling",
    "adjust_monitored": "crosscellar.pooling",
    "effects_from_summary": "crosscellar.effects",
    "moderate_variances": "crosscellar.effects",
    "pool": "crosscellar.pooling",
    "pool_each": "crosscellar.pooling",
    "triangle_result": "crosscellar.effects",
    "vessels_needed": "crosscellar.planning",
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
    "vessels_needed",
]


#: Names whose results can draw themselves: with them the drawing is lent to `Pooled.plot`.
_DRAWN = {"Network", "Pooled", "pool"}


def _draw(pooled: Pooled, path: Path) -> Path:
    from crosscellar.report.forest import draw_forest

    return draw_forest(pooled, path)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'crosscellar' has no attribute {name!r}")
    if name in _DRAWN:
        from crosscellar.pooling import set_plotter

        set_plotter(_draw)
    return getattr(import_module(_HOMES[name]), name)
