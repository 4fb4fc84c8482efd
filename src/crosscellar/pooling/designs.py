"""Moderators as columns of a design, and the p that comes from exchanging them between sites."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crosscellar.errors import NotComputable
from crosscellar.pooling.covariance import Floats, Integers

#: All orders of the sites are tried up to this many, random ones beyond it.
MOST_ORDERS = 5040


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """A design matrix with the name and the moderator of each column."""

    matrix: Floats
    terms: tuple[str, ...]
    owners: tuple[str, ...]


def values_of(given: Any) -> list[Any]:
    return list(given.to_list() if hasattr(given, "to_list") else given)


def _missing(value: Any) -> bool:
    return value is None or value != value


def complete_effects(
    estimate: npt.ArrayLike, variance: npt.ArrayLike, moderators: Mapping[str, Any]
) -> tuple[Floats, Floats, Integers, int]:
    """Effects that have a value of every moderator, their positions, and how many have not."""
    y = np.asarray(estimate, dtype=np.float64)
    v = np.asarray(variance, dtype=np.float64)
    whole = np.ones(y.size, dtype=bool)
    for name, given in moderators.items():
        values = values_of(given)
        if len(values) != y.size:
            raise NotComputable(f"{y.size} effects but {len(values)} values of {name}")
        whole &= ~np.array([_missing(value) for value in values], dtype=bool)
    at = np.flatnonzero(whole)
    return y[at], v[at], at, int((~whole).sum())


def design_of(
    moderators: Mapping[str, Any], at: Integers, *, categories: Collection[str], centred: bool
) -> Columns:
    columns: list[Floats] = [np.ones(at.size)]
    terms, owners = ["intercept"], [""]
    if not moderators:
        raise NotComputable("no moderator was named")
    for name, given in moderators.items():
        everything = values_of(given)
        values = [everything[i] for i in at]
        numeric = name not in categories and all(
            isinstance(value, int | float | np.number) and not isinstance(value, bool) for value in values
        )
        if numeric:
            number = np.array(values, dtype=np.float64)
            if number.size == 0 or np.ptp(number) == 0.0:
                raise NotComputable(
                    f"{name} is the same for all effects", next_step="Choose another moderator."
                )
            columns.append(number - number.mean() if centred else number)
            terms.append(name)
            owners.append(name)
            continue
        label = np.array([str(value) for value in values])
        named = np.unique(label)
        if named.size < 2:
            raise NotComputable(f"{name} is the same for all effects", next_step="Choose another moderator.")
        for one in named[1:]:
            columns.append((label == one).astype(np.float64))
            terms.append(f"{name}: {one} against {named[0]}")
            owners.append(name)
    return Columns(np.column_stack(columns), tuple(terms), tuple(owners))


def permutation_p(
    y: Floats,
    working: Floats,
    columns: Columns,
    site: Integers,
    *,
    orders: int,
    rng: np.random.Generator | None,
) -> tuple[dict[str, float], int, bool]:
    """A p for each moderator by exchanging all moderators between sites, how many orders, whether all.

    The statistic is b'C^-1 b over the scatter left, in the metric of `working` (n, n), the covariance of
    the effects without moderators, which is the same for all orders. Without an answer: no p, 0 orders.
    Moderators that vary within sites cannot be exchanged between them.
    """
    x = columns.matrix
    first = np.unique(site, return_index=True)[1]
    if not np.array_equal(x, x[first][site]):
        return {}, 0, False
    m = first.size
    exact = math.factorial(m) <= MOST_ORDERS if m < 12 else False
    if exact:
        order = np.array(list(itertools.permutations(range(m))), dtype=np.int64)
    elif orders > 0 and rng is not None:
        order = np.stack([np.arange(m), *(rng.permutation(m) for _ in range(orders))])
    else:
        return {}, 0, False
    lower = np.linalg.cholesky(working)
    white_y = np.linalg.solve(lower, y)
    chunk = max(1, 2_000_000 // max(1, x.size))
    statistics: list[Floats] = []
    owners = np.array(columns.owners)
    names = list(dict.fromkeys(columns.owners[1:]))
    for start in range(0, order.shape[0], chunk):
        turned = x[first][order[start : start + chunk]][:, site]
        white = np.linalg.solve(lower, turned)
        gram = np.swapaxes(white, 1, 2) @ white
        bread = np.linalg.inv(gram)
        b = np.einsum("gij,gj->gi", bread, np.einsum("gni,n->gi", white, white_y))
        left = white_y - np.einsum("gni,gi->gn", white, b)
        scatter = (left**2).sum(axis=1)
        part = []
        for name in names:
            at = np.flatnonzero(owners == name)
            inner = bread[:, at[:, None], at]
            part.append(
                np.einsum("gi,gi->g", b[:, at], np.linalg.solve(inner, b[:, at][:, :, None])[:, :, 0])
            )
        # In units of the effects' own errors: what is left of a perfect fit, or of none, is rounding.
        gained = np.stack(part, axis=1)
        statistics.append(np.where(gained > 1e-20, gained, 0.0) / np.maximum(scatter, 1e-12)[:, None])
    value = np.concatenate(statistics)
    share = (value >= value[0] * (1.0 - 1e-9)).mean(axis=0)
    return dict(zip(names, (float(s) for s in share), strict=True)), int(order.shape[0]), exact
