"""The strip: demand against capacity over the whole job, thinned to a pyramid of bins that keeps every extreme.

What is drawn is the demand on one mechanism, where it acts, against what it can carry; a peak that crosses the line is
a margin under one. The least margin of each bin is over all mechanisms. Nothing is smoothed or sampled.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.kernels.thin import thin_to_bins
from pliant.records.trace import Bins, Strip

__all__ = ["FINEST_BINS", "build_strip", "governing_mechanism"]

FINEST_BINS = 4096
_COARSEST_BINS = 64


def governing_mechanism(margins: dict[str, NDArray[np.float64]]) -> str:
    """The mechanism with the least margin anywhere in the job; `none` without mechanisms."""
    return min(margins, key=lambda name: float(margins[name].min(initial=np.inf)), default="none")


def build_strip(
    phase_s: NDArray[np.float64],
    margins: dict[str, NDArray[np.float64]],
    capacities: dict[str, NDArray[np.float64]],
    *,
    line: NDArray[np.int64],
    layer: NDArray[np.int64],
    at_mm: NDArray[np.float64],
    phases_per_move: int = 3,
    finest: int = FINEST_BINS,
) -> Strip:
    """Thin a deterministic run.

    Parameters
    ----------
    phase_s : ndarray
        Duration of each phase, `(n_phases,)`. [s]
    margins, capacities : dict of str to ndarray
        By mechanism, `(n_phases,)` each, as in `feed.load.Load`. [-, N; `starve` mm3/s]
    line, layer : ndarray
        Source line and layer of each move, `(n_moves,)`.
    at_mm : ndarray
        Place on the bed at the end of each phase, `(n_phases, 2)`. [mm]
    phases_per_move : int, default 3
        Phases to a move. [-]
    finest : int, default 4096
        Bins of the finest level. [-]

    Returns
    -------
    Strip
        Levels from the finest to 64 bins, each half the one before; every extreme is in every level.
    """
    name = governing_mechanism(margins)
    n = phase_s.size
    if n == 0 or name == "none":
        return Strip("none", "N", 0.0, ("none",), (_empty(),))
    stack = np.vstack(list(margins.values()))
    least, gives = stack.min(axis=0), stack.argmin(axis=0)
    margin, capacity = margins[name], capacities[name]
    demand = np.divide(capacity, margin, out=np.full(n, np.inf), where=margin > 0)
    bins = min(finest, max(_COARSEST_BINS, 1 << (2 * n - 1).bit_length()))
    end_s = np.cumsum(phase_s)
    parts = thin_to_bins(end_s, demand, np.asarray(capacity, dtype=float), least, bins)
    edge = np.linspace(0.0, float(end_s[-1]), bins + 1)
    levels = [(edge, *parts)]
    while levels[-1][1].size > _COARSEST_BINS:
        levels.append(_halve(*levels[-1]))
    made = []
    for edge_s, low, high, cap, worst_margin, phase in levels:
        move = phase // phases_per_move
        made.append(
            Bins(edge_s, low, high, cap, worst_margin, gives[phase], move, line[move], layer[move], at_mm[phase])
        )
    return Strip(name, "mm³/s" if name == "starve" else "N", float(end_s[-1]), tuple(margins), tuple(made))


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
