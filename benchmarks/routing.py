"""Shortest travel over bead: our visibility graph against one made of shapely and networkx, on the same layer.

Run with `python benchmarks/routing.py`. Prints machine, versions, times and ratios. The yardstick is the plain way
in pure Python: every pair of reflex corners is one edge if shapely says that the region covers it; start and goal are
joined the same way for each query, then Dijkstra.
"""

import math
import platform
import sys
import time

import networkx
import numba
import numpy as np
import shapely

from pliant.kernels.shortest import reflex_corners
from pliant.mending.paths import TravelRegion


def layer(holes, size_mm=60.0, seed=7):
    """An invented gasket: concentric outline beads, round holes with a rim each, sparse fill between them."""
    rng = np.random.default_rng(seed)
    beads = []
    for inset in (0.0, 0.4):
        a, b = inset, size_mm - inset
        corners = np.array([[a, a], [b, a], [b, b], [0.6 * b, b], [0.6 * b, 0.6 * b], [a, 0.6 * b], [a, a]])
        beads.append(np.hstack([corners[:-1], corners[1:]]))
    outline = shapely.Polygon(corners[:-1])
    rims = []
    while len(rims) < holes:
        centre, radius = rng.uniform(4, size_mm - 4, 2), rng.uniform(0.8, 1.8)
        rim = shapely.Point(centre).buffer(radius, quad_segs=6)
        if outline.buffer(-1).contains(rim) and all(rim.distance(other) > 0.9 for other in rims):
            rims.append(rim)
            ring = np.asarray(rim.exterior.coords)
            beads.append(np.hstack([ring[:-1], ring[1:]]))
    ground = outline.difference(shapely.union_all(rims))
    for y in np.arange(0.4, size_mm, 0.42):
        for part in shapely.get_parts(shapely.intersection(shapely.LineString([(0, y), (size_mm, y)]), ground)):
            if part.length > 0.05:
                beads.append(np.asarray(part.coords).reshape(1, 4))
    return np.vstack(beads)


class PlainGraph:
    """The yardstick."""

    def __init__(self, polygons):
        self.ground = polygons.buffer(1e-7, join_style="mitre")
        shapely.prepare(self.ground)
        self.corners = np.vstack([reflex_of(p) for p in shapely.get_parts(polygons)])
        self.graph = networkx.Graph()
        a, b = np.triu_indices(len(self.corners), 1)
        self._join(list(a), list(b), self.corners[a], self.corners[b])

    def _join(self, names_a, names_b, a, b):
        seen = shapely.covers(self.ground, shapely.linestrings(np.stack([a, b], axis=1)))
        for k in np.flatnonzero(seen):
            self.graph.add_edge(names_a[k], names_b[k], weight=math.dist(a[k], b[k]))

    def shortest(self, start, goal):
        """Length of the shortest way."""
        n = len(self.corners)
        for name, point in (("start", start), ("goal", goal)):
            self.graph.add_node(name)
            self._join([name] * n, list(range(n)), np.tile(point, (n, 1)), self.corners)
        self._join(["start"], ["goal"], start[None], goal[None])
        length = networkx.dijkstra_path_length(self.graph, "start", "goal")
        self.graph.remove_nodes_from(["start", "goal"])
        return length


def reflex_of(polygon):
    rings = [np.asarray(r.coords)[:-1] for r in (polygon.exterior, *polygon.interiors)]
    found = []
    for ring in rings:
        at = np.arange(len(ring))
        found.append(ring[reflex_corners(ring.copy(), (at + 1) % len(ring), (at - 1) % len(ring), 1e-9)])
    return np.vstack(found)


def timed(work, *args):
    start = time.perf_counter()
    result = work(*args)
    return result, time.perf_counter() - start


def main():
    print(
        f"{platform.machine()} {platform.system()}, Python {sys.version.split()[0]}, numpy {np.__version__}, "
        f"numba {numba.__version__}, shapely {shapely.__version__}, networkx {networkx.__version__}"
    )
    _, compiling = timed(TravelRegion.from_polygons(shapely.box(0, 0, 1, 1)).shortest, (0, 0), (1, 1))
    print(f"compile or load from cache: {compiling:.2f} s")
    for holes in (8, 20, 30):
        beads = layer(holes)
        region, making = timed(TravelRegion.from_beads, beads, 0.22, 0.2)
        rng = np.random.default_rng(1)
        pool = np.asarray(shapely.get_coordinates(shapely.segmentize(region.polygons, 1.0)))
        queries = pool[rng.integers(0, len(pool), (60, 2))]
        _, opening = timed(region.shortest, *queries[0])
        _, ours = timed(lambda region=region, queries=queries: [region.shortest(*q) for q in queries])
        again, warm = timed(lambda region=region, queries=queries: [region.shortest(*q) for q in queries])
        plain, building = timed(PlainGraph, region.polygons)
        few = queries[:10]
        judge, theirs = timed(lambda plain=plain, few=few: [plain.shortest(*q) for q in few])
        per, slow = ours / len(queries), theirs / len(few)
        lengths = [float(np.hypot(*np.diff(path, axis=0).T).sum()) for path, _ in again[: len(few)]]
        print(
            f"{len(beads)} beads, {holes} holes, {len(plain.corners)} reflex corners, {region.pieces} piece(s): "
            f"polygons {making * 1e3:.0f} ms, first query {opening * 1e3:.1f} ms"
        )
        print(
            f"  60 queries cold {ours * 1e3:.0f} ms ({per * 1e3:.2f} ms each), warm {warm / 60 * 1e3:.2f} ms each; "
            f"yardstick builds in {building:.2f} s, then {slow * 1e3:.1f} ms each"
        )
        off = max(abs(a - b) for a, b in zip(lengths, judge, strict=True))
        print(
            f"  ratio {(building + 60 * slow) / (opening + ours):.0f}x for the 60, "
            f"{60 * slow / warm:.0f}x a warm query; largest difference in length {off:.1e} mm"
        )


if __name__ == "__main__":
    main()
