"""In which order the runs of a layer are laid: piece by piece, inside a piece the nearest run that may come next.

A run may come next when every run that it touches and that was written before it is laid. Near is measured by the way
over bead: where the straight line stays over it that is the line, elsewhere the cheapest way over a raster on which
air costs `AIR` times as much (Dijkstra's algorithm over the queue of `raster`). What lies on a spot that has not
rested costs as well.
"""

import math

import numpy as np

from pliant.arrays import Bytes, Floats, Ints
from pliant.kernels.compiler import njit
from pliant.kernels.raster import AIR, SLANTED, STRAIGHT, put, take

__all__ = ["cover_cells", "lay_runs", "stamp_seconds"]

_BUCKETS = SLANTED * AIR + 1


@njit(cache=True)
def cover_cells(cover: Bytes, chord: Floats, half: Floats, west: float, south: float, cell: float) -> None:
    """(rows,columns), (c,4), (c,), (), (), () -> cells whose middle lies over bead, or on a middle line, become 1."""
    rows, columns = cover.shape
    for i in range(len(chord)):
        dx, dy = chord[i, 2] - chord[i, 0], chord[i, 3] - chord[i, 1]
        steps = max(int(math.ceil(math.hypot(dx, dy) / (0.5 * cell))), 1)
        reach = int(half[i] / cell + 0.5)
        for k in range(steps + 1):
            x = (chord[i, 0] + dx * k / steps - west) / cell
            y = (chord[i, 1] + dy * k / steps - south) / cell
            column, row = int(x), int(y)
            cover[row, column] = 1
            for r in range(max(row - reach, 0), min(row + reach, rows - 1) + 1):
                for c in range(max(column - reach, 0), min(column + reach, columns - 1) + 1):
                    if (c + 0.5 - x) ** 2 + (r + 0.5 - y) ** 2 <= (half[i] / cell) ** 2:
                        cover[r, c] = 1


@njit(cache=True)
def stamp_seconds(laid_s: Floats, chord: Floats, when_s: Floats, west: float, south: float, cell: float) -> None:
    """(rows,columns), (c,4), (c,), (), (), () -> cells that segments pass get the time when they were laid, s."""
    for i in range(len(chord)):
        dx, dy = chord[i, 2] - chord[i, 0], chord[i, 3] - chord[i, 1]
        steps = max(int(math.ceil(math.hypot(dx, dy) / (0.5 * cell))), 1)
        for k in range(steps):
            t = (k + 0.5) / steps
            column, row = int((chord[i, 0] + t * dx - west) / cell), int((chord[i, 1] + t * dy - south) / cell)
            laid_s[row, column] = max(laid_s[row, column], when_s[i])


@njit(cache=True)
def _over_bead(cover, x0, y0, x1, y1):
    """Whether the line between two points, in cells, stays over bead."""
    steps = max(int(math.ceil(2.0 * math.hypot(x1 - x0, y1 - y0))), 1)
    over = True
    for k in range(steps + 1):
        over &= cover[int(y0 + (y1 - y0) * k / steps), int(x0 + (x1 - x0) * k / steps)] != 0
    return over


@njit(cache=True)
def _west_of(a, b):
    """Whether point a lies west of b, or south where both are as far west: a choice that hangs on the place alone."""
    return a[0] < b[0] or (a[0] == b[0] and a[1] < b[1])


@njit(cache=True)
def _wait(limit_s, weight, now_s, under_s):
    """What laying on a spot costs that has not rested yet."""
    return weight * max(limit_s - (now_s - under_s), 0.0)


@njit(cache=True)
def _cheapest_way(cover, x0, y0, head, following, free, begin, price, best, cost, stamp, turn, pool):
    """Cheapest free run by the way over the raster, its price added; `best` bounds the search. -> run, pool

    Places in cells; `cost`, `stamp` (cells,) are scratch, `turn` a number not used before; the pool grows.
    """
    rows, columns = cover.shape
    bucket, found = np.full(_BUCKETS, -1, dtype=np.int64), -1
    at = int(y0) * columns + int(x0)
    cost[at], stamp[at] = 0, turn
    pool = put(at, 0, bucket, 0, pool)
    used, waiting, level = 1, 1, 0
    while waiting > 0:
        at = take(level, bucket, pool)
        if at < 0:
            level += 1
            if level / STRAIGHT >= best:
                break
            continue
        waiting -= 1
        if cost[at] != level:
            continue
        k = head[at]
        while k >= 0:
            if free[k]:
                total = level / STRAIGHT + price[k] + 1e-3 * math.hypot(begin[k, 0] - x0, begin[k, 1] - y0)
                if total < best:
                    best, found = total, k
            k = following[k]
        row, column = at // columns, at % columns
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                r, c = row + dr, column + dc
                if (dr == 0 and dc == 0) or r < 0 or c < 0 or r >= rows or c >= columns:
                    continue
                step = STRAIGHT if dr == 0 or dc == 0 else SLANTED
                new = level + (step if cover[r, c] else step * AIR)
                to = r * columns + c
                if stamp[to] == turn and cost[to] <= new:
                    continue
                stamp[to], cost[to] = turn, new
                pool = put(to, new, bucket, used, pool)
                used += 1
                waiting += 1
    return found, pool


@njit(cache=True)
def lay_runs(
    cover: Bytes,
    before: Bytes,
    here: Floats,
    begin: Floats,
    end: Floats,
    seconds: Floats,
    under: Floats,
    piece: Ints,
    path: Ints,
    last: int,
    links: Ints,
    waits: Ints,
    now_s: float,
    limit_s: float,
    weight: float,
    scratch: tuple[Ints, Ints, Ints, Ints],
) -> tuple[Ints, float]:
    """Order (n,) of the runs of a layer, and when they are done, s.

    Parameters
    ----------
    cover, before : (rows, columns)
        Cells over bead in this layer, and in the one before, over which the way to the first run leads.
    here : (2,); begin, end : (n, 2)
        Where the nozzle stands; where runs begin and end; in cells.
    seconds, under : (n,)
        How long each run takes, and when what it lies on was laid. [s]
    piece, path : (n,), (k,)
        Piece of each run; pieces in the order in which they are laid.
    last : ()
        A run that has to be the last, -1 for none.
    links, waits : (p, 2), (n,)
        Pairs of runs of which the first comes first, sorted; how many each run waits for, counted down in place.
    now_s, limit_s, weight : ()
        The time, how long a spot should rest, and the way in cells that a second less is worth.
    scratch : tuple
        head, cost, stamp (cells,), all -1 in head and a turn (1,) that no stamp has reached.

    Notes
    -----
    Long on purpose: what one choice changes (place, time, who waits) the next one reads, a dozen things at once.
    """
    head, cost, stamp, turn = scratch
    columns = cover.shape[1]
    n = waits.size
    following, price = np.full(n, -1, dtype=np.int64), np.zeros(n)
    free = np.zeros(n, dtype=np.bool_)
    pool = np.empty((4096, 2), dtype=np.int64)
    order, count = np.empty(n, dtype=np.int64), 0
    opens = np.searchsorted(links[:, 0], np.arange(n + 1))
    for k in range(n):
        at = int(begin[k, 1]) * columns + int(begin[k, 0])
        following[k], head[at] = head[at], k
    x, y = here[0], here[1]
    choice, choices = np.empty(n, dtype=np.int64), 0  # runs of the piece that may come next
    for p in path:
        left = 0
        for k in range(n):
            if piece[k] == p:
                left += 1
                if waits[k] == 0:
                    choice[choices], free[k] = k, True
                    choices += 1
        for _ in range(left):
            ground = before if count == 0 else cover
            held = choices > 1 and last >= 0 and free[last]
            at, near = -1, math.inf
            for c in range(choices):
                k = choice[c]
                if held and k == last:
                    continue
                price[k] = _wait(limit_s, weight, now_s, under[k])
                total = math.hypot(begin[k, 0] - x, begin[k, 1] - y) + price[k]
                if total < near - 1e-9 or (total <= near + 1e-9 and _west_of(begin[k], begin[choice[at]])):
                    at, near = c, total
            if choices > 1 and not _over_bead(ground, x, y, begin[choice[at], 0], begin[choice[at], 1]):
                bound = AIR * 2.0 * math.hypot(begin[choice[at], 0] - x, begin[choice[at], 1] - y)
                bound += price[choice[at]] + 2.0 * AIR
                turn[0] += 1
                if held:
                    free[last] = False
                found, pool = _cheapest_way(
                    ground, x, y, head, following, free, begin, price, bound, cost, stamp, turn[0], pool
                )
                if held:
                    free[last] = True
                for c in range(choices):
                    if choice[c] == found:
                        at = c
            k = choice[at]
            choices -= 1
            choice[at], free[k] = choice[choices], False
            order[count] = k
            count += 1
            now_s += seconds[k]
            x, y = end[k, 0], end[k, 1]
            for m in range(opens[k], opens[k + 1]):
                to = links[m, 1]
                waits[to] -= 1
                if waits[to] == 0 and piece[to] == p:
                    choice[choices], free[to] = to, True
                    choices += 1
    for k in range(n):
        head[int(begin[k, 1]) * columns + int(begin[k, 0])] = -1
    return order, now_s
