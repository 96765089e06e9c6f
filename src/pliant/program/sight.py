"""What shows: travel over air that leads to the outside of the finished part; what hangs in a sealed cavity is hidden.

The part is cut into cells, slab by slab of its layers. A cell is bead if its middle lies within half a width, half a
cell and 0.1 mm of a bead's middle line, so that no wall and no skin leaks. Air is outside where a way through faces of
cells leads to the rim or above the part; the bed is shut. What was found is grown back by as much as beads were grown,
and by half the diagonal of a cell: a doubtful stretch counts as showing.

A place counts as showing as well wherever this cannot be told: beads that rise on their way (a spiral) close nothing,
beads laid higher than they are wide have air under them, and of a part that would need cells larger than `COARSEST_MM`
everything shows. Openings narrower than a cell and 0.2 mm are taken as shut. Time is linear in beads, cells and open
travel; there are at most `MOST_CELLS`, one slab of them in memory at a time, a byte each, and at most `MOST_STRETCHES`
of air of 13 bytes; where that is too few, cells are larger.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.kernels.sight import join_air, shown_pieces
from pliant.program.coverage import Coverage, chords_of
from pliant.program.layers import Layering
from pliant.records.program import BEAD, Program

__all__ = ["COARSEST_MM", "FINEST_MM", "MOST_CELLS", "MOST_STRETCHES", "Sight", "find_sight"]

FINEST_MM, COARSEST_MM = 0.25, 1.0  # [mm] of a cell's side; our choice
MOST_CELLS = 2**26  # in all slabs
MOST_STRETCHES = 2**23  # of air
_LEAK_MM = 0.1  # beads are taken as wider by so much on either side
_LEAST_HALF_MM = 0.05  # half a width is never taken for less
_SAME_HEIGHT_MM = 0.01  # as layers have it
_MOST_SLABS = 4  # slabs that a bead lies in, in the mean: heights of parts beside each other may differ
_MOST_LOOKS = 2**23  # places on open travel that are looked at
_LOOK_CELLS = 2.0  # from one to the next, where those allow it
_DIAGONAL = 0.5**0.5

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Sight:
    """Open stretches cut where they come into sight; pieces `(p,)` in the order of the stretches.

    Attributes
    ----------
    stretch : ndarray, (p,)
        Stretch of the coverage that each piece is part of, ascending.
    piece_mm : ndarray, (p, 4)
        x, y of its start and of its end. [mm]
    shows : ndarray of bool, (p,)
        Whether it shows.
    thread : ndarray, (p,)
        Its thread, as the coverage numbers them.
    move : ndarray, (p,)
        Its move.
    cell_mm : float
        Side of a cell; infinite where everything counts as showing because it could not be told. [mm]
    """

    stretch: Ints
    piece_mm: Floats
    shows: Bools
    thread: Ints
    move: Ints
    cell_mm: float

    @property
    def length_mm(self) -> Floats:
        """Length of each piece, `(p,)`. [mm]"""
        return np.hypot(*(self.piece_mm[:, 2:] - self.piece_mm[:, :2]).T)

    def seen_mm(self, n_moves: int) -> Floats:
        """Travel over air of each move that shows, `(n_moves,)`. [mm]"""
        return np.bincount(self.move, self.length_mm * self.shows, minlength=n_moves).astype(np.float64)

    def strings(self, longer_than_mm: float = 0.0) -> Ints:
        """Move at which each thread starts of which more than a given length shows, `(n_strings,)`. [mm]"""
        first = self.move[np.flatnonzero(np.diff(self.thread, prepend=-1))]
        seen = np.bincount(self.thread, self.length_mm * self.shows, minlength=first.size)
        return first[seen > longer_than_mm]


@dataclass(frozen=True)
class _Slabs:
    """Chords slab by slab, their half widths, and which slab lies under each layer's top."""

    chord_mm: Floats
    half_mm: Floats
    first: Ints
    of_layer: Ints


def find_sight(program: Program, layering: Layering, width_mm: Any, coverage: Coverage) -> Sight:
    """Tell of each open stretch what of it shows.

    Parameters
    ----------
    program : Program
        The moves, `(n_moves,)`.
    layering : Layering
        Its layers.
    width_mm : ndarray, (n_moves,)
        Width of the beads. [mm]
    coverage : Coverage
        Open stretches of the program.

    Returns
    -------
    Sight
    """
    stretch = coverage.stretch_mm
    slabs = _slabs(program, layering, np.asarray(width_mm, dtype=np.float64)) if stretch.size else None
    found = None if slabs is None else _look(slabs, stretch, slabs.of_layer[layering.layer[coverage.move]])
    if found is None:
        every = np.arange(len(stretch))
        return Sight(every, stretch, np.ones(every.size, dtype=bool), coverage.thread, coverage.move, np.inf)
    of, t0, t1, shows, cell = found
    way = (stretch[:, 2:] - stretch[:, :2])[of]
    piece = np.hstack([stretch[of, :2] + t0[:, None] * way, stretch[of, :2] + t1[:, None] * way])
    return Sight(of, piece, shows, coverage.thread[of], coverage.move[of], cell)


def _slabs(program: Program, layering: Layering, width_mm: Floats) -> _Slabs | None:
    """Sort beads into slabs; None if heights are so many that a bead lies in many of them."""
    top, gap, point = layering.top_mm, layering.gap_mm, program.point_mm
    index = np.flatnonzero((program.kind == BEAD) & (layering.layer >= 0))
    at_top = top[layering.layer[index]]
    flat = np.maximum(np.abs(point[index, 2] - at_top), np.abs(point[index + 1, 2] - at_top)) <= 2 * _SAME_HEIGHT_MM
    index = index[flat]
    if index.size == 0:
        return None
    chord, move = chords_of(program, index)
    layer = layering.layer[move]
    half = np.maximum(width_mm[move] / 2, _LEAST_HALF_MM)
    bottom = top[layer] - np.minimum(np.maximum(gap[layer], 0.0), 2 * half)
    height, which = np.unique(np.concatenate([bottom, top[layer]]), return_inverse=True)
    edge = np.cumsum(np.diff(height, prepend=height[0]) > _SAME_HEIGHT_MM)  # slab s lies between edges s and s + 1
    below, above = edge[which[: layer.size]], edge[which[layer.size :]]
    many = np.maximum(above - below, 1)
    if many.sum() > _MOST_SLABS * many.size + 1000:
        return None
    at = np.repeat(np.arange(many.size), many)
    slab = below[at] + np.arange(at.size) - np.repeat(np.cumsum(many) - many, many)
    order = np.argsort(slab, kind="stable")
    at, slab = at[order], slab[order]
    slabs = int(slab[-1]) + 1
    of_layer = np.full(top.size, slabs)  # a layer of which no bead is level lies in no slab, in sight
    of_layer[layer] = np.maximum(above, 1) - 1
    return _Slabs(chord[at], half[at], np.searchsorted(slab, np.arange(slabs + 1)), of_layer)


def _look(slabs: _Slabs, stretch: Floats, slab: Ints) -> tuple[Ints, Floats, Floats, Bools, float] | None:
    """Pieces of the stretches; None where the part is too large to tell."""
    low, high = _boxes(slabs)
    size = np.maximum(high - low, 0.0)
    cell = FINEST_MM
    for _ in range(3):  # the rim of a box is some cells wide
        cells = ((size[:, 0] / cell + 4) * (size[:, 1] / cell + 4)).sum()
        cell *= max(float(np.sqrt(cells / MOST_CELLS)), 1.0)
    if not cell <= COARSEST_MM:
        return None
    for side in (cell, min(2 * cell, COARSEST_MM), COARSEST_MM):
        if (found := _look_by(side, slabs, low, high, stretch, slab)) is not None:
            return found
    return None


def _look_by(
    cell: float, slabs: _Slabs, low: Floats, high: Floats, stretch: Floats, slab: Ints
) -> tuple[Ints, Floats, Floats, Bools, float] | None:
    """Pieces of the stretches by cells of a size; None where there are too many stretches of air."""
    base = low.min(axis=0)
    grown = 0.5 * cell + _LEAK_MM
    south_west = np.floor((low - base - grown) / cell).astype(np.int64) - 1
    north_east = np.ceil((high - base + grown) / cell).astype(np.int64) + 1
    box = np.hstack([south_west, north_east - south_west])
    there = np.tile(base, 2)
    chord = np.ascontiguousarray((slabs.chord_mm - there) / cell)
    air = join_air(chord, (slabs.half_mm + grown) / cell, slabs.first, box, MOST_STRETCHES)
    if not air[5]:  # there are more stretches than it may take
        return None
    length = float(np.hypot(*(stretch[:, 2:] - stretch[:, :2]).T).sum()) / cell
    step = max(_LOOK_CELLS, length / _MOST_LOOKS)
    way = np.ascontiguousarray((stretch - there) / cell)
    of, t0, t1, shows = shown_pieces((*air[:5], box), way, slab, grown / cell + _DIAGONAL, step)
    return of, t0, t1, shows, cell


def _boxes(slabs: _Slabs) -> tuple[Floats, Floats]:
    """South-west and north-east corner of the beads of each slab, `(slabs, 2)`; nothing lies in an empty one. [mm]"""
    chord, half, first = slabs.chord_mm, slabs.half_mm[:, None], slabs.first
    low, high = np.minimum(chord[:, :2], chord[:, 2:]) - half, np.maximum(chord[:, :2], chord[:, 2:]) + half
    some = np.flatnonzero(np.diff(first) > 0)
    corner = low.min(axis=0)
    south_west, north_east = np.tile(corner, (first.size - 1, 1)), np.tile(corner, (first.size - 1, 1))
    south_west[some] = np.minimum.reduceat(low, first[some])
    north_east[some] = np.maximum.reduceat(high, first[some])
    return south_west, north_east
