"""The shortest way through all pieces of a layer: exact for a dozen (Held and Karp 1962), a spanning tree as a bound.

Costs are those of going from piece to piece; what is laid on a spot that has not rested costs as well. Which pieces
are laid tells the time, so that this cost is exact too. M. Held and R. M. Karp, J. SIAM 10 (1962) 196; the tree: R. C.
Prim, Bell System Technical Journal 36 (1957) 1389.
"""

import math

import numpy as np

from pliant.arrays import Floats, Ints
from pliant.kernels.compiler import njit

__all__ = ["close_gaps", "spanning_tree", "through_pieces"]


@njit(cache=True)
def close_gaps(gap: Floats) -> None:
    """(k,k), in place: the least air between pieces by way of others (Floyd and Warshall)."""
    for m in range(len(gap)):
        for i in range(len(gap)):
            for j in range(len(gap)):
                gap[i, j] = min(gap[i, j], gap[i, m] + gap[m, j])


@njit(cache=True)
def spanning_tree(gap: Floats) -> float:
    """(k,k) -> length of the least tree that joins all pieces."""
    k = len(gap)
    away, inside, total = np.full(k, math.inf), np.zeros(k, dtype=np.bool_), 0.0
    away[0] = 0.0
    for _ in range(k):
        near = -1
        for i in range(k):
            if not inside[i] and (near < 0 or away[i] < away[near]):
                near = i
        inside[near] = True
        total += away[near]
        for i in range(k):
            away[i] = min(away[i], gap[near, i])
    return total


@njit(cache=True)
def through_pieces(
    gap: Floats, start: Floats, seconds: Floats, under: Floats, limit_s: float, weight: float, last: int
) -> tuple[Ints, Floats]:
    """(k,k), (k,), (k,), (k,), (), (), () -> order (k,), least (k,): best order, and the least cost to end in each.

    `start` is the cost of each piece as the first one; `under` when what lies under it was laid, counted from now;
    `last` the piece to end in, -1 for any.
    """
    k = len(gap)
    full = (1 << k) - 1
    cost = np.full((full + 1, k), math.inf)
    came = np.full((full + 1, k), -1, dtype=np.int64)
    for i in range(k):
        cost[1 << i, i] = start[i] + weight * max(limit_s + under[i], 0.0)
    for group in range(1, full + 1):
        spent = 0.0
        for i in range(k):
            if group >> i & 1:
                spent += seconds[i]
        for j in range(k):
            if group >> j & 1:
                continue
            wait = weight * max(limit_s - spent + under[j], 0.0)
            grown = group | 1 << j
            for i in range(k):
                if group >> i & 1 and cost[group, i] + gap[i, j] + wait < cost[grown, j] - 1e-9:
                    cost[grown, j], came[grown, j] = cost[group, i] + gap[i, j] + wait, i
    order = np.empty(k, dtype=np.int64)
    at = last if last >= 0 else int(np.argmin(cost[full]))
    group = full
    for place in range(k - 1, -1, -1):
        order[place] = at
        group, at = group & ~(1 << at), came[group, at]
    return order, cost[full].copy()
