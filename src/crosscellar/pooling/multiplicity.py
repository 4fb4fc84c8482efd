"""P-values of several monitored responses, adjusted together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from crosscellar.errors import NotComputable, UnknownName

Floats = NDArray[np.float64]

METHODS = ("benjamini_hochberg", "holm")


def adjust(p_values: Sequence[float] | Floats, *, method: str = "benjamini_hochberg") -> Floats:
    """Adjusted p-values in the order of `p_values`, shape (tests,); a missing one (NaN) stays missing.

    A `method` `benjamini_hochberg` bounds the share of false discoveries: the least over j >= i of m p(j) / j
    (Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300). `holm` bounds the chance of any false discovery:
    the largest over j <= i of (m - j + 1) p(j) (Holm 1979, Scand J Stat 6:65-70).

    Raises
    ------
    UnknownName
        For another method.
    NotComputable
        For a p-value outside 0 to 1.
    """
    if method not in METHODS:
        raise UnknownName(
            f"The method {method!r} is not known", next_step=f"Use one of: {', '.join(METHODS)}."
        )
    p = np.asarray(p_values, dtype=np.float64).ravel()
    known = np.flatnonzero(~np.isnan(p))
    if ((p[known] < 0) | (p[known] > 1)).any():
        raise NotComputable("A p-value lies outside 0 to 1", next_step="Check the values given.")
    adjusted = np.full(p.shape, np.nan)
    order = known[np.argsort(p[known], kind="stable")]
    many = order.size
    rank = np.arange(1, many + 1)
    if method == "holm":
        steps = np.maximum.accumulate((many - rank + 1) * p[order])
    else:
        steps = np.minimum.accumulate((many * p[order] / rank)[::-1])[::-1]
    adjusted[order] = np.minimum(steps, 1.0)
    return adjusted
