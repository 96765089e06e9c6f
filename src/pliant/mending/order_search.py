"""The order in which things are laid: the cheapest way through all of them, each kept as it is.

A thing is entered where its first bead begins and left where its last bead ends; neither changes, nor does anything
inside it. What may change is only which comes next. The cost of going from one to another is the caller's.

The search is a local one with restarts, and shows no optimum: on the random layers of the tests it stays within 2 % of
the proven one. The order given is returned if nothing better is found, so the result never costs more.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import DomainError
from pliant.kernels.order import improve_order, near_lists, nearest_order, order_cost

__all__ = ["Ordering", "order_by_cost"]

_NEAR = 10  # cheapest followers looked at for each thing
_KICKS, _KICKS_EACH = 2000, 100  # kicks, and kicks for each thing ...
_MOST_KICKS = 4_000_000  # ... as long as kicks times things stay below this: bounds the time for many


@dataclass(frozen=True)
class Ordering:
    """An order and what it costs.

    Attributes
    ----------
    order : ndarray, (n,)
        Index of the thing laid first, second, ...
    cost, cost_before : float
        Sum of costs along this order, and along the order given, in the caller's unit.
    """

    order: NDArray[np.int64]
    cost: float
    cost_before: float


def order_by_cost(cost: Any, *, with_end: bool = False, effort: float = 1.0, seed: int = 0) -> Ordering:
    """Order things by a matrix of costs, which may differ there and back.

    Parameters
    ----------
    cost : array_like, (n + 1, n + 1), or (n + 2, n + 2) with an end
        `cost[i, j]` from the exit of i to the entry of j. Index 0 is the start, 1 to n the things in the order they
        have now, n + 1 the end.
    with_end : bool, default False
        Whether the last row and column are a fixed end; otherwise the way ends at the last thing laid.
    effort : float, default 1.0
        Scales the time spent; 0 is a plain descent.
    seed : int, default 0
        Seed of the search; the same seed gives the same order.

    Returns
    -------
    Ordering
        With indices 0 to n - 1, so that thing k is row k + 1 of the matrix.

    Raises
    ------
    DomainError
        If the matrix is not square, too small, or has an entry among those used that is not finite and >= 0.
    """
    given = np.asarray(cost, dtype=np.float64)
    least = 2 if with_end else 1
    if given.ndim != 2 or given.shape[0] != given.shape[1] or given.shape[0] < least:
        raise DomainError(f"cost must be a square matrix of {least} rows or more, got shape {given.shape}")
    if not (math.isfinite(effort) and effort >= 0):
        raise DomainError(f"effort must be finite and >= 0, got {effort:g}")
    n = given.shape[0] - least
    full = np.zeros((n + 2, n + 2))
    full[: given.shape[0], : given.shape[1]] = given
    # entries no order uses: back to the start, on from the end, from a thing to itself
    full[:, 0] = full[n + 1, :] = 0.0
    np.fill_diagonal(full, 0.0)
    if not (np.isfinite(full).all() and full.min() >= 0):
        raise DomainError("cost must be finite and >= 0 everywhere; give what cannot be done a large cost instead")
    now = np.arange(n + 2)
    before = float(order_cost(now, full))
    if n < 2:
        return Ordering(np.arange(n), before, before)
    near = near_lists(full, min(_NEAR, n))
    kicks = int(effort * min(_KICKS + _KICKS_EACH * n, _MOST_KICKS / n))
    best, value = now, before
    for start in (now, nearest_order(full)):
        found = improve_order(start, full, near, kicks // 2, seed % 2**31)
        total = float(order_cost(found, full))
        if total < value - 1e-9 * max(1.0, before):
            best, value = found, total
    return Ordering(best[1:-1] - 1, value, before)
