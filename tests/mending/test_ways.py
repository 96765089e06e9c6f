"""Ways over bead: known cases, an independent visibility graph made of shapely and networkx, and edges."""

import itertools
import math

import networkx
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, box

from pliant.errors import DomainError
from pliant.mending.ways import Ways

SQUARE = [(0, 0), (10, 0), (10, 10), (0, 10)]


def _length(path):
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


def _filled(region, half=0.2):
    """Beads side by side that fill a region: lines along x, half a bead inside, and the outline."""
    beads = []
    inner = shapely.buffer(region, -half, join_style="mitre")
    for polygon in shapely.get_parts(inner):
        for ring in (polygon.exterior, *polygon.interiors):
            points = np.asarray(ring.coords)
            beads.append(np.hstack([points[:-1], points[1:]]))
    x0, y0, x1, y1 = inner.bounds
    for y in np.linspace(y0, y1, math.ceil((y1 - y0) / (1.9 * half)) + 1)[1:-1]:
        for part in shapely.get_parts(shapely.intersection(shapely.LineString([(x0, y), (x1, y)]), inner)):
            if part.length > 0:
                beads.append(np.asarray(part.coords).reshape(1, 4))
    return np.vstack(beads)


# reference/toolpath.md 3.1, cases A, B and C: computed there with three independent packages; a nozzle that keeps
# `inset` inside goes round corners that much further out, which by Pythagoras is at most 1.5 insets a corner here
@pytest.mark.parametrize(
    ("region", "start", "goal", "mm", "corners"),
    [
        (Polygon(SQUARE, [[(4, 3), (6, 3), (6, 8), (4, 8)]]), (1, 5), (9, 5), 9.211102551, 2),
        (Polygon([(0, 0), (10, 0), (10, 4), (4, 4), (4, 10), (0, 10)]), (9, 3), (3, 9), 10.198039027, 1),
        (
            Polygon([(0, 0), (9, 0), (9, 9), (6, 9), (6, 3), (3, 3), (3, 9), (0, 9)]), (1.5, 8), (7.5, 8),
            13.440306509, 2,
        ),
    ],
)  # fmt: skip
def test_published_paths(region, start, goal, mm, corners):
    path, open_mm = Ways(_filled(region), 0.2, 0.18).shortest(start, goal)
    assert open_mm == 0
    assert mm <= _length(path) <= mm + corners * 1.5 * 0.2
    assert shapely.covers(region, shapely.linestrings(path))


def _exact(region, start, goal):
    """Full visibility graph over every corner, sight tested with shapely; inf if there is no way."""
    grown = region.buffer(1e-9, join_style="mitre")
    shapely.prepare(grown)
    points = [tuple(start), tuple(goal)]
    for polygon in shapely.get_parts(region):
        for ring in (polygon.exterior, *polygon.interiors):
            points += [tuple(p) for p in ring.coords[:-1]]
    pairs = [(a, b) for a, b in itertools.combinations(range(len(points)), 2) if points[a] != points[b]]
    lines = shapely.linestrings([[points[a], points[b]] for a, b in pairs])
    graph = networkx.Graph()
    graph.add_nodes_from(points)
    for (a, b), seen in zip(pairs, shapely.covers(grown, lines), strict=True):
        if seen:
            graph.add_edge(points[a], points[b], weight=math.dist(points[a], points[b]))
    try:
        return networkx.dijkstra_path_length(graph, points[0], points[1])
    except networkx.NetworkXNoPath:
        return math.inf


whole = st.integers(0, 12)
rectangle = st.tuples(whole, whole, st.integers(2, 6), st.integers(2, 6)).map(
    lambda r: box(r[0], r[1], r[0] + r[2], r[1] + r[3])
)


@settings(max_examples=40, deadline=None)
@given(st.lists(rectangle, min_size=2, max_size=7), st.lists(rectangle, max_size=3), st.randoms(use_true_random=False))
def test_limit_ways_over_filled_blocks_are_near_those_of_the_independent_graph(add, cut, random):
    region = shapely.difference(shapely.union_all(add), shapely.union_all(cut))
    parts = [p for p in shapely.get_parts(region) if p.geom_type == "Polygon" and p.area > 1.0]
    if not parts:
        return
    ground = shapely.buffer(shapely.multipolygons(parts), -0.3, join_style="mitre")
    inside = [p.representative_point().coords[0] for p in shapely.get_parts(ground) if not p.is_empty]
    corners = np.vstack([*inside, shapely.get_coordinates(ground)]) if inside else np.zeros((0, 2))
    if len(corners) < 2:
        return
    ways = Ways(_filled(shapely.multipolygons(parts)), 0.2, 0.1)
    start, goal = (corners[random.randrange(len(corners))] for _ in range(2))
    path, open_mm = ways.shortest(start, goal)
    exact = _exact(ground, start, goal)
    if math.isfinite(exact):
        assert open_mm <= 0.3  # a line over cells whose middle is print may cut a corner by a part of a cell
        assert _length(path) <= 1.06 * exact + 0.3  # eight directions, pulled straight
    assert tuple(path[0]) == tuple(start) and tuple(path[-1]) == tuple(goal)


def _least_open(parts, start, goal):
    """Independent: all pieces at once, each pair weighted with its distance."""
    things = [shapely.Point(start), shapely.Point(goal), *parts]
    graph = networkx.Graph()
    for a, b in itertools.combinations(range(len(things)), 2):
        graph.add_edge(a, b, weight=things[a].distance(things[b]))
    return networkx.dijkstra_path_length(graph, 0, 1)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(whole, whole, st.integers(2, 8)), min_size=2, max_size=14),
    st.tuples(whole, whole),
    st.tuples(whole, whole),
)
def test_limit_open_length_is_near_the_least_between_many_islands(dots, start, goal):
    start, goal = np.array(start) * 2.0, np.array(goal) * 2.0
    beads = np.array([(2 * x, 2 * y, 2 * x + 0.01, 2 * y) for x, y, _ in dots], float)
    half = np.array([r / 5 for *_, r in dots])
    ink = shapely.buffer(shapely.linestrings(beads.reshape(-1, 2, 2)), half, quad_segs=32)
    path, open_mm = Ways(beads, half, 0.1, close_mm=0.0).shortest(start, goal)
    least = _least_open(list(ink), start, goal)
    # a detour of twelve over bead for one of air saved is taken, a longer one is not; eight directions cost 8 %
    assert least - 0.01 <= open_mm <= 1.2 * least + 1.0
    if len(path) > 1 and _length(path) > 0:
        outside = shapely.linestrings(path).difference(shapely.union_all(ink)).length
        assert outside == pytest.approx(open_mm, abs=0.02 * len(path) + 1e-3)


def test_limit_beads_become_ground_and_hair_gaps_close():
    y = np.arange(0, 10, 0.45)
    beads = np.column_stack([np.zeros_like(y), y, np.full_like(y, 20.0), y])
    path, open_mm = Ways(beads, 0.22, 0.2).shortest((1, 0.1), (19, 9))  # 0.01 mm of air between neighbours
    assert len(path) <= 3 and open_mm <= 0.01 * len(y) * 2.3
    assert _length(path) == pytest.approx(math.dist((1, 0.1), (19, 9)), rel=0.01)


def test_limit_a_way_between_beads_counts_air_against_the_beads_themselves():
    beads = np.array([[0, 0, 10, 0], [10, 0, 10, 5], [0, 3, 6, 3]], float)
    ways = Ways(beads, 0.5, 0.25)
    path, open_mm = ways.shortest((0, 0), (0, 3))
    assert open_mm == pytest.approx(2.0, abs=0.01)  # 3 mm straight, half a bead at either side is print
    assert _length(path) == pytest.approx(3.0, abs=0.01)
    # a start beyond the inset but on the bead is no air
    assert ways.shortest((0, 0.4), (10, 5.4))[1] == 0


def test_limit_no_ground_means_straight_through_the_air():
    path, open_mm = Ways(np.zeros((0, 4)), 0.2, 0.1).shortest((0, 0), (3, 4))
    assert len(path) == 2 and open_mm == pytest.approx(5)


def test_limit_ends_far_outside_the_layer():
    path, open_mm = Ways(np.array([[0.0, 0, 10, 0]]), 0.2, 0.1).shortest((-50, 0), (60, 0))
    assert open_mm == pytest.approx(100 - 0.4, abs=0.01) and _length(path) == pytest.approx(110)


RING = np.array([[0, 0, 20, 0], [20, 0, 20, 20], [20, 20, 0, 20], [0, 20, 0, 0]], float)


@pytest.mark.parametrize("inset", [0.1, 0.2, 0.3])
def test_limit_a_wall_of_one_bead_keeps_a_road_along_its_middle(inset):
    # half a bead is 0.2: at that inset and beyond nothing is left of the wall but its road
    path, open_mm = Ways(RING, 0.2, inset).shortest((10, 0), (10, 20))
    assert open_mm == 0
    assert _length(path) == pytest.approx(40, abs=0.9)
    assert shapely.distance(shapely.points(path), box(0, 0, 20, 20).exterior).max() < 0.2  # never off the bead


def test_limit_a_rib_that_ends_at_the_wall_is_joined_to_it():
    # the rib stops where its round end only just overlaps the wall
    rib = np.array([[10, 0.35, 10, 19.65]])
    path, open_mm = Ways(np.vstack([RING, rib]), 0.2, 0.2).shortest((8, 0), (8, 20))
    assert open_mm == 0
    assert _length(path) == pytest.approx(2 + 20 + 2, abs=0.3)  # corners are cut a little


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(whole, whole, whole, whole), min_size=1, max_size=20),
    st.sampled_from([0.05, 0.1, 0.2]),
    st.tuples(whole, whole),
    st.tuples(whole, whole),
)
def test_limit_any_beads_give_a_way_with_no_more_air_than_straight(segments, inset, start, goal):
    beads = np.array(segments, float)
    path, open_mm = Ways(beads, 0.2, inset, close_mm=0.0).shortest(start, goal)
    ink = shapely.union_all(shapely.buffer(shapely.linestrings(beads.reshape(-1, 2, 2)), 0.2, quad_segs=64))
    straight = shapely.LineString([start, goal]).difference(ink).length if start != goal else 0.0
    assert open_mm <= straight + 0.01
    if _length(path) > 0:  # a way along the very edge of a bead is air or not, as its roundness is drawn
        least, most = (shapely.linestrings(path).difference(ink.buffer(d)).length for d in (0.003, -0.003))
        assert least - 0.02 - 0.01 * len(path) <= open_mm <= most + 0.02 + 0.01 * len(path)
    assert tuple(path[0]) == start and tuple(path[-1]) == goal


@pytest.mark.parametrize(
    ("beads", "half", "inset", "words"),
    [
        ([[0, 0, np.nan, 1]], 0.2, 0.1, "bead_xy must be finite"),
        ([[0, 0, 1, 1]], -0.2, 0.1, "half_width_mm must be"),
        ([[0, 0, 1, 1]], 0.2, -0.1, "inset_mm and close_mm must be finite and >= 0"),
    ],
)
def test_limit_bad_beads_are_refused(beads, half, inset, words):
    with pytest.raises(DomainError, match=words):
        Ways(beads, half, inset)


def test_limit_bad_points_are_refused():
    with pytest.raises(DomainError, match="two finite numbers"):
        Ways(RING, 0.2, 0.1).shortest((0, 0), (np.inf, 0))


def test_limit_a_bed_without_end_is_searched_on_larger_cells():
    far = np.array([[0, 0, 10, 0], [1e6, 1e6, 1e6 + 10, 1e6]])
    path, open_mm = Ways(far, 0.2, 0.1).shortest((5, 0), (1e6, 1e6))
    assert len(path) >= 2 and open_mm <= 1e6 * math.sqrt(2)
