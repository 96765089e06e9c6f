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
from pliant.kernels.joined import join, root_of

__all__ = ["connected", "piece_gaps", "segment_distance", "touching_runs"]

_ROUNDED = 1.0 + 1e-12  # a lower bound on a distance may be larger than it by rounding
_LEAST_BLOCK, _MOST_BLOCKS = 4, 1024  # [1] chords of a piece that are compared as one; blocks that a layer is cut into


@njit(cache=True)
def _point_segment(px, py, ax, ay, bx, by):
    dx, dy = bx - ax, by - ay
    square = dx * dx + dy * dy
    t = 0.0
    if square > 0.0:
        t = min(max(((px - ax) * dx + (py - ay) * dy) / square, 0.0), 1.0)
    return math.hypot(px - ax - t * dx, py - ay - t * dy)


@njit(cache=True)
def segment_distance(s, i, r, j):
    """(s,4), (), (r,4), () -> distance of two segments of the plane, 0 where they cross.

    Rows are told by their numbers: a view of a row would count references.
    """
    ax, ay, bx, by = s[i, 0], s[i, 1], s[i, 2], s[i, 3]
    cx, cy, dx, dy = r[j, 0], r[j, 1], r[j, 2], r[j, 3]
    sx, sy, rx, ry = bx - ax, by - ay, dx - cx, dy - cy
    side0, side1 = sx * (cy - ay) - sy * (cx - ax), sx * (dy - ay) - sy * (dx - ax)
    side2, side3 = rx * (ay - cy) - ry * (ax - cx), rx * (by - cy) - ry * (bx - cx)
    if side0 * side1 < 0.0 and side2 * side3 < 0.0:
        return 0.0
    near = min(_point_segment(cx, cy, ax, ay, bx, by), _point_segment(dx, dy, ax, ay, bx, by))
    return min(near, _point_segment(ax, ay, cx, cy, dx, dy), _point_segment(bx, by, cx, cy, dx, dy))


@njit(cache=True, inline="always")
def _box_distance(s, i, r, j):
    """(s,4), (), (r,4), () -> distance of the boxes of two segments, or of two boxes; 0 where they overlap."""
    x = max(min(s[i, 0], s[i, 2]) - max(r[j, 0], r[j, 2]), min(r[j, 0], r[j, 2]) - max(s[i, 0], s[i, 2]), 0.0)
    y = max(min(s[i, 1], s[i, 3]) - max(r[j, 1], r[j, 3]), min(r[j, 1], r[j, 3]) - max(s[i, 1], s[i, 3]), 0.0)
    return math.sqrt(x * x + y * y)


@njit(cache=True)
def touching_runs(chord: Floats, half: Floats, run: Ints, block: Ints, least: float, share: float, every: bool) -> Ints:
    """(c,4), (n_runs,), (c,), (n_runs,), (), (), () -> pairs (p,2) of runs of one block that touch, the earlier first.

    Runs touch where segments lie no further apart than both half widths and the larger of `least` and `share` of
    both. Segments are sorted by run, runs by block; lengths in mm. Unless `every` pair is wanted those are left out
    that hang together by others already: the pieces are the same.
    """
    n = run.size
    pair, count = np.empty((1024, 2), dtype=np.int64), 0
    start, item = np.zeros(66, dtype=np.int64), np.empty(256, dtype=np.int64)
    reach = np.empty(n)
    for k in range(n):
        reach[k] = half[run[k]] * (1.0 + share) + least
    linked, parent = np.full(half.size, -1, dtype=np.int64), np.arange(half.size)
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
                            if _box_distance(chord, i, chord, item[k]) > apart * _ROUNDED:
                                continue
                            if not every and root_of(parent, other) == root_of(parent, mine):
                                continue
                            if segment_distance(chord, i, chord, item[k]) > apart:
                                continue
                            linked[other] = mine
                            join(parent, other, mine)
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
def _block_gap(chord_a, half_a, first_a, i, chord_b, half_b, first_b, box_b, widest_b, j, gap):
    """Gap between the chords of two blocks where it is less than `gap`, else that."""
    for k in range(first_a[i], first_a[i + 1]):
        if _box_distance(chord_a, k, box_b, j) - half_a[k] - widest_b[j] >= gap:
            continue
        for m in range(first_b[j], first_b[j + 1]):
            width = half_a[k] + half_b[m]
            if _box_distance(chord_a, k, chord_b, m) - width < gap:
                gap = min(gap, max(segment_distance(chord_a, k, chord_b, m) - width, 0.0))
        if gap <= 0.0:
            return 0.0
    return gap


@njit(cache=True)
def _pair_gap(a, i0, i1, b, j0, j1, around, most):
    """Gap between blocks i0 to i1 of one piece and j0 to j1 of another, whose box is `around`, if under `most`, mm."""
    chord_a, half_a, first_a, _, box_a, widest_a = a
    chord_b, half_b, first_b, _, box_b, widest_b = b
    widest = widest_b[j0:j1].max()
    least, at, to = most, -1, -1
    for i in range(i0, i1):  # the two blocks that lie nearest
        if _box_distance(box_a, i, around, 0) - widest_a[i] - widest >= least:
            continue
        for j in range(j0, j1):
            apart = _box_distance(box_a, i, box_b, j) - widest_a[i] - widest_b[j]
            if apart < least:
                least, at, to = apart, i, j
    if at < 0:
        return most
    gap = _block_gap(chord_a, half_a, first_a, at, chord_b, half_b, first_b, box_b, widest_b, to, most)
    for i in range(i0, i1):
        if _box_distance(box_a, i, around, 0) - widest_a[i] - widest >= gap:
            continue
        for j in range(j0, j1):
            if gap > 0.0 and _box_distance(box_a, i, box_b, j) - widest_a[i] - widest_b[j] < gap:
                gap = _block_gap(chord_a, half_a, first_a, i, chord_b, half_b, first_b, box_b, widest_b, j, gap)
    return gap


@njit(cache=True)
def _bounds(of, n):
    """Where the blocks of each of n pieces begin: of (b,), sorted -> (n + 1,)."""
    at = np.zeros(n + 1, dtype=np.int64)
    for k in range(of.size):
        at[of[k] + 1] = k + 1
    for p in range(n):
        at[p + 1] = max(at[p + 1], at[p])
    return at


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
    cost: Floats,
) -> Floats:
    """(a,4), (r,), (r+1,), (r,), (), those of b, (), (n_a,) -> gap (n_a,n_b): air between pieces of two sets, mm.

    The segments of run r are begin[r]..begin[r+1]-1; piece[r] is its piece; `same` where both sets are one. Of each
    two pieces the blocks whose boxes lie nearest are compared first, and then only what could still be nearer. Of two
    sets only the gaps are told that could be the way of least cost[p] + gap[p, q] to a piece q; others are infinite.
    """
    gap = np.full((n_a, n_b), math.inf)
    a = _by_piece(chord_a, half_a, begin_a, piece_a, n_a)
    b = a if same else _by_piece(chord_b, half_b, begin_b, piece_b, n_b)
    at_a, at_b, around = _bounds(a[3], n_a), _bounds(b[3], n_b), np.empty((1, 4))
    cheapest = np.argsort(cost)
    for q in range(n_b):
        j0, j1 = at_b[q], at_b[q + 1]
        if j0 == j1:
            continue
        for k in range(4):
            around[0, k] = b[4][j0:j1, k].min() if k < 2 else b[4][j0:j1, k].max()
        reached = math.inf
        for k in range(n_a):
            p = k if same else cheapest[k]
            if (p >= q) if same else (cost[p] >= reached):
                break
            if at_a[p] < at_a[p + 1]:
                most = reached if same else reached - cost[p]
                gap[p, q] = _pair_gap(a, at_a[p], at_a[p + 1], b, j0, j1, around, most)
                if not same:
                    reached = min(reached, cost[p] + gap[p, q])
    if same:
        for p in range(n_a):
            gap[p, p] = 0.0
            for q in range(p):
                gap[p, q] = gap[q, p]
    return gap
