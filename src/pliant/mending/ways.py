"""Ways of the nozzle over the beads of one layer: the least air, and the shortest of those, as near as a raster tells.

Cells are a third of a bead wide; what a way crosses is told exactly, by the capsules of the beads. The nozzle keeps as
far inside the print as is asked for, but never further than the middle of a bead.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.checks import require_positive
from pliant.errors import DomainError
from pliant.kernels.cover import grid_of
from pliant.kernels.raster import AIR, STRAIGHT
from pliant.kernels.ways import cheapest_way, ground_cells, open_length, pull_straight

__all__ = ["Scratch", "Ways"]

_CELL = 0.7  # [-] of half a bead: a cell on a middle line lies within the bead
_MOST_CELLS = 2_000_000  # larger layers get larger cells
_MARGIN = 4  # [cells] around the beads
_TIE_MM = 1e-6

Points = NDArray[np.float64]


class Scratch:
    """Arrays that the searches of layers share, one after another."""

    def __init__(self) -> None:
        self.cost, self.stamp = np.zeros(0, np.int64), np.zeros(0, np.int64)
        self.back, self.turn = np.zeros(0, np.int8), np.zeros(1, np.int64)
        self.pool = np.empty((4096, 2), np.int64)
        self.grounds = 0  # that were made with it

    def over(self, cells: int) -> tuple[Any, ...]:
        """Take them for so many cells."""
        if self.cost.size < cells:
            self.cost, self.stamp = np.zeros(cells, np.int64), np.zeros(cells, np.int64)
            self.back, self.turn = np.zeros(cells, np.int8), np.zeros(1, np.int64)
        return self.cost, self.stamp, self.back, self.turn, self.pool


class Ways:
    """Ways over a layer.

    Parameters
    ----------
    bead_xy : array_like, (n, 4)
        x, y of the start and of the end of each bead; arcs as chords. [mm]
    half_width_mm : float or array_like, (n,)
        Half the width of the beads. [mm]
    inset_mm : float
        How far inside the printed ground the nozzle stays, but never further than the middle of a bead. [mm]
    close_mm : float, default 0.1
        Gaps between beads narrower than twice this are passed over: too short for a thread to hang in, and far narrower
        than the flat of a nozzle (common practice, no source). [mm]
    scratch : Scratch, optional
        Shared with other layers.

    Raises
    ------
    DomainError
        If a number is not finite, a width is not above 0, or an inset or gap is below 0.
    """

    def __init__(
        self, bead_xy: Any, half_width_mm: Any, inset_mm: float, *, close_mm: float = 0.1,
        scratch: Scratch | None = None,
    ) -> None:  # fmt: skip
        # copies, never views: the kernels are compiled for arrays of their own
        bead = np.array(bead_xy, dtype=np.float64).reshape(-1, 4)
        half = np.broadcast_to(np.asarray(half_width_mm, dtype=np.float64), (len(bead),)).copy()
        if not np.isfinite(bead).all():
            raise DomainError("bead_xy must be finite")
        require_positive(half_width_mm=half)
        if not (math.isfinite(inset_mm) and inset_mm >= 0 and math.isfinite(close_mm) and close_mm >= 0):
            raise DomainError(f"inset_mm and close_mm must be finite and >= 0, got {inset_mm:g} and {close_mm:g}")
        self._bead, self._half, self._scratch = bead, half, scratch or Scratch()
        self.number = self._scratch.grounds = self._scratch.grounds + 1
        if len(bead) == 0:
            return
        reach = float(half.max()) + close_mm
        low = np.minimum(bead[:, :2], bead[:, 2:]).min(axis=0) - reach
        size = np.maximum(bead[:, :2], bead[:, 2:]).max(axis=0) + reach - low
        cell = _CELL * float(np.median(half))
        while np.prod(size / cell + 2 * _MARGIN + 1) > _MOST_CELLS:
            cell *= 1.25
        columns, rows = (int(n) + 2 * _MARGIN + 1 for n in size / cell)
        self._low, self._cell = low - _MARGIN * cell, cell
        west, south = self._low.tolist()
        self._price, self._line = ground_cells(rows, columns, bead, half, close_mm, float(inset_mm), west, south, cell)
        start, item = np.zeros(66, np.int64), np.empty(256, np.int64)
        self._grid = grid_of(bead, half, 0, len(bead), 0.0, start, item)
        self._seen, self._count = np.full(len(bead), -1, np.int64), 0

    def shortest(self, start_xy: Any, goal_xy: Any) -> tuple[Points, float]:
        """Find a way with little air.

        Parameters
        ----------
        start_xy, goal_xy : array_like, (2,)
            Where the travel begins and ends, over bead or not. [mm]

        Returns
        -------
        path_mm : ndarray, (k, 2)
            Corners of the way, start and goal included; both even if they are the same point. [mm]
        open_mm : float
            Length of it over air; never more than that of the straight line. [mm]

        Raises
        ------
        DomainError
            If a coordinate is not finite.
        """
        ends = np.array([start_xy, goal_xy], dtype=np.float64)
        if ends.shape != (2, 2) or not np.isfinite(ends).all():
            raise DomainError("start_xy and goal_xy must be two finite numbers each")
        if len(self._bead) == 0:
            return ends, float(math.dist(*ends))
        straight_mm = self._open_mm(ends)
        if straight_mm == 0.0:
            return ends, 0.0
        # from outside the raster straight to its edge
        cells = np.array(self._price.shape[::-1])
        (x0, y0), (x1, y1) = ((ends - self._low) / self._cell).clip(0, cells - 1e-6).tolist()
        bound = STRAIGHT * AIR * (math.hypot(x1 - x0, y1 - y0) + 2)  # the straight line, were all of it air
        scratch = self._scratch.over(self._price.size)
        corners, self._scratch.pool = cheapest_way(self._price, x0, y0, x1, y1, bound, scratch)
        if len(corners) == 0:
            return ends, straight_mm
        (west, south), inner = self._low.tolist(), self._low + self._cell * np.array([[x0, y0], [x1, y1]])
        way = pull_straight(self._price, self._line, corners, self._bead, inner.ravel(), west, south, self._cell)
        way = np.vstack([ends[:1], way[1:-1], ends[1:]])
        open_mm = self._open_mm(way)
        return (ends, straight_mm) if straight_mm <= open_mm + _TIE_MM else (way, open_mm)

    def _open_mm(self, way: Points) -> float:
        open_mm, self._count = open_length(way, self._bead, self._half, self._grid, self._seen, self._count)
        return float(open_mm)
