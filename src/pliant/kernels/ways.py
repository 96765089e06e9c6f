"""Ways of the nozzle over the beads of a layer: a raster for the search, capsules for what is told.

The cheapest way over cells, on which air costs `AIR` times as much as bead, is found with A* (P. E. Hart, N. J.
Nilsson, B. Raphael, IEEE Transactions on Systems Science and Cybernetics 4 (1968) 100) over the queue of `raster`.
Its corners are moved onto the middle line of the bead that they stand on, then every stretch of it that a straight line
replaces at no more cost is replaced.
"""

import math

import numpy as np

from pliant.arrays import Bytes, Floats, Ints, Ints8, Ints32
from pliant.kernels.compiler import njit
from pliant.kernels.cover import left_open, meetings
from pliant.kernels.grid import row_span
from pliant.kernels.raster import AIR, SLANTED, STRAIGHT, put, take

__all__ = ["cheapest_way", "ground_cells", "open_length", "pull_straight"]

_HAIR = 4  # in a gap that is passed over: crossed, but not gone along
_SHALLOW = 2  # near the edge of the print, where a nozzle a little off is over air
_BUCKETS = 2 * SLANTED * AIR
_STRIDE = 6  # [cells] of a straight stretch after which a corner may be made
_NO_AIR = 1e-9


@njit(cache=True)
def ground_cells(
    rows: int,
    columns: int,
    chord: Floats,
    half: Floats,
    close: float,
    inset: float,
    west: float,
    south: float,
    cell: float,
) -> tuple[Bytes, Ints32]:
    """(), (), (c,4), (c,), (), (), (), (), () -> what a step into each cell costs, and the chord it stands on or -1.

    Both (rows,columns). Deep cells (1) lie further than `inset` inside the print, gaps narrower than twice `close`
    closed (`_HAIR` there), or on the middle line of a bead; shallow ones (`_SHALLOW`) over bead; the rest is `AIR`.
    """
    price = np.full((rows, columns), AIR, dtype=np.uint8)
    line = np.full((rows, columns), -1, dtype=np.int32)
    near = np.full((rows, columns), 0.5, dtype=np.float32)
    # steps from the nearest cell that is not print, in fifths of a cell; two sweeps (G. Borgefors 1986)
    depth = np.zeros((rows, columns), dtype=np.int32)
    for i in range(len(chord)):
        ax, ay = (chord[i, 0] - west) / cell, (chord[i, 1] - south) / cell
        bx, by = (chord[i, 2] - west) / cell, (chord[i, 3] - south) / cell
        dx, dy = bx - ax, by - ay
        square = dx * dx + dy * dy
        tight, wide = half[i] / cell, (half[i] + close) / cell
        for row in range(max(int(min(ay, by) - wide), 0), min(int(max(ay, by) + wide), rows - 1) + 1):
            left, right = row_span(ax, ay, bx, by, wide, float(row), row + 1.0)
            for column in range(max(int(left), 0), min(int(right), columns - 1) + 1):
                px, py = column + 0.5 - ax, row + 0.5 - ay
                t = min(max((px * dx + py * dy) / square, 0.0), 1.0) if square > 0.0 else 0.0
                apart = math.hypot(px - t * dx, py - t * dy)
                if apart > wide:
                    continue
                depth[row, column] = 1 << 30
                if apart <= tight:
                    price[row, column] = min(price[row, column], _SHALLOW)
                if apart <= near[row, column]:
                    near[row, column], line[row, column], price[row, column] = apart, i, 1
    for turn in range(2):
        for r in range(rows):
            row = r if turn == 0 else rows - 1 - r
            before = row - 1 if turn == 0 else row + 1
            for c in range(columns):
                column = c if turn == 0 else columns - 1 - c
                beside = column - 1 if turn == 0 else column + 1
                least = depth[row, column]
                if least == 0:
                    continue
                if 0 <= before < rows:
                    least = min(least, depth[before, column] + STRAIGHT)
                    for k in (column - 1, column + 1):
                        if 0 <= k < columns:
                            least = min(least, depth[before, k] + SLANTED)
                if 0 <= beside < columns:
                    least = min(least, depth[row, beside] + STRAIGHT)
                depth[row, column] = least
    enough = STRAIGHT * ((inset + close) / cell + 0.5)
    for row in range(rows):
        for column in range(columns):
            if depth[row, column] >= enough:
                price[row, column] = 1 if price[row, column] < AIR else _HAIR
    return price, line


@njit(cache=True)
def _ahead(row, column, to_row, to_column):
    """Least cost from a cell to another."""
    a, b = abs(row - to_row), abs(column - to_column)
    return STRAIGHT * max(a, b) + (SLANTED - STRAIGHT) * min(a, b)


@njit(cache=True)
def _corners(back, columns, at, start):
    """Cells of the way to `at` from its start on, where it turns and every few steps, (k, 2): row, column."""
    cells = np.empty((64, 2), dtype=np.int64)
    n, came, steps = 0, -1, 0
    while True:
        row, column = at // columns, at % columns
        steps += 1
        if at == start or back[at] != came or steps == _STRIDE:
            steps = 0
            if n == len(cells):
                cells = np.concatenate((cells, np.empty_like(cells)))
            cells[n, 0], cells[n, 1] = row, column
            n += 1
        if at == start:
            return cells[:n][::-1].copy()
        came = back[at]
        at = (row - (came // 3 - 1)) * columns + column - (came % 3 - 1)


@njit(cache=True)
def cheapest_way(
    price: Bytes,
    x0: float,
    y0: float,
    x1: float,
    y1: float,
    bound: float,
    scratch: tuple[Ints, Ints, Ints8, Ints, Ints],
) -> tuple[Ints, Ints]:
    """Cheapest way between two places, in cells, if it costs less than `bound` -> corners (k, 2), none if it does not.

    `scratch` is cost, stamp and back, (cells,) each, a turn (1,) that no stamp has reached, and a pool that grows.
    """
    rows, columns = price.shape
    cost, stamp, back, turn, pool = scratch
    turn[0] += 1
    now = turn[0]
    start, goal = int(y0) * columns + int(x0), int(y1) * columns + int(x1)
    goal_row, goal_column = int(y1), int(x1)
    bucket = np.full(_BUCKETS, -1, dtype=np.int64)
    cost[start], stamp[start], back[start] = 0, now, -1
    level = _ahead(int(y0), int(x0), goal_row, goal_column)
    pool = put(start, level, bucket, 0, pool)
    used, waiting = 1, 1
    none = np.empty((0, 2), dtype=np.int64)
    while waiting > 0:
        at = take(level, bucket, pool)
        if at < 0:
            level += 1
            if level >= bound:
                return none, pool
            continue
        waiting -= 1
        row, column = at // columns, at % columns
        if cost[at] + _ahead(row, column, goal_row, goal_column) != level:
            continue  # reached more cheaply since
        if at == goal:
            return _corners(back, columns, at, start), pool
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                r, c = row + dr, column + dc
                if (dr == 0 and dc == 0) or r < 0 or c < 0 or r >= rows or c >= columns:
                    continue
                step = STRAIGHT if dr == 0 or dc == 0 else SLANTED
                new = cost[at] + step * price[r, c]
                to = r * columns + c
                if stamp[to] == now and cost[to] <= new:
                    continue
                stamp[to], cost[to], back[to] = now, new, (dr + 1) * 3 + dc + 1
                pool = put(to, new + _ahead(r, c, goal_row, goal_column), bucket, used, pool)
                used += 1
                waiting += 1
    return none, pool


@njit(cache=True)
def _cost_along(price, ax, ay, bx, by):
    """Length of a line times what it crosses costs; in cells."""
    length = math.hypot(bx - ax, by - ay)
    steps = max(int(math.ceil(2.0 * length)), 1)
    total = 0.0
    for k in range(steps):
        t = (k + 0.5) / steps
        total += price[int(ay + t * (by - ay)), int(ax + t * (bx - ax))]
    return total * length / steps


@njit(cache=True)
def _placed(line, cells, chord, ends, west, south, cell):
    """Corners of a way in cells, (k+2,2), its ends first and last, those on a middle line moved onto it."""
    n = len(cells)
    at = np.empty((n + 2, 2))
    at[0, 0], at[0, 1] = (ends[0] - west) / cell, (ends[1] - south) / cell
    at[n + 1, 0], at[n + 1, 1] = (ends[2] - west) / cell, (ends[3] - south) / cell
    for k in range(n):
        x, y = cells[k, 1] + 0.5, cells[k, 0] + 0.5
        i = line[cells[k, 0], cells[k, 1]]
        if i >= 0:
            ax, ay = (chord[i, 0] - west) / cell, (chord[i, 1] - south) / cell
            dx, dy = (chord[i, 2] - west) / cell - ax, (chord[i, 3] - south) / cell - ay
            square = dx * dx + dy * dy
            t = min(max(((x - ax) * dx + (y - ay) * dy) / square, 0.0), 1.0) if square > 0.0 else 0.0
            x, y = ax + t * dx, ay + t * dy
        at[k + 1, 0], at[k + 1, 1] = x, y
    return at


@njit(cache=True)
def _pulled(price, at):
    """Corners that are left, (m,2), and what the way through them costs."""
    n = len(at)
    total = np.zeros(n)
    for k in range(1, n):
        total[k] = total[k - 1] + _cost_along(price, at[k - 1, 0], at[k - 1, 1], at[k, 0], at[k, 1])
    kept = np.empty((n, 2))
    kept[0] = at[0]
    count, here, spent = 1, 0, 0.0
    while here < n - 1:
        # the furthest corner that a straight line reaches at no more cost, looked for until eight in a row fail
        best, cost, failed, k = here + 1, total[here + 1] - total[here], 0, here + 2
        while k < n and failed < 8:
            straight = _cost_along(price, at[here, 0], at[here, 1], at[k, 0], at[k, 1])
            if straight <= total[k] - total[here] + 1e-6:
                best, cost, failed = k, straight, 0
            else:
                failed += 1
            k += 1
        here, spent = best, spent + cost
        kept[count] = at[here]
        count += 1
    return kept[:count], spent


@njit(cache=True)
def pull_straight(
    price: Bytes, line: Ints32, cells: Ints, chord: Floats, ends: Floats, west: float, south: float, cell: float
) -> Floats:
    """(k,2) corners of a way by row and column, ends (4,) -> its corners in mm, (m,2), pulled straight."""
    at = _placed(line, cells, chord, ends, west, south, cell)
    way, cost = _pulled(price, at)
    back, cost_back = _pulled(price, at[::-1].copy())  # from the other end, which may come out shorter
    if cost_back < cost - 1e-9:
        way = back[::-1]
    found = np.empty((len(way), 2))
    for k in range(len(way)):
        found[k, 0], found[k, 1] = west + way[k, 0] * cell, south + way[k, 1] * cell
    return found


@njit(cache=True)
def open_length(
    way: Floats,
    bead_xy: Floats,
    half_width: Floats,
    grid: tuple[tuple[float, float, float, float, float], int, Ints, Ints],
    seen: Ints,
    count: int,
) -> tuple[float, int]:
    """(k,2) corners -> length over air, mm, and the next `count`: a number for each line, not used before in `seen`.

    `grid` is that of `cover.grid_of` over all beads: box, mask, start, item.
    """
    box, mask, start, item = grid
    lows, highs = np.empty(64), np.empty(64)
    t0, t1 = np.empty(16), np.empty(16)
    order = np.zeros(len(bead_xy), dtype=np.int64)
    travel = np.empty(4)
    air = 0.0
    for k in range(len(way) - 1):
        travel[0], travel[1], travel[2], travel[3] = way[k, 0], way[k, 1], way[k + 1, 0], way[k + 1, 1]
        length = math.hypot(travel[2] - travel[0], travel[3] - travel[1])
        if length == 0.0:
            continue
        found, lows, highs = meetings(
            count, travel, 1, bead_xy, half_width, order, box, mask, start, item, seen, lows, highs
        )
        count += 1
        t0, t1, left = left_open(length, lows, highs, found, t0, t1, 0)
        for j in range(left):
            air += (t1[j] - t0[j]) * length
    return (air if air > _NO_AIR else 0.0), count
