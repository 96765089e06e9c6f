"""A proof beside the part: what a program lays on a way there and back before it begins, apart from all the rest.

Told by geometry alone. From a place the nozzle goes away, lays a few layers on a small patch, and comes back to the
very place to begin lower down; nothing laid later comes near, and the last layer is fed no softer than what follows. A
part printed before another one fails at the way back, a skirt at the layers, a line at both.
"""

from dataclasses import fields, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from pliant.program.outline import bead_lines, extent_mm
from pliant.records.program import BEAD, HOME, TRAVEL, Program

__all__ = ["APART_MM", "find_proof", "known_mm", "moves_of", "near_lines", "without_moves"]

APART_MM = 2.0  # [mm] from the middle of a bead of the proof to whatever comes later: our choice
_PLACE_MM = 0.002  # words have three decimals
_DROP_MM = 0.05  # [mm] by which the part begins lower than the proof ends
_MOST_HIGH_MM, _MOST_WIDE_MM = 4.0, 120.0  # a larger one is a part
_LOOK_BACK = 64  # [moves] from the first bead back to where the way there began
_PER_MOVE = frozenset(f.name for f in fields(Program)) - {
    "path", "dialect", "n_lines", "n_bytes", "point_mm", "states", "questions", "warnings",
}  # fmt: skip

Ints = NDArray[np.int64]


def find_proof(program: Program) -> tuple[int, int] | None:
    """Find the proof that a program begins with.

    Parameters
    ----------
    program : Program
        The moves.

    Returns
    -------
    tuple of int or None
        First move of the way there, and first move of the part.
    """
    bead = np.flatnonzero(program.kind == BEAD)
    if bead.size < 2:
        return None
    z = program.point_mm[bead + 1, 2]
    lower = z < np.maximum.accumulate(z) - _DROP_MM
    if not lower.any():
        return None
    count = int(lower.argmax())
    first, part = int(bead[0]), int(bead[count])
    start = max(first - _LOOK_BACK, 0)
    here = np.abs(program.point_mm[start : first + 1] - program.point_mm[part]).max(axis=1) <= _PLACE_MM
    if not here.any():
        return None
    away = start + int(np.flatnonzero(here)[-1])
    inside = program.kind[away:part]
    if not np.isin(inside, (BEAD, TRAVEL)).all() or np.any(program.filament_mm[away:part] < 0):
        return None
    mine, rest = bead[:count], bead[count:]
    low, high = _box(program, mine)
    if z[:count].max() > _MOST_HIGH_MM or (high - low).max() > _MOST_WIDE_MM or z[:count].min() < z[count] - _DROP_MM:
        return None
    top = mine[z[:count] >= z[:count].max() - _DROP_MM]
    # short beads never come to the speed they ask for, so that the worst of them is not to be had from words alone
    if np.median(_fed_mm_per_s(program, top)) < np.median(_fed_mm_per_s(program, rest)) / 2:
        return None
    return None if near_lines(program, rest, bead_lines(program, mine), APART_MM - 0.01).size else (away, part)


def near_lines(program: Program, moves: Ints, lines: NDArray[np.object_], reach_mm: float) -> Ints:
    """Those of some moves that come nearer to lines than a distance, in the plane. [mm]"""
    whole = shapely.multilinestrings(lines.tolist())
    x0, y0, x1, y1 = whole.bounds
    a, b = program.point_mm[moves, :2], program.point_mm[moves + 1, :2]
    reach = np.full(moves.size, reach_mm)
    turning = program.sweep_rad[moves] != 0
    reach[turning] += 2 * np.hypot(*(program.centre_mm[moves[turning]] - a[turning]).T)
    low, high = np.minimum(a, b) - reach[:, None], np.maximum(a, b) + reach[:, None]
    near = moves[(low[:, 0] <= x1) & (high[:, 0] >= x0) & (low[:, 1] <= y1) & (high[:, 1] >= y0)]
    return near[shapely.dwithin(bead_lines(program, near), whole, reach_mm)] if near.size else near


def known_mm(program: Program) -> NDArray[np.float64]:
    """Lowest and highest corner, `(2, 3)`, of where a program is known to go: its moves, and where it homes. [mm]"""
    box = extent_mm(program, np.ones(program.kind.size, dtype=np.bool_))
    home = program.point_mm[1:][program.kind == HOME]
    return np.stack(
        [np.minimum(box[0], home.min(axis=0, initial=np.inf)), np.maximum(box[1], home.max(axis=0, initial=-np.inf))]
    )


def without_moves(program: Program, first: int, last: int) -> Program:
    """The program without the moves from `first` up to `last`, which begin and end at one place."""
    kept: dict[str, Any] = {
        name: np.concatenate([(v := getattr(program, name))[:first], v[last:]]) for name in _PER_MOVE
    }
    points = np.concatenate([program.point_mm[: first + 1], program.point_mm[last + 1 :]])
    return replace(program, point_mm=points, **kept)


def moves_of(program: Program, first: int, last: int) -> Program:
    """The moves from `first` up to `last` alone."""
    kept: dict[str, Any] = {name: getattr(program, name)[first:last] for name in _PER_MOVE}
    return replace(program, point_mm=program.point_mm[first : last + 1], **kept)


def _box(program: Program, moves: Ints) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    ends = np.concatenate([program.point_mm[moves, :2], program.point_mm[moves + 1, :2]])
    return ends.min(axis=0), ends.max(axis=0)


def _fed_mm_per_s(program: Program, moves: Ints) -> NDArray[np.float64]:
    """Filament that beads ask for in a second. [mm/s]"""
    length = np.maximum(program.length_mm[moves], 1e-9)
    return np.asarray(program.filament_mm[moves] / length * program.speed_mm_per_s[moves])
