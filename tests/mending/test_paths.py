"""Shortest travel: known cases, and an independent visibility graph made of shapely and networkx."""

import itertools
import math

import networkx
import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import Polygon, box

from pliant.errors import DomainError
from pliant.kernels import shortest
from pliant.mending.paths import TravelRegion

SQUARE = [(0, 0), (10, 0), (10, 10), (0, 10)]


def _length(path):
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


# reference/toolpath.md 3.1, cases A, B and C: computed there with three independent packages
@pytest.mark.parametrize(
    ("region", "start", "goal", "mm", "via"),
    [
        (Polygon(SQUARE, [[(4, 3), (6, 3), (6, 8), (4, 8)]]), (1, 5), (9, 5), 9.211102551, [(4, 3), (6, 3)]),
        (Polygon([(0, 0), (10, 0), (10, 4), (4, 4), (4, 10), (0, 10)]), (9, 3), (3, 9), 10.198039027, [(4, 4)]),
        (
            Polygon([(0, 0), (9, 0), (9, 9), (6, 9), (6, 3), (3, 3), (3, 9), (0, 9)]),
            (1.5, 8),
            (7.5, 8),
            13.440306509,
            [(3, 3), (6, 3)],
        ),
    ],
)
def test_published_paths(region, start, goal, mm, via):
    path, open_mm = TravelRegion.from_polygons(region).shortest(start, goal)
    assert _length(path) == pytest.approx(mm, abs=5e-10)
    assert path == pytest.approx(np.array([start, *via, goal], float))
    assert open_mm == 0


def _reference(region, start, goal):
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


def _agree(region, start, goal):
    path, open_mm = TravelRegion.from_polygons(region).shortest(start, goal)
    judge = _reference(region, start, goal)
    if math.isinf(judge):
        assert open_mm > 0
    else:
        assert open_mm == pytest.approx(0, abs=1e-7)
        assert _length(path) == pytest.approx(judge, abs=1e-6)
        ground = region.buffer(1e-7)
        assert shapely.covers(ground, shapely.linestrings(path)) or len(path) == 2
    assert tuple(path[0]) == tuple(start) and tuple(path[-1]) == tuple(goal)


whole = st.integers(0, 12)
rectangle = st.tuples(whole, whole, st.integers(1, 6), st.integers(1, 6)).map(
    lambda r: box(r[0], r[1], r[0] + r[2], r[1] + r[3])
)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(rectangle, min_size=2, max_size=9),
    st.lists(rectangle, max_size=4),
    st.integers(0, 10**6),
    st.integers(0, 10**6),
)
def test_limit_blocks_on_a_lattice_agree_with_the_independent_graph(add, cut, one, two):
    # walls in line, corners that touch, paths along walls: every degenerate case at once
    region = shapely.difference(shapely.union_all(add), shapely.union_all(cut))
    parts = [p for p in shapely.get_parts(region) if p.geom_type == "Polygon" and p.area > 0.1]
    assume(parts)
    region = shapely.multipolygons(parts)
    assume(region.is_valid)
    corners = np.unique(shapely.get_coordinates(region), axis=0)
    inside = np.array([p.representative_point().coords[0] for p in shapely.get_parts(region)])
    choice = np.vstack([corners, inside])
    _agree(region, choice[one % len(choice)], choice[two % len(choice)])


def _ragged(rng, corners, holes):
    """A star-shaped outline with deep inward corners and some turned holes."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    radius = rng.uniform(3, 20, corners)
    region = Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])).buffer(0)
    for _ in range(holes):
        centre, turn, size = rng.uniform(-10, 10, 2), rng.uniform(0, 7), rng.uniform(0.5, 3, 2)
        hole = shapely.affinity.rotate(box(*(centre - size), *(centre + size)), turn, use_radians=True)
        region = region.difference(hole)
    return region


@pytest.mark.parametrize("seed", range(25))
def test_limit_ragged_regions_agree_with_the_independent_graph(seed):
    rng = np.random.default_rng(seed)
    region = max(shapely.get_parts(_ragged(rng, 14, 7)), key=lambda p: p.area)
    points = []
    while len(points) < 4:
        p = rng.uniform(-20, 20, 2)
        if region.contains(shapely.Point(p)):
            points.append(p)
    for start, goal in itertools.combinations(points, 2):
        _agree(region, start, goal)


def test_roundtrip_there_and_back_is_as_long():
    rng = np.random.default_rng(99)
    region = max(shapely.get_parts(_ragged(rng, 20, 9)), key=lambda p: p.area)
    ground = TravelRegion.from_polygons(region)
    corners = shapely.get_coordinates(region)
    for a, b in rng.integers(0, len(corners), (30, 2)):
        there, back = ground.shortest(corners[a], corners[b])[0], ground.shortest(corners[b], corners[a])[0]
        assert _length(there) == pytest.approx(_length(back), abs=1e-8)


TWO = [box(0, 0, 4, 4), box(6, 0, 10, 4)]


@pytest.mark.parametrize(
    ("start", "goal", "open_mm", "mm"),
    [
        ((1, 2), (9, 2), 2, 8),  # straight over the gap, which has parallel sides
        ((1, 1), (9, 3), 2, math.hypot(6, 2) + 2),  # the gap folded away leaves a straight line
        ((-1, 2), (11, 2), 4, 12),  # both ends outside
        ((5, -1), (5, 5), 2 * math.sqrt(2), 2 * math.sqrt(2) + 4),  # along a block rather than down the gap
        ((4.5, 2), (5.5, 2), 1, 1),  # both in the gap: nothing to gain
        ((2, 2), (4, 2), 0, 2),
        ((20, 20), (20, 21), 1, 1),
        ((5, 5), (5, 5), 0, 0),
    ],
)
def test_limit_least_open_way_between_two_blocks(start, goal, open_mm, mm):
    path, air = TravelRegion.from_polygons(shapely.union_all(TWO)).shortest(start, goal)
    assert air == pytest.approx(open_mm, abs=1e-9)
    assert _length(path) == pytest.approx(mm, abs=1e-6)


def _least_open(region, start, goal):
    """Independent: all pieces at once, each pair weighted with its distance."""
    parts = [shapely.Point(start), shapely.Point(goal), *shapely.get_parts(region)]
    graph = networkx.Graph()
    for a, b in itertools.combinations(range(len(parts)), 2):
        graph.add_edge(a, b, weight=parts[a].distance(parts[b]))
    return networkx.dijkstra_path_length(graph, 0, 1)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(whole, whole, st.integers(1, 8)), min_size=2, max_size=14),
    st.tuples(whole, whole),
    st.tuples(whole, whole),
)
def test_limit_open_length_is_the_least_between_many_islands(dots, start, goal):
    region = shapely.union_all([shapely.Point(2 * x, 2 * y).buffer(r / 5, quad_segs=4) for x, y, r in dots])
    start, goal = np.array(start) * 2.0, np.array(goal) * 2.0
    path, open_mm = TravelRegion.from_polygons(region).shortest(start, goal)
    assert open_mm == pytest.approx(_least_open(region, start, goal), abs=1e-6)
    # and the path itself has that open length, not only the number
    if len(path) > 1 and _length(path) > 0:
        outside = shapely.linestrings(path).difference(region.buffer(1e-9)).length
        assert outside == pytest.approx(open_mm, abs=1e-5)


def test_limit_an_island_in_a_hole_is_reached_across_the_narrowest_water():
    ring = box(0, 0, 20, 20).difference(box(5, 5, 15, 15))
    region = shapely.union_all([ring, box(6, 8, 12, 12)])
    path, open_mm = TravelRegion.from_polygons(region).shortest((18, 10), (9, 10))
    assert open_mm == pytest.approx(1.0)  # from the west, though the start lies east
    south = np.array([[18, 10], [15, 5], [5, 5], [5, 8], [6, 8], [9, 10]], float)
    assert path == pytest.approx(south, abs=1e-6) or path == pytest.approx(south * [1, -1] + [0, 20], abs=1e-6)


def test_limit_beads_become_ground_and_hair_gaps_close():
    y = np.arange(0, 10, 0.45)
    beads = np.column_stack([np.zeros_like(y), y, np.full_like(y, 20.0), y])
    region = TravelRegion.from_beads(beads, 0.22, 0.2)  # 0.01 mm of air between neighbours
    assert region.pieces == 1
    assert region.polygons.bounds == pytest.approx((0 - 0.02, 0 - 0.02, 20.02, y[-1] + 0.02), abs=0.01)
    path, open_mm = region.shortest((1, 0.1), (19, 9))
    assert len(path) == 2 and open_mm == 0
    assert TravelRegion.from_beads(beads, 0.22, 0.2, close_mm=0.0).pieces == len(y)


def test_limit_a_way_between_beads_counts_air_against_the_beads_themselves():
    beads = np.array([[0, 0, 10, 0], [10, 0, 10, 5], [0, 3, 6, 3]], float)
    region = TravelRegion.from_beads(beads, 0.5, 0.25)
    path, open_mm = region.shortest((0, 0), (0, 3))
    # 3 mm straight, half a bead at either side is print: the travel region alone would say 2.5
    assert open_mm == pytest.approx(2.0, abs=0.01)
    assert _length(path) == pytest.approx(3.0, abs=0.01)
    # a start beyond the inset but on the bead is no air
    assert region.shortest((0, 0.4), (10, 5.4))[1] == 0


def test_limit_no_ground_means_straight_through_the_air():
    region = TravelRegion.from_beads(np.zeros((0, 4)), 0.2, 0.1)
    path, open_mm = region.shortest((0, 0), (3, 4))
    assert region.pieces == 0 and len(path) == 2 and open_mm == pytest.approx(5)


RING = np.array([[0, 0, 20, 0], [20, 0, 20, 20], [20, 20, 0, 20], [0, 20, 0, 0]], float)


@pytest.mark.parametrize("inset", [0.1, 0.2, 0.3])
def test_limit_a_wall_of_one_bead_keeps_a_road_along_its_middle(inset):
    # half a bead is 0.2: at that inset and beyond nothing is left of the wall but its road
    region = TravelRegion.from_beads(RING, 0.2, inset)
    path, open_mm = region.shortest((10, 0), (10, 20))
    assert region.pieces == 1 and open_mm == 0
    assert _length(path) == pytest.approx(40, abs=0.9)
    assert shapely.distance(shapely.points(path), box(0, 0, 20, 20).exterior).max() < 0.2  # never off the bead


def test_limit_a_rib_that_ends_at_the_wall_is_joined_to_it():
    # the rib stops where its round end only just overlaps the wall
    rib = np.array([[10, 0.35, 10, 19.65]])
    region = TravelRegion.from_beads(np.vstack([RING, rib]), 0.2, 0.2)
    path, open_mm = region.shortest((8, 0), (8, 20))
    assert region.pieces == 1 and open_mm == 0
    assert _length(path) == pytest.approx(2 + 20 + 2, abs=0.3)  # corners are cut a little
    away = np.array([[10, 0.75, 10, 19.25]])  # 0.35 mm of air at each end: a gap, not a hair
    assert TravelRegion.from_beads(np.vstack([RING, away]), 0.2, 0.2).pieces == 2


def test_limit_a_straight_way_with_no_more_air_is_preferred():
    # the gap is crossed at a slant: hopping between the closest points would save no air against the beads
    beads = np.array([[0, 0, 10, 0], [0, 1, 10, 1]], float)
    path, open_mm = TravelRegion.from_beads(beads, 0.5, 0.5, close_mm=0.0).shortest((0, 0), (10, 1))
    assert open_mm == pytest.approx(0, abs=1e-6) and len(path) == 2


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(whole, whole, whole, whole), min_size=1, max_size=20),
    st.sampled_from([0.05, 0.1, 0.2]),
    st.tuples(whole, whole),
    st.tuples(whole, whole),
)
def test_limit_any_beads_give_a_way_with_no_more_air_than_straight(segments, inset, start, goal):
    beads = np.array(segments, float)
    path, open_mm = TravelRegion.from_beads(beads, 0.2, inset, close_mm=0.0).shortest(start, goal)
    ink = shapely.union_all(shapely.buffer(shapely.linestrings(beads.reshape(-1, 2, 2)), 0.2, quad_segs=64))
    straight = shapely.LineString([start, goal]).difference(ink).length if start != goal else 0.0
    assert open_mm <= straight + 0.01
    air = shapely.linestrings(path).difference(ink.buffer(0.003)).length if _length(path) > 0 else 0.0
    assert air == pytest.approx(open_mm, abs=0.02 + 0.01 * len(path))
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
        TravelRegion.from_beads(beads, half, inset)


def test_limit_bad_polygons_and_points_are_refused():
    with pytest.raises(DomainError, match="must be valid"):
        TravelRegion.from_polygons(Polygon([(0, 0), (1, 1), (1, 0), (0, 1)]))
    with pytest.raises(DomainError, match="made of polygons; got LineString"):
        TravelRegion.from_polygons(shapely.LineString([(0, 0), (1, 1)]))
    with pytest.raises(DomainError, match="two finite numbers"):
        TravelRegion.from_polygons(box(0, 0, 1, 1)).shortest((0, 0), (np.inf, 0))


def test_roundtrip_plain_and_compiled_agree():
    region = max(shapely.get_parts(_ragged(np.random.default_rng(4), 12, 5)), key=lambda p: p.area)
    piece = TravelRegion.from_polygons(region)._pieces[0]
    piece._build()
    table = (piece.xy, piece.following, piece.before)
    grid = shortest.edge_grid.py_func(piece.xy, piece.following, 4 * piece.eps)
    for got, plain in zip(piece.grid, grid, strict=True):
        assert np.array_equal(got, plain)
    assert np.array_equal(shortest.reflex_corners.py_func(*table, piece.eps), piece.reflex)
    for p, q in itertools.combinations(piece.xy[::3], 2):
        args = (*p, *q, *table, grid, piece.eps)
        assert shortest.is_visible(*args) == shortest.is_visible.py_func(*args)
        fresh = np.full(piece.reflex.size, -1), np.zeros(piece.reflex.size, np.int64), np.zeros(64, np.int64), 0
        path = shortest.find_path.py_func(*p, *q, *table, grid, piece.reflex, piece.eps, *fresh)
        assert path[1] == pytest.approx(piece.path(p, q)[1], abs=1e-12)
