"""The bead as it will lie, for drawing: pieces of a layer by the width that the store makes of them."""

import numpy as np
from numpy.typing import NDArray

from pliant.job.job import Job
from pliant.program.coverage import chords_of
from pliant.records.program import BEAD

__all__ = ["widths_of"]

_STEP_MM = 0.05  # widths are drawn in steps: the eye sees no finer


def widths_of(job: Job, layer: int) -> tuple[tuple[float, NDArray[np.float32]], ...]:
    """Pieces of bead of a layer by their width.

    Parameters
    ----------
    job : Job
        The program on the machine with the spool.
    layer : int
        Counted from 0.

    Returns
    -------
    tuple of (float, ndarray)
        Width in steps, and pieces `(k, 4)` = x1 y1 x2 y2. [mm]
    """
    program, sections, bead = job.program, job.laying.sections, job.bead
    moves = np.flatnonzero((job.laying.layering.layer == layer) & (program.kind == BEAD) & (sections.width_mm > 0))
    inside = np.flatnonzero(np.isin(bead.move, moves))
    if not moves.size or not inside.size:
        return ()
    chord, of = chords_of(program, moves)
    own = np.hypot(*(chord[:, 2:] - chord[:, :2]).T)
    end = np.cumsum(own)
    start = end - own
    first = np.searchsorted(of, moves)
    last = np.searchsorted(of, moves, side="right") - 1
    from_mm, to_mm = start[first], end[last]
    place = np.searchsorted(moves, bead.move[inside])
    cell_end = from_mm[place] + bead.share[inside] * (to_mm - from_mm)[place]
    # a cut wherever a chord or a cell ends; each piece lies in one of either
    cuts = np.unique(np.concatenate([[0.0], end, np.minimum(cell_end, end[-1])]))
    cuts = cuts[np.concatenate([[True], np.diff(cuts) > 1e-6])]
    middle = (cuts[1:] + cuts[:-1]) / 2
    k = np.minimum(np.searchsorted(end, middle), end.size - 1)
    cell = inside[np.minimum(np.searchsorted(np.maximum.accumulate(cell_end), middle), inside.size - 1)]
    share = np.stack([(cuts[:-1] - start[k]) / own[k], (cuts[1:] - start[k]) / own[k]])
    way = chord[k, 2:] - chord[k, :2]
    piece = np.hstack([chord[k, :2] + share[0][:, None] * way, chord[k, :2] + share[1][:, None] * way])
    width = np.maximum(np.rint(_laid_mm(job, of[k], bead.error[cell]) / _STEP_MM), 1) * _STEP_MM
    return tuple((float(round(w, 3)), piece[width == w].astype(np.float32)) for w in np.unique(width))


def _laid_mm(job: Job, move: NDArray[np.int64], error: NDArray[np.float64]) -> NDArray[np.float64]:
    """Width of bead whose section is off by a share. [mm]"""
    width = job.laying.sections.width_mm[move].astype(np.float64)
    gap = job.laying.sections.gap_mm[move].astype(np.float64)
    flat = np.isfinite(gap)
    height = np.where(flat, gap, 0.0)
    # the section is a width times a height, less what the round sides leave out
    pressed = width + error * (width - (1 - np.pi / 4) * height)
    return np.where(flat, pressed, width * np.sqrt(np.maximum(1 + error, 0.0)))
