"""How much of each travel lies over the beads of its own layer: an exact union of intervals, no raster.

A bead is a capsule: its centre line grown by half its width. A capsule is convex, so a straight travel meets it in one
interval; the covered part of the travel is the union of those intervals, and what is left is open. Beads near a travel
come from a hashed grid that is rebuilt for each layer, so time and memory grow with beads plus travels.
"""

import math

import numpy as np

from pliant.arrays import Floats, Ints
from pliant.kernels.compiler import njit
from pliant.kernels.grid import bucket_of, row_span

__all__ = ["cover_travels", "grid_of", "left_open", "meetings", "open_intervals"]

_MERGE_MM = 1e-9  # [mm] an open stretch no longer than this is rounding between two capsules that touch
_MAX_CELLS_ACROSS = 2048.0  # bounds the walk of one travel over a layer whatever its size


@njit(cache=True)
def _capsule_interval(px, py, dx, dy, cx, cy, ex, ey, r):
    """Travel p + t d, capsule c-e of radius r -> t_low, t_high clipped to 0..1; low > high if they do not meet."""
    low, high = 2.0, -1.0
    dd = dx * dx + dy * dy
    # both ends further than r to one side of the travel's line: the common case of a near miss
    side_c, side_e = dx * (cy - py) - dy * (cx - px), dx * (ey - py) - dy * (ex - px)
    if side_c * side_e > 0.0 and min(side_c * side_c, side_e * side_e) > r * r * dd:
        return low, high
    # round ends: |p + t d - c| <= r
    for end in range(2):
        qx, qy = (cx, cy) if end == 0 else (ex, ey)
        wx, wy = qx - px, qy - py
        cross = dx * wy - dy * wx
        room = r * r * dd - cross * cross
        if room >= 0.0:
            half = math.sqrt(room) / dd
            middle = (wx * dx + wy * dy) / dd
            low, high = min(low, middle - half), max(high, middle + half)
    # straight part: 0 <= along <= length and |across| <= r, both linear in t
    ux, uy = ex - cx, ey - cy
    length = math.sqrt(ux * ux + uy * uy)
    if length > 0.0:
        ux, uy = ux / length, uy / length
        t0, t1 = -math.inf, math.inf
        for slab in range(2):
            if slab == 0:
                at, rate = (px - cx) * ux + (py - cy) * uy, dx * ux + dy * uy
                bottom, top = 0.0, length
            else:
                at, rate = (py - cy) * ux - (px - cx) * uy, dy * ux - dx * uy
                bottom, top = -r, r
            if rate == 0.0:
                if at < bottom or at > top:
                    t0, t1 = 1.0, 0.0
            else:
                ta, tb = (bottom - at) / rate, (top - at) / rate
                t0, t1 = max(t0, min(ta, tb)), min(t1, max(ta, tb))
        if t0 <= t1:
            low, high = min(low, t0), max(high, t1)
    return max(low, 0.0), min(high, 1.0)


@njit(cache=True)
def _fill_grid(bead_xy, half_width, first, last, x0, y0, cell, mask, start, item):
    """Gather beads first..last-1 by bucket (compressed rows). Returns item, grown where it was too short."""
    start[: mask + 2] = 0
    for fill in range(2):
        if fill == 1:
            for k in range(mask + 1):
                start[k + 1] += start[k]
            if start[mask + 1] > item.size:
                item = np.empty(2 * start[mask + 1], dtype=np.int64)
        for i in range(first, last):
            ax, ay, bx, by = bead_xy[i, 0] - x0, bead_xy[i, 1] - y0, bead_xy[i, 2] - x0, bead_xy[i, 3] - y0
            r = half_width[i]
            for row in range(math.floor((min(ay, by) - r) / cell), math.floor((max(ay, by) + r) / cell) + 1):
                left, right = row_span(ax, ay, bx, by, r, row * cell, (row + 1) * cell)
                for column in range(math.floor(left / cell), math.floor(right / cell) + 1):
                    b = bucket_of(column, row, mask)
                    if fill == 0:
                        start[b + 1] += 1
                    else:
                        start[b] -= 1
                        item[start[b]] = i
        if fill == 0:
            # shift by one: counts become ends, and filling from the end leaves `start` at the starts
            for k in range(mask + 1):
                start[k] = start[k + 1]
            start[mask + 1] = 0
    return item


@njit(cache=True)
def _sort_together(lows, highs, count):
    """Sort both arrays in place by the first, by insertion over shrinking strides (D. L. Shell 1959).

    Most travels cross a few beads. numpy's sort would be compiled along with this, which takes as long as all the rest.
    """
    stride = 1
    while stride < count // 3:
        stride = 3 * stride + 1
    while stride > 0:
        for k in range(stride, count):
            lo, hi = lows[k], highs[k]
            m = k - stride
            while m >= 0 and lows[m] > lo:
                lows[m + stride], highs[m + stride] = lows[m], highs[m]
                m -= stride
            lows[m + stride], highs[m + stride] = lo, hi
        stride //= 3


@njit(cache=True)
def _extent(bead_xy, half_width, first, last):
    """Box of beads first..last-1 and a cell that holds, all beads together, at most a few entries for each bead."""
    length_sum, square_sum = 0.0, 0.0
    west, east, south, north = math.inf, -math.inf, math.inf, -math.inf
    for k in range(first, last):
        ax, ay, bx, by = bead_xy[k, 0], bead_xy[k, 1], bead_xy[k, 2], bead_xy[k, 3]
        r = half_width[k]
        length_sum += math.hypot(bx - ax, by - ay)
        square_sum += r * r
        west, east = min(west, min(ax, bx) - r), max(east, max(ax, bx) + r)
        south, north = min(south, min(ay, by) - r), max(north, max(ay, by) + r)
    beads = last - first
    cell = max(length_sum / beads, 2.0 * math.sqrt(square_sum / beads))
    cell = max(cell, max(east - west, north - south) / _MAX_CELLS_ACROSS, 1e-6)
    return west, east, south, north, cell


@njit(cache=True)
def grid_of(
    bead_xy: Floats, half_width: Floats, first: int, last: int, least_cell: float, start: Ints, item: Ints
) -> tuple[tuple[float, float, float, float, float], int, Ints, Ints]:
    """Gather beads first..last-1 in hashed cells of at least this size: -> box with its cell, mask, start, item.

    `start` and `item` are scratch that is handed back, grown where it was too short.
    """
    west, east, south, north, cell = _extent(bead_xy, half_width, first, last)
    cell, mask = max(cell, least_cell), 63
    while mask < 2 * (last - first):
        mask = 2 * mask + 1
    if mask + 2 > start.size:
        start = np.zeros(2 * (mask + 2), dtype=np.int64)
    item = _fill_grid(bead_xy, half_width, first, last, west, south, cell, mask, start, item)
    return (west, east, south, north, cell), mask, start, item


@njit(cache=True)
def meetings(i, travel, order, bead_xy, half_width, bead_order, box, mask, start, item, seen, lows, highs):
    """Shares of travel i (4,) over each bead of its layer that it meets, into lows and highs, grown where too short."""
    west, east, south, north, cell = box
    px, py = travel[0], travel[1]
    dx, dy = travel[2] - px, travel[3] - py
    # walk only the part of the travel that passes the rows of the layer
    ax, ay, bx, by = px - west, py - south, px + dx - west, py + dy - south
    row0 = max(math.floor(min(ay, by) / cell), 0)
    row1 = min(math.floor(max(ay, by) / cell), math.floor((north - south) / cell))
    west_end, east_end, south_end, north_end = min(px, px + dx), max(px, px + dx), min(py, py + dy), max(py, py + dy)
    found = 0
    for row in range(row0, row1 + 1):
        left, right = row_span(ax, ay, bx, by, 0.0, row * cell, (row + 1) * cell)
        left, right = max(left, 0.0), min(right, east - west)
        if left > right:
            continue
        for column in range(math.floor(left / cell), math.floor(right / cell) + 1):
            b = bucket_of(column, row, mask)
            for k in range(start[b], start[b + 1]):
                j = item[k]
                if seen[j] == i or bead_order[j] >= order:
                    continue
                seen[j] = i
                cx, cy, ex, ey, r = bead_xy[j, 0], bead_xy[j, 1], bead_xy[j, 2], bead_xy[j, 3], half_width[j]
                # most of a cell lies beside the travel: its box tells it for a tenth of the work
                if min(cx, ex) - r > east_end or max(cx, ex) + r < west_end:
                    continue
                if min(cy, ey) - r > north_end or max(cy, ey) + r < south_end:
                    continue
                lo, hi = _capsule_interval(px, py, dx, dy, cx, cy, ex, ey, r)
                if lo >= hi:
                    continue
                if found == lows.size:
                    lows = np.concatenate((lows, np.empty_like(lows)))
                    highs = np.concatenate((highs, np.empty_like(highs)))
                lows[found], highs[found] = lo, hi
                found += 1
    return found, lows, highs


@njit(cache=True)
def left_open(length, lows, highs, found, t0, t1, count):
    """What the union of the intervals leaves of 0..1, appended to t0 and t1, grown where too short."""
    _sort_together(lows, highs, found)
    reached = 0.0
    for k in range(found + 1):
        lo = lows[k] if k < found else 1.0
        if (lo - reached) * length > _MERGE_MM:
            if count == t0.size:
                t0 = np.concatenate((t0, np.empty_like(t0)))
                t1 = np.concatenate((t1, np.empty_like(t1)))
            t0[count], t1[count] = reached, lo
            count += 1
        if k < found:
            reached = max(reached, highs[k])
    return t0, t1, count


@njit(cache=True)
def open_intervals(
    travel_xy: Floats,
    travel_layer: Ints,
    bead_xy: Floats,
    half_width: Floats,
    bead_layer: Ints,
    travel_order: Ints,
    bead_order: Ints,
) -> tuple[Ints, Floats, Floats]:
    """(n,4), (n,), (m,4), (m,), (m,), (n,), (m,) -> offset (n+1,), t0 (k,), t1 (k,): open part of each travel.

    Both sets are sorted by layer; x and y in mm. A bead counts for a travel only if its order is below the travel's
    (pass zeros and ones to let all beads of the layer count). The open part of travel i is the union of
    t0[j]..t1[j], offset[i] <= j < offset[i+1], in order, as shares 0..1 of its length; zero length has none.
    """
    n, m = travel_layer.size, bead_layer.size
    offset = np.zeros(n + 1, dtype=np.int64)
    t0, t1 = np.empty(n + 16), np.empty(n + 16)
    count = 0
    start, item = np.zeros(66, dtype=np.int64), np.empty(256, dtype=np.int64)
    seen = np.full(m, -1, dtype=np.int64)
    lows, highs = np.empty(64), np.empty(64)
    i, first = 0, 0
    while i < n:
        layer = travel_layer[i]
        while first < m and bead_layer[first] < layer:
            first += 1
        last = first
        while last < m and bead_layer[last] == layer:
            last += 1
        box, mask = (0.0, 0.0, 0.0, 0.0, 1.0), 63
        if last > first:
            box, mask, start, item = grid_of(bead_xy, half_width, first, last, 0.0, start, item)
        while i < n and travel_layer[i] == layer:
            length = math.hypot(travel_xy[i, 2] - travel_xy[i, 0], travel_xy[i, 3] - travel_xy[i, 1])
            if length > 0.0:
                found = 0
                if last > first:
                    found, lows, highs = meetings(
                        i, travel_xy[i], travel_order[i], bead_xy, half_width, bead_order, box, mask, start, item,
                        seen, lows, highs,
                    )  # fmt: skip
                t0, t1, count = left_open(length, lows, highs, found, t0, t1, count)
            i += 1
            offset[i] = count
        first = last
    return offset, t0[:count].copy(), t1[:count].copy()


@njit(cache=True)
def cover_travels(
    travel_xy: Floats, travel_layer: Ints, bead_xy: Floats, half_width: Floats, bead_layer: Ints
) -> Floats:
    """(n,4), (n,), (m,4), (m,), (m,) -> covered length (n,), mm; both sets sorted by layer, all beads count."""
    n, m = travel_layer.size, bead_layer.size
    offset, t0, t1 = open_intervals(
        travel_xy,
        travel_layer,
        bead_xy,
        half_width,
        bead_layer,
        np.ones(n, dtype=np.int64),
        np.zeros(m, dtype=np.int64),
    )
    covered = np.empty(n)
    for i in range(n):
        share = 1.0
        for k in range(offset[i], offset[i + 1]):
            share -= t1[k] - t0[k]
        covered[i] = max(share, 0.0) * math.hypot(travel_xy[i, 2] - travel_xy[i, 0], travel_xy[i, 3] - travel_xy[i, 1])
    return covered
