"""Pools production-scale trials across wineries and years: intake, store, effects, answers, summary.

Names are loaded when first used, so that the command line starts quickly.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from crosscellar.effects import effects_from_summary, moderate_variances, triangle_result
    from crosscellar.errors import (
        CrosscellarError,
        NotComputable,
        NotOurStore,
        RegisterRefused,
        StoreBusy,
        StoreDamaged,
        StoreError,
        UnknownName,
        UnreadableFile,
    )
    from crosscellar.network import Network
    from crosscellar.planning import vessels_needed
    from crosscellar.plans import panel_plan
    from crosscellar.pooling import Pooled, adjust, adjust_monitored, pool, pool_each

_HOMES = {
    "CrosscellarError": "crosscellar.errors",
    "Network": "crosscellar.network",
    "NotComputable": "crosscellar.errors",
    "NotOurStore": "crosscellar.errors",
    "Pooled": "crosscellar.pooling",
    "RegisterRefused": "crosscellar.errors",
    "StoreBusy": "crosscellar.errors",
    "StoreDamaged": "crosscellar.errors",
    "StoreError": "crosscellar.errors",
    "UnknownName": "crosscellar.errors",
    "UnreadableFile": "crosscellar.errors",
    "adjust": "crosscellar.pooling",
    "adjust_monitored": "crosscellar.pooling",
    "effects_from_summary": "crosscellar.effects",
    "moderate_variances": "crosscellar.effects",
    "panel_plan": "crosscellar.plans",
    "pool": "crosscellar.pooling",
    "pool_each": "crosscellar.pooling",
    "triangle_result": "crosscellar.effects",
    "vessels_needed": "crosscellar.planning",
}

__all__ = [
    "CrosscellarError",
    "Network",
    "NotComputable",
    "NotOurStore",
    "Pooled",
    "RegisterRefused",
    "StoreBusy",
    "StoreDamaged",
    "StoreError",
    "UnknownName",
    "UnreadableFile",
    "adjust",
    "adjust_monitored",
    "effects_from_summary",
    "moderate_variances",
    "panel_plan",
    "pool",
    "pool_each",
    "triangle_result",
    "vessels_needed",
]


#: Names whose results can draw themselves: with them the drawing is lent to `Pooled.plot`.
_DRAWN = {"Network", "Pooled", "pool"}
#: Names whose results show themselves in a notebook in the words of the terminal.
_SHOWN = {"Network", "panel_plan"}


def _draw(pooled: Pooled, path: Path) -> Path:
    from crosscellar.report.forest import draw_forest

    return draw_forest(pooled, path)


def _show(result: object) -> str:
    from crosscellar.console.html import html_of

    return html_of(result)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'crosscellar' has no attribute {name!r}")
    if name in _DRAWN:
        from crosscellar.pooling import set_plotter

        set_plotter(_draw)
    if name in _SHOWN:
        from crosscellar.results import set_html

        set_html(_show)
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
