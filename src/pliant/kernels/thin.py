"""Thinning a time line to equal bins without losing an extreme."""

import math

import numpy as np

from pliant.arrays import Floats, Ints
from pliant.kernels.compiler import njit

__all__ = ["thin_to_bins"]


@njit(cache=True)
def thin_to_bins(end_s: Floats, demand: Floats, margin: Floats, n_bins: int) -> tuple[Floats, Floats, Floats, Ints]:
    """(n,) ends of moves, (n,), (n,), () -> low, high, margin, worst move, each (n_bins,).

    A move counts in every bin it touches. Moves tile the time line, so each bin is touched; rounding may still
    leave one untouched at an edge, and then it repeats the bin before it.
    """
    width = end_s[-1] / n_bins
    low = np.full(n_bins, np.inf)
    high = np.full(n_bins, -np.inf)
    least = np.full(n_bins, np.inf)
    worst = np.full(n_bins, -1, dtype=np.int64)
    start = 0.0
    for i in range(end_s.size):
        first = 0
        last = 0
        if width > 0.0:
            first = min(int(start / width), n_bins - 1)
            last = max(first, min(math.ceil(end_s[i] / width) - 1, n_bins - 1))
        for b in range(first, last + 1):
            low[b] = min(low[b], demand[i])
            high[b] = max(high[b], demand[i])
            if worst[b] < 0 or margin[i] < least[b]:
                least[b] = margin[i]
                worst[b] = i
        start = end_s[i]
    for b in range(n_bins):
        if worst[b] < 0:
            j = max(b - 1, 0)
            low[b], high[b], least[b], worst[b] = low[j], high[j], least[j], max(worst[j], 0)
    return low, high, least, worst
