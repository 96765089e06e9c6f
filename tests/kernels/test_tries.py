"""The search for the cheapest order of tries: as plain Python and compiled, and beside every order there is."""

from itertools import combinations

import numpy as np
import pytest

from pliant.kernels.tries import cheapest_tries


def _case(seed, n=7, k=5):
    rng = np.random.default_rng(seed)
    cost, goes = rng.uniform(5, 60, (k, n)), rng.uniform(0, 1, (k, n))
    known, after = np.empty((k, n)), np.full(n, 90.0)
    for place in range(k - 1, -1, -1):
        known[place] = cost[place] + goes[place] * after
        after = np.minimum(after, known[place])
    return cost, goes, known, np.full(n, 1 / n)


def _cost(cost, goes, weight, order, end):
    still, spent = weight, 0.0
    for place in order:
        spent, still = spent + still @ cost[place], still * goes[place]
    return spent + still.sum() * end


@pytest.mark.parametrize("seed", range(12))
def test_roundtrip_compiled_plain_and_every_order_agree(seed):
    cost, goes, known, weight = _case(seed)
    asked = (cost, goes, known, weight, 0, 0.0, 90.0, 90.0, 1e-9, 10_000)
    best, least = cheapest_tries(*asked)
    plain, told = cheapest_tries.py_func(*asked)
    assert best.tolist() == plain.tolist() and told == pytest.approx(least, rel=1e-12)
    every = [order for m in range(6) for order in combinations(range(5), m)]
    assert least == pytest.approx(min(_cost(cost, goes, weight, order, 90.0) for order in every), rel=1e-9)
    assert least == pytest.approx(_cost(cost, goes, weight, best.tolist(), 90.0), rel=1e-9)
