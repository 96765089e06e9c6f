"""Thinning a time line to equal bins without losing an extreme."""

import math

import numpy as np
from numba import njit

__all__ = ["thin_to_bins"]


@njit(cache=True)
def thin_to_bins(end_s, demand, capacity, margin, n_bins):
    """(n,) ends of phases, (n,), (n,), (n,), () -> low, high, capacity, margin, worst phase, each (n_bins,).

    A phase counts in every bin it touches. Phases tile the time line, so each bin is touched; rounding may still
    leave one untouched at an edge, and then it repeats the bin before it.
    """
    width = end_s[-1] / n_bins
    low = np.full(n_bins, np.inf)
    high = np.full(n_bins, -np.inf)
    least_capacity = np.full(n_bins, np.inf)
    least_margin = np.full(n_bins, np.inf)
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
            least_capacity[b] = min(least_capacity[b], capacity[i])
            if worst[b] < 0 or margin[i] < least_margin[b]:
                least_margin[b] = margin[i]
                worst[b] = i
        start = end_s[i]
    for b in range(n_bins):
        if worst[b] < 0:
            j = max(b - 1, 0)
            low[b], high[b], least_capacity[b] = low[j], high[j], least_capacity[j]
            least_margin[b], worst[b] = least_margin[j], max(worst[j], 0)
    return low, high, least_capacity, least_margin, worst
