"""The strip: demand against capacity over the whole job, thinned to a pyramid of bins that keeps every extreme.

What is drawn is the demand on one mechanism, where it acts, against what it can carry; a peak that crosses the line is
a margin under one. The least margin of each bin is over all mechanisms. Nothing is smoothed or sampled.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.kernels.thin import thin_to_bins
from pliant.records.trace import Bins, Strip

__all__ = ["FINEST_BINS", "build_strip"]

FINEST_BINS = 4096
_COARSEST_BINS = 64


def build_strip(
    seconds: NDArray[np.float64],
    demand: NDArray[Any],
    capacity: NDArray[Any],
    margin: NDArray[Any],
    gives: NDArray[Any],
    mechanisms: tuple[str, ...],
    governing: int,
    *,
    line: NDArray[np.int64],
    layer: NDArray[np.int64],
    at_mm: NDArray[np.float64],
    finest: int = FINEST_BINS,
) -> Strip:
    """Thin a deterministic run.

    Parameters
    ----------
    seconds : ndarray
        Duration of each move, `(n_moves,)`. [s]
    demand, capacity : ndarray
        What is drawn, `(n_moves,)`; demand may be infinite. [N, or mm3/s where `starve` governs]
    margin, gives : ndarray
        Least margin of each move over all mechanisms, and the mechanism that has it. [-]
    mechanisms : tuple of str
        Names that `gives` and `governing` index.
    governing : int
        The mechanism that the drawing is about.
    line, layer : ndarray
        Source line and layer of each move, `(n_moves,)`.
    at_mm : ndarray
        Place on the bed at the end of each move, `(n_moves, 2)`. [mm]
    finest : int, default 4096
        Bins of the finest level. [-]

    Returns
    -------
    Strip
        Levels from the finest to 64 bins, each half the one before; every extreme is in every level.
    """
    n = seconds.size
    if n == 0:
        return Strip("none", "N", 0.0, ("none",), (_empty(),))
    name = mechanisms[governing]
    bins = min(finest, max(_COARSEST_BINS, 1 << (2 * n - 1).bit_length()))
    end_s = np.cumsum(seconds)
    parts = thin_to_bins(end_s, np.asarray(demand, float), np.asarray(capacity, float), np.asarray(margin, float), bins)
    edge = np.linspace(0.0, float(end_s[-1]), bins + 1)
    levels = [(edge, *parts)]
    while levels[-1][1].size > _COARSEST_BINS:
        levels.append(_halve(*levels[-1]))
    made = []
    for edge_s, low, high, cap, worst_margin, move in levels:
        made.append(Bins(edge_s, low, high, cap, worst_margin, gives[move], move, line[move], layer[move], at_mm[move]))
    return Strip(name, "mm³/s" if name == "starve" else "N", float(end_s[-1]), mechanisms, tuple(made))


def _halve(edge: Any, low: Any, high: Any, capacity: Any, margin: Any, phase: Any) -> tuple[Any, ...]:
    """Join neighbouring bins two by two; an odd one at the end stays alone."""
    at = np.arange(0, low.size, 2)
    second = np.minimum(at + 1, low.size - 1)
    pick = np.where(margin[second] < margin[at], second, at)
    return (
        np.append(edge[:-1][at], edge[-1]),
        np.minimum(low[at], low[second]),
        np.maximum(high[at], high[second]),
        np.minimum(capacity[at], capacity[second]),
        margin[pick],
        phase[pick],
    )


def _empty() -> Bins:
    zero, first = np.zeros(1), np.zeros(1, dtype=np.int64)
    return Bins(np.zeros(2), zero, zero, zero, np.full(1, np.inf), first, first, first, first - 1, np.zeros((1, 2)))
