"""Shortest paths inside a polygon with holes, along its visibility graph.

A shortest path is a polyline whose inner corners are reflex corners of the free region (the corners of holes and the
inward corners of the outline). Only edges that touch the boundary tangentially at both ends can be part of one, so
the graph stays small; the neighbours of a corner are found when the search first reaches it and kept for later
queries. Sight is tested exactly against the boundary edges near the line, found through a grid.

The region is closed: a path may run along a wall and through a corner. Rings turn so that the region lies to their
left. `eps` is the distance in mm below which a point counts as on a line.
"""

import heapq
import math

import numpy as np
from numba import njit

from pliant.kernels.grid import row_span

__all__ = ["closest_pairs", "edge_grid", "find_path", "is_visible", "reflex_corners"]


@njit(cache=True)
def edge_grid(xy, following, pad):
    """(n,2), (n,), mm -> x0, y0, cell, columns, rows, start (columns * rows + 1,), item: edges by grid cell."""
    n = following.size
    x0, y0, x1, y1 = math.inf, math.inf, -math.inf, -math.inf
    for i in range(n):
        x0, x1 = min(x0, xy[i, 0]), max(x1, xy[i, 0])
        y0, y1 = min(y0, xy[i, 1]), max(y1, xy[i, 1])
    x0, y0, x1, y1 = x0 - pad, y0 - pad, x1 + pad, y1 + pad
    width, height = x1 - x0, y1 - y0
    # about one cell an edge, never more than four
    cell = max(math.sqrt(width * height / n), max(width, height) / (2.0 * n))
    columns, rows = int(width / cell) + 1, int(height / cell) + 1
    start = np.zeros(columns * rows + 2, dtype=np.int64)
    item = np.empty(0, dtype=np.int64)
    for fill in range(2):
        if fill == 1:
            for k in range(columns * rows):
                start[k + 1] += start[k]
            item = np.empty(start[columns * rows], dtype=np.int64)
        for i in range(n):
            j = following[i]
            ax, ay, bx, by = xy[i, 0] - x0, xy[i, 1] - y0, xy[j, 0] - x0, xy[j, 1] - y0
            row0 = max(int((min(ay, by) - pad) / cell), 0)
            row1 = min(int((max(ay, by) + pad) / cell), rows - 1)
            for row in range(row0, row1 + 1):
                left, right = row_span(ax, ay, bx, by, pad, row * cell, (row + 1) * cell)
                for column in range(max(int(left / cell), 0), min(int(right / cell), columns - 1) + 1):
                    b = row * columns + column
                    if fill == 0:
                        start[b] += 1
                    else:
                        start[b] -= 1
                        item[start[b]] = i
        if fill == 0:
            start[columns * rows] = 0
    return x0, y0, cell, columns, rows, start[: columns * rows + 1].copy(), item


@njit(cache=True)
def reflex_corners(xy, following, before, eps):
    """(n,2), (n,), (n,), mm -> indices of corners where the region's inner angle is over 180 degrees."""
    out = np.empty(following.size, dtype=np.int64)
    count = 0
    for i in range(following.size):
        a, b = before[i], following[i]
        ex, ey, fx, fy = xy[i, 0] - xy[a, 0], xy[i, 1] - xy[a, 1], xy[b, 0] - xy[i, 0], xy[b, 1] - xy[i, 1]
        longest = max(math.hypot(ex, ey), math.hypot(fx, fy))
        if ex * fy - ey * fx < -eps * longest:
            out[count] = i
            count += 1
    return out[:count].copy()


@njit(cache=True)
def _in_cone(xy, following, before, i, ux, uy, length, eps):
    """Whether unit direction u leaves corner i into the closed region, or along its boundary."""
    a, b = before[i], following[i]
    ex, ey, fx, fy = xy[i, 0] - xy[a, 0], xy[i, 1] - xy[a, 1], xy[b, 0] - xy[i, 0], xy[b, 1] - xy[i, 1]
    e, f = math.hypot(ex, ey), math.hypot(fx, fy)
    left_e = (ex * uy - ey * ux) / e * min(e, length) >= -4.0 * eps
    left_f = (fx * uy - fy * ux) / f * min(f, length) >= -4.0 * eps
    if ex * fy - ey * fx >= 0.0:
        return left_e and left_f
    return left_e or left_f


@njit(cache=True)
def is_visible(px, py, qx, qy, xy, following, before, grid, eps):
    """Whether segment p-q stays in the closed region; p and q must lie in it. grid: see `edge_grid`."""
    x0, y0, cell, columns, rows, start, item = grid
    length = math.hypot(qx - px, qy - py)
    if length <= eps:
        return True
    ux, uy = (qx - px) / length, (qy - py) / length
    row = min(max(int((py - y0) / cell), 0), rows - 1)
    last = min(max(int((qy - y0) / cell), 0), rows - 1)
    step = 1 if last >= row else -1
    while True:
        left, right = row_span(px - x0, py - y0, qx - x0, qy - y0, eps, row * cell, (row + 1) * cell)
        c0, c1 = max(int(left / cell), 0), min(int(right / cell), columns - 1)
        for k in range(start[row * columns + c0], start[row * columns + c1 + 1]):
            i = item[k]
            j = following[i]
            wx, wy = xy[i, 0] - px, xy[i, 1] - py
            along, across = wx * ux + wy * uy, ux * wy - uy * wx
            wx, wy = xy[j, 0] - px, xy[j, 1] - py
            next_along, next_across = wx * ux + wy * uy, ux * wy - uy * wx
            if math.fabs(across) <= eps and -eps <= along <= length + eps:
                if along < length - eps and not _in_cone(xy, following, before, i, ux, uy, length - along, eps):
                    return False
                if along > eps and not _in_cone(xy, following, before, i, -ux, -uy, along, eps):
                    return False
            if (across > eps and next_across < -eps) or (across < -eps and next_across > eps):
                at = along + (next_along - along) * across / (across - next_across)
                if at < -eps or at > length + eps:
                    continue
                # a line may enter across an edge only where it starts on it, and leave only where it ends on it
                slope = math.fabs(across - next_across) / math.hypot(next_along - along, next_across - across)
                if across > next_across:  # corner i is to the left, so the region begins here
                    if at * slope > eps:
                        return False
                elif (length - at) * slope > eps:
                    return False
        if row == last:
            return True
        row += step


@njit(cache=True)
def _tangent(xy, following, before, i, ux, uy, eps):
    """Whether the line through corner i along unit u has both neighbours on one closed side."""
    a, b = before[i], following[i]
    one = ux * (xy[a, 1] - xy[i, 1]) - uy * (xy[a, 0] - xy[i, 0])
    two = ux * (xy[b, 1] - xy[i, 1]) - uy * (xy[b, 0] - xy[i, 0])
    return not ((one > eps and two < -eps) or (one < -eps and two > eps))


@njit(cache=True)
def _seen_from(px, py, own, xy, following, before, grid, reflex, eps, out):
    """Reflex corners seen from p along lines that touch them tangentially (at p too if it is corner `own`)."""
    count = 0
    for k in range(reflex.size):
        i = reflex[k]
        qx, qy = xy[i, 0], xy[i, 1]
        length = math.hypot(qx - px, qy - py)
        if length <= eps:
            if own < 0:
                out[count] = k
                count += 1
            continue
        ux, uy = (qx - px) / length, (qy - py) / length
        if not _tangent(xy, following, before, i, ux, uy, eps):
            continue
        if own >= 0 and not _tangent(xy, following, before, own, ux, uy, eps):
            continue
        if is_visible(px, py, qx, qy, xy, following, before, grid, eps):
            out[count] = k
            count += 1
    return count


@njit(cache=True)
def find_path(px, py, qx, qy, xy, following, before, grid, reflex, eps, begin, count, pool, used):
    """Shortest path from p to q, both in the region -> corners (indices into xy), length, pool, used.

    Length is -1 if there is none. `begin` (-1: not yet known), `count` (k,) and `pool` keep the neighbours of each
    reflex corner between queries; the pool is returned because it may have grown.
    """
    n = reflex.size
    if is_visible(px, py, qx, qy, xy, following, before, grid, eps):
        return np.empty(0, dtype=np.int64), math.hypot(qx - px, qy - py), pool, used
    best = np.full(n + 1, np.inf)
    parent = np.full(n + 1, -1, dtype=np.int64)
    closed = np.zeros(n + 1, dtype=np.bool_)
    scratch = np.empty(n, dtype=np.int64)
    queue = [(np.inf, np.int64(n))]
    seen = _seen_from(px, py, -1, xy, following, before, grid, reflex, eps, scratch)
    for s in range(seen):
        k = scratch[s]
        i = reflex[k]
        best[k] = math.hypot(xy[i, 0] - px, xy[i, 1] - py)
        heapq.heappush(queue, (best[k] + math.hypot(qx - xy[i, 0], qy - xy[i, 1]), k))
    while True:
        _, k = heapq.heappop(queue)
        if closed[k]:
            continue
        if k == n:
            break
        closed[k] = True
        i = reflex[k]
        ax, ay = xy[i, 0], xy[i, 1]
        far = math.hypot(qx - ax, qy - ay)
        if best[k] + far < best[n]:
            tangent = far <= eps or _tangent(xy, following, before, i, (qx - ax) / far, (qy - ay) / far, eps)
            if tangent and is_visible(ax, ay, qx, qy, xy, following, before, grid, eps):
                best[n], parent[n] = best[k] + far, k
                heapq.heappush(queue, (best[n], np.int64(n)))
        if begin[k] < 0:
            seen = _seen_from(ax, ay, i, xy, following, before, grid, reflex, eps, scratch)
            while used + seen > pool.size:
                pool = np.concatenate((pool, np.empty_like(pool)))
            pool[used : used + seen] = scratch[:seen]
            begin[k], count[k] = used, seen
            used += seen
        for s in range(begin[k], begin[k] + count[k]):
            m = pool[s]
            j = reflex[m]
            reach = best[k] + math.hypot(xy[j, 0] - ax, xy[j, 1] - ay)
            if reach < best[m]:
                best[m], parent[m] = reach, k
                heapq.heappush(queue, (reach + math.hypot(qx - xy[j, 0], qy - xy[j, 1]), m))
    if not math.isfinite(best[n]):
        return np.empty(0, dtype=np.int64), -1.0, pool, used
    corners = np.empty(n, dtype=np.int64)
    steps = 0
    k = parent[n]
    while k >= 0:
        corners[steps] = reflex[k]
        steps += 1
        k = parent[k]
    return corners[:steps][::-1].copy(), best[n], pool, used


@njit(cache=True)
def _closest_on_edges(xy, other, other_following, limit, west, south, east, north, swapped, out, found):
    """Feet of perpendiculars from corners of one region on edges of another, no longer than `limit`."""
    for i in range(xy.shape[0]):
        px, py = xy[i, 0], xy[i, 1]
        if px < west - limit or px > east + limit or py < south - limit or py > north + limit:
            continue
        for j in range(other_following.size):
            ax, ay = other[j, 0], other[j, 1]
            bx, by = other[other_following[j], 0], other[other_following[j], 1]
            if max(ax, bx) < px - limit or min(ax, bx) > px + limit:
                continue
            ex, ey = bx - ax, by - ay
            t = min(max(((px - ax) * ex + (py - ay) * ey) / (ex * ex + ey * ey), 0.0), 1.0)
            fx, fy = ax + t * ex, ay + t * ey
            if math.hypot(fx - px, fy - py) > limit:
                continue
            known = False
            for k in range(found):
                dx, dy = (out[k, 2] - px, out[k, 3] - py) if swapped else (out[k, 0] - px, out[k, 1] - py)
                known = known or math.hypot(dx, dy) < 1e-6
            if not known and found < out.shape[0]:
                if swapped:
                    out[found, 0], out[found, 1], out[found, 2], out[found, 3] = fx, fy, px, py
                else:
                    out[found, 0], out[found, 1], out[found, 2], out[found, 3] = px, py, fx, fy
                found += 1
    return found


@njit(cache=True)
def closest_pairs(xy, following, other, other_following, limit):
    """(n,2), (n,), (m,2), (m,), mm -> (k,4): point here, point there, at most `limit` apart, one of them a corner.

    With the distance of the two regions as the limit these are the ends of all the places where they come closest;
    at most 16 are kept.
    """
    out = np.empty((16, 4))
    found = _closest_on_edges(
        xy, other, other_following, limit,
        other[:, 0].min(), other[:, 1].min(), other[:, 0].max(), other[:, 1].max(), False, out, 0,
    )  # fmt: skip
    found = _closest_on_edges(
        other, xy, following, limit, xy[:, 0].min(), xy[:, 1].min(), xy[:, 0].max(), xy[:, 1].max(), True, out, found
    )
    return out[:found].copy()
