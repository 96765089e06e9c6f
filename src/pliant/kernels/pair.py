"""Walking two tool paths side by side: which stretch of one is which stretch of the other.

Pieces are straight, or arcs about a centre; either path may cut a straight stretch, or an arc, into more pieces than
the other. Vertices have to lie on the other path within a tolerance, so errors of rounding never add up.
"""

import math
from typing import NamedTuple

import numpy as np

from pliant.arrays import Bools, Floats, Ints, Ints32
from pliant.kernels.compiler import njit

__all__ = ["Walk", "pair_pieces"]

_FULL_TURN = 2.0 * math.pi


class Walk(NamedTuple):
    """One path: a piece is a move m of a program, from point[m] to point[m + 1], sweep[m] about centre[m]."""

    point: Floats  # (moves + 1, 3) [mm]
    centre: Floats  # (moves, 2) [mm]
    sweep: Floats  # (moves,) [rad], 0 for a straight one
    move: Ints  # (n,) the pieces in the order of the walk
    lays: Bools  # (n,) filament goes forward


@njit(cache=True)
def _place(walk, m, share, out):
    """Point at a share of move m into out (3,)."""
    point = walk.point
    if walk.sweep[m] == 0.0:
        for k in range(3):
            out[k] = point[m, k] + share * (point[m + 1, k] - point[m, k])
        return
    centre = walk.centre
    ax, ay = point[m, 0] - centre[m, 0], point[m, 1] - centre[m, 1]
    r0 = math.hypot(ax, ay)
    r1 = math.hypot(point[m + 1, 0] - centre[m, 0], point[m + 1, 1] - centre[m, 1])
    angle = math.atan2(ay, ax) + share * walk.sweep[m]
    r = r0 + share * (r1 - r0)
    out[0], out[1] = centre[m, 0] + r * math.cos(angle), centre[m, 1] + r * math.sin(angle)
    out[2] = point[m, 2] + share * (point[m + 1, 2] - point[m, 2])


@njit(cache=True)
def _share_of(walk, m, x, y, z, guess):
    """Share of move m at which a point near it lies; on an arc the turn nearest to the guess is meant."""
    point, centre = walk.point, walk.centre
    if walk.sweep[m] == 0.0:
        dx, dy, dz = point[m + 1, 0] - point[m, 0], point[m + 1, 1] - point[m, 1], point[m + 1, 2] - point[m, 2]
        along = (x - point[m, 0]) * dx + (y - point[m, 1]) * dy + (z - point[m, 2]) * dz
        return along / (dx * dx + dy * dy + dz * dz)
    ax, ay = point[m, 0] - centre[m, 0], point[m, 1] - centre[m, 1]
    bx, by = x - centre[m, 0], y - centre[m, 1]
    angle = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    turns = math.floor((guess * walk.sweep[m] - angle) / _FULL_TURN + 0.5)
    return (angle + turns * _FULL_TURN) / walk.sweep[m]


@njit(cache=True)
def _length(walk, m):
    """Path length of move m. [mm]"""
    point, centre = walk.point, walk.centre
    dx, dy, dz = point[m + 1, 0] - point[m, 0], point[m + 1, 1] - point[m, 1], point[m + 1, 2] - point[m, 2]
    if walk.sweep[m] == 0.0:
        return math.sqrt(dx * dx + dy * dy + dz * dz)
    return math.hypot(math.hypot(point[m, 0] - centre[m, 0], point[m, 1] - centre[m, 1]) * walk.sweep[m], dz)


@njit(cache=True)
def _apart(p, q):
    """Distance of two points (3,). [mm]"""
    return math.sqrt((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2)


@njit(cache=True)
def _ends_on(walk, m, t0, rest, q, rest_q, tolerance, spot):
    """Share of move m at which point q (3,) lies, not before t0; -1 if it lies off it."""
    t = _share_of(walk, m, q[0], q[1], q[2], t0 + (1.0 - t0) * rest_q / rest)
    if (t0 - t) * rest > tolerance * (1.0 - t0):
        return -1.0
    t = min(max(t, t0), 1.0)
    _place(walk, m, t, spot)
    return t if _apart(spot, q) <= tolerance else -1.0


@njit(cache=True)
def _together(a, i, ta, b, j, tb, tolerance, scratch, out):
    """Whether the rest of piece i of a from share ta and the rest of piece j of b from tb go the same way.

    The shares reached, of which one is 1, go into out (2,); scratch is (2, 3).
    """
    i, j = a.move[i], b.move[j]
    spot, spot_b = scratch[0], scratch[1]
    turns = a.sweep[i] != 0.0
    if turns != (b.sweep[j] != 0.0):
        return False
    if turns and (
        a.sweep[i] * b.sweep[j] < 0.0
        or math.hypot(a.centre[i, 0] - b.centre[j, 0], a.centre[i, 1] - b.centre[j, 1]) > 1.5 * tolerance
    ):
        return False
    _place(a, i, ta, spot)
    _place(b, j, tb, spot_b)
    if _apart(spot, spot_b) > tolerance:
        return False
    rest_a, rest_b = (1.0 - ta) * _length(a, i), (1.0 - tb) * _length(b, j)
    out[0], out[1] = 1.0, 1.0
    if _apart(a.point[i + 1], b.point[j + 1]) <= tolerance and (not turns or abs(rest_a - rest_b) <= 4.0 * tolerance):
        return True
    if rest_b <= rest_a:  # b ends first: its end has to lie on a
        out[0] = _ends_on(a, i, ta, rest_a, b.point[j + 1], rest_b, tolerance, spot)
        return out[0] >= 0.0
    out[1] = _ends_on(b, j, tb, rest_b, a.point[i + 1], rest_a, tolerance, spot)
    return out[1] >= 0.0


@njit(cache=True)
def _pass_over(a, i, ta, b, j, tb, begun, tolerance, scratch, out):
    """The next beads of both from i and j on, where other ways do not count.

    A run that ends early is followed on its way by b without filament; any other way of b is passed over.
    """
    n, m = a.lays.size, b.lays.size
    while i < n and not a.lays[i]:
        i += 1
    runs_on = ta > 0.0 or (
        0 < i < n and begun and a.lays[i - 1] and _apart(a.point[a.move[i - 1] + 1], a.point[a.move[i]]) <= tolerance
    )
    while j < m and not b.lays[j]:
        if tb > 0.0 or (runs_on and i < n and _together(a, i, ta, b, j, tb, tolerance, scratch, out)):
            break
        j += 1
    return i, j


@njit(cache=True)
def _found_ahead(a, i, ta, b, j, tb, window, tolerance, scratch, out):
    """The nearest beads ahead that are the same again; (-1, -1) if there are none within the window."""
    n, m = a.lays.size, b.lays.size
    for ahead in range(1, 2 * window):
        for step in range(max(0, ahead - window), min(ahead, window) + 1):
            p, q = i + step, j + ahead - step
            if p >= n or q >= m or not a.lays[p] or not b.lays[q]:
                continue
            if (step == 0 and ta > 0.0) or (q == j and tb > 0.0):
                continue
            if _together(a, p, 0.0, b, q, 0.0, tolerance, scratch, out) and (
                (out[0] == 1.0 and out[1] == 1.0) or out[0] * _length(a, a.move[p]) > 20.0 * tolerance
            ):
                return p, q
    return -1, -1


@njit(cache=True)
def pair_pieces(
    a: Walk, b: Walk, free: int, tolerance: float, window: int, most: int
) -> tuple[int, Ints32, Ints32, Floats, Floats, Bools, Bools, int]:
    """Pair the stretches of two walks.

    Walk of n pieces, walk of m, () 0 every way counts, 1 none before the first bead, 2 beads alone, () [mm], () pieces
    looked ahead, () losses -> count, in_a (c,) piece, in_b (c,), share_a (c,), share_b (c,), lost (n,), extra (m,),
    way (), the first piece of a from where the walk lost its way, n if it did not: all that follows is lost and extra.
    """
    n, m = a.lays.size, b.lays.size
    in_a, in_b = np.empty(n + m, np.int32), np.empty(n + m, np.int32)
    share_a, share_b = np.empty(n + m), np.empty(n + m)
    lost, extra = np.zeros(n, np.bool_), np.zeros(m, np.bool_)
    scratch, out = np.empty((2, 3)), np.empty(2)
    i = j = count = losses = 0
    ta = tb = 0.0
    way = n
    while True:
        loose = free == 2 or (free == 1 and count == 0)
        if loose:
            i, j = _pass_over(a, i, ta, b, j, tb, count > 0, tolerance, scratch, out)
        if i >= n or j >= m:
            break
        if _together(a, i, ta, b, j, tb, tolerance, scratch, out):
            in_a[count], in_b[count], share_a[count], share_b[count] = i, j, out[0] - ta, out[1] - tb
            count += 1
            extra[j] = extra[j] or (b.lays[j] and not a.lays[i])
            ta, tb = out[0], out[1]
            if ta >= 1.0:
                i, ta = i + 1, 0.0
            if tb >= 1.0:
                j, tb = j + 1, 0.0
            continue
        losses += 1
        p, q = -1, -1
        if losses <= most:
            p, q = _found_ahead(a, i, ta, b, j, tb, window, tolerance, scratch, out)
        if p < 0:
            if np.any(a.lays[i:]) or np.any(b.lays[j:]):
                way = i
            break
        for k in range(i, p):
            lost[k] = a.lays[k] or not loose
        for k in range(j, q):
            extra[k] = b.lays[k] or not loose
        i, j, ta, tb = p, q, 0.0, 0.0
    lost[i:] = True
    extra[j:] = True
    if free == 2:
        lost &= a.lays
        extra &= b.lays
    return count, in_a, in_b, share_a, share_b, lost, extra, way
