"""Where a program goes: its extent with the bulge of arcs, and its beads as lines for questions of distance."""

import numpy as np
import shapely
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.records.program import HOME, Program

__all__ = ["bead_lines", "extent_mm"]

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def extent_mm(program: Program, moves: Bools, lift_mm: Floats | float = 0.0) -> Floats:
    """Lowest and highest corner of some moves.

    Parameters
    ----------
    program : Program
        The moves, `(n_moves,)`.
    moves : ndarray of bool
        Those that count, `(n_moves,)`; homing never does.
    lift_mm : float or ndarray
        Taken off heights, `(n_moves + 1,)`. [mm]

    Returns
    -------
    ndarray
        `(2, 3)`, with the furthest points on the way along arcs. [mm]
    """
    at = np.flatnonzero(moves & (program.kind != HOME))
    z = program.point_mm[:, 2] - lift_mm
    end = np.column_stack([program.point_mm[at + 1, :2], z[at + 1]])
    points = [end]
    arcs = at[program.sweep_rad[at] != 0]
    if arcs.size:
        sweep, centre = program.sweep_rad[arcs], program.centre_mm[arcs]
        ray = program.point_mm[arcs, :2] - centre
        radius, start = np.hypot(*ray.T), np.arctan2(ray[:, 1], ray[:, 0])
        for angle in (0.0, np.pi / 2, np.pi, 1.5 * np.pi):
            turn = np.mod((angle - start) * np.sign(sweep), 2 * np.pi)
            hit = turn < np.abs(sweep)
            far = centre[hit] + radius[hit, None] * np.array([np.cos(angle), np.sin(angle)])
            points.append(np.column_stack([far, z[arcs[hit] + 1]]))
    every = np.concatenate(points)
    return np.stack([every.min(axis=0), every.max(axis=0)]) if every.size else np.zeros((2, 3))


def bead_lines(program: Program, moves: Ints) -> NDArray[np.object_]:
    """Moves as lines in the plane.

    Parameters
    ----------
    program : Program
        The moves.
    moves : ndarray of int
        Which of them, `(n,)`.

    Returns
    -------
    ndarray of LineString
        `(n,)`; arcs as chords of at most 10 degrees. [mm]
    """
    out = np.empty(moves.size, dtype=object)
    arc = program.sweep_rad[moves] != 0
    straight = moves[~arc]
    out[~arc] = shapely.linestrings(np.stack([program.point_mm[straight, :2], program.point_mm[straight + 1, :2]], 1))
    for k in np.flatnonzero(arc):
        move = moves[k]
        centre, sweep = program.centre_mm[move], program.sweep_rad[move]
        x, y = program.point_mm[move, :2] - centre
        angle = np.arctan2(y, x) + np.linspace(0, sweep, 2 + int(abs(sweep) / 0.17))
        out[k] = shapely.linestrings(centre + np.hypot(x, y) * np.column_stack([np.cos(angle), np.sin(angle)]))
    return out
