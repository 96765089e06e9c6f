"""What a program does between its beads: filament drawn back and fed, and the travel on the way.

A gap is all that lies after one pair of stretches and before the next, in the numbering of `program.pairing`, so the
gaps of two programs can be compared one by one however their travel is cut.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.records.program import HOME, Program

__all__ = ["Gaps", "between_beads", "debt_before", "gap_numbers"]

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Gaps:
    """Per gap, `(n_gaps,)`: sums of filament, and extremes of what moves."""

    net_mm: Floats  # filament forward
    back_mm: Floats
    push_mm: Floats
    back_speed: Floats  # 0 where nothing is drawn back; likewise below
    push_speed: Floats
    least_debt_mm: Floats  # while the nozzle travels over the plane; inf where it does not
    most_debt_mm: Floats
    low_mm: Floats  # lowest travel over the plane; inf where there is none
    lowest_mm: Floats  # lowest end of any move; inf where there is none
    plane_speed: Floats
    lift_speed: Floats
    words: Ints  # moves of filament


def gap_numbers(program: Program, paired: Ints) -> Ints:
    """Number the gap that each move lies in.

    Parameters
    ----------
    program : Program
        The moves, `(n_moves,)`.
    paired : ndarray of int
        The move of each pair, in the order of the pairs, `(n_pairs,)`.

    Returns
    -------
    ndarray of int
        `(n_moves,)`: 0 before the first pair, k + 1 after pair k; a move with several pairs counts by its last.
    """
    n = program.kind.size
    place = np.full(n, -1, dtype=np.int64)
    place[paired] = np.arange(paired.size)
    last = np.maximum.accumulate(np.where(place >= 0, np.arange(n), -1))
    return np.where(last >= 0, place[np.maximum(last, 0)], -1) + 1


def between_beads(program: Program, moves: Ints, gap: Ints, size: int, lift_mm: Floats | float = 0.0) -> Gaps:
    """Sum up what lies between beads.

    Parameters
    ----------
    program : Program
        The program.
    moves : ndarray of int
        Its moves that lay nothing, `(n,)`.
    gap : ndarray of int
        The gap of each of them, `(n,)`.
    size : int
        How many gaps there are.
    lift_mm : float or ndarray, default 0
        Taken off heights, `(n_moves + 1,)`. [mm]

    Returns
    -------
    Gaps
        `(size,)` each.
    """
    filament, speed = program.filament_mm[moves], program.speed_mm_per_s[moves]
    way = program.point_mm[moves + 1, :2] - program.point_mm[moves, :2]
    lift = np.broadcast_to(lift_mm, len(program.point_mm))
    height = np.minimum(program.point_mm[moves, 2] - lift[moves], program.point_mm[moves + 1, 2] - lift[moves + 1])
    known = (program.length_mm[moves] > 0) & (program.kind[moves] != HOME)
    flat = known & (np.any(way != 0, axis=1) | (program.sweep_rad[moves] != 0))
    back, push = filament < 0, filament > 0

    def most(mask: Bools, value: Floats, start: float) -> Floats:
        out = np.full(size, start)
        (np.maximum if start <= 0 else np.minimum).at(out, gap[mask], value[mask])
        return out

    def total(mask: Bools) -> Floats:
        return np.bincount(gap[mask], filament[mask], size).astype(np.float64)

    debt = debt_before(filament, gap)
    return Gaps(
        net_mm=total(filament != 0),
        back_mm=-total(back),
        push_mm=total(push),
        back_speed=most(back, speed, 0.0),
        push_speed=most(push, speed, 0.0),
        least_debt_mm=most(flat, debt, np.inf),
        most_debt_mm=most(flat, debt, -np.inf),
        low_mm=most(flat, height, np.inf),
        lowest_mm=most(known, height, np.inf),
        plane_speed=most(flat, speed, 0.0),
        lift_speed=most(known & ~flat, speed, 0.0),
        words=np.bincount(gap[filament != 0], minlength=size),
    )


def debt_before(filament_mm: Floats, gap: Ints) -> Floats:
    """Filament withdrawn since the gap began, before each move.

    Parameters
    ----------
    filament_mm : ndarray
        Of moves that lay nothing, `(n,)`. [mm]
    gap : ndarray of int
        The gap of each, `(n,)`.

    Returns
    -------
    ndarray
        `(n,)`, negative if more was fed. [mm]

    Examples
    --------
    >>> debt_before(np.array([-1.0, 0.0, 1.0, 0.0]), np.array([0, 0, 0, 1])).tolist()
    [0.0, 1.0, 1.0, 0.0]
    """
    new = np.diff(gap, prepend=-1) != 0
    fed = np.cumsum(filament_mm) - filament_mm
    return fed[new][np.cumsum(new) - 1] - fed
