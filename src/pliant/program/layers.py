"""Layers and runs from geometry: heights of deposition, never comment tags.

A layer is a stretch of beads at one height; a spiral that climbs in small steps is one layer. A run is a stretch
of beads with nothing but zero-length interruptions in between.
"""

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.records.program import BEAD, HOME, RETRACT, TRAVEL, Program

__all__ = ["Layering", "find_layers"]

_SAME_HEIGHT_MM = 0.01  # rounding of written heights is far below, layer heights far above


@dataclass(frozen=True)
class Layering:
    """Per move: layer index (-1 before the first bead) and run index; per layer: height of its top and its gap."""

    layer: NDArray[np.int64]
    run: NDArray[np.int64]
    top_mm: NDArray[np.float64]
    gap_mm: NDArray[np.float64]


def find_layers(program: Program) -> Layering:
    """Number the layers and the runs of a program.

    Parameters
    ----------
    program : Program
        The moves, `(n_moves,)`.

    Returns
    -------
    Layering
        Layer and run of each move; travel belongs to the layer before it.
    """
    bead = program.kind == BEAD
    index = np.flatnonzero(bead)
    layer = np.full(program.kind.size, -1, dtype=np.int64)
    if index.size == 0:
        return Layering(layer, layer.copy(), np.zeros(0), np.zeros(0))
    z_start, z_end = program.point_mm[index, 2], program.point_mm[index + 1, 2]
    climbs = np.abs(z_end - z_start) > 1e-9
    previous_end = np.concatenate([[np.nan], z_end[:-1]])
    previous_climbs = np.concatenate([[False], climbs[:-1]])
    step = ~(np.abs(z_end - previous_end) <= _SAME_HEIGHT_MM)
    continues = climbs & previous_climbs & (np.abs(z_start - previous_end) <= _SAME_HEIGHT_MM)
    new = step & ~continues
    new[0] = True
    # a spiral that starts on a flat layer opens one layer of its own, at its first climbing bead
    new |= climbs & ~previous_climbs & (np.arange(index.size) > 0) & np.concatenate([climbs[1:], [False]])
    number = np.cumsum(new) - 1
    layer[index] = number
    last = np.maximum.accumulate(np.where(bead, np.arange(bead.size), -1))
    layer = np.where(last >= 0, layer[np.maximum(last, 0)], -1)
    tops = np.maximum.reduceat(z_end, np.flatnonzero(new))
    # the surface below is the highest top under this one that was laid before it
    gap = np.empty_like(tops)
    seen: list[float] = []
    for k, top in enumerate(tops.tolist()):
        position = bisect_left(seen, top - _SAME_HEIGHT_MM)
        gap[k] = top - (seen[position - 1] if position else 0.0)
        if position == len(seen) or seen[position] > top + _SAME_HEIGHT_MM:
            seen.insert(position, top)
    breaks = np.isin(program.kind, (TRAVEL, RETRACT, HOME)) | ((layer != np.roll(layer, 1)) & bead)
    group = np.cumsum(breaks)
    starts = np.concatenate([[True], np.diff(group[index]) > 0])
    run = np.full(program.kind.size, -1, dtype=np.int64)
    run[index] = np.cumsum(starts) - 1
    return Layering(layer, run, tops, gap)
