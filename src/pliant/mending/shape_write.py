"""Cutting beads into stretches that are fed more or less than they were, the words rounded as they are written.

A cut lies on a straight piece or an arc of the plane; one that would fall near a corner, or on a bead that climbs,
goes to the corner instead, so that no new piece is shorter than half the shortest stretch.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.mending.shape_profile import STRETCH_S
from pliant.program.write import Edits, Insert, sole_moves
from pliant.records.program import Program

__all__ = ["Stretch", "cut_beads", "point_along"]

_DIGITS = 5  # of an E word
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Stretch:
    """A stretch of a chain of beads, by its way from the first one, and the filament it is fed more."""

    from_mm: float
    to_mm: float
    more_mm: float


def cut_beads(
    program: Program, edits: Edits, moves: Ints, stretches: list[Stretch], factors: tuple[float, float]
) -> float:
    """Feed stretches more or less, in place in `edits`.

    Parameters
    ----------
    program : Program
        The moves.
    edits : Edits
        Changed in place.
    moves : ndarray of int
        The beads that the stretches lie on, in order.
    stretches : list of Stretch
        In order, none over another.
    factors : tuple of float
        Least and most that a stretch may be fed over what it was fed. [-]

    Returns
    -------
    float
        Filament that was given more, as it will be written. [mm]
    """
    if not stretches or not moves.size:
        return 0.0
    length = program.length_mm[moves]
    end = np.cumsum(length)
    start = end - length
    fed_to = np.concatenate([[0.0], np.cumsum(program.filament_mm[moves])])
    whole = ~_cuttable(program, moves)
    snap = STRETCH_S / 2 * program.speed_mm_per_s[moves]
    parts: dict[int, list[tuple[float, float, float]]] = {}  # of a bead: from, to, factor
    for s in stretches:
        a, b = (_snapped(x, start, end, whole, snap) for x in (s.from_mm, s.to_mm))
        if b - a <= 1e-6:
            continue
        factor = float(np.clip(1 + s.more_mm / (_fed(b, end, length, fed_to) - _fed(a, end, length, fed_to)), *factors))
        for k in range(int(np.searchsorted(end, a + 1e-9)), moves.size):
            lo, hi = max(a, float(start[k])), min(b, float(end[k]))
            if hi - lo > 1e-9:
                share = ((lo - float(start[k])) / float(length[k]), (hi - float(start[k])) / float(length[k]), factor)
                parts.setdefault(k, []).append(share)
            if b <= end[k]:
                break
    return sum(_rewritten(program, edits, int(moves[k]), of) for k, of in parts.items())


def _cuttable(program: Program, moves: Ints) -> NDArray[np.bool_]:
    z = program.point_mm[:, 2]
    absolute = program.states["absolute"][program.state[moves]]
    return (z[moves] == z[moves + 1]) & absolute & sole_moves(program)[moves]


def _snapped(x: float, start: Floats, end: Floats, whole: NDArray[np.bool_], snap: Floats) -> float:
    """A place of a cut, or the corner it goes to. [mm]"""
    k = min(int(np.searchsorted(end, x)), end.size - 1)
    before, after = x - float(start[k]), float(end[k]) - x
    if whole[k] or min(before, after) < snap[k]:
        return float(start[k]) if before < after else float(end[k])
    return x


def _fed(x: float, end: Floats, length: Floats, fed_to: Floats) -> float:
    """Filament of the way up to a place. [mm]"""
    k = min(int(np.searchsorted(end, x)), end.size - 1)
    share = 1 - (float(end[k]) - x) / float(length[k])
    return float(fed_to[k] + share * (fed_to[k + 1] - fed_to[k]))


def _rewritten(program: Program, edits: Edits, i: int, parts: list[tuple[float, float, float]]) -> float:
    """Put the pieces of one bead in place of it. -> filament that it has more, as written [mm]"""
    asked = float(program.filament_mm[i])
    pieces: list[tuple[float, float]] = []  # where each ends, its filament
    at = 0.0
    for lo, hi, factor in [*parts, (1.0, 1.0, 1.0)]:
        for to, f in ((lo, 1.0), (hi, factor)):
            if to - at > 1e-9:
                pieces.append((to, max(round(asked * (to - at) * f, _DIGITS), 10**-_DIGITS)))
                at = to
    arc = bool(program.sweep_rad[i])
    centre = (float(program.centre_mm[i, 0]), float(program.centre_mm[i, 1])) if arc else None
    for to, filament in pieces[:-1]:
        xy = point_along(program, i, to)
        edits.inserts.setdefault(i, []).append(
            Insert(float(edits.speed_mm_per_s[i]), xy, filament, centre, bool(program.sweep_rad[i] > 0))
        )
        if arc:
            edits.arcs[i] = xy
    edits.filament_mm[i] = pieces[-1][1]
    return sum(filament for _, filament in pieces) - asked


def point_along(program: Program, i: int, share: float) -> tuple[float, float]:
    """Point at a share of a move, rounded as it will be written. [mm]"""
    start, end = program.point_mm[i, :2], program.point_mm[i + 1, :2]
    point = start + share * (end - start)
    if program.sweep_rad[i]:
        angle = share * float(program.sweep_rad[i])
        x, y = start - program.centre_mm[i]
        point = program.centre_mm[i] + np.array(
            [x * math.cos(angle) - y * math.sin(angle), x * math.sin(angle) + y * math.cos(angle)]
        )
    return round(float(point[0]), 4), round(float(point[1]), 4)
