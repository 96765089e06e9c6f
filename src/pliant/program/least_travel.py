"""The least travel over air that any order of runs can do with: a bound that no order of whole layers goes below.

Travel inside a piece can stay over its bead, so what has to cross air is the way from piece to piece: layer by layer a
shortest Hamiltonian path in the closure of the gaps, handed over by dynamic programming over the piece where a layer
ends. Where a layer has more than a dozen pieces, the least tree that joins them takes the place of the path; the bound
is lower there. A layer of more than `MOST_PIECES` adds nothing to it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.kernels.pieces import close_gaps, spanning_tree, through_pieces
from pliant.kernels.touch import piece_gaps
from pliant.program.layers import Layering
from pliant.program.runs import runs_of
from pliant.records.program import Program

__all__ = ["EXACT_PIECES", "MOST_PIECES", "LeastTravel", "least_travel"]

EXACT_PIECES = 12  # twice the time for each one more
MOST_PIECES = 1000  # a table of all pairs

_Shape = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], NDArray[np.int64], int]


@dataclass(frozen=True)
class LeastTravel:
    """The bound, and in how many layers it rests on a tree instead of a path."""

    bound_mm: float
    tree_layers: int


def least_travel(program: Program, layering: Layering, width_mm: NDArray[np.float32]) -> LeastTravel:
    """Bound the travel over air from below, whatever the order of the runs inside their layers.

    Parameters
    ----------
    program, layering
        The moves and their layers.
    width_mm : ndarray, (n_moves,)
        Width of the beads. [mm]

    Returns
    -------
    LeastTravel
        [mm]
    """
    runs = runs_of(program, width_mm, layering.layer)
    opens = np.flatnonzero(np.diff(runs.layer, prepend=-1))
    closes = np.append(opens[1:], len(runs))[: opens.size]  # none where nothing is laid
    piece, trees, before = runs.piece, 0, 0.0
    below: tuple[_Shape, NDArray[np.float64]] | None = None  # with the least cost to end in each piece, by any way
    for first, last in zip(opens.tolist(), closes.tolist(), strict=True):
        _, of_run = np.unique(piece[first:last], return_inverse=True)
        offset = runs.begin[first : last + 1]
        chord = np.ascontiguousarray(runs.chord_mm[offset[0] : offset[-1]])
        k = int(of_run.max()) + 1
        if k > MOST_PIECES:
            trees, before, below = trees + 1, before + (float(below[1].min()) if below is not None else 0.0), None
            continue
        shape = chord, runs.half_mm[first:last], offset - offset[0], of_run.astype(np.int64), k
        gap = piece_gaps(*shape, *shape, True, np.zeros(k))
        start = np.zeros(k)
        if below is not None:
            start = (below[1][:, None] + piece_gaps(*below[0], *shape, False, below[1])).min(axis=0)
        if k <= EXACT_PIECES:
            close_gaps(gap)
            _, least = through_pieces(gap, start, np.zeros(k), np.full(k, -np.inf), 0.0, 0.0, -1)
            least = (least[:, None] + gap).min(axis=0)  # the way to the next layer may lead by another piece
        else:  # a tree is the same whether gaps are closed or not, and ends in every piece alike
            trees += 1
            least = np.full(k, start.min() + spanning_tree(gap))
        below = shape, least
    return LeastTravel(before + (float(below[1].min()) if below is not None else 0.0), trees)
