"""The ground a layer offers to travel, as polygons: the union of its beads, shrunk so that the nozzle stays inside.

Shrinking by half a bead leaves nothing of a wall one bead wide, although its centre line is the safest way there is.
Such beads keep a narrow road along their middle. Pieces that print joins but shrinking parts (a wall that
ends at an outline, a narrow neck) are linked by a road where they come closest.
"""

import math
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from pliant.checks import require_positive
from pliant.errors import DomainError
from pliant.kernels.cover import cover_travels

__all__ = ["travel_ground"]

_QUAD_SEGS = 8  # pieces of a quarter circle: a round end is short of its radius by 0.5 % at most
_SIMPLIFY_MM = 0.002  # far below the rounding of a nozzle's path
_SLIVER_MM = 0.001  # narrower remains of the shrinking are dropped; rounding would turn them inside out
_MOST_UNBROKEN = 64  # beads in one line: a line that crosses itself often is slow to widen
_ROAD = 0.05  # half width of a road as a share of half the bead's width


def travel_ground(bead_xy: Any, half_width_mm: Any, inset_mm: float, *, close_mm: float = 0.1) -> Any:
    """Unite the beads of a layer, shrink the union, and keep roads where the shrinking left nothing.

    Parameters
    ----------
    bead_xy : array_like, (n, 4)
        x, y of the start and of the end of each bead; arcs as chords. [mm]
    half_width_mm : float or array_like, (n,)
        Half the width of the beads. [mm]
    inset_mm : float
        How far inside the printed ground the nozzle stays, but never further than the middle of a bead. [mm]
    close_mm : float, default 0.1
        Gaps between beads narrower than twice this are passed over: too short for a thread to hang in, and
        far narrower than the flat of a nozzle (common practice, no source). [mm]

    Returns
    -------
    shapely.Polygon or shapely.MultiPolygon
        Flat sides of round ends are off by 0.5 % of the half width, corners by 0.002 mm.

    Raises
    ------
    DomainError
        If a number is not finite, a width is not above 0, or an inset or gap is below 0.

    Examples
    --------
    >>> ground = travel_ground([[0, 0, 10, 0], [0, 0.4, 10, 0.4]], 0.22, 0.2)
    >>> [round(x, 1) for x in ground.bounds]
    [0.0, 0.0, 10.0, 0.4]
    """
    bead = np.array(bead_xy, dtype=np.float64).reshape(-1, 4)
    half = np.broadcast_to(np.asarray(half_width_mm, dtype=np.float64), (len(bead),)).copy()
    if not np.isfinite(bead).all():
        raise DomainError("bead_xy must be finite")
    require_positive(half_width_mm=half)
    if not (math.isfinite(inset_mm) and inset_mm >= 0 and math.isfinite(close_mm) and close_mm >= 0):
        raise DomainError(f"inset_mm and close_mm must be finite and >= 0, got {inset_mm:g} and {close_mm:g}")
    lines = shapely.linestrings(bead.reshape(-1, 2, 2))
    # grown by `close`, then shrunk by as much and the inset more: closes the gaps in the same two steps
    runs, width = _unbroken(bead, half)
    ground = shapely.union_all(shapely.buffer(runs, width + close_mm, quad_segs=_QUAD_SEGS))
    ground = shapely.buffer(ground, -(inset_mm + close_mm + _SLIVER_MM), quad_segs=_QUAD_SEGS)
    ground = shapely.simplify(shapely.buffer(ground, _SLIVER_MM, join_style="mitre"), _SIMPLIFY_MM)
    if len(bead) == 0:
        return ground
    wide = shapely.buffer(ground, 0.2 * float(np.median(half)), quad_segs=2)
    shapely.prepare(wide)
    lost = np.flatnonzero(~shapely.covers(wide, lines))
    reach, air = 2 * (inset_mm + close_mm), 2 * close_mm
    if lost.size:
        roads = shapely.buffer(lines[lost], _ROAD * half[lost], quad_segs=2)
        things = np.concatenate([roads, shapely.get_parts(ground)])
        # each end of a road is led on to whatever lies near, unless the road touches that already
        ends = shapely.points(bead[lost].reshape(-1, 2))
        end, thing = shapely.STRtree(things).query(ends, predicate="dwithin", distance=reach)
        apart = ~shapely.intersects(things[thing], roads[end // 2])
        links = _over_bead(shapely.shortest_line(ends[end[apart]], things[thing[apart]]), bead, half, air)
        ground = shapely.union_all(np.concatenate([things, links]))
    pieces = shapely.get_parts(ground)
    if len(pieces) > 1:
        one, two = shapely.STRtree(pieces).query(pieces, predicate="dwithin", distance=reach)
        one, two = one[one < two], two[one < two]
        links = _over_bead(shapely.shortest_line(pieces[one], pieces[two]), bead, half, air)
        if links.size:
            ground = shapely.union_all(np.concatenate([pieces, links]))
    return ground


def _unbroken(bead: NDArray[np.float64], half: NDArray[np.float64]) -> tuple[Any, NDArray[np.float64]]:
    """Beads that go on from one another as one line each, and half its width: fewer to unite."""
    if len(bead) == 0:
        return shapely.linestrings(np.empty((0, 2, 2))), half
    opens = np.append(True, (bead[1:, :2] != bead[:-1, 2:]).any(axis=1) | (half[1:] != half[:-1]))
    opens |= np.arange(len(bead)) % _MOST_UNBROKEN == 0
    of, first = np.cumsum(opens) - 1, np.flatnonzero(opens)
    line = np.concatenate([np.arange(first.size), of])  # of each point: where a line opens, then where each bead ends
    order = np.argsort(line, kind="stable")
    points = np.concatenate([bead[first, :2], bead[:, 2:]])[order]
    return shapely.linestrings(points, indices=line[order]), half[first]


def _over_bead(lines: Any, bead: NDArray[np.float64], half: NDArray[np.float64], air_mm: float) -> Any:
    """Roads along those lines that cross at most `air_mm` of air."""
    ways = shapely.get_coordinates(lines).reshape(-1, 4)
    zero = np.zeros(len(ways), np.int64)
    air = shapely.length(lines) - cover_travels(ways, zero, bead, half, np.zeros(len(bead), np.int64))
    return shapely.buffer(lines[air <= air_mm + 1e-9], _ROAD * half.min(), cap_style="square")
