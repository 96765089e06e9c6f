"""Smallest value of each group of moves."""

import numpy as np

from pliant.arrays import Bools, Floats, Floats32, Ints32
from pliant.kernels.compiler import njit

__all__ = ["least_by_group"]


@njit(cache=True)
def least_by_group(value: Floats32, index: Ints32, counts: Bools, n_groups: int) -> Floats:
    """(n,), (n,) int, (n,) bool, () -> (n_groups,): least value of those that count; infinite where none does."""
    least = np.full(n_groups, np.inf)
    for i in range(value.size):
        if counts[i] and value[i] < least[index[i]]:
            least[index[i]] = value[i]
    return least
