"""A uniform grid over segments, walked row by row: which columns does a capsule touch in each row?

Shared by the kernels that look for near segments. A cell is found by hashing its two indices into a power of two of
buckets, so memory depends on the number of segments and never on how far apart they lie; cells that share a bucket
only bring candidates that the exact test then rejects.
"""

import math

from pliant.kernels.compiler import njit

__all__ = ["bucket_of", "row_span"]


@njit(cache=True)
def bucket_of(column, row, mask):
    """Cell indices and (buckets - 1), buckets a power of two -> bucket."""
    return (column * 73856093 ^ row * 19349663) & mask


@njit(cache=True)
def row_span(ax, ay, bx, by, reach, low, high):
    """Interval of x touched inside the band low <= y <= high by segment a-b grown by reach. -> x_low, x_high, mm

    Never too narrow; a little too wide where a round end leaves the band.
    """
    if by < ay:
        ax, ay, bx, by = bx, by, ax, ay
    t0, t1 = 0.0, 1.0
    rise = by - ay
    if rise > 0.0:
        t0 = min(max((low - reach - ay) / rise, 0.0), 1.0)
        t1 = min(max((high + reach - ay) / rise, 0.0), 1.0)
    x0, x1 = ax + t0 * (bx - ax), ax + t1 * (bx - ax)
    slack = reach + 1e-9 * (1.0 + math.fabs(x0) + math.fabs(x1))
    return min(x0, x1) - slack, max(x0, x1) + slack
