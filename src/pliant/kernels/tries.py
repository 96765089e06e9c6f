"""The order of tries with the least expected cost, by branch and bound; what it means is in `feed/tries.py`."""

import numpy as np

from pliant.arrays import Floats, Ints
from pliant.kernels.compiler import njit

__all__ = ["cheapest_tries"]


@njit(cache=True, fastmath=True)
def _dot(a, b):
    total = 0.0
    for i in range(a.size):
        total += a[i] * b[i]
    return total


@njit(cache=True)
def cheapest_tries(
    cost: Floats, goes: Floats, known: Floats, weight: Floats, first: int, spent: float, end: float, least: float,
    close: float, most: int,
) -> tuple[Ints, float]:  # fmt: skip
    """Places tried one after the other, rising, and their cost; none where `least` is not beaten.

    (k,n) cost of a try, chance to go on and cost for who knows the draw, (n,) weights that are left, (), () cost before
    and after, () cost to beat, () what is too close to count, () nodes at most.
    """
    k, n = cost.shape
    still, bound = np.empty((k + 1, n)), np.full((k + 1, k), np.inf)
    so_far, path = np.empty(k + 1), np.empty(k, dtype=np.int64)
    best = path[:0].copy()
    still[0], so_far[0] = weight, spent
    for place in range(first, k):
        bound[0, place] = spent + _dot(weight, known[place])
    depth, nodes = 0, 1
    while depth >= 0:
        here = bound[depth]
        place = int(np.argmin(here))
        if here[place] > least - close or nodes > most:
            depth -= 1
            continue
        here[place] = np.inf
        path[depth] = place
        now = so_far[depth] + _dot(still[depth], cost[place])
        whole = now + _dot(still[depth], goes[place]) * end
        if whole < least:
            least, best = whole, path[: depth + 1].copy()
        nodes += 1
        still[depth + 1] = still[depth] * goes[place]
        so_far[depth + 1] = now
        bound[depth + 1, : place + 1] = np.inf
        for later in range(place + 1, k):
            bound[depth + 1, later] = now + _dot(still[depth + 1], known[later])
        depth += 1
    return best, least
