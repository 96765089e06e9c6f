"""The order of the runs of one stretch of a layer: pieces by the shortest way that minds rest, runs by the nearest one.

The task is the sequential ordering problem (L. F. Escudero, European Journal of Operational Research 37 (1988) 236):
a shortest path through things of which some must come before others. What the trial behind it found: touching runs
keep the order in which they were written, so that every precedence lies inside a piece, and between pieces the task is
the generalised travelling salesman's (C. E. Noon and J. C. Bean, Operations Research 39 (1991) 623), small enough to be
solved exactly (`kernels.pieces`). Inside a piece travel over bead is nearly free, and the nearest run will do.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.kernels.lay import cover_cells, lay_runs, stamp_seconds
from pliant.kernels.pieces import close_gaps, through_pieces
from pliant.kernels.raster import AIR
from pliant.kernels.rest import seconds_under
from pliant.kernels.touch import connected, piece_gaps
from pliant.mending.order_search import order_by_cost
from pliant.program.least_travel import EXACT_PIECES, MOST_PIECES
from pliant.program.runs import Runs

__all__ = ["Ground", "Stretch", "order_stretch"]

_CELL_MM = 0.25
_MOST_CELLS = 4_000_000  # larger beds get larger cells
_REST_CELL_MM = 1.0
_CLOSED = 60  # pieces up to which the way by others is looked at
_WEIGHT = 3.0  # [mm/s] of air that a second less of rest is worth: our choice
_EFFORT = 0.02

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Stretch:
    """Items that may change places, `(n,)`: runs `first[k]` to `last[k]` of the program, kept together."""

    first: Ints
    last: Ints
    first_stays: bool
    last_stays: bool


class Ground:
    """What is laid already: the layer before and this one as rasters, when each spot was laid, where the nozzle is."""

    def __init__(self, runs: Runs, seconds: Floats, half_mm: Floats) -> None:
        self.runs, self.seconds, self.half = runs, seconds, half_mm
        low = np.minimum(runs.chord_mm[:, :2], runs.chord_mm[:, 2:]).min(axis=0) - 1.0
        high = np.maximum(runs.chord_mm[:, :2], runs.chord_mm[:, 2:]).max(axis=0) + 1.0
        size = high - low
        self.cell = max(_CELL_MM, float(np.sqrt(size.prod() / _MOST_CELLS)))
        columns, rows = (int(n) + 2 for n in size / self.cell)
        self.west, self.south = float(low[0]), float(low[1])
        self.low = low
        self.cover, self.before = np.zeros((rows, columns), np.uint8), np.zeros((rows, columns), np.uint8)
        self.laid_s = np.full([int(n) + 2 for n in size[::-1] / _REST_CELL_MM], -np.inf)
        n = rows * columns
        self.scratch = np.full(n, -1, np.int64), np.zeros(n, np.int64), np.zeros(n, np.int64), np.zeros(1, np.int64)
        self.now_s, self.here, self.piece = 0.0, runs.chord_mm[0, :2].copy(), -1
        self.block: tuple[int, int] = (0, 0)
        self.gap: Floats | None = None  # closed gaps of the pieces of the layer before
        self.of_run: Ints = np.zeros(0, np.int64)

    def open_layer(self, first: int, last: int) -> None:
        """Go on to the layer of runs `first` to `last - 1`; all that was laid before lies under it."""
        self.cover, self.before = self.before, self.cover
        self.cover[:] = 0
        c = slice(self.runs.begin[first], self.runs.begin[last])
        chord = np.ascontiguousarray(self.runs.chord_mm[c])
        cover_cells(self.cover, chord, self.half[c], self.west, self.south, self.cell)
        if first == 0:
            self.before[:] = self.cover
        self.under = seconds_under(
            chord, self.runs.chord_run[c] - first, last - first, self.laid_s, self.west, self.south, _REST_CELL_MM
        )
        self.first = first

    def lay(self, order: Ints) -> None:
        """Lay runs in this order."""
        runs, done = self.runs, np.cumsum(self.seconds[order]) + self.now_s
        for run, at in zip(order.tolist(), done.tolist(), strict=True):
            c = slice(runs.begin[run], runs.begin[run + 1])
            when = np.full(c.stop - c.start, at)
            stamp_seconds(self.laid_s, runs.chord_mm[c], when, self.west, self.south, _REST_CELL_MM)
        if order.size:
            self.now_s, self.here = float(done[-1]), runs.chord_mm[runs.begin[order[-1] + 1] - 1, 2:].copy()


def order_stretch(ground: Ground, stretch: Stretch, rest_s: float, strict: float) -> Ints:
    """An order of the items of a stretch, `(n,)`, that keeps touching runs in theirs.

    Parameters
    ----------
    ground : Ground
        With the layer open.
    stretch : Stretch
        The items.
    rest_s : float
        How long every spot should rest. [s]
    strict : float
        How much more than usual rest is worth. [-]

    Returns
    -------
    ndarray of int
    """
    runs, n = ground.runs, stretch.first.size
    low, high = int(stretch.first[0]), int(stretch.last[-1]) + 1
    item = np.repeat(np.arange(n), stretch.last - stretch.first + 1)
    links = _links(runs, low, high, item)
    begin = runs.chord_mm[runs.begin[stretch.first], :2]
    end = runs.chord_mm[runs.begin[stretch.last + 1] - 1, 2:]
    piece = _pieces(n, links, begin)
    if piece.max() >= MOST_PIECES:
        return np.arange(n)  # as written: a table of all pairs of pieces would not fit
    if stretch.first_stays and stretch.last_stays and piece[0] == piece[-1] and piece.max() > 0:
        piece[-1] = piece.max() + 1  # a way begins and ends in this piece: the last item is one of its own
    if stretch.first_stays:
        free = np.setdiff1d(np.arange(1, n), links[:, 1])
        links = np.concatenate([np.column_stack([np.zeros(free.size, np.int64), free]), links])
        links = links[np.lexsort((links[:, 1], links[:, 0]))]
    seconds = np.asarray(np.bincount(item, ground.seconds[low:high], n), dtype=np.float64)
    under = ground.under[stretch.first - ground.first]
    path = _path(ground, stretch, piece, item, seconds, under, rest_s, strict)
    scale = 1 / ground.cell
    order, _ = lay_runs(
        ground.cover, ground.before, (ground.here - ground.low) * scale, (begin - ground.low) * scale,
        (end - ground.low) * scale, seconds, under, piece, path, n - 1 if stretch.last_stays else -1, links,
        np.bincount(links[:, 1], minlength=n), ground.now_s, rest_s, strict * _WEIGHT * AIR * scale, ground.scratch,
    )  # fmt: skip
    return np.asarray(order)


def _links(runs: Runs, low: int, high: int, item: Ints) -> Ints:
    """Pairs of items of which the first comes first, `(p, 2)`, sorted."""
    pair = runs.touching
    a, b = np.searchsorted(pair[:, 1], [low, high])  # sorted by the later run
    pair = pair[a:b]
    pair = item[pair[pair[:, 0] >= low] - low]
    return np.unique(pair[pair[:, 0] != pair[:, 1]], axis=0)


def _pieces(n: int, links: Ints, begin: Floats) -> Ints:
    """Piece of each item, numbered by place so that the order written does not matter."""
    piece = np.asarray(connected(n, links))
    west = np.lexsort((begin[:, 1], begin[:, 0]))
    _, first = np.unique(piece[west], return_index=True)
    rank = np.empty(first.size, np.int64)
    rank[np.argsort(first)] = np.arange(first.size)
    return np.asarray(rank[piece], dtype=np.int64)


def _path(
    ground: Ground, stretch: Stretch, piece: Ints, item: Ints, seconds: Floats, under: Floats, rest_s: float,
    strict: float,
) -> Ints:  # fmt: skip
    """Pieces in the order in which they are laid."""
    k = int(piece.max()) + 1
    if k == 1:
        return np.zeros(1, np.int64)
    runs, low, high = ground.runs, int(stretch.first[0]), int(stretch.last[-1]) + 1
    of_run = piece[item]
    offset = runs.begin[low : high + 1]
    chord, half = np.ascontiguousarray(runs.chord_mm[offset[0] : offset[-1]]), runs.half_mm[low:high]
    mine = chord, half, offset - offset[0], of_run, k
    gap = piece_gaps(*mine, *mine, True, np.zeros(k))
    if k <= _CLOSED:
        close_gaps(gap)
    here = np.concatenate([ground.here, ground.here])[None]
    start = piece_gaps(here, np.zeros(1), np.array([0, 1]), np.zeros(1, np.int64), 1, *mine, False, np.zeros(1))[0]
    if stretch.first_stays:
        start[:] = 1e6
        start[piece[0]] = 0.0
    took = np.asarray(np.bincount(piece, seconds, k), dtype=np.float64)
    # a piece laid as before rests from when its middle was laid, less half of what it takes
    mean = np.bincount(piece, seconds * np.where(np.isfinite(under), under, -1e6), k) / np.maximum(took, 1e-9)
    laid = mean - ground.now_s - took / 2
    last = int(piece[-1]) if stretch.last_stays else -1
    if k <= EXACT_PIECES:
        return np.asarray(through_pieces(gap, start, took, laid, rest_s, strict * _WEIGHT, last)[0])
    start = start + strict * _WEIGHT * np.maximum(rest_s + laid, 0.0)
    inner = np.setdiff1d(np.arange(k), [last]) if last >= 0 else np.arange(k)
    rows = np.append(inner, last) if last >= 0 else inner
    cost = np.zeros((rows.size + 1, rows.size + 1))
    cost[1:, 1:], cost[0, 1:] = gap[np.ix_(rows, rows)], start[rows]
    order = inner[order_by_cost(cost, with_end=last >= 0, effort=_EFFORT).order]
    return np.append(order, last) if last >= 0 else order
