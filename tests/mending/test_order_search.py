"""Orders of things against exact answers (Held-Karp) and a constraint solver."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pliant.errors import DomainError
from pliant.kernels import order as kernel
from pliant.mending.order_search import order_by_cost


def _by_distance(enter, leave, start, end=None, **more):
    """Order things by straight distance from exit to entry."""
    goal = [] if end is None else [end]
    into, out = (np.array([start, *points, *goal], float) for points in (enter, leave))
    return order_by_cost(np.hypot(*(out[:, None] - into[None]).transpose(2, 0, 1)), with_end=bool(goal), **more)


def _held_karp(cost, with_end):
    """Exact least cost from row 0 through all things; Held and Karp's recursion over subsets, O(n^2 2^n)."""
    n = len(cost) - (2 if with_end else 1)
    least = {(1 << k, k): cost[0, k + 1] for k in range(n)}
    for size in range(2, n + 1):
        for group in itertools.combinations(range(n), size):
            bits = sum(1 << k for k in group)
            for k in group:
                rest = bits & ~(1 << k)
                least[bits, k] = min(least[rest, m] + cost[m + 1, k + 1] for m in group if m != k)
    everything = (1 << n) - 1
    return min(least[everything, k] + (cost[k + 1, n + 1] if with_end else 0.0) for k in range(n))


def _walk(order, cost, with_end):
    chain = [0, *(np.asarray(order) + 1), *([len(cost) - 1] if with_end else [])]
    return sum(cost[a, b] for a, b in itertools.pairwise(chain))


def _random_cost(rng, n, with_end, lopsided):
    size = n + (2 if with_end else 1)
    if lopsided:
        return rng.uniform(0, 10, (size, size))
    enter, leave = rng.uniform(0, 100, (size, 2)), rng.uniform(0, 100, (size, 2))
    return np.hypot(*(leave[:, None] - enter[None]).transpose(2, 0, 1))


@pytest.mark.parametrize("with_end", [False, True])
@pytest.mark.parametrize("lopsided", [False, True])
@pytest.mark.parametrize("n", [2, 3, 5, 8, 10])
def test_limit_small_orders_are_exact(n, lopsided, with_end):
    rng = np.random.default_rng(n)
    cost = _random_cost(rng, n, with_end, lopsided)
    found = order_by_cost(cost, with_end=with_end)
    assert found.cost == pytest.approx(_held_karp(cost, with_end), rel=1e-9)
    assert found.cost == pytest.approx(_walk(found.order, cost, with_end))
    assert found.cost_before == pytest.approx(_walk(np.arange(n), cost, with_end))


def _proven(cost):
    """Least cost with a free end, proven by a constraint solver."""
    from ortools.sat.python import cp_model

    model, arcs, fees = cp_model.CpModel(), [], []
    for a, b in itertools.permutations(range(len(cost)), 2):
        arcs.append((a, b, model.new_bool_var("")))
        if b != 0:  # the way back to the start closes the circuit and costs nothing
            fees.append(round(1e4 * cost[a, b]) * arcs[-1][2])
    model.add_circuit(arcs)
    model.minimize(sum(fees))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds, solver.parameters.num_workers = 30, 1
    assert solver.solve(model) == cp_model.OPTIMAL
    return solver.objective_value / 1e4


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("n", "lopsided"), [(20, True), (30, True), (20, False), (40, False)])
def test_limit_within_two_percent_of_the_proven_optimum(n, lopsided, seed):
    cost = _random_cost(np.random.default_rng(100 * n + seed), n, False, lopsided)
    assert _proven(cost) * (1 - 1e-5) <= order_by_cost(cost).cost <= 1.02 * _proven(cost)


point = st.tuples(st.integers(0, 20), st.integers(0, 20))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(point, point), max_size=12), point, st.one_of(st.none(), point))
def test_limit_never_worse_and_every_island_once(islands, start, end):
    enter = np.array([i[0] for i in islands], float).reshape(-1, 2)
    leave = np.array([i[1] for i in islands], float).reshape(-1, 2)
    found = _by_distance(enter, leave, start, end, effort=0.05)
    assert sorted(found.order) == list(range(len(islands)))
    assert found.cost <= found.cost_before + 1e-9
    here, way = np.array(start, float), 0.0
    for k in found.order:
        way += np.hypot(*(enter[k] - here))
        here = leave[k]
    way += 0.0 if end is None else np.hypot(*(np.array(end) - here))
    assert found.cost == pytest.approx(way, abs=1e-9)


def test_limit_a_good_order_is_left_alone():
    points = np.column_stack([np.arange(12.0), np.zeros(12)])
    found = _by_distance(points, points, (-1, 0))
    assert list(found.order) == list(range(12)) and found.cost == found.cost_before


def test_limit_direction_inside_an_island_counts():
    # two long islands laid westwards: entering the eastern one first saves the way back
    found = _by_distance([[10, 0], [20, 0]], [[0, 0], [10, 0]], (20, 0))
    assert list(found.order) == [1, 0] and found.cost == 0


def test_roundtrip_same_seed_same_order():
    cost = _random_cost(np.random.default_rng(8), 60, False, False)
    one, two = order_by_cost(cost, seed=3, effort=0.1), order_by_cost(cost, seed=3, effort=0.1)
    assert np.array_equal(one.order, two.order)


def test_roundtrip_plain_and_compiled_agree():
    n = 12
    cost = np.zeros((n + 2, n + 2))
    cost[:-1, 1:] = _random_cost(np.random.default_rng(5), n, False, False)
    np.fill_diagonal(cost, 0)
    near = kernel.near_lists(cost, 6)
    assert np.array_equal(near, kernel.near_lists.py_func(cost, 6))
    assert np.array_equal(kernel.nearest_order(cost), kernel.nearest_order.py_func(cost))
    start = np.arange(n + 2)
    got, plain = (f(start, cost, near, 40, 1) for f in (kernel.improve_order, kernel.improve_order.py_func))
    assert np.array_equal(got, plain) and np.array_equal(start, np.arange(n + 2))
    assert kernel.order_cost.py_func(got, cost) == pytest.approx(kernel.order_cost(got, cost))


@settings(max_examples=60, deadline=None)
@given(st.integers(4, 14), st.integers(0, 1000))
def test_limit_descent_gains_are_the_real_gains(n, seed):
    # each kind of move is checked against the full cost before and after it
    rng = np.random.default_rng(seed)
    cost = rng.uniform(0, 10, (n, n))
    order = np.concatenate([[0], 1 + rng.permutation(n - 2), [n - 1]])
    place = np.argsort(order)
    near = kernel.near_lists(cost, n - 2)
    forth, back = np.zeros(n), np.zeros(n)
    kernel._sums(order, cost, forth, back)
    was = kernel.order_cost(order, cost)
    for x in order:
        gain, a, b, c = kernel._best_exchange(order, place, cost, near, x)
        if a >= 0:
            new = np.concatenate([order[: a + 1], order[b + 1 : c + 1], order[a + 1 : b + 1], order[c + 1 :]])
            assert kernel.order_cost(new, cost) == pytest.approx(was - gain)
        gain, first, last = kernel._best_reversal(order, place, cost, near, forth, back, x)
        if first >= 0:
            new = np.concatenate([order[:first], order[first : last + 1][::-1], order[last + 1 :]])
            assert kernel.order_cost(new, cost) == pytest.approx(was - gain)
            assert first >= 1 and last <= n - 2


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: order_by_cost(np.zeros((2, 3))), "cost must be a square matrix"),
        (lambda: order_by_cost(np.zeros((1, 1)), with_end=True), "2 rows or more"),
        (lambda: order_by_cost(np.full((4, 4), np.inf)), "finite and >= 0 everywhere"),
        (lambda: order_by_cost(np.zeros((4, 4)), effort=-1), "effort must be finite"),
    ],
)
def test_limit_bad_input_is_refused(call, words):
    with pytest.raises(DomainError, match=words):
        call()
