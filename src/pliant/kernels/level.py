"""Levelling: neighbours that are nearly equal get one value."""

import numpy as np

from pliant.arrays import Floats
from pliant.kernels.compiler import njit

__all__ = ["level_stretches"]


@njit(cache=True)
def level_stretches(value: Floats, ratio: float) -> Floats:
    """(n,), () -> (n,): cut into stretches whose largest value is within `ratio` of the smallest; each takes that."""
    out = np.empty_like(value)
    first = 0
    low = high = value[0] if value.size else 0.0
    for i in range(value.size + 1):
        if i < value.size:
            new_low, new_high = min(low, value[i]), max(high, value[i])
            if new_high <= new_low * ratio:
                low, high = new_low, new_high
                continue
        for j in range(first, i):
            out[j] = low
        if i < value.size:
            first, low, high = i, value[i], value[i]
    return out
