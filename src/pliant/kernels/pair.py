"""Walking two tool paths side by side: which stretch of one is which stretch of the other.

Pieces are straight, or arcs about a centre; either path may cut a straight stretch, or an arc, into more pieces than
the other. Vertices have to lie on the other path within a tolerance, so errors of rounding never add up.
"""

import math

import numpy as np
from numba import njit

__all__ = ["pair_pieces"]

_FULL_TURN = 2.0 * math.pi


@njit(cache=True)
def _place(ends, arc, share, out):
    """Point at a share of a piece into out (3,). ends (6,) start and end, arc (3,) centre and sweep. [mm], [rad]"""
    if arc[2] == 0.0:
        for k in range(3):
            out[k] = ends[k] + share * (ends[3 + k] - ends[k])
        return
    ax, ay = ends[0] - arc[0], ends[1] - arc[1]
    r0 = math.hypot(ax, ay)
    r1 = math.hypot(ends[3] - arc[0], ends[4] - arc[1])
    angle = math.atan2(ay, ax) + share * arc[2]
    r = r0 + share * (r1 - r0)
    out[0], out[1] = arc[0] + r * math.cos(angle), arc[1] + r * math.sin(angle)
    out[2] = ends[2] + share * (ends[5] - ends[2])


@njit(cache=True)
def _share_of(ends, arc, x, y, z, guess):
    """Share of a piece at which a point near it lies; on an arc the turn nearest to the guess is meant."""
    if arc[2] == 0.0:
        dx, dy, dz = ends[3] - ends[0], ends[4] - ends[1], ends[5] - ends[2]
        return ((x - ends[0]) * dx + (y - ends[1]) * dy + (z - ends[2]) * dz) / (dx * dx + dy * dy + dz * dz)
    ax, ay, bx, by = ends[0] - arc[0], ends[1] - arc[1], x - arc[0], y - arc[1]
    angle = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    turns = math.floor((guess * arc[2] - angle) / _FULL_TURN + 0.5)
    return (angle + turns * _FULL_TURN) / arc[2]


@njit(cache=True)
def _length(ends, arc):
    """Path length of a piece. [mm]"""
    dx, dy, dz = ends[3] - ends[0], ends[4] - ends[1], ends[5] - ends[2]
    if arc[2] == 0.0:
        return math.sqrt(dx * dx + dy * dy + dz * dz)
    return math.hypot(math.hypot(ends[0] - arc[0], ends[1] - arc[1]) * arc[2], dz)


@njit(cache=True)
def _together(ends_a, arc_a, ta, ends_b, arc_b, tb, tolerance, spot, out):
    """Whether the rest of a from share ta and the rest of b from tb go the same way.

    The shares reached, of which one is 1, go into out (2,).
    """
    if (arc_a[2] == 0.0) != (arc_b[2] == 0.0):
        return False
    if arc_a[2] != 0.0 and (
        arc_a[2] * arc_b[2] < 0.0 or math.hypot(arc_a[0] - arc_b[0], arc_a[1] - arc_b[1]) > 1.5 * tolerance
    ):
        return False
    _place(ends_a, arc_a, ta, spot)
    x, y, z = spot[0], spot[1], spot[2]
    _place(ends_b, arc_b, tb, spot)
    if math.sqrt((x - spot[0]) ** 2 + (y - spot[1]) ** 2 + (z - spot[2]) ** 2) > tolerance:
        return False
    rest_a, rest_b = (1.0 - ta) * _length(ends_a, arc_a), (1.0 - tb) * _length(ends_b, arc_b)
    apart = math.sqrt((ends_a[3] - ends_b[3]) ** 2 + (ends_a[4] - ends_b[4]) ** 2 + (ends_a[5] - ends_b[5]) ** 2)
    if apart <= tolerance and (arc_a[2] == 0.0 or abs(rest_a - rest_b) <= 4.0 * tolerance):
        out[0], out[1] = 1.0, 1.0
        return True
    if rest_b <= rest_a:  # b ends first: its end has to lie on a
        guess = ta + (1.0 - ta) * rest_b / rest_a
        t = _share_of(ends_a, arc_a, ends_b[3], ends_b[4], ends_b[5], guess)
        back = (ta - t) * rest_a > tolerance * (1.0 - ta)
        t = max(t, ta)
        _place(ends_a, arc_a, min(t, 1.0), spot)
        off = math.sqrt((ends_b[3] - spot[0]) ** 2 + (ends_b[4] - spot[1]) ** 2 + (ends_b[5] - spot[2]) ** 2)
        out[0], out[1] = min(t, 1.0), 1.0
    else:
        guess = tb + (1.0 - tb) * rest_a / rest_b
        t = _share_of(ends_b, arc_b, ends_a[3], ends_a[4], ends_a[5], guess)
        back = (tb - t) * rest_b > tolerance * (1.0 - tb)
        t = max(t, tb)
        _place(ends_b, arc_b, min(t, 1.0), spot)
        off = math.sqrt((ends_a[3] - spot[0]) ** 2 + (ends_a[4] - spot[1]) ** 2 + (ends_a[5] - spot[2]) ** 2)
        out[0], out[1] = 1.0, min(t, 1.0)
    return off <= tolerance and not back


@njit(cache=True)
def pair_pieces(ends_a, arc_a, lays_a, ends_b, arc_b, lays_b, free, tolerance, window, most_losses):
    """Pair the stretches of two paths.

    (n,6), (n,3), (n,) bool, (m,6), (m,3), (m,) bool, () 0 every way counts, 1 none before the first bead, 2 beads
    alone, () [mm], () pieces, () -> count, a (c,), b (c,), share_a (c,), share_b (c,), lost (n,), extra (m,), way (),
    the first piece of a from where the walk lost its way, n if it did not: all that follows is lost and extra.
    """
    n, m = lays_a.size, lays_b.size
    a, b = np.empty(n + m, np.int64), np.empty(n + m, np.int64)
    share_a, share_b = np.empty(n + m), np.empty(n + m)
    lost, extra = np.zeros(n, np.bool_), np.zeros(m, np.bool_)
    spot, out = np.empty(3), np.empty(2)
    i = j = count = losses = 0
    ta = tb = 0.0
    way = n
    while True:
        loose = free == 2 or (free == 1 and count == 0)
        if loose:
            while i < n and not lays_a[i]:
                i += 1
            # a run that ends early is followed on its way by b without filament; any other way of b is passed over
            runs_on = ta > 0.0 or (
                0 < i < n
                and count > 0
                and lays_a[i - 1]
                and np.max(np.abs(ends_a[i - 1, 3:] - ends_a[i, :3])) <= tolerance
            )
            while j < m and not lays_b[j]:
                if tb > 0.0 or (
                    runs_on
                    and i < n
                    and _together(ends_a[i], arc_a[i], ta, ends_b[j], arc_b[j], tb, tolerance, spot, out)
                ):
                    break
                j += 1
        if i >= n or j >= m:
            break
        if _together(ends_a[i], arc_a[i], ta, ends_b[j], arc_b[j], tb, tolerance, spot, out):
            a[count], b[count], share_a[count], share_b[count] = i, j, out[0] - ta, out[1] - tb
            count += 1
            extra[j] = extra[j] or (lays_b[j] and not lays_a[i])
            ta, tb = out[0], out[1]
            if ta >= 1.0:
                i, ta = i + 1, 0.0
            if tb >= 1.0:
                j, tb = j + 1, 0.0
            continue
        # look for the nearest beads ahead that are the same again
        losses += 1
        found = False
        far = 2 * window if losses <= most_losses else 0
        for ahead in range(1, far):
            for step in range(max(0, ahead - window), min(ahead, window) + 1):
                p, q = i + step, j + ahead - step
                if p >= n or q >= m or not lays_a[p] or not lays_b[q]:
                    continue
                if (step == 0 and ta > 0.0) or (q == j and tb > 0.0):
                    continue
                if _together(ends_a[p], arc_a[p], 0.0, ends_b[q], arc_b[q], 0.0, tolerance, spot, out) and (
                    (out[0] == 1.0 and out[1] == 1.0) or out[0] * _length(ends_a[p], arc_a[p]) > 20.0 * tolerance
                ):
                    found = True
                    break
            if found:
                break
        if not found:
            if np.any(lays_a[i:]) or np.any(lays_b[j:]):
                way = i
            break
        for k in range(i, p):
            lost[k] = lays_a[k] or not loose
        for k in range(j, q):
            extra[k] = lays_b[k] or not loose
        i, j, ta, tb = p, q, 0.0, 0.0
    lost[i:] = True
    extra[j:] = True
    if free == 2:
        for k in range(n):
            lost[k] = lost[k] and lays_a[k]
        for k in range(m):
            extra[k] = extra[k] and lays_b[k]
    return count, a, b, share_a, share_b, lost, extra, way
