"""Runs that touch, gaps between pieces and the way through them, against shapely, brute force and a solver."""

import itertools

import networkx as nx
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from pliant.kernels.pieces import close_gaps, spanning_tree, through_pieces
from pliant.kernels.touch import connected, piece_gaps, segment_distance, touching_runs

place = st.integers(0, 60).map(lambda v: v / 4)
segment = st.tuples(place, place, place, place)


@settings(max_examples=200, deadline=None)
@given(segment, segment)
def test_limit_distance_of_segments(one, two):
    lines = shapely.linestrings(np.array([one, two]).reshape(2, 2, 2))
    want = shapely.distance(*lines)
    assert segment_distance(np.array([one]), 0, np.array([two]), 0) == pytest.approx(want, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.lists(segment, min_size=1, max_size=4), st.sampled_from([0.05, 0.2, 0.5])), max_size=14),
    st.integers(0, 13),
)
def test_limit_touching_runs_are_those_of_shapely(runs, split):
    """Every pair of one block that lies within both half widths and the tolerance, and no other."""
    if not runs:
        return
    chord = np.array([s for segments, _ in runs for s in segments], float)
    run = np.repeat(np.arange(len(runs)), [len(s) for s, _ in runs])
    half = np.array([h for _, h in runs])
    block = (np.arange(len(runs)) > split).astype(np.int64)
    links = touching_runs(chord, half, run, block, 0.02, 0.05, True)
    few = touching_runs(chord, half, run, block, 0.02, 0.05, False)
    assert (connected(len(runs), few) == connected(len(runs), links)).all()
    found = {tuple(p) for p in links.tolist()}
    shapes = [shapely.multilinestrings(np.array(s, float).reshape(-1, 2, 2)) for s, _ in runs]
    for i, j in itertools.combinations(range(len(runs)), 2):
        apart = half[i] + half[j]
        slack = shapely.distance(shapes[i], shapes[j]) - apart - max(0.02, 0.05 * apart)
        if abs(slack) > 1e-9:
            assert ((i, j) in found) == (slack < 0 and block[i] == block[j])


@given(st.integers(1, 12).flatmap(lambda n: st.tuples(st.just(n), st.lists(st.tuples(*[st.integers(0, n - 1)] * 2)))))
def test_limit_connected_pieces_are_those_of_networkx(case):
    n, links = case
    graph = nx.Graph(links)
    graph.add_nodes_from(range(n))
    want = sorted(sorted(c) for c in nx.connected_components(graph))  # by their first thing
    found = connected(n, np.array(links, np.int64).reshape(-1, 2))
    assert [np.flatnonzero(found == k).tolist() for k in range(len(want))] == want


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(segment, min_size=1, max_size=4), min_size=2, max_size=8), st.integers(1, 4))
def test_limit_gaps_are_distances_less_both_halves(runs, pieces):
    chord = np.array([s for segments in runs for s in segments], float)
    begin = np.cumsum([0, *(len(s) for s in runs)])
    piece = np.arange(len(runs)) % min(pieces, len(runs))
    k = int(piece.max()) + 1
    half = np.full(len(runs), 0.2)
    one = chord, half, begin, piece, k
    of_chord = piece[np.repeat(np.arange(len(runs)), np.diff(begin))]
    shapes = [shapely.multilinestrings(chord[of_chord == p].reshape(-1, 2, 2)) for p in range(k)]
    gap, cost = piece_gaps(*one, *one, True, np.zeros(k)), 3.0 * np.arange(k) % 5
    for p, q in itertools.combinations(range(k), 2):
        assert gap[p, q] == gap[q, p] == pytest.approx(max(shapely.distance(shapes[p], shapes[q]) - 0.4, 0), abs=1e-9)
    by_cost = piece_gaps(*one, *one, False, cost)
    assert (by_cost >= gap).all()
    assert (cost[:, None] + by_cost).min(axis=0) == pytest.approx((cost[:, None] + gap).min(axis=0), abs=1e-9)


def _all_ways(gap, start):
    k = len(gap)
    return {
        order: start[order[0]] + sum(gap[a, b] for a, b in itertools.pairwise(order))
        for order in itertools.permutations(range(k))
    }


@pytest.mark.parametrize("seed", range(8))
def test_limit_the_way_through_pieces_is_exact(seed):
    rng = np.random.default_rng(seed)
    k = int(rng.integers(1, 7))
    at = rng.uniform(0, 100, (k, 2))
    gap, start = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1)), rng.uniform(0, 50, k)
    ways = _all_ways(gap, start)
    never = np.full(k, -np.inf)
    order, least = through_pieces(gap, start, np.zeros(k), never, 0.0, 0.0, -1)
    assert ways[tuple(order)] == pytest.approx(min(ways.values()))
    for end in range(k):
        assert least[end] == pytest.approx(min(v for w, v in ways.items() if w[-1] == end))
        order, _ = through_pieces(gap, start, np.zeros(k), never, 0.0, 0.0, end)
        assert order[-1] == end and ways[tuple(order)] == pytest.approx(least[end])
    closed = gap.copy()
    close_gaps(closed)
    assert spanning_tree(gap) == pytest.approx(spanning_tree(closed))
    assert spanning_tree(closed) <= min(_all_ways(closed, np.zeros(k)).values()) + 1e-9


def test_limit_a_piece_that_has_not_rested_waits():
    """Two pieces as near as one another: the one laid last comes last; where rest is worth nothing, it comes first."""
    gap = np.array([[0.0, 10.0], [10.0, 0.0]])
    laid, took = np.array([-1.0, -9.0]), np.array([8.0, 8.0])
    start = np.array([0.0, 5.0])
    assert through_pieces(gap, start, took, laid, 10.0, 3.0, -1)[0].tolist() == [1, 0]
    assert through_pieces(gap, start, took, laid, 10.0, 0.0, -1)[0].tolist() == [0, 1]


def test_limit_the_way_through_ten_pieces_is_the_solvers():
    from ortools.sat.python import cp_model

    rng = np.random.default_rng(3)
    at = rng.uniform(0, 100, (10, 2))
    gap = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    model, arcs, fees = cp_model.CpModel(), [], []
    for a, b in itertools.permutations(range(11), 2):  # 10 is the start and the end, at no cost
        arcs.append((a, b, model.new_bool_var("")))
        if 10 not in (a, b):
            fees.append(round(1e4 * gap[a, b]) * arcs[-1][2])
    model.add_circuit(arcs)
    model.minimize(sum(fees))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    least = through_pieces(gap, np.zeros(10), np.zeros(10), np.full(10, -np.inf), 0.0, 0.0, -1)[1].min()
    assert least == pytest.approx(solver.objective_value / 1e4, abs=2e-3)
