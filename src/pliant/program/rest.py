"""Rest: how long each spot of the part lies before more is laid on it, at the times that a plan gives.

Soft material that is still hot gives way under the next bead. An order that begins a layer where the last one ended
leaves the same spot no time, which nothing but this figure shows.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.kernels.rest import rest_of_cells
from pliant.program.coverage import chords_of
from pliant.records.program import BEAD, Program

__all__ = ["REST_S", "least_rest_s", "percentile_s", "rests_s"]

REST_S = 10.0  # [s] more rest is no longer asked for: our choice, no source
_CELL_MM = 0.5  # about a bead
_SHARE = 1.0  # [%] of the spots may rest less than the figure says


def rests_s(
    chord_mm: NDArray[np.float64], begin_s: NDArray[np.float64], end_s: NDArray[np.float64], z_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Time from a bead to the bead above, for every spot of 0.5 mm that has one above.

    Parameters
    ----------
    chord_mm : ndarray, (c, 4)
        Straight pieces of beads in the order in which they are laid: x, y of start and end. [mm]
    begin_s, end_s : ndarray, (c,)
        When each is begun and done. [s]
    z_mm : ndarray, (c,)
        Its height. [mm]

    Returns
    -------
    ndarray, (k,)
        [s]
    """
    return np.asarray(rest_of_cells(np.ascontiguousarray(chord_mm), begin_s, end_s, z_mm, _CELL_MM))


def least_rest_s(program: Program, move_s: NDArray[np.float64]) -> float | None:
    """First percentile of the rest of all spots.

    Parameters
    ----------
    program : Program
        The moves.
    move_s : ndarray, (n_moves,)
        Time that each takes. [s]

    Returns
    -------
    float or None
        [s]; None where nothing is laid on anything.
    """
    bead = np.flatnonzero(program.kind == BEAD)
    chord, move = chords_of(program, bead)
    done = np.cumsum(move_s)
    # the pieces of an arc share its time
    first = np.searchsorted(move, move)
    count = np.searchsorted(move, move, side="right") - first
    share = (np.arange(move.size) - first) / np.maximum(count, 1)
    begin = done[move] - move_s[move] * (1 - share)
    rest = rests_s(chord, begin, begin + move_s[move] / np.maximum(count, 1), program.point_mm[move + 1, 2])
    return percentile_s(rest)


def percentile_s(rest_s: NDArray[np.float64]) -> float | None:
    """First percentile; None of nothing. [s]"""
    return float(np.percentile(rest_s, _SHARE)) if rest_s.size else None
