"""Smallest value of each group of moves."""

import numpy as np
from numba import njit

__all__ = ["least_by_group"]


@njit(cache=True)
def least_by_group(value, index, counts, n_groups):
    """(n,), (n,) int, (n,) bool, () -> (n_groups,): least value of those that count; infinite where none does."""
    least = np.full(n_groups, np.inf)
    for i in range(value.size):
        if counts[i] and value[i] < least[index[i]]:
            least[index[i]] = value[i]
    return least
