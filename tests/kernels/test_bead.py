"""The bead along the way: volume conserved in any program, closed forms, halved steps, compiled and plain."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pliant.feed.along import CELL_MM, StoreLaw, follow_bead
from pliant.feed.load import Course
from pliant.kernels import bead as kernel
from pliant.kernels.load import Fed
from pliant.models.store import store_left_mm3, stored_mm3

_BEAD, _TRAVEL, _ALONE, _WAIT = range(4)


def _fed(moves, accel=1000.0, advance=0.0):
    """Moves as (kind, length, speed, filament volume); each begins and ends at rest unless beads follow one another."""
    kind = np.array([m[0] for m in moves])
    length = np.array([m[1] for m in moves], dtype=float)
    speed = np.array([m[2] for m in moves], dtype=float)
    volume = np.array([m[3] for m in moves], dtype=float)
    n = kind.size
    v_in, v_out = np.zeros(n), np.zeros(n)
    peak = np.minimum(speed, np.sqrt(accel * length))
    dwell = np.where(kind == _WAIT, length, 0.0)
    length = np.where(kind == _WAIT, 0.0, length)
    volume = np.where(kind == _WAIT, 0.0, volume)
    peak = np.where(kind == _WAIT, 0.0, peak)
    fed = Fed(length, np.full(n, accel), v_in, peak, v_out, dwell, volume, np.full(n, advance) * (kind == _BEAD))
    return fed, (kind == _BEAD) | (kind == _TRAVEL), np.where(kind == _BEAD, volume, 0.0)


def _run(moves, s1=1.2, n=0.6, kept=0.0, late_s=1.0, ratio=1.0, cell=CELL_MM, along=kernel.bead_along, **how):
    fed, goes, asked = _fed(moves, **how)
    room = kernel.count_cells(fed.length, asked, cell)
    ratios = np.broadcast_to(np.asarray(ratio, dtype=float), asked.shape).copy()
    return along(fed, goes, asked, ratios, s1, n, kept, late_s, 0.0, cell, room)


_MOVE = st.one_of(
    st.tuples(st.just(_BEAD), st.floats(0.05, 30.0), st.floats(2.0, 60.0), st.floats(0.001, 3.0)),
    st.tuples(st.just(_TRAVEL), st.floats(0.05, 80.0), st.floats(5.0, 150.0), st.just(0.0)),
    st.tuples(st.just(_ALONE), st.floats(0.01, 3.0), st.floats(1.0, 40.0), st.floats(-4.0, 4.0)),
    st.tuples(st.just(_WAIT), st.floats(0.01, 5.0), st.just(0.0), st.just(0.0)),
)


@settings(max_examples=150, deadline=None)
@given(
    moves=st.lists(_MOVE, min_size=1, max_size=40), s1=st.floats(0.001, 30.0), n=st.floats(0.3, 1.0),
    kept=st.sampled_from([0.0, 0.2, 0.6]), late=st.floats(0.05, 20.0), ratio=st.floats(1.0, 4.0),
    advance=st.sampled_from([0.0, 0.3]),
)  # fmt: skip
def test_limit_volume_is_conserved(moves, s1, n, kept, late, ratio, advance):
    where, share, way, want, got, ooze, fed, laid, lost, left = _run(moves, s1, n, kept, late, ratio, advance=advance)
    scale = sum(abs(m[3]) for m in moves) + 1e-6
    assert abs(fed - got.sum() - ooze.sum() - left) <= 1e-9 * scale
    assert got.sum() == pytest.approx(laid, abs=1e-9 * scale) and ooze.sum() == pytest.approx(lost, abs=1e-9 * scale)
    assert want.sum() == pytest.approx(sum(m[3] for m in moves if m[0] == _BEAD), abs=1e-9 * scale)
    laid_mm = sum(m[1] for m in moves if m[0] == _BEAD)
    assert way.sum(dtype=float) == pytest.approx(laid_mm, rel=1e-5, abs=1e-5)
    assert (got >= -1e-12).all() and (ooze >= -1e-12).all()
    assert (np.diff(where) >= 0).all() and (share >= 0).all() and (share <= 1).all()


def test_limit_no_store_is_what_was_asked():
    moves = [(_BEAD, 30.0, 20.0, 3.0), (_TRAVEL, 40.0, 100.0, 0.0), (_BEAD, 5.0, 20.0, 0.5)]
    *_, want, got, ooze, _, _, _, _ = _run(moves, s1=1e-9)
    np.testing.assert_allclose(got, want, rtol=1e-5)
    assert ooze.sum() < 1e-8


@pytest.mark.parametrize("n", [0.4, 0.7, 1.0])
def test_limit_a_travel_lets_out_the_closed_form(n):
    """After a long run at a steady flow a travel loses what the idle fall says."""
    fed, goes, asked = _fed([(_BEAD, 4000.0, 20.0, 360.0), (_TRAVEL, 15.0, 120.0, 0.0)])
    fed.v_out[0], fed.v_in[1] = 20.0, 20.0  # no stop in between
    fed.v_peak[1] = fed.v_out[1] = 20.0
    out = kernel.bead_along(fed, goes, asked, np.ones(2), 1.5, n, 0.0, 1.0, 0.0, 1.0, 10000)
    full = float(stored_mm3(20.0 * 0.09, 1.5, n))
    assert out[5][1] == pytest.approx(full - float(store_left_mm3(full, 15.0 / 20.0, 1.5, n)), rel=1e-4)


def test_limit_linear_start_is_the_exponential():
    """n = 1: a start from empty falls short by the lag times the flow, and the bead fills up exponentially."""
    fed, goes, asked = _fed([(_BEAD, 400.0, 20.0, 36.0)])
    fed.v_in[0] = fed.v_out[0] = 20.0
    *_, way, want, got, _, _, _, _, left = kernel.bead_along(
        fed, goes, asked, np.ones(1), 0.8, 1.0, 0.0, 1.0, 0.0, 1.0, 500
    )
    end = np.cumsum(way) / 20.0
    start = np.concatenate([[0.0], end[:-1]])
    exact = 1 - 0.8 * (np.exp(-start / 0.8) - np.exp(-end / 0.8)) / (end - start)
    np.testing.assert_allclose(got / want, exact, atol=2e-5)
    assert left == pytest.approx(0.8 * 1.8, rel=1e-6)


def test_limit_what_is_stored_at_the_start_is_part_of_the_sum():
    fed, goes, asked = _fed([(_TRAVEL, 20.0, 50.0, 0.0), (_BEAD, 30.0, 20.0, 2.7)])
    out = kernel.bead_along(fed, goes, asked, np.ones(2), 1.2, 0.6, 0.25, 0.5, 1.7, 1.0, 100)
    assert 1.7 + out[6] == pytest.approx(out[4].sum() + out[5].sum() + out[9], rel=1e-12)
    assert out[5][0] > 0


def test_limit_smaller_cells_close_in():
    moves = [(_BEAD, 40.0, 30.0, 4.0), (_TRAVEL, 30.0, 100.0, 0.0), (_BEAD, 40.0, 15.0, 4.0)]
    left = [_run(moves, s1=2.0, n=0.5, cell=cell)[-1] for cell in (4.0, 2.0, 1.0, 0.25)]
    errors = [abs(v - left[-1]) for v in left[:-1]]
    assert errors[2] < errors[0] and errors[2] < 0.01 * left[-1]


def test_limit_a_late_part_gives_later_and_as_much():
    """Of two stores of one size the one with a late part charges slower, and holds as much in the end."""
    long = [(_BEAD, 3000.0, 20.0, 270.0)]
    plain, late = _run(long, s1=1.0, n=0.6), _run(long, s1=1.0, n=0.6, kept=0.4, late_s=2.0)
    assert late[-1] == pytest.approx(plain[-1], rel=2e-3)
    at = np.searchsorted(np.cumsum(plain[2]), 60.0)
    assert late[4][at] / late[3][at] < 1.0


def test_limit_a_draw_back_of_all_that_is_stored_stops_the_ooze_and_comes_back():
    run = (_BEAD, 1000.0, 20.0, 90.0)
    stored = float(stored_mm3(1.8, 1.0, 0.6))
    bare = _run([run, (_TRAVEL, 30.0, 100.0, 0.0), run], s1=1.0, n=0.6)
    drawn = _run(
        [run, (_ALONE, 0.4, 40.0, -stored), (_TRAVEL, 30.0, 100.0, 0.0), (_ALONE, 0.4, 40.0, stored), run],
        s1=1.0,
        n=0.6,
    )
    assert drawn[5].sum() < 0.05 * bare[5].sum()
    assert drawn[-1] == pytest.approx(bare[-1], rel=1e-3)


def test_limit_compiled_and_plain_agree():
    rng = np.random.default_rng(3)
    moves = [(_BEAD, 3.0, 20.0, 0.3), (_ALONE, 0.5, 20.0, -0.4), (_TRAVEL, 9.0, 90.0, 0.0), (_ALONE, 0.5, 20.0, 0.4)]
    moves += [(_BEAD, float(x), 30.0, 0.09 * float(x)) for x in rng.uniform(0.1, 3.0, 20)] + [(_WAIT, 0.5, 0.0, 0.0)]
    one = _run(moves, kept=0.3, late_s=0.5)
    two = _run(moves, kept=0.3, late_s=0.5, along=kernel.bead_along.py_func)
    for a, b in zip(one, two, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-6, atol=1e-9)


def test_limit_a_course_without_bead_is_no_error():
    course = Course.steady([1.0], [2.0], 220.0)
    none = follow_bead(course, np.zeros(1), np.ones(1, dtype=bool), StoreLaw(1.0, 0.6), np.ones(1), 2.4)
    assert none.rms == 0.0 and none.worst == -1 and none.between_mm3 == 0.0
