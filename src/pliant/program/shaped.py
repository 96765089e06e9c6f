"""A program whose feed is shaped along its runs: how that is seen, and what its beads are to lay all the same.

Told by geometry and filament alone: a straight bead at one speed that is fed many times as much in one piece as in the
next, in many runs. What such a run is to lay is what it is fed with its charge and less its draw-back.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.records.program import BEAD, RECOVER, RETRACT, Program
from pliant.sampling import weighted_median

__all__ = ["levelled_mm", "shaped_already"]

_APART = 3.0  # [-] by which the feed of neighbours on one straight differs where it was shaped
_MANY, _SHARE = 8, 0.05  # such places, and per run, that are no accident
_OTHER = 0.3  # [-] from the run's own feed, of a stretch that was fed otherwise


def shaped_already(program: Program) -> int:
    """Line of the first place where the feed was shaped; 0 where it was not."""
    bead = np.flatnonzero(_on_the_way(program) & (program.sweep_rad == 0))
    if bead.size < 2:
        return 0
    fed = program.filament_mm[bead] / program.length_mm[bead]
    low, high = np.minimum(fed[1:], fed[:-1]), np.maximum(fed[1:], fed[:-1])
    near = np.flatnonzero((np.diff(bead) == 1) & (high > _APART * low) & (high > 0))  # few: the rest is looked at there
    one, two, point = bead[near], bead[near + 1], program.point_mm
    along = ((point[one + 1] - point[one]) * (point[two + 1] - point[two])).sum(axis=1)
    straight = along > (1 - 1e-4) * program.length_mm[one] * program.length_mm[two]
    apart = near[straight & (np.abs(program.speed_mm_per_s[two] / program.speed_mm_per_s[one] - 1) < 0.01)]
    runs = 1 + int((np.diff(bead) > 1).sum())
    return int(program.line[bead[apart[0] + 1]]) if apart.size >= max(_MANY, _SHARE * runs) else 0


def levelled_mm(program: Program) -> NDArray[np.float64]:
    """Filament that each move of a shaped program is to lay.

    Parameters
    ----------
    program : Program
        The moves.

    Returns
    -------
    ndarray, (n_moves,)
        0 beside beads. A stretch that is fed otherwise than most of its run is to lay what is left of the run's
        filament, by its length: right where the run has one section. [mm]
    """
    asked = np.where(program.kind == BEAD, program.filament_mm, 0.0)
    way = np.flatnonzero(_on_the_way(program))
    if not way.size:
        return asked
    cut = np.flatnonzero(np.diff(way) > 1)
    for a, b in zip(np.append(0, cut + 1).tolist(), np.append(cut, way.size - 1).tolist(), strict=True):
        run = way[a : b + 1]
        length, fed = program.length_mm[run], program.filament_mm[run]
        own = weighted_median(fed / length, length)
        other = np.abs(fed / length - own) > _OTHER * own
        if not other.any() or own <= 0:
            continue
        first, last = int(run[0]) - 1, int(run[-1]) + 1
        given = float(fed.sum())
        if first >= 0 and program.kind[first] in (RECOVER, RETRACT) and program.length_mm[first] == 0:
            given += max(float(program.filament_mm[first]), 0.0)
        if last < program.kind.size and program.length_mm[last] == 0:
            given += min(float(program.filament_mm[last]), 0.0)
        left = given - float(fed[~other].sum())
        each = left / float(length[other].sum())
        asked[run[other]] = length[other] * (each if 0.5 * own < each < 2 * own else own)
    return asked


def _on_the_way(program: Program) -> NDArray[np.bool_]:
    """Beads, and stretches of beads over which filament is drawn back already."""
    found = np.asarray((program.length_mm > 0) & (program.kind == BEAD))
    back = np.flatnonzero((program.length_mm > 0) & (program.kind == RETRACT))
    back = back[back > 0]
    flat = (program.point_mm[back, :2] != program.point_mm[back + 1, :2]).any(axis=1) | (program.sweep_rad[back] != 0)
    found[back[flat & (program.kind[back - 1] != 1)]] = True
    return found
