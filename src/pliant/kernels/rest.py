"""How long each spot of a layer rests before the next layer covers it.

The plane is cut into square cells; a bead enters a cell where a point of its middle line, taken every half cell, lies
in it. Where a bead enters a cell higher than it was entered before, the time since then is the rest of that spot.
Cells are hashed, so memory grows with what is laid.
"""

import math

import numpy as np

from pliant.arrays import Floats, Ints
from pliant.kernels.compiler import njit
from pliant.kernels.grid import bucket_of

__all__ = ["rest_of_cells", "seconds_under"]

_HIGHER_MM = 0.04  # less is rounding; layers are thicker


@njit(cache=True)
def _slot(column, row, keys, mask):
    """Slot of a cell in an open hash table; the third column says which slots are taken."""
    at = bucket_of(column, row, mask)
    while keys[at, 2] and (keys[at, 0] != column or keys[at, 1] != row):
        at = (at + 1) & mask
    return at


@njit(cache=True)
def _grown(keys, top, last):
    mask = 2 * keys.shape[0] - 1
    more, higher, later = np.zeros((mask + 1, 3), np.int64), np.empty(mask + 1), np.empty(mask + 1)
    for k in range(keys.shape[0]):
        if keys[k, 2]:
            at = _slot(keys[k, 0], keys[k, 1], more, mask)
            more[at], higher[at], later[at] = keys[k], top[k], last[k]
    return more, higher, later


@njit(cache=True)
def rest_of_cells(chord: Floats, begin_s: Floats, end_s: Floats, height: Floats, cell_mm: float) -> Floats:
    """(c,4), (c,), (c,), (c,), () -> rest (k,) of each spot that is covered later, s; chords in order of laying."""
    keys = np.zeros((1024, 3), dtype=np.int64)
    top, last = np.empty(1024), np.empty(1024)
    used, count = 0, 0
    rest = np.empty(1024)
    for i in range(len(chord)):
        dx, dy = chord[i, 2] - chord[i, 0], chord[i, 3] - chord[i, 1]
        steps = max(int(math.ceil(math.hypot(dx, dy) / (0.5 * cell_mm))), 1)
        for k in range(steps):
            t = (k + 0.5) / steps
            column = math.floor((chord[i, 0] + t * dx) / cell_mm)
            row = math.floor((chord[i, 1] + t * dy) / cell_mm)
            now = begin_s[i] + t * (end_s[i] - begin_s[i])
            at = _slot(column, row, keys, keys.shape[0] - 1)
            if not keys[at, 2]:
                keys[at] = column, row, 1
                top[at] = height[i]
                used += 1
            elif height[i] > top[at] + _HIGHER_MM:
                if count == rest.size:
                    rest = np.concatenate((rest, np.empty_like(rest)))
                rest[count] = now - last[at]
                count += 1
                top[at] = height[i]
            last[at] = now
            if 2 * used > keys.shape[0]:
                keys, top, last = _grown(keys, top, last)
    return rest[:count].copy()


@njit(cache=True)
def seconds_under(
    chord: Floats, run: Ints, n_runs: int, laid_s: Floats, west: float, south: float, cell_mm: float
) -> Floats:
    """(c,4), (c,), (), (rows,columns), (), (), () -> (n_runs,): when what lies under each run was laid, -inf: never.

    `laid_s` holds per cell when the layers before were last there. Of the cells under a run the latest but a tenth
    counts: a run that crosses a fresh one is not yet a run on fresh ground.
    """
    under = np.full(n_runs, -np.inf)
    seen = np.empty(64)
    first = 0
    while first < run.size:
        last, found = first, 0
        while last < run.size and run[last] == run[first]:
            dx, dy = chord[last, 2] - chord[last, 0], chord[last, 3] - chord[last, 1]
            steps = max(int(math.ceil(math.hypot(dx, dy) / cell_mm)), 1)
            for k in range(steps):
                t = (k + 0.5) / steps
                column = int((chord[last, 0] + t * dx - west) / cell_mm)
                row = int((chord[last, 1] + t * dy - south) / cell_mm)
                if found == seen.size:
                    seen = np.concatenate((seen, np.empty_like(seen)))
                seen[found] = laid_s[row, column]
                found += 1
            last += 1
        under[run[first]] = np.sort(seen[:found])[int(0.9 * (found - 1))]
        first = last
    return under
