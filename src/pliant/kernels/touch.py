"""Which runs of a layer touch, and how wide the gaps between its pieces are: exact distances of segments.

Segments near one another come from a hashed grid that is made anew for each layer, so the time grows with the beads.
Distances between pieces are compared block by block, those first whose boxes lie near.
"""

import math

import numpy as np

from pliant.arrays import Floats, Ints
from pliant.kernels.compiler import njit
from pliant.kernels.cover import grid_of
from pliant.kernels.grid import bucket_of, row_span
from pliant.kernels.joined import join

__all__ = ["connected", "piece_gaps", "segment_distance", "touching_runs"]

_LEAST_BLOCK, _MOST_BLOCKS = 16, 512  # [1] chords of a piece that are compared as one; blocks that a layer is cut into


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
def touching_runs(chord: Floats, half: Floats, run: Ints, block: Ints, least: float, share: float) -> Ints:
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
def connected(n: int, links: Ints) -> Ints:
    """(), (p, 2) -> connected piece of each of n things, (n,), numbered by their first thing."""
    parent = np.arange(n)
    for k in range(len(links)):
        join(parent, links[k, 0], links[k, 1])  # a piece's root is its first thing
    count = 0
    for i in range(n):
        if parent[i] == i:
            parent[i] = count
            count += 1
        else:
            parent[i] = parent[parent[i]]
    return parent


@njit(cache=True)
def _by_piece(chord, half, begin, piece, n_pieces):
    """Chords gathered by piece, their half widths, and blocks of them: chord, half, block's first, piece, box."""
    count = np.zeros(n_pieces + 1, dtype=np.int64)
    for r in range(piece.size):
        count[piece[r] + 1] += begin[r + 1] - begin[r]
    at = np.cumsum(count)
    place = at.copy()
    sorted_chord, sorted_half = np.empty_like(chord), np.empty(len(chord))
    for r in range(piece.size):
        for k in range(begin[r], begin[r + 1]):
            i = place[piece[r]]
            place[piece[r]] += 1
            sorted_chord[i], sorted_half[i] = chord[k], half[r]
    size = max(_LEAST_BLOCK, -(-len(chord) // _MOST_BLOCKS))
    n = 0
    for q in range(n_pieces):
        n += -(-count[q + 1] // size)
    first, of = np.empty(n + 1, dtype=np.int64), np.empty(n, dtype=np.int64)
    box, widest = np.empty((n, 4)), np.empty(n)
    n = 0
    for q in range(n_pieces):
        for start in range(at[q], at[q + 1], size):
            first[n], of[n], widest[n] = start, q, 0.0
            box[n] = math.inf, math.inf, -math.inf, -math.inf
            for k in range(start, min(start + size, at[q + 1])):
                c = sorted_chord[k]
                box[n, 0], box[n, 1] = min(box[n, 0], c[0], c[2]), min(box[n, 1], c[1], c[3])
                box[n, 2], box[n, 3] = max(box[n, 2], c[0], c[2]), max(box[n, 3], c[1], c[3])
                widest[n] = max(widest[n], sorted_half[k])
            n += 1
    first[n] = len(chord)
    return sorted_chord, sorted_half, first, of, box, widest


@njit(cache=True)
def _box_distance(s, r):
    """(4,), (4,) -> distance of the boxes of two segments, or of two boxes; 0 where they overlap."""
    x = max(min(s[0], s[2]) - max(r[0], r[2]), min(r[0], r[2]) - max(s[0], s[2]), 0.0)
    y = max(min(s[1], s[3]) - max(r[1], r[3]), min(r[1], r[3]) - max(s[1], s[3]), 0.0)
    return math.sqrt(x * x + y * y)


@njit(cache=True)
def _block_gap(a, i, b, j, gap):
    """Gap between the chords of two blocks where it is less than `gap`, else that."""
    chord_a, half_a, first_a, _, _, _ = a
    chord_b, half_b, first_b, _, box_b, widest_b = b
    for k in range(first_a[i], first_a[i + 1]):
        if _box_distance(chord_a[k], box_b[j]) - half_a[k] - widest_b[j] >= gap:
            continue
        for m in range(first_b[j], first_b[j + 1]):
            width = half_a[k] + half_b[m]
            if _box_distance(chord_a[k], chord_b[m]) - width < gap:
                gap = min(gap, max(segment_distance(chord_a[k], chord_b[m]) - width, 0.0))
        if gap <= 0.0:
            return 0.0
    return gap


@njit(cache=True)
def piece_gaps(
    chord_a: Floats,
    half_a: Floats,
    begin_a: Ints,
    piece_a: Ints,
    n_a: int,
    chord_b: Floats,
    half_b: Floats,
    begin_b: Ints,
    piece_b: Ints,
    n_b: int,
    same: bool,
) -> Floats:
    """(a,4), (r,), (r+1,), (r,), (), those of b, () -> gap (n_a,n_b): air between pieces of two sets of runs, mm.

    The segments of run r are begin[r]..begin[r+1]-1; piece[r] is its piece; `same` where both sets are one. Of each
    two pieces the blocks whose boxes lie nearest are compared first, and then only what could still be nearer.
    """
    gap = np.full((n_a, n_b), math.inf)
    a = _by_piece(chord_a, half_a, begin_a, piece_a, n_a)
    b = a if same else _by_piece(chord_b, half_b, begin_b, piece_b, n_b)
    of_a, box_a, widest_a, of_b, box_b, widest_b = a[3], a[4], a[5], b[3], b[4], b[5]
    nearest = np.full((n_a, n_b, 2), -1, dtype=np.int64)
    for turn in range(2):
        for i in range(of_a.size):
            for j in range(of_b.size):
                p, q = of_a[i], of_b[j]
                if same and q <= p:
                    continue
                apart = _box_distance(box_a[i], box_b[j]) - widest_a[i] - widest_b[j]
                if apart >= gap[p, q]:
                    continue
                if turn:
                    gap[p, q] = _block_gap(a, i, b, j, gap[p, q])
                else:
                    gap[p, q], nearest[p, q, 0], nearest[p, q, 1] = apart, i, j
        if not turn:
            for p in range(n_a):
                for q in range(n_b):
                    if nearest[p, q, 0] >= 0:
                        gap[p, q] = _block_gap(a, nearest[p, q, 0], b, nearest[p, q, 1], math.inf)
    if same:
        for p in range(n_a):
            gap[p, p] = 0.0
            for q in range(p):
                gap[p, q] = gap[q, p]
    return gap
