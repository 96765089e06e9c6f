"""What searches for the cheapest way over a raster of cells share: costs of a step, and a queue by whole costs.

The queue has a bucket for each cost that can be waiting at once (R. B. Dial, Algorithm 360, Communications of the ACM
12 (1969)): `bucket` holds the newest entry of each, `pool` an entry's cell and the entry before it, (-1 for none).
"""

import numpy as np

from pliant.kernels.compiler import njit

__all__ = ["AIR", "SLANTED", "STRAIGHT", "put", "take"]

AIR = 12  # a way through air costs as much as one so many times as long over bead; our choice
STRAIGHT, SLANTED = 5, 7  # costs of a step over bead: in the ratio of their lengths within 1 %


@njit(cache=True)
def put(cell, level, bucket, used, pool):
    """Let a cell wait at a level as entry `used` -> the pool (n,2), grown where it was full."""
    if used == len(pool):
        pool = np.concatenate((pool, np.empty_like(pool)))
    place = level % len(bucket)
    pool[used, 0], pool[used, 1] = cell, bucket[place]
    bucket[place] = used
    return pool


@njit(cache=True)
def take(level, bucket, pool):
    """The cell that came to a level last, which leaves it; -1 where none waits."""
    place = level % len(bucket)
    entry = bucket[place]
    if entry < 0:
        return -1
    bucket[place] = pool[entry, 1]
    return pool[entry, 0]
