"""Coverage of travels by capsules: cases with known answers, and shapely's polygons as an independent judge."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from pliant.kernels import cover

SEGMENTS = 64  # quarter-circle pieces of the polygons: radius error r (1 - cos(pi / 256)) = 7.5e-5 r


def _covered(travel, bead, half, *, kernel=cover.cover_travels):
    travel, bead = np.atleast_2d(np.array(travel, float)), np.array(bead, float).reshape(-1, 4)
    half = np.broadcast_to(np.array(half, float), (len(bead),)).copy()
    return kernel(travel, np.zeros(len(travel), np.int64), bead, half, np.zeros(len(bead), np.int64))


@pytest.mark.parametrize(
    ("travel", "bead", "half", "mm"),
    [
        ([0, 0, 10, 0], [[2, 0, 5, 0]], 0.5, 4.0),  # along, with both round ends
        ([0, 0, 10, 0], [[5, -3, 5, 3]], 0.5, 1.0),  # straight across
        ([0, -5, 10, 5], [[-20, 0, 20, 0]], 0.5, math.sqrt(2)),  # across at 45 degrees
        ([0, 0.3, 10, 0.3], [[5, 0, 5, 0]], 0.5, 0.8),  # chord of a dot: 2 sqrt(0.25 - 0.09)
        ([0, 0.3, 10, 0.3], [[5, 0, 5, -9]], 0.5, 0.8),  # the same past the end of a bead
        ([0, 0, 10, 0], [[2, 0, 5, 0], [4, 0, 7, 0], [6, -1, 6, 1]], 0.5, 6.0),  # overlaps count once
        ([0, 0, 10, 0], [[1, 0, 2, 0], [8, 0, 9, 0]], 0.5, 4.0),
        ([0, 0, 10, 0], [[-5, 0, 15, 0]], 0.5, 10.0),
        ([0, 0, 10, 0], [[0, 2, 10, 2]], 0.5, 0.0),
        ([3, 3, 3, 3], [[0, 3, 10, 3]], 0.5, 0.0),  # no length: nothing covered
        ([0, 0, 10, 0], [], 0.5, 0.0),
    ],
)
def test_limit_analytic_cases(travel, bead, half, mm):
    assert _covered(travel, bead, half)[0] == pytest.approx(mm, abs=1e-12)


def test_limit_side_by_side_beads_leave_no_sliver():
    x = np.arange(40) * 0.1  # 0.1 is not exact in binary: touching capsules differ by rounding
    beads = np.column_stack([x, np.full(40, -5.0), x, np.full(40, 5.0)])
    offset, _, _ = _open([[0, 0, 3.9, 0]], beads, 0.05)
    assert offset[-1] == 0


def _open(travel, bead, half, before=None, kernel=cover.open_intervals):
    travel, bead = np.array(travel, float).reshape(-1, 4), np.array(bead, float).reshape(-1, 4)
    half = np.broadcast_to(np.array(half, float), (len(bead),)).copy()
    n, m = len(travel), len(bead)
    order = (np.ones(n, np.int64), np.zeros(m, np.int64)) if before is None else before
    return kernel(travel, np.zeros(n, np.int64), bead, half, np.zeros(m, np.int64), *order)


def test_limit_open_intervals_are_the_gaps_in_order():
    offset, t0, t1 = _open([[0, 0, 10, 0], [0, 9, 10, 9], [10, 0, 0, 0]], [[6, -1, 6, 1], [2, -1, 2, 1]], 0.5)
    assert list(offset) == [0, 3, 4, 7]
    assert np.allclose(t0, [0, 0.25, 0.65, 0, 0, 0.45, 0.85])
    assert np.allclose(t1, [0.15, 0.55, 1, 1, 0.35, 0.75, 1])


def test_limit_a_hundred_crossings_in_any_order():
    at = 2.0 * np.random.default_rng(1).permutation(100) + 1
    beads = np.column_stack([at, np.full(100, -1.0), at, np.full(100, 1.0)])
    offset, t0, t1 = _open([[0, 0, 200, 0]], beads, 0.5)
    assert offset[-1] == 101
    assert (t1 - t0) * 200 == pytest.approx([0.5, *[1.0] * 99, 0.5])


def test_limit_only_beads_laid_before_count_when_asked():
    beads = [[2, -1, 2, 1], [6, -1, 6, 1]]
    _, t0, t1 = _open([[0, 0, 10, 0]], beads, 0.5, before=(np.array([5]), np.array([3, 7])))
    assert np.allclose(t0, [0, 0.25]) and np.allclose(t1, [0.15, 1])


def test_limit_layers_do_not_mix():
    travel = np.array([[0, 0, 10, 0]] * 4, float)
    bead = np.array([[0, 0, 1, 0], [0, 0, 3, 0], [0, 0, 2, 0]], float)
    got = cover.cover_travels(
        travel, np.array([0, 1, 2, 4]), bead, np.full(3, 1e-6), np.array([0, 2, 3], dtype=np.int64)
    )
    assert np.allclose(got, [1, 0, 3, 0], atol=1e-5)


def test_limit_one_bead_far_away_changes_nothing():
    near = _scene(np.random.default_rng(7), 300, 40, 30.0)
    far = (near[0], np.vstack([near[1], [9e4, 9e4, 9e4, 9e4 + 1]]), np.append(near[2], 0.2))
    assert np.allclose(_covered(*near), _covered(*far), atol=1e-9)


def _scene(rng, beads, travels, size):
    start = rng.uniform(0, size, (beads, 2))
    bead = np.hstack([start, start + rng.normal(0, size / 10, (beads, 2))])
    return rng.uniform(-2, size + 2, (travels, 4)), bead, rng.uniform(0.1, 0.4, beads)


def _by_polygons(travel, bead, half):
    """Covered length from shapely: travel cut with the union of the buffered beads."""
    ink = shapely.union_all(shapely.buffer(shapely.linestrings(bead.reshape(-1, 2, 2)), half, quad_segs=SEGMENTS))
    return shapely.length(shapely.intersection(shapely.linestrings(travel.reshape(-1, 2, 2)), ink))


def test_published_against_polygons_of_an_independent_library():
    travel, bead, half = _scene(np.random.default_rng(11), 400, 60, 40.0)
    got, judge = _covered(travel, bead, half), _by_polygons(travel, bead, half)
    assert np.all(got >= judge - 1e-9)  # the polygons are inscribed in the capsules
    assert np.allclose(got, judge, rtol=0.002, atol=0.02)


number = st.integers(-40, 40).map(lambda k: k / 4)
segment = st.tuples(number, number, number, number)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(segment, min_size=1, max_size=6),
    st.lists(st.tuples(segment, st.integers(1, 12).map(lambda k: k / 8)), max_size=9),
)
def test_limit_coverage_brackets_the_polygons(travels, beads):
    travel = np.array(travels, float)
    bead = np.array([b for b, _ in beads], float).reshape(-1, 4)
    half = np.array([h for _, h in beads], float)
    got = _covered(travel, bead, half)
    if len(bead) == 0:
        assert np.all(got == 0)
        return
    # inscribed polygons cover less, polygons a hair larger cover more: the exact length lies between
    grow = 1 / math.cos(math.pi / (4 * SEGMENTS))
    assert np.all(got >= _by_polygons(travel, bead, half) - 1e-7)
    assert np.all(got <= _by_polygons(travel, bead, half * grow + 1e-7) + 1e-7)


def test_roundtrip_reversed_travel_has_the_same_cover():
    travel, bead, half = _scene(np.random.default_rng(3), 200, 50, 25.0)
    assert np.allclose(_covered(travel, bead, half), _covered(travel[:, [2, 3, 0, 1]], bead, half), atol=1e-9)


def test_roundtrip_plain_and_compiled_agree():
    travel, bead, half = _scene(np.random.default_rng(5), 60, 20, 15.0)
    for got, plain in zip(
        _open(travel, bead, half), _open(travel, bead, half, kernel=cover.open_intervals.py_func), strict=True
    ):
        assert np.allclose(got, plain, atol=1e-12)
    plain = _covered(travel, bead, half, kernel=cover.cover_travels.py_func)
    assert np.allclose(_covered(travel, bead, half), plain, atol=1e-12)
    for a, b, c in zip(travel, bead[:20], half[:20], strict=True):
        args = (a[0], a[1], a[2] - a[0], a[3] - a[1], *b, c)
        assert cover._capsule_interval(*args) == pytest.approx(cover._capsule_interval.py_func(*args), abs=1e-12)
