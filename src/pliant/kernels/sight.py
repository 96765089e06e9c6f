"""Which air of a part leads outside: rows of cells, slab by slab, joined where they lie beside or above each other.

One slab of cells is in memory at a time; what is kept of it are its stretches of air, row by row, in a forest of
disjoint sets (Galler and Fischer 1964, Communications of the ACM 7, 301-303; halved paths by van Leeuwen) whose node 0
is the outside. Everything is in cells; a cell's middle lies at half a cell from its number.
"""

import math

import numpy as np

from pliant.arrays import Bools, Floats, Ints, Ints32
from pliant.kernels.compiler import njit
from pliant.kernels.joined import join, root_of

__all__ = ["join_air", "shown_pieces", "stamp_beads"]

_HALVED = 4  # times that the place where a stretch comes into sight is halved


@njit(cache=True)
def _across(y, x0, y0, x1, y1, d):
    """Stretch of a level line at y that lies within d of a segment -> low, high; low > high if none does."""
    low, high = math.inf, -math.inf
    for x, off in ((x0, y - y0), (x1, y - y1)):
        if abs(off) <= d:
            half = math.sqrt(d * d - off * off)
            low, high = min(low, x - half), max(high, x + half)
    length = math.hypot(x1 - x0, y1 - y0)
    if length == 0.0 or y0 == y1:  # level: the ends' circles hold all that lies beside it
        return low, high
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    # between the ends, 0 <= along <= length, and beside the middle line, |across| <= d
    middle, half = x0 + (y - y0) * ux / uy, d / abs(uy)
    a0, a1 = middle - half, middle + half
    if ux != 0.0:
        foot, ahead = x0 - (y - y0) * uy / ux, length / ux
        a0, a1 = max(a0, foot + min(ahead, 0.0)), min(a1, foot + max(ahead, 0.0))
    elif not 0.0 <= (y - y0) * uy <= length:
        return low, high
    if a0 <= a1:
        low, high = min(low, a0), max(high, a1)
    return low, high


@njit(cache=True)
def stamp_beads(bead, chord, reach, west, south):
    """(rows,columns), (c,4), (c,), (), () -> cells whose middle lies within reach of a segment become 1."""
    rows, columns = bead.shape
    for i in range(len(chord)):
        x0, y0, x1, y1 = chord[i, 0] - west, chord[i, 1] - south, chord[i, 2] - west, chord[i, 3] - south
        d = reach[i]
        first = max(int(math.ceil(min(y0, y1) - d - 0.5)), 0)
        last = min(int(math.floor(max(y0, y1) + d - 0.5)), rows - 1)
        for row in range(first, last + 1):
            low, high = _across(row + 0.5, x0, y0, x1, y1, d)
            if low <= high:
                begin = max(int(math.ceil(low - 0.5)), 0)
                end = min(int(math.floor(high - 0.5)) + 1, columns)
                if begin < end:
                    bead[row, begin:end] = 1


@njit(cache=True)
def _join_rows(parent, begin, end, a, a_end, a_shift, b, b_end, b_shift):
    """Join runs of two rows that share a column; shifts bring columns to one count."""
    while a < a_end and b < b_end:
        if max(begin[a] + a_shift, begin[b] + b_shift) < min(end[a] + a_shift, end[b] + b_shift):
            join(parent, a, b)
        if end[a] + a_shift < end[b] + b_shift:
            a += 1
        else:
            b += 1


@njit(cache=True)
def _join_beyond(parent, begin, end, opens, row_at, mine, other):
    """Join with the outside what reaches beyond the box of the slab above or below."""
    for row in range(mine[3]):
        apart = not 0 <= mine[1] + row - other[1] < other[3]
        for k in range(opens[row_at + row], opens[row_at + row + 1]):
            low, high = begin[k] + mine[0] - other[0], end[k] + mine[0] - other[0]
            if apart or low < 0 or high > other[2]:
                join(parent, k, 0)


@njit(cache=True)
def join_air(
    chord: Floats, reach: Floats, first: Ints, box: Ints, most: int
) -> tuple[Ints, Ints, Ints32, Ints32, Bools, bool]:
    """Stretches of air of every row of every slab, and which of them lead outside.

    Parameters
    ----------
    chord, reach : (c, 4), (c,)
        Middle lines of beads, slab after slab, and how far from them is bead. [cells]
    first : (slabs + 1,)
        Chords of slab s are `first[s]` to `first[s + 1]`.
    box : (slabs, 4)
        West column, south row, columns, rows of each slab, with a rim of air all round; beyond it all is outside.
    most : ()
        Of stretches of air.

    Returns
    -------
    row_at : (slabs + 1,)
        Number of the first row of each slab.
    opens : (rows + 1,)
        Stretches of row r are `opens[r]` to `opens[r + 1]`.
    begin, end, outside : (stretches,)
        First column and the one after the last, from the west of the box, and whether it leads outside.
    enough : bool
        False if there are more than `most`: nothing else holds then.
    """
    slabs = len(first) - 1
    row_at = np.zeros(slabs + 1, dtype=np.int64)
    room = 1
    for s in range(slabs):
        row_at[s + 1] = row_at[s] + box[s, 3]
        room = max(room, box[s, 2] * box[s, 3])
    ground = np.empty(room, dtype=np.uint8)
    opens = np.ones(row_at[-1] + 1, dtype=np.int64)
    begin, end = np.zeros(1024, dtype=np.int32), np.zeros(1024, dtype=np.int32)
    parent = np.arange(1024).astype(np.int32)
    used = 1  # 0 is the outside
    for s in range(slabs):
        west, south, columns, rows = box[s]
        bead = ground[: rows * columns].reshape(rows, columns)
        bead[:] = 0
        stamp_beads(bead, chord[first[s] : first[s + 1]], reach[first[s] : first[s + 1]], west, south)
        for row in range(rows):
            r = row_at[s] + row
            opens[r] = used
            if used + columns // 2 + 2 > len(begin):
                if used > most:
                    return row_at, opens, begin, end, np.zeros(1, dtype=np.bool_), False
                begin = np.concatenate((begin, np.empty(len(begin) + columns, dtype=np.int32)))
                end = np.concatenate((end, np.empty(len(begin) - len(end), dtype=np.int32)))
                parent = np.concatenate((parent, np.empty(len(begin) - len(parent), dtype=np.int32)))
            column = 0
            while column < columns:
                if bead[row, column]:
                    column += 1
                    continue
                begin[used] = column
                while column < columns and not bead[row, column]:
                    column += 1
                end[used], parent[used] = column, used
                if begin[used] == 0 or column == columns or row == 0 or row == rows - 1 or s == slabs - 1:
                    parent[used] = 0
                used += 1
            opens[r + 1] = used
            if row > 0:
                _join_rows(parent, begin, end, opens[r - 1], opens[r], 0, opens[r], used, 0)
            if s > 0:
                under = south + row - box[s - 1, 1]
                if 0 <= under < box[s - 1, 3]:
                    b = row_at[s - 1] + under
                    _join_rows(parent, begin, end, opens[r], used, west, opens[b], opens[b + 1], box[s - 1, 0])
        if s > 0:
            _join_beyond(parent, begin, end, opens, row_at[s], box[s], box[s - 1])
            _join_beyond(parent, begin, end, opens, row_at[s - 1], box[s - 1], box[s])
    outside = np.empty(used, dtype=np.bool_)
    for k in range(used):
        outside[k] = root_of(parent, k) == 0
    return row_at, opens, begin[:used].copy(), end[:used].copy(), outside, True


@njit(cache=True)
def _any_outside(row_at, opens, begin, end, outside, box, slab, row, low, high):
    """Whether a row of a slab has outside air in columns low to high, both included."""
    if slab >= len(box):
        return True  # above the part
    if slab < 0:
        return False  # the bed is shut
    row, low, high = row - box[slab, 1], low - box[slab, 0], high - box[slab, 0]
    if row < 0 or row >= box[slab, 3] or low < 0 or high >= box[slab, 2]:
        return True
    r = row_at[slab] + row
    a, b = opens[r], opens[r + 1]
    while a < b:  # the first that ends after low
        middle = (a + b) // 2
        if end[middle] <= low:
            a = middle + 1
        else:
            b = middle
    while a < opens[r + 1] and begin[a] <= high:
        if outside[a]:
            return True
        a += 1
    return False


@njit(cache=True)
def _shows(row_at, opens, begin, end, outside, box, x, y, slab, grown):
    """Whether the middle of a cell of outside air lies within `grown` of a place, in its slab or the next."""
    column, row = int(math.floor(x)), int(math.floor(y))
    if _any_outside(row_at, opens, begin, end, outside, box, slab, row, column, column):
        return True
    first, last = int(math.ceil(y - grown - 0.5)), int(math.floor(y + grown - 0.5))
    for s in range(slab - 1, slab + 2):
        for r in range(first, last + 1):
            half = math.sqrt(max(grown * grown - (r + 0.5 - y) ** 2, 0.0))
            low, high = int(math.ceil(x - half - 0.5)), int(math.floor(x + half - 0.5))
            if low <= high and _any_outside(row_at, opens, begin, end, outside, box, s, r, low, high):
                return True
    return False


@njit(cache=True)
def shown_pieces(
    air: tuple[Ints, Ints, Ints32, Ints32, Bools, Ints], stretch: Floats, slab: Ints, grown: float, step: float
) -> tuple[Ints, Floats, Floats, Bools]:
    """Cut stretches where they come into sight or go out of it.

    Parameters
    ----------
    air : tuple
        row_at, opens, begin, end, outside of `join_air`, and the boxes.
    stretch, slab : (k, 4), (k,)
        x, y of start and end, in cells; slab in which they lie.
    grown, step : ()
        How near to outside air is in sight; how often a stretch is looked at. Where that changes is found to a 16th
        of it. [cells]

    Returns
    -------
    of, t0, t1, shows : (p,)
        Stretch of each piece, in order, where it starts and ends as shares of the stretch, and whether it shows.
    """
    of, t0, t1 = np.empty(1024, dtype=np.int64), np.empty(1024), np.empty(1024)
    shows, used = np.empty(1024, dtype=np.bool_), 0
    row_at, opens, begin, end, outside, box = air
    for k in range(len(stretch)):
        dx, dy = stretch[k, 2] - stretch[k, 0], stretch[k, 3] - stretch[k, 1]
        n = max(int(math.ceil(math.hypot(dx, dy) / step)), 1)
        for i in range(n):
            last = (i + 0.5) / n
            x, y = stretch[k, 0] + last * dx, stretch[k, 1] + last * dy
            now = _shows(row_at, opens, begin, end, outside, box, x, y, slab[k], grown)
            if i > 0 and now == shows[used - 1]:
                continue
            cut = 0.0
            if i > 0:
                before, after = last - 1.0 / n, last
                for _ in range(_HALVED):
                    cut = 0.5 * (before + after)
                    x, y = stretch[k, 0] + cut * dx, stretch[k, 1] + cut * dy
                    if now == _shows(row_at, opens, begin, end, outside, box, x, y, slab[k], grown):
                        after = cut
                    else:
                        before = cut
                t1[used - 1] = cut
            if used == len(of):
                of, shows = np.concatenate((of, np.empty_like(of))), np.concatenate((shows, np.empty_like(shows)))
                t0, t1 = np.concatenate((t0, np.empty_like(t0))), np.concatenate((t1, np.empty_like(t1)))
            of[used], t0[used], t1[used], shows[used] = k, cut, 1.0, now
            used += 1
    return of[:used], t0[:used], t1[:used], shows[:used]
