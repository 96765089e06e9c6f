"""The order in which islands or runs are laid: shortest way through all of them, each kept as it is.

An island is entered where its first bead begins and left where its last bead ends; neither changes, nor does anything
inside it. What may change is only which island comes next. The cost of going from one to another is the caller's:
straight distance between points, or a matrix, for example of open travel or of seconds along routed paths.

The search is a local one with restarts, not a proof of the optimum: on the random layers of the tests it stays
within 2 % of the proven optimum. The order given is returned if nothing better is found,
so the result never costs more.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import DomainError
from pliant.kernels.order import improve_order, near_lists, nearest_order, order_cost

__all__ = ["Ordering", "order_by_cost", "order_islands"]

_NEAR = 10  # cheapest followers looked at for each island
_WINDOW = 1500  # islands ordered at once: the cost matrix of one window stays under 20 MB
_KICKS, _KICKS_EACH = 2000, 100  # kicks, and kicks for each island ...
_MOST_KICKS = 4_000_000  # ... as long as kicks times islands stay below this: bounds the time for many islands


@dataclass(frozen=True)
class Ordering:
    """An order and what it costs.

    Attributes
    ----------
    order : ndarray, (n,)
        Index of the island laid first, second, ...
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


def order_islands(
    entry_xy: Any, exit_xy: Any, start_xy: Any, end_xy: Any = None, *, effort: float = 1.0, seed: int = 0
) -> Ordering:
    """Order islands by straight distance from exit to entry.

    Parameters
    ----------
    entry_xy, exit_xy : array_like, (n, 2)
        Where each island is entered and left, in the order they have now. [mm]
    start_xy : array_like, (2,)
        Where the nozzle comes from. [mm]
    end_xy : array_like, (2,), optional
        Where it must go afterwards; without it, the way ends at the last island. [mm]
    effort : float, default 1.0
        Scales the time spent.
    seed : int, default 0
        Seed of the search.

    Returns
    -------
    Ordering
        Costs in mm.

    Raises
    ------
    DomainError
        If the shapes do not fit or a coordinate is not finite.

    Notes
    -----
    More than 1500 islands are ordered in windows of 1500 of the order given: still never worse, but islands do not
    change windows.

    Examples
    --------
    >>> points = [[0, 0], [9, 0], [1, 0], [8, 0]]
    >>> found = order_islands(points, points, [0, 1])
    >>> found.order.tolist(), found.cost, found.cost_before
    ([0, 2, 3, 1], 10.0, 25.0)
    """
    entry, exit_ = (np.asarray(p, dtype=np.float64).reshape(-1, 2) for p in (entry_xy, exit_xy))
    start = np.asarray(start_xy, dtype=np.float64).reshape(-1)
    end = None if end_xy is None else np.asarray(end_xy, dtype=np.float64).reshape(-1)
    if entry.shape != exit_.shape or start.shape != (2,) or (end is not None and end.shape != (2,)):
        raise DomainError("entry_xy and exit_xy must be (n, 2) each, start_xy and end_xy two numbers")
    if not all(np.isfinite(p).all() for p in (entry, exit_, start, start if end is None else end)):
        raise DomainError("entry_xy, exit_xy, start_xy and end_xy must be finite")
    n = len(entry)
    order = np.arange(n)
    here = start
    for first in range(0, n, _WINDOW):
        last = min(first + _WINDOW, n)
        # a window ends where the next one, in the order given, begins: so that each can only gain
        goal = end if last == n else entry[last]
        ways_in = [here, *entry[first:last], *([] if goal is None else [goal])]
        ways_out = [here, *exit_[first:last], *([] if goal is None else [goal])]
        cost = np.hypot(*(np.array(ways_out)[:, None] - np.array(ways_in)[None]).transpose(2, 0, 1))
        found = order_by_cost(cost, with_end=goal is not None, effort=effort, seed=seed)
        order[first:last] = found.order + first
        here = exit_[order[last - 1]]
    return Ordering(order, _way_mm(order, entry, exit_, start, end), _way_mm(np.arange(n), entry, exit_, start, end))


def _way_mm(
    order: NDArray[np.int64],
    entry: NDArray[np.float64],
    exit_: NDArray[np.float64],
    start: NDArray[np.float64],
    end: NDArray[np.float64] | None,
) -> float:
    """Length of the travels from the start through the islands to the end. [mm]"""
    out = np.vstack([start[None], exit_[order]])
    into = entry[order] if end is None else np.vstack([entry[order], end[None]])
    return float(np.hypot(*(into - out[: len(into)]).T).sum())
