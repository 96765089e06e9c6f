"""Walking two tool paths side by side: which stretch of one is which stretch of the other.

Pieces are straight, or arcs about a centre; either path may cut a straight stretch, or an arc, into more pieces than
the other. Vertices have to lie on the other path within a tolerance, so errors of rounding never add up. A piece is a
move m of a program: from point[m] to point[m + 1], sweep[m] about centre[m], or straight if the sweep is 0.
"""

import math

import numpy as np
from numba import njit

__all__ = ["pair_pieces"]

_FULL_TURN = 2.0 * math.pi


@njit(cache=True)
def _place(point, centre, sweep, m, share, out):
    """Point at a share of piece m into out (3,). (n+1,3) [mm], (n,2) [mm], (n,) [rad]"""
    if sweep[m] == 0.0:
        for k in range(3):
            out[k] = point[m, k] + share * (point[m + 1, k] - point[m, k])
        return
    ax, ay = point[m, 0] - centre[m, 0], point[m, 1] - centre[m, 1]
    r0 = math.hypot(ax, ay)
    r1 = math.hypot(point[m + 1, 0] - centre[m, 0], point[m + 1, 1] - centre[m, 1])
    angle = math.atan2(ay, ax) + share * sweep[m]
    r = r0 + share * (r1 - r0)
    out[0], out[1] = centre[m, 0] + r * math.cos(angle), centre[m, 1] + r * math.sin(angle)
    out[2] = point[m, 2] + share * (point[m + 1, 2] - point[m, 2])


@njit(cache=True)
def _share_of(point, centre, sweep, m, x, y, z, guess):
    """Share of piece m at which a point near it lies; on an arc the turn nearest to the guess is meant."""
    if sweep[m] == 0.0:
        dx, dy, dz = point[m + 1, 0] - point[m, 0], point[m + 1, 1] - point[m, 1], point[m + 1, 2] - point[m, 2]
        along = (x - point[m, 0]) * dx + (y - point[m, 1]) * dy + (z - point[m, 2]) * dz
        return along / (dx * dx + dy * dy + dz * dz)
    ax, ay = point[m, 0] - centre[m, 0], point[m, 1] - centre[m, 1]
    bx, by = x - centre[m, 0], y - centre[m, 1]
    angle = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    turns = math.floor((guess * sweep[m] - angle) / _FULL_TURN + 0.5)
    return (angle + turns * _FULL_TURN) / sweep[m]


@njit(cache=True)
def _length(point, centre, sweep, m):
    """Path length of piece m. [mm]"""
    dx, dy, dz = point[m + 1, 0] - point[m, 0], point[m + 1, 1] - point[m, 1], point[m + 1, 2] - point[m, 2]
    if sweep[m] == 0.0:
        return math.sqrt(dx * dx + dy * dy + dz * dz)
    return math.hypot(math.hypot(point[m, 0] - centre[m, 0], point[m, 1] - centre[m, 1]) * sweep[m], dz)


@njit(cache=True)
def _apart(p, q):
    """Distance of two points (3,). [mm]"""
    return math.sqrt((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2)


@njit(cache=True)
def _ends_on(pa, ca, wa, m, ta, rest_a, pb, q, rest_b, tolerance, spot):
    """Share of piece m of a at which point q of b lies, not before ta; -1 if it lies off it."""
    x, y, z = pb[q, 0], pb[q, 1], pb[q, 2]
    t = _share_of(pa, ca, wa, m, x, y, z, ta + (1.0 - ta) * rest_b / rest_a)
    if (ta - t) * rest_a > tolerance * (1.0 - ta):
        return -1.0
    t = min(max(t, ta), 1.0)
    _place(pa, ca, wa, m, t, spot)
    return t if _apart(spot, pb[q]) <= tolerance else -1.0


@njit(cache=True)
def _together(pa, ca, wa, i, ta, pb, cb, wb, j, tb, tolerance, spot, spot_b, out):
    """Whether the rest of piece i of a from share ta and the rest of piece j of b from tb go the same way.

    The shares reached, of which one is 1, go into out (2,).
    """
    turns = wa[i] != 0.0
    if turns != (wb[j] != 0.0):
        return False
    if turns and (wa[i] * wb[j] < 0.0 or math.hypot(ca[i, 0] - cb[j, 0], ca[i, 1] - cb[j, 1]) > 1.5 * tolerance):
        return False
    _place(pa, ca, wa, i, ta, spot)
    _place(pb, cb, wb, j, tb, spot_b)
    if _apart(spot, spot_b) > tolerance:
        return False
    rest_a, rest_b = (1.0 - ta) * _length(pa, ca, wa, i), (1.0 - tb) * _length(pb, cb, wb, j)
    out[0], out[1] = 1.0, 1.0
    if _apart(pa[i + 1], pb[j + 1]) <= tolerance and (not turns or abs(rest_a - rest_b) <= 4.0 * tolerance):
        return True
    if rest_b <= rest_a:  # b ends first: its end has to lie on a
        out[0] = _ends_on(pa, ca, wa, i, ta, rest_a, pb, j + 1, rest_b, tolerance, spot)
        return out[0] >= 0.0
    out[1] = _ends_on(pb, cb, wb, j, tb, rest_b, pa, i + 1, rest_a, tolerance, spot)
    return out[1] >= 0.0


@njit(cache=True)
def pair_pieces(
    point_a,
    centre_a,
    sweep_a,
    move_a,
    lays_a,
    point_b,
    centre_b,
    sweep_b,
    move_b,
    lays_b,
    free,
    tolerance,
    window,
    most,
):
    """Pair the stretches of two paths.

    (.,3), (.,2), (.,), (n,) int moves in the order of the walk, (n,) bool, the same of b (m,), () 0 every way counts,
    1 none before the first bead, 2 beads alone, () [mm], () pieces looked ahead, () losses
    -> count, a (c,) piece, b (c,), share_a (c,), share_b (c,), lost (n,), extra (m,), way (), the first piece of a
    from where the walk lost its way, n if it did not: all that follows is lost and extra.
    """
    n, m = lays_a.size, lays_b.size
    a, b = np.empty(n + m, np.int32), np.empty(n + m, np.int32)
    share_a, share_b = np.empty(n + m), np.empty(n + m)
    lost, extra = np.zeros(n, np.bool_), np.zeros(m, np.bool_)
    spot, spot_b, out = np.empty(3), np.empty(3), np.empty(2)
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
                0 < i < n and count > 0 and lays_a[i - 1]
                and _apart(point_a[move_a[i - 1] + 1], point_a[move_a[i]]) <= tolerance
            )  # fmt: skip
            while j < m and not lays_b[j]:
                if tb > 0.0 or (
                    runs_on and i < n and _together(
                        point_a, centre_a, sweep_a, move_a[i], ta, point_b, centre_b, sweep_b, move_b[j], tb, tolerance,
                        spot, spot_b, out,
                    )
                ):  # fmt: skip
                    break
                j += 1
        if i >= n or j >= m:
            break
        if _together(
            point_a, centre_a, sweep_a, move_a[i], ta, point_b, centre_b, sweep_b, move_b[j], tb, tolerance,
            spot, spot_b, out,
        ):  # fmt: skip
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
        p, q = i, j
        far = 2 * window if losses <= most else 0
        for ahead in range(1, far):
            for step in range(max(0, ahead - window), min(ahead, window) + 1):
                p, q = i + step, j + ahead - step
                if p >= n or q >= m or not lays_a[p] or not lays_b[q]:
                    continue
                if (step == 0 and ta > 0.0) or (q == j and tb > 0.0):
                    continue
                if _together(
                    point_a, centre_a, sweep_a, move_a[p], 0.0, point_b, centre_b, sweep_b, move_b[q], 0.0, tolerance,
                    spot, spot_b, out,
                ) and (
                    (out[0] == 1.0 and out[1] == 1.0)
                    or out[0] * _length(point_a, centre_a, sweep_a, move_a[p]) > 20.0 * tolerance
                ):  # fmt: skip
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
