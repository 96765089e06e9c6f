"""How often a stretch of filament goes back and forth at the drive, retraction after retraction."""

import numpy as np

from pliant.arrays import Bools, Floats
from pliant.kernels.compiler import njit

__all__ = ["pulled_too_often"]


@njit(cache=True)
def pulled_too_often(top: Floats, back: Floats, skipped: Bools, most_passes: int) -> Bools:
    """Which retractions would take the same filament through the drive too often, each judged after those before it.

    Filament fed before each (m,), pulled back (m,) [mm], those that are not made in any case (m,), () -> (m,) bool.
    A stretch passes once forward and twice more for every retraction over it; one that is too many is not made.
    """
    m = top.size
    often = np.zeros(m, np.bool_)
    low, high = np.empty(m), np.empty(m)  # of filament pulled back by the retractions that are made, while in reach
    n = 0
    for i in range(m):
        bottom = top[i] - back[i] + 1e-9  # [mm] two that only touch share no filament, whatever rounding says
        kept = 0
        for k in range(n):
            if high[k] > bottom:
                low[kept], high[kept] = low[k], high[k]
                kept += 1
        n = kept
        most = 0
        for k in range(n):  # the depth is largest where one of them begins
            at = max(low[k], bottom)
            depth = 0
            for q in range(n):
                depth += max(low[q], bottom) <= at
                depth -= min(high[q], top[i]) <= at
            most = max(most, depth)
        often[i] = 1 + 2 * (most + 1) > most_passes
        if not (often[i] or skipped[i]):
            low[n], high[n] = bottom, top[i]
            n += 1
    return often
