"""Cutting beads into stretches that are fed more or less than they were, the words rounded as they are written.

A cut lies on a straight piece or an arc of the plane; one that would fall near a corner, or on a bead that climbs,
goes to the corner instead, so that no new piece is shorter than half the shortest stretch.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.mending.shape_profile import STRETCH_S
from pliant.program.write import Edits, Insert, sole_moves
from pliant.records.program import Program

__all__ = ["Fitted", "Stretch", "fit_stretches", "point_along"]

_DIGITS, _PLACES = 5, 4  # of an E word; of a word of place
_LEAST_MM = 0.02  # a shorter piece is not written
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Stretch:
    """A stretch of a chain of beads, by its way from the first one, and the filament it is fed more."""

    from_mm: float
    to_mm: float
    more_mm: float
    factors: tuple[float, float] = (-np.inf, np.inf)  # least and most over what it was fed


@dataclass(frozen=True, eq=False)
class Fitted:
    """Stretches as they can be fed."""

    program: Program
    moves: Ints
    places: list[tuple[float, float]]  # from and to, of those that are fed otherwise [mm]
    factors: list[float]
    each_mm: list[float]  # filament more, of every stretch that was planned

    def write(self, edits: Edits) -> float:
        """Cut the beads, in place in `edits`. -> filament that was given more, as it will be written [mm]"""
        length = self.program.length_mm[self.moves]
        end = np.cumsum(length)
        start = end - length
        parts: dict[int, list[tuple[float, float, float]]] = {}  # of a bead: from, to, factor
        for (a, b), factor in zip(self.places, self.factors, strict=True):
            for k in range(int(np.searchsorted(end, a + 1e-9)), self.moves.size):
                lo, hi = (float((x - start[k]) / length[k]) for x in (max(a, start[k]), min(b, end[k])))
                if hi - lo > 1e-9:
                    parts.setdefault(k, []).append((lo, hi, factor))
                if b <= end[k]:
                    break
        return sum(_rewritten(self.program, edits, int(self.moves[k]), of) for k, of in parts.items())


def fit_stretches(program: Program, moves: Ints, stretches: list[Stretch], most: float, step_mm_per_s: float) -> Fitted:
    """See how stretches can be fed.

    Parameters
    ----------
    program : Program
        The moves.
    moves : ndarray of int
        The beads that the stretches lie on, in order.
    stretches : list of Stretch
        In order, none over another.
    most : float
        That a stretch may be fed over what it was fed, forward or back. [-]
    step_mm_per_s : float
        By which the drive's speed may change from stretch to stretch, but from rest and to it. [mm/s]

    Returns
    -------
    Fitted
    """
    length = program.length_mm[moves]
    end = np.cumsum(length)
    start = end - length
    fed_to = np.concatenate([[0.0], np.cumsum(program.filament_mm[moves])])
    whole = ~_cuttable(program, moves)
    snap = STRETCH_S / 2 * program.speed_mm_per_s[moves]
    all_places: list[tuple[float, float]] = []
    for s in stretches:
        a, b = (_snapped(x, start, end, whole, snap) for x in (s.from_mm, s.to_mm))
        before = all_places[-1][1] if all_places else 0.0
        least = float(snap[min(int(np.searchsorted(end, a + 1e-9)), snap.size - 1)])
        all_places.append((before if a - before < least and all_places else max(a, before), b))  # nothing tiny between
    kept = [k for k, (a, b) in enumerate(all_places) if b - a > _LEAST_MM]
    places, own, wished, step = [all_places[k] for k in kept], [], [], []
    for k, (a, b) in zip(kept, places, strict=True):
        own.append(_fed(b, end, length, fed_to) - _fed(a, end, length, fed_to))
        factor = float(np.clip(1 + stretches[k].more_mm / own[-1], *stretches[k].factors))
        wished.append(float(np.clip(factor, -most, most)))
        i = moves[min(int(np.searchsorted(end, a + 1e-9)), moves.size - 1)]
        step.append(float(step_mm_per_s * program.length_mm[i] / program.filament_mm[i] / program.speed_mm_per_s[i]))
    factors = _in_steps(wished, places, float(end[-1]), step)
    each = [0.0] * len(stretches)
    for k, factor, f in zip(kept, factors, own, strict=True):
        each[k] = (factor - 1) * f
    return Fitted(program, moves, places, factors, each)


def _in_steps(
    factors: list[float], places: list[tuple[float, float]], total_mm: float, step: list[float]
) -> list[float]:
    """Factors of stretches no further from their neighbours than a step, but where the run begins and where it ends."""
    f = list(factors)
    for k in range(len(f)):
        a = places[k][0]
        if a > 1e-6:
            before = f[k - 1] if k and abs(places[k - 1][1] - a) < 1e-6 else 1.0
            f[k] = min(max(f[k], before - step[k]), before + step[k])
    for k in range(len(f) - 1, -1, -1):
        b = places[k][1]
        if b < total_mm - 1e-6:
            behind = f[k + 1] if k + 1 < len(f) and abs(places[k + 1][0] - b) < 1e-6 else 1.0
            f[k] = min(max(f[k], behind - step[k]), behind + step[k])
    return f


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
                pieces.append((to, round(asked * (to - at) * f, _DIGITS) or 10**-_DIGITS))
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
        end = np.full(2, np.nan)
        angle = share * float(program.sweep_rad[i])
        x, y = start - program.centre_mm[i]
        point = program.centre_mm[i] + np.array(
            [x * math.cos(angle) - y * math.sin(angle), x * math.sin(angle) + y * math.cos(angle)]
        )
    x, y = (float(p) if straight else round(float(p), _PLACES) for p, straight in zip(point, start == end, strict=True))
    return x, y
