"""Which runs of a layer touch, and how wide the gaps between its pieces are: exact distances of segments.

Segments near one another come from a hashed grid that is made anew for each layer, so the time grows with the beads.
Distances between pieces are compared run by run, those first whose boxes lie near.
"""

import math

import numpy as np
from numba import njit

from pliant.kernels.cover import grid_of
from pliant.kernels.grid import bucket_of, row_span

__all__ = ["piece_gaps", "segment_distance", "touching_runs"]


@njit(cache=True)
def _point_segment(px, py, ax, ay, bx, by):
    dx, dy = bx - ax, by - ay
    square = dx * dx + dy * dy
    t = 0.0
    if square > 0.0:
        t = min(max(((px - ax) * dx + (py - ay) * dy) / square, 0.0), 1.0)
    return math.hypot(px - ax - t * dx, py - ay - t * dy)


@njit(cache=True)
def segment_distance(s, r):
    """(4,), (4,) -> distance of two segments of the plane, 0 where they cross."""
    sx, sy, rx, ry = s[2] - s[0], s[3] - s[1], r[2] - r[0], r[3] - r[1]
    side0, side1 = sx * (r[1] - s[1]) - sy * (r[0] - s[0]), sx * (r[3] - s[1]) - sy * (r[2] - s[0])
    side2, side3 = rx * (s[1] - r[1]) - ry * (s[0] - r[0]), rx * (s[3] - r[1]) - ry * (s[2] - r[0])
    if side0 * side1 < 0.0 and side2 * side3 < 0.0:
        return 0.0
    near = min(_point_segment(r[0], r[1], s[0], s[1], s[2], s[3]), _point_segment(r[2], r[3], s[0], s[1], s[2], s[3]))
    return min(
        near, _point_segment(s[0], s[1], r[0], r[1], r[2], r[3]), _point_segment(s[2], s[3], r[0], r[1], r[2], r[3])
    )


@njit(cache=True)
def touching_runs(chord, half, run, block, least, share):
    """(c,4), (n_runs,), (c,), (n_runs,), (), () -> pairs (p,2) of runs of one block that touch, the earlier first.

    Runs touch where segments lie no further apart than both half widths and the larger of `least` and `share` of
    both. Segments are sorted by run, runs by block; lengths in mm.
    """
    n = run.size
    pair, count = np.empty((1024, 2), dtype=np.int64), 0
    start, item = np.zeros(66, dtype=np.int64), np.empty(256, dtype=np.int64)
    reach = np.empty(n)
    for k in range(n):
        reach[k] = half[run[k]] * (1.0 + share) + least
    linked = np.full(half.size, -1, dtype=np.int64)
    first = 0
    while first < n:
        last = first
        while last < n and block[run[last]] == block[run[first]]:
            last += 1
        if run[last - 1] > run[first]:
            box, mask, start, item = grid_of(chord, reach, first, last, 8.0 * reach[first:last].max(), start, item)
            west, _, south, _, cell = box
            for i in range(first, last):
                mine, r = run[i], reach[i]
                ax, ay, bx, by = chord[i, 0] - west, chord[i, 1] - south, chord[i, 2] - west, chord[i, 3] - south
                for row in range(math.floor((min(ay, by) - r) / cell), math.floor((max(ay, by) + r) / cell) + 1):
                    left, right = row_span(ax, ay, bx, by, r, row * cell, (row + 1) * cell)
                    for column in range(math.floor(left / cell), math.floor(right / cell) + 1):
                        b = bucket_of(column, row, mask)
                        for k in range(start[b], start[b + 1]):
                            other = run[item[k]]
                            if other >= mine or linked[other] == mine:
                                continue
                            apart = half[mine] + half[other]
                            apart += max(least, share * apart)
                            if segment_distance(chord[i], chord[item[k]]) > apart:
                                continue
                            linked[other] = mine
                            if count == len(pair):
                                pair = np.concatenate((pair, np.empty_like(pair)))
                            pair[count, 0], pair[count, 1] = other, mine
                            count += 1
        first = last
    return pair[:count].copy()


@njit(cache=True)
def _boxes(chord, begin):
    box = np.empty((begin.size - 1, 4))
    for r in range(begin.size - 1):
        box[r] = math.inf, math.inf, -math.inf, -math.inf
        for k in range(begin[r], begin[r + 1]):
            box[r, 0], box[r, 1] = min(box[r, 0], chord[k, 0], chord[k, 2]), min(box[r, 1], chord[k, 1], chord[k, 3])
            box[r, 2], box[r, 3] = max(box[r, 2], chord[k, 0], chord[k, 2]), max(box[r, 3], chord[k, 1], chord[k, 3])
    return box


@njit(cache=True)
def _box_distance(s, r):
    """(4,), (4,) -> a little less than the distance of two segments or boxes: that of their boxes along one axis."""
    across = max(min(s[0], s[2]) - max(r[0], r[2]), min(r[0], r[2]) - max(s[0], s[2]))
    return max(across, min(s[1], s[3]) - max(r[1], r[3]), min(r[1], r[3]) - max(s[1], s[3]))


@njit(cache=True)
def piece_gaps(chord_a, half_a, begin_a, piece_a, n_a, chord_b, half_b, begin_b, piece_b, n_b, same):
    """(a,4), (r,), (r+1,), (r,), (), those of b, () -> gap (n_a,n_b): air between pieces of two sets of runs, mm.

    The segments of run r are begin[r]..begin[r+1]-1; piece[r] is its piece; `same` where both sets are one.
    """
    gap = np.full((n_a, n_b), math.inf)
    box_a, box_b = _boxes(chord_a, begin_a), _boxes(chord_b, begin_b)
    for i in range(piece_a.size):
        for j in range(piece_b.size):
            p, q, width = piece_a[i], piece_b[j], half_a[i] + half_b[j]
            if gap[p, q] <= 0.0:
                continue
            if (same and q < p) or _box_distance(box_a[i], box_b[j]) - width >= gap[p, q]:
                continue
            for k in range(begin_a[i], begin_a[i + 1]):
                reach = gap[p, q] + width
                if _box_distance(chord_a[k], box_b[j]) >= reach:
                    continue
                for m in range(begin_b[j], begin_b[j + 1]):
                    if _box_distance(chord_a[k], chord_b[m]) < reach:
                        gap[p, q] = min(gap[p, q], max(segment_distance(chord_a[k], chord_b[m]) - width, 0.0))
                        reach = gap[p, q] + width
            if same:
                gap[q, p] = gap[p, q]
    return gap
