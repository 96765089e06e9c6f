"""Where the nozzle may travel over this layer's own bead, and the shortest way there.

The travel region of a layer is the ground of its beads (`mend.ground`). Inside one connected piece of it the
shortest path is exact (visibility graph, `kernels.shortest`). Between pieces no covered path exists; the path with the
least length outside the region is taken, and among those the shortest.

What is exact. *Covered paths*: exact for the polygons of the region. *Least open length*: exact too, since a path of
least open length goes straight from piece to piece between closest points, so that it is a shortest path in the
graph of the pieces weighted with their distances. With beads the print around each piece, an inset wide, is taken off
these distances, and the open length returned is measured along the path against the beads themselves; a straight way
that has no more is preferred. *Total length among those*: where two pieces come closest along a whole stretch
(parallel sides), the crossing is slid along it until the path gets no shorter, which is a local optimum; elsewhere
exact.
"""

import heapq
import math
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from pliant.errors import DomainError
from pliant.kernels.cover import cover_travels
from pliant.kernels.shortest import closest_pairs, edge_grid, find_path, reflex_corners
from pliant.mending.ground import travel_ground

__all__ = ["TravelRegion"]

_LEAST_AREA_MM2 = 1e-6  # pieces smaller than a point of a nozzle's path are dropped
_TIE_MM = 1e-7  # open lengths this close are equal
_SAME_MM = 1e-6  # points this close are one; a gain this small is none
_SLIDES = 12  # rounds over the crossings; each round only if the one before gained

Points = NDArray[np.float64]


class _Leg(NamedTuple):
    """Over bead of `piece` to the point `at` (straight away if -1), then through the air to `out` in piece `into`."""

    piece: int
    at: Points
    into: int
    out: Points | None


class _Piece:
    """One connected polygon of the region with the tables its queries need, built at the first query."""

    def __init__(self, polygon: Any, eps_mm: float) -> None:
        self.polygon = polygon
        self.eps = eps_mm
        rings = [np.asarray(ring.coords)[:-1] for ring in (polygon.exterior, *polygon.interiors)]
        sizes = np.array([len(ring) for ring in rings])
        first = np.repeat(np.cumsum(sizes) - sizes, sizes)
        at, size = np.arange(sizes.sum()) - first, np.repeat(sizes, sizes)
        self.xy = np.ascontiguousarray(np.vstack(rings))
        self.following = first + (at + 1) % size
        self.before = first + (at - 1) % size
        self._ready = False

    def _build(self) -> None:
        self.grid = edge_grid(self.xy, self.following, 4 * self.eps)
        self.reflex = reflex_corners(self.xy, self.following, self.before, self.eps)
        k = self.reflex.size
        self._begin, self._count = np.full(k, -1, dtype=np.int64), np.zeros(k, dtype=np.int64)
        self._pool, self._used = np.empty(max(64, 16 * k), dtype=np.int64), 0
        self._ready = True

    def path(self, start: Points, goal: Points) -> tuple[Points, float]:
        """Corners between two points of the piece `(k, 2)`, and the length of the path. [mm]"""
        if not self._ready:
            self._build()
        corners, length, self._pool, self._used = find_path(
            start[0], start[1], goal[0], goal[1],
            self.xy, self.following, self.before, self.grid, self.reflex, self.eps,
            self._begin, self._count, self._pool, self._used,
        )  # fmt: skip
        if length < 0:
            raise DomainError("no way inside one piece of a travel region: its outline is degenerate; simplify it")
        return self.xy[corners], length


class TravelRegion:
    """The ground one layer offers to travel: polygons with holes, in one or more pieces.

    Build it with `from_beads` or `from_polygons`, then ask `shortest`. Tables are built when first needed and kept.
    """

    def __init__(self, polygons: Any, beads: tuple[Points, Points] | None = None, margin_mm: float = 0.0) -> None:
        parts = [p for p in shapely.get_parts(polygons, return_index=False) if not p.is_empty]
        if any(p.geom_type != "Polygon" for p in parts):
            raise DomainError(
                "a travel region is made of polygons; got " + ", ".join(sorted({p.geom_type for p in parts}))
            )
        parts = [p for p in parts if p.area > _LEAST_AREA_MM2]
        bounds = shapely.total_bounds(shapely.multipolygons(parts)) if parts else np.zeros(4)
        self._shift = (bounds[:2] + bounds[2:]) / 2
        size = float(max(bounds[2:] - bounds[:2]))
        self._eps = eps = 1e-9 * max(1.0, size / 100)
        moved = [_turned_left(shapely.transform(p, lambda xy: xy - self._shift)) for p in parts]
        self._pieces = [_Piece(p, eps) for p in moved]
        self._polygons = np.array(moved, dtype=object)
        self._bounds = shapely.bounds(self._polygons) if moved else np.zeros((0, 4))
        self._ground = shapely.multipolygons(moved) if moved else shapely.MultiPolygon()
        self._distance: dict[tuple[int, int], float] = {}
        self._pairs: dict[tuple[int, int], Points] = {}
        self._beads = beads
        self._margin = margin_mm
        shapely.prepare(self._polygons)

    @classmethod
    def from_polygons(cls, polygons: Any) -> "TravelRegion":
        """Take a shapely Polygon or MultiPolygon as it is.

        Parameters
        ----------
        polygons : shapely.Polygon or shapely.MultiPolygon
            Valid region, coordinates in mm.

        Returns
        -------
        TravelRegion

        Raises
        ------
        DomainError
            If it is no valid polygon.
        """
        if not shapely.is_valid(polygons):
            raise DomainError(f"a travel region must be valid: {shapely.is_valid_reason(polygons)}")
        return cls(polygons)

    @classmethod
    def from_beads(cls, bead_xy: Any, half_width_mm: Any, inset_mm: float, *, close_mm: float = 0.1) -> "TravelRegion":
        """Take the ground of a layer's beads; see `ground.travel_ground`.

        Parameters
        ----------
        bead_xy : array_like, (n, 4)
            x, y of the start and of the end of each bead; arcs as chords. [mm]
        half_width_mm : float or array_like, (n,)
            Half the width of the beads. [mm]
        inset_mm : float
            How far inside the printed ground the nozzle stays, but never further than the middle of a bead. [mm]
        close_mm : float, default 0.1
            Gaps between beads narrower than twice this are passed over. [mm]

        Returns
        -------
        TravelRegion

        Raises
        ------
        DomainError
            If a number is not finite, a width is not above 0, or an inset or gap is below 0.
        """
        ground = travel_ground(bead_xy, half_width_mm, inset_mm, close_mm=close_mm)
        # copies, never views: the kernels are compiled for arrays of their own
        bead = np.array(bead_xy, dtype=np.float64).reshape(-1, 4)
        half = np.broadcast_to(np.asarray(half_width_mm, dtype=np.float64), (len(bead),)).copy()
        return cls(ground, (bead, half), inset_mm)

    @property
    def pieces(self) -> int:
        """Number of connected pieces."""
        return len(self._pieces)

    @property
    def polygons(self) -> Any:
        """The region as a shapely MultiPolygon. [mm]"""
        return shapely.transform(self._ground, lambda xy: xy + self._shift)

    def shortest(self, start_xy: Any, goal_xy: Any) -> tuple[Points, float]:
        """Find the way with the least open length, and the shortest of those.

        Parameters
        ----------
        start_xy, goal_xy : array_like, (2,)
            Where the travel begins and ends, inside the region or not. [mm]

        Returns
        -------
        path_mm : ndarray, (k, 2)
            Corners of the way, start and goal included; both even if they are the same point. [mm]
        open_mm : float
            Length of it over air: outside the beads if the region was made from beads, outside the polygons
            otherwise. A start at the very edge of a bead lies outside the region but still over bead; a gap that
            `close_mm` passes over counts as bead here, but not in `program.coverage`. [mm]

        Raises
        ------
        DomainError
            If a coordinate is not finite.
        """
        ends = np.array([start_xy, goal_xy], dtype=np.float64)
        if ends.shape != (2, 2) or not np.isfinite(ends).all():
            raise DomainError("start_xy and goal_xy must be two finite numbers each")
        start, goal = ends - self._shift
        here, there = self._piece_of(start), self._piece_of(goal)
        if here >= 0 and here == there:
            inner, _ = self._pieces[here].path(start, goal)
            return np.vstack([ends[:1], inner + self._shift, ends[1:]]), 0.0
        straight_mm = self._open_mm([(start, goal)])
        if not self._pieces:
            return ends, straight_mm
        path, crossings = [start[None]], []
        for leg in self._bridge(start, goal, here, there, straight_mm):
            if leg.piece >= 0:
                path += [self._pieces[leg.piece].path(path[-1][-1], leg.at)[0], leg.at[None]]
            if leg.out is not None:
                crossings.append((leg.at, leg.out))
                path.append(leg.out[None])
        open_mm = self._open_mm(crossings)
        if straight_mm <= open_mm + _TIE_MM:
            return ends, straight_mm
        way = np.vstack(path) + self._shift
        way = way[np.concatenate([[True], np.any(np.abs(np.diff(way, axis=0)) > _SAME_MM, axis=1)])]
        way[0] = ends[0]
        return np.vstack([way[:-1] if len(way) > 1 else way, ends[1:]]), open_mm

    def _piece_of(self, point: Points) -> int:
        """Number of the piece that holds the point, -1 if none does."""
        x, y = point
        near_mm = self._eps / 4
        near = np.flatnonzero(
            (self._bounds[:, 0] <= x + near_mm) & (self._bounds[:, 2] >= x - near_mm)
            & (self._bounds[:, 1] <= y + near_mm) & (self._bounds[:, 3] >= y - near_mm)
        )  # fmt: skip
        if near.size == 0:
            return -1
        away = shapely.distance(self._polygons[near], shapely.points(x, y))
        return int(near[away.argmin()]) if away.min() <= near_mm else -1

    def _gap(self, i: int, j: int) -> float:
        """Air between two pieces: their distance, less the print around each. [mm]"""
        key = (min(i, j), max(i, j))
        if key not in self._distance:
            self._distance[key] = float(shapely.distance(self._polygons[i], self._polygons[j]))
        return max(self._distance[key] - 2 * self._margin, 0.0)

    def _closest(self, i: int, j: int) -> Points:
        """Pairs of points where two pieces come closest, `(k, 4)`: the point of i first."""
        key = (min(i, j), max(i, j))
        if key not in self._pairs:
            one, two = self._pieces[key[0]], self._pieces[key[1]]
            self._gap(i, j)
            limit = self._distance[key] + 10 * _TIE_MM
            self._pairs[key] = closest_pairs(one.xy, one.following, two.xy, two.following, limit)
        pairs = self._pairs[key]
        return pairs if i < j else pairs[:, [2, 3, 0, 1]]

    def _box_gaps(self, i: int) -> Points:
        """Distance of the box of piece i from every other box, less the margins: a lower bound of the gap. [mm]"""
        west, south, east, north = self._bounds[i]
        dx = np.maximum(np.maximum(self._bounds[:, 0] - east, west - self._bounds[:, 2]), 0.0)
        dy = np.maximum(np.maximum(self._bounds[:, 1] - north, south - self._bounds[:, 3]), 0.0)
        return np.maximum(np.hypot(dx, dy) - 2 * self._margin, 0.0)

    def _air_to(self, point: Points) -> Points:
        """Air between a point and each piece. [mm]"""
        return np.maximum(shapely.distance(self._polygons, shapely.points(point)) - self._margin, 0.0)

    def _air_to_goal(
        self, from_start: Points, goal: Points, here: int, there: int, straight_mm: float
    ) -> tuple[Points, float]:
        """Least open length from each piece to the goal (inf where it does not matter), and from the start. [mm]"""
        if there >= 0:
            least = np.full(self.pieces, np.inf)
            least[there] = 0.0
        else:
            least = self._air_to(goal)
        bound = straight_mm
        settled = np.zeros(self.pieces, dtype=bool)
        while True:
            i = int(np.where(settled, np.inf, least).argmin())
            if settled[i] or least[i] > bound + _TIE_MM:
                break
            settled[i] = True
            bound = min(bound, least[i] + from_start[i])
            if i == here:
                break
            reach = least[i] + self._box_gaps(i)
            for j in np.flatnonzero(~settled & (reach < least) & (reach <= bound)):
                least[j] = min(least[j], least[i] + self._gap(i, int(j)))
        least[~settled] = np.inf
        return least, float(bound)

    def _bridge(self, start: Points, goal: Points, here: int, there: int, straight_mm: float) -> list[_Leg]:
        """Legs from piece to piece with the least open length, shortest among those."""
        from_start = self._air_to(start)
        if here >= 0:
            from_start[:] = np.inf
            from_start[here] = 0.0
        least, air = self._air_to_goal(from_start, goal, here, there, straight_mm)
        to_goal = self._air_to(goal) if there < 0 else None
        # search over entry points: (length so far, tie-break, leg number); every crossing is one of least air
        legs: list[_Leg] = []
        parents: list[int] = []
        queue: list[tuple[float, int]] = []
        best: dict[tuple[int, ...], float] = {}

        def push(key: tuple[int, ...], length: float, parent: int, leg: _Leg) -> None:
            if length < best.get(key, np.inf):
                best[key] = length
                legs.append(leg)
                parents.append(parent)
                heapq.heappush(queue, (length, len(legs) - 1))

        done = -2
        if straight_mm <= air + _TIE_MM:
            push((-1, done), math.dist(start, goal), -1, _Leg(-1, start, done, goal))
        if here >= 0 and least[here] <= air + _TIE_MM:
            push((-1, here), 0.0, -1, _Leg(-1, start, here, None))
        elif here < 0:
            for j in np.flatnonzero(from_start + least <= air + _TIE_MM):
                entry = self._foot(int(j), start)
                push((-1, int(j)), math.dist(start, entry), -1, _Leg(-1, start, int(j), entry))
        while True:
            length, number = heapq.heappop(queue)
            leg = legs[number]
            i = leg.into
            if i == done:
                break
            at = leg.out if leg.out is not None else leg.at
            if i == there:
                push((i, done), length + self._pieces[i].path(at, goal)[1], number, _Leg(i, goal, done, None))
                continue
            if to_goal is not None and to_goal[i] <= least[i] + _TIE_MM:
                exit_ = self._foot(i, goal)
                total = length + self._pieces[i].path(at, exit_)[1] + math.dist(exit_, goal)
                push((i, done), total, number, _Leg(i, exit_, done, goal))
            room = least[i] - least + _TIE_MM
            for j in np.flatnonzero((room >= 0) & (self._box_gaps(i) <= room)):
                if int(j) == i or self._gap(i, int(j)) > room[j]:
                    continue
                for k, pair in enumerate(self._closest(i, int(j))):
                    out, into = pair[:2], pair[2:]
                    total = length + self._pieces[i].path(at, out)[1] + math.dist(out, into)
                    push((i, int(j), k), total, number, _Leg(i, out, int(j), into))
        chain = []
        while number >= 0:
            chain.append(legs[number])
            number = parents[number]
        return self._slide(chain[::-1])

    def _foot(self, i: int, point: Points) -> Points:
        """Point of piece i closest to a point."""
        line = shapely.shortest_line(self._polygons[i], shapely.points(point))
        return np.asarray(line.coords[0])

    def _slide(self, legs: list[_Leg]) -> list[_Leg]:
        """Slide each crossing along the stretch where its two pieces run parallel, as long as the way gets shorter."""
        for _ in range(_SLIDES):
            gained = 0.0
            for n in range(1, len(legs) - 1):
                leg, then = legs[n], legs[n + 1]
                before = legs[n - 1].out if legs[n - 1].out is not None else legs[n - 1].at
                if leg.out is None or leg.piece < 0 or before is None:
                    continue
                inner, one = self._pieces[leg.piece].path(before, leg.at)
                onward, two = self._pieces[leg.into].path(leg.out, then.at)
                last = inner[-1] if len(inner) else before
                after = onward[0] if len(onward) else then.at
                for pair in self._closest(leg.piece, leg.into):
                    side, other = pair[:2] - leg.at, pair[2:] - leg.out
                    reach = math.hypot(*side)
                    if reach < _SAME_MM or math.hypot(*(side - other)) > 10 * _TIE_MM:
                        continue
                    # with the gap folded away the best crossing lies on the straight line from `last` to `after`
                    u = side / reach
                    p, q = last - leg.at, after - leg.out
                    up, uq = abs(p[0] * u[1] - p[1] * u[0]), abs(q[0] * u[1] - q[1] * u[0])
                    along = p @ u + (q @ u - p @ u) * (up / (up + uq) if up + uq > 0 else 0.5)
                    move = min(max(along, 0.0), reach) * u
                    at, out = leg.at + move, leg.out + move
                    if self._piece_of(at) != leg.piece or self._piece_of(out) != leg.into:
                        continue
                    gain = one + two - self._pieces[leg.piece].path(before, at)[1]
                    gain -= self._pieces[leg.into].path(out, then.at)[1]
                    if gain > _SAME_MM:
                        legs[n] = _Leg(leg.piece, at, leg.into, out)
                        gained += gain
                        break
            if gained <= _SAME_MM:
                break
        return legs

    def _open_mm(self, legs: list[tuple[Points, Points]]) -> float:
        """Length of some straight legs over air. [mm]"""
        if not legs:
            return 0.0
        ways = np.array([np.concatenate(leg) for leg in legs])
        length = np.hypot(*(ways[:, 2:] - ways[:, :2]).T)
        if self._beads is None:
            inside = shapely.length(shapely.intersection(shapely.linestrings(ways.reshape(-1, 2, 2)), self._ground))
        else:
            bead, half = self._beads
            zero = np.zeros(len(ways), np.int64)
            inside = cover_travels(ways + np.tile(self._shift, 2), zero, bead, half, np.zeros(len(bead), np.int64))
        return float(np.maximum(length - inside, 0.0).sum())


def _turned_left(polygon: Any) -> Any:
    """Rings without repeated or straight points, turning so that the region lies to their left."""
    return shapely.orient_polygons(shapely.simplify(polygon, 0.0), exterior_cw=False)
