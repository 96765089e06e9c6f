"""The strip: push against what the path can carry over the whole job, thinned to bins that keep every extreme.

A move keeps the worst push it has anywhere, so a bin's high is exact and its low is the least of such worsts. Nothing
is smoothed or sampled. Start with `build_strip`.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats, Ints
from pliant.feed.chain import MECHANISMS
from pliant.feed.load import Load
from pliant.kernels.thin import thin_to_bins
from pliant.records.trace import Bins, Strip

__all__ = ["build_strip"]

_FINEST_BINS = 4096
_CALM = 1e4  # [-] a margin above this is a move that pushes nothing
_COARSEST_BINS = 64
_STARVE = MECHANISMS.index("starve")


def build_strip(
    load: Load,
    *,
    move_s: NDArray[np.float64],
    line: NDArray[np.int64],
    layer: NDArray[np.int64],
    at_mm: NDArray[np.float64],
    finest: int = _FINEST_BINS,
) -> Strip:
    """Thin a deterministic run.

    Parameters
    ----------
    load : Load
        The run, per move.
    move_s : ndarray
        Duration of each move, `(n_moves,)`. [s]
    line, layer : ndarray
        Source line and layer of each move, `(n_moves,)`.
    at_mm : ndarray
        Place on the bed where each move ends, `(n_moves, 2)`. [mm]
    finest : int, default 4096
        Bins of the finest level. [-]

    Returns
    -------
    Strip
        Levels from the finest to 64 bins, each half the one before; every extreme is in every level.
    """
    n = move_s.size
    if n == 0:
        zero, first = np.zeros(1), np.zeros(1, dtype=np.int64)
        still = Bins(np.zeros(2), zero, zero, np.full(1, np.inf), first, first, first, first - 1, np.zeros((1, 2)))
        return Strip("none", "N", np.inf, 0.0, MECHANISMS, (still,))
    margin = load.margin.astype(np.float64)
    worst = int(margin.argmin())
    starved = int(load.mechanism[worst]) == _STARVE
    demand = (load.flow_mm3_per_s if starved else load.push_n).astype(np.float64)
    bins = min(finest, max(_COARSEST_BINS, 1 << (2 * n - 1).bit_length()))
    end_s = np.cumsum(move_s)
    levels = [(np.linspace(0.0, float(end_s[-1]), bins + 1), *thin_to_bins(end_s, demand, margin, bins))]
    while levels[-1][1].size > _COARSEST_BINS:
        levels.append(_halve(*levels[-1]))
    return Strip(
        mechanism=MECHANISMS[load.mechanism[worst]] if margin[worst] < _CALM else "none",
        unit="mm³/s" if starved else "N",
        capacity=_capacity(load, margin, starved),
        total_s=float(end_s[-1]),
        mechanisms=MECHANISMS,
        levels=tuple(
            Bins(
                edge,
                low,
                high,
                least,
                load.mechanism[move].astype(np.int64),
                move,
                line[move],
                layer[move],
                at_mm[move],
            )
            for edge, low, high, least, move in levels
        ),
    )


def _capacity(load: Load, margin: NDArray[np.float64], starved: bool) -> float:
    """Demand at which the governing mechanism gives, from the move nearest to it: there it is least extrapolated."""
    mine = (load.mechanism == _STARVE) == starved
    values = (load.flow_mm3_per_s * margin if starved else load.capacity_n).astype(np.float64)
    known = np.flatnonzero(mine & np.isfinite(values) & (values > 0) & (margin < _CALM))
    return float(values[known[margin[known].argmin()]]) if known.size else float("inf")


def _halve(
    edge: Floats, low: Floats, high: Floats, margin: Floats, move: Ints
) -> tuple[Floats, Floats, Floats, Floats, Ints]:
    """Join neighbouring bins two by two; an odd one at the end stays alone."""
    at = np.arange(0, low.size, 2)
    second = np.minimum(at + 1, low.size - 1)
    pick = np.where(margin[second] < margin[at], second, at)
    return (
        np.append(edge[:-1][at], edge[-1]),
        np.minimum(low[at], low[second]),
        np.maximum(high[at], high[second]),
        margin[pick],
        move[pick],
    )
