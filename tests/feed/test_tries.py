"""Expected time over falling tries: limits that can be argued, and every order tried on small grids."""

from itertools import combinations, pairwise

import numpy as np
import pytest
from scipy.special import ndtr

from pliant.feed.passage import Passage
from pliant.feed.proof import jams_by_evening, left_after_proof, proof_chances
from pliant.feed.tries import bare_tries, best_order, expected_min, proved_tries, told_min

SPEED = np.geomspace(1.0, 0.1, 8)


def _draws(seed, n=300, spread=0.8, middle=0.0):
    rng = np.random.default_rng(seed)
    return rng.uniform(0.1, 2.0, n), middle + spread * rng.standard_normal(n)


def _tries(seed=1, *, spread=0.8, middle=-0.4, scatter=0.1, restart=15.0, end=400.0, job=30.0, early=0.5):
    """A job whose log margin falls with the logarithm of its speed."""
    weight, margin = _draws(seed, spread=spread, middle=middle)
    fails = ndtr(-(margin[:, None] - np.log(SPEED)) / scatter)
    time = job / SPEED
    return bare_tries(weight, fails, time, early * fails * time, restart, end)


def _every(tries):
    """The least over all falling orders, each written out."""
    k = tries.goes_on.shape[1]
    orders = [o for n in range(k + 1) for o in combinations(range(k), n)]
    return min((expected_min(tries, o), o) for o in orders)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("scatter", [0.02, 0.1, 0.4])
@pytest.mark.parametrize("restart", [0.0, 15.0, 120.0])
def test_limit_the_best_order_is_the_best_of_all(seed, scatter, restart):
    tries = _tries(seed, scatter=scatter, restart=restart)
    least, _ = _every(tries)
    found = best_order(tries)
    assert found.expected_min == pytest.approx(expected_min(tries, found.places))
    assert least - 1e-9 <= found.expected_min <= least + 0.01


def test_limit_no_doubt_is_one_try_at_the_limit():
    """All draws alike and no scatter: the fastest speed that holds, and nothing before or after it."""
    tries = _tries(spread=0.0, middle=np.log(0.45), scatter=1e-6)
    holds = int(np.flatnonzero(SPEED < 0.45)[0])
    found = best_order(tries)
    assert found.places == (holds,)
    assert found.expected_min == pytest.approx(30 / SPEED[holds])


def test_limit_endless_restart_cost_takes_the_surest():
    assert best_order(_tries(restart=1e7, end=2e7)).places == (SPEED.size - 1,)


def test_limit_free_restarts_that_lose_no_time_go_from_the_fastest_down():
    found = best_order(_tries(restart=0.0, early=0.0, middle=-0.8, end=1e4))
    assert found.places == tuple(range(SPEED.size))


def test_limit_no_try_pays_where_every_one_jams():
    assert best_order(_tries(middle=-9.0, end=60.0)).places == ()


def test_limit_a_cheaper_restart_never_costs_more():
    told = [best_order(_tries(restart=r)).expected_min for r in (0, 5, 15, 30, 60, 120, 600)]
    assert all(a <= b + 0.005 for a, b in pairwise(told))


def test_limit_more_speeds_to_choose_from_never_cost_more():
    tries = _tries()
    fewer = type(tries)(tries.weight, tries.cost_min[:, ::2], tries.goes_on[:, ::2], tries.end_min)
    assert best_order(tries).expected_min <= best_order(fewer).expected_min + 0.005


def test_limit_the_same_speed_again_is_worth_nothing_where_the_unknowns_decide():
    """The mean over the draws stands outside the product: no scatter, so a jam comes again."""
    tries = _tries(scatter=1e-6)
    once, twice = expected_min(tries, (3, 7)), expected_min(tries, (3, 3, 7))
    assert twice > once + 1


def test_limit_what_must_be_tried_first_never_does_better():
    tries = _tries()
    free = best_order(tries).expected_min
    for place in range(SPEED.size):
        forced = best_order(tries, (place,))
        assert forced.places[0] == place and forced.expected_min >= free - 0.005


def test_limit_a_proof_that_proves_nothing_costs_its_minutes():
    bare = _tries()
    nothing = np.zeros_like(bare.goes_on)
    time = 30 / SPEED
    proved = proved_tries(bare.weight, nothing, bare.goes_on, time, 0.5 * bare.goes_on * time, 4.0, 15.0, 400.0)
    order = best_order(bare).places
    reached = [expected_min(bare, order), expected_min(proved, order)]
    chance = 1.0 * bare.weight / bare.weight.sum()
    extra = 0.0
    for k in order:
        extra += 4.0 * chance.sum()
        chance = chance * bare.goes_on[:, k]
    assert reached[1] - reached[0] == pytest.approx(extra)


def test_limit_what_is_read_never_costs_and_at_best_tells_the_draw():
    tries = _tries(middle=-0.5)
    n = tries.weight.size
    margin = np.argsort(np.argsort(tries.goes_on[:, 3]))
    none = told_min(tries, np.full((n, 3), 1 / 3))
    parts = [told_min(tries, np.eye(m)[margin * m // n]) for m in (1, 2, 4, 12)]
    known = told_min(tries, np.eye(n))
    assert none == pytest.approx(best_order(tries).expected_min, abs=0.01) == pytest.approx(parts[0], abs=0.01)
    assert all(b <= a + 0.01 for a, b in pairwise([*parts, known]))
    assert known < none - 1


# reference/second.md section 3: log-normal resistance, mean 10, coefficient of variation 0.25; normal load 5 +- 1.5
BRIDGE = [(4.0, 0.027722, 0.00016), (5.0, 0.025840, 0.00355), (6.0, 0.018720, 0.0255), (7.0, 0.008894, 0.0925)]


def _bridge():
    """Draws of the resistance at the midpoints of equal parts, and the chance that the load is above each."""
    from scipy.special import ndtri

    sigma = np.sqrt(np.log(1 + 0.25**2))
    resistance = 10 * np.exp(sigma * ndtri((np.arange(200_000) + 0.5) / 200_000) - sigma**2 / 2)
    return resistance, ndtr(-(resistance - 5) / 1.5)


@pytest.mark.parametrize(("proof", "left", "broken"), BRIDGE)
def test_published_surviving_a_known_load(proof, left, broken):
    resistance, fails = _bridge()
    lost = (resistance < proof).astype(float)
    weight = np.ones_like(resistance)
    assert fails.mean() == pytest.approx(0.027845, abs=2e-6)
    assert float(left_after_proof(weight, lost, (1 - lost) * fails)) == pytest.approx(left, abs=2e-6)
    assert lost.mean() == pytest.approx(broken, abs=6e-5)


def test_limit_with_nothing_of_their_own_a_proof_at_the_load_leaves_nought():
    weight, margin = _draws(3)
    for share in (1.0, 1.3):
        fails, then = proof_chances(margin, margin - np.log(share), Passage(wander=1.0), warms=0.0)
        assert float(left_after_proof(weight, fails, then)) < 1e-9
        assert fails @ weight >= ndtr(-margin / np.log(1.1)) @ weight - 1e-3 * weight.sum()


def test_limit_with_nothing_shared_a_proof_tells_nothing_of_one_known_draw():
    margin = np.full(1, 0.05)
    fails, then = proof_chances(margin, margin - 0.05, Passage(wander=1.1), warms=0.0)
    left = float(left_after_proof(np.ones(1), fails, then))
    assert left == pytest.approx(float(ndtr(-0.05 / np.log(1.1))), rel=1e-3)


def test_limit_a_proof_below_every_load_changes_nothing():
    _, margin = _draws(4)
    fails, then = proof_chances(margin, margin + 40.0)
    assert np.abs(fails).max() < 1e-12
    assert then == pytest.approx(ndtr(-margin / np.log(1.1)), abs=2e-4)  # what `check` tells of the same draw


def test_limit_a_harder_proof_leaves_less_and_fails_more():
    weight, margin = _draws(5, n=4000, spread=0.5)
    told = [proof_chances(margin, margin - np.log(phi)) for phi in (1.0, 1.2, 1.5, 2.0)]
    left = [float(left_after_proof(weight, *t)) for t in told]
    lost = [float(weight @ t[0]) for t in told]
    assert left == sorted(left, reverse=True) and lost == sorted(lost)
    assert left[2] < 0.1 * left[0]


def test_limit_warmth_and_more_stretches_leave_more():
    weight, margin = _draws(6, n=4000, spread=0.5)

    def left(stretches=1.0, **how):
        passage = Passage(stretches=(stretches,))
        return float(left_after_proof(weight, *proof_chances(margin, margin - 0.1, passage, **how)))

    assert left(warms=0.0) < left(warms=0.1) < left(warms=0.2)
    assert left(1.0) < left(6.0) < left(30.0)


def test_limit_evenings_reckoned_once_serve_every_proof():
    _, margin = _draws(6)
    passage = Passage((0.0, 0.1), (2.0, 5.0), 1.05)
    jams = jams_by_evening(margin, passage)
    for phi in (0.7, 1.0, 1.6):
        alone = proof_chances(margin, margin - np.log(phi), passage)
        shared = proof_chances(margin, margin - np.log(phi), passage, jams=jams)
        assert np.array_equal(alone[0], shared[0]) and np.array_equal(alone[1], shared[1])
    assert not np.array_equal(jams[0], jams[-1])
