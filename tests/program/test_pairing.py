"""Pairing two programs: cuts anywhere, arcs, full turns, order of runs, and what is lost or added."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pliant.program.pairing import pair_programs
from pliant.program.read import read_program


@pytest.fixture
def pair(tmp_path):
    def _pair(first, second, **options):
        programs = []
        for name, lines in (("a.gcode", first), ("b.gcode", second)):
            (tmp_path / name).write_text("\n".join(["M83", "G1 X0 Y0 Z0.2 F1200", *lines]) + "\n")
            programs.append(read_program(tmp_path / name))
        return *programs, pair_programs(*programs, **options)

    return _pair


def test_limit_cuts_at_different_places(pair):
    p, q, pairs = pair(
        ["G1 X4 E1", "G1 X10 E1.5", "G1 X10 Y8 E2"], ["G1 X7 E1.75", "G1 X10 E0.75", "G1 Y2 E0.5", "G1 Y8 E1.5"]
    )
    assert pairs.lost_way == -1
    assert pairs.lost.size == pairs.extra.size == 0
    shares = [[4, 3, 3, 2, 6], [4 / 4, 3 / 6, 3 / 6, 2 / 8, 6 / 8], [4 / 7, 3 / 7, 3 / 3, 1, 1]]
    walked = pairs.share_a * p.length_mm[pairs.a]
    assert walked[1:] == pytest.approx(shares[0])  # the first pair is the way to the start
    assert pairs.share_a[1:] == pytest.approx(shares[1])
    assert pairs.share_b[1:] == pytest.approx(shares[2])
    assert walked == pytest.approx(pairs.share_b * q.length_mm[pairs.b])


def test_limit_a_full_turn_is_not_a_point(pair):
    turn = "G3 X0 Y0 I5 J0 E3"
    _, _, pairs = pair([turn], ["G3 X10 Y0 I5 J0 E1.5", "G3 X0 Y0 I-5 J0 E1.5"])
    assert pairs.lost.size == pairs.extra.size == 0
    assert pairs.share_a[1:] == pytest.approx([0.5, 0.5])
    assert pair([turn], [turn, turn])[2].extra.size == 1
    assert pair([turn], ["G3 X0 Y0 I5.02 J0 E3"])[2].lost.size == 1
    assert pair([turn], [turn.replace("G3", "G2")])[2].lost.size == 1


def test_limit_helix(pair):
    _, _, pairs = pair(["G3 X0 Y0 Z1.2 I5 J0 E3"], ["G3 X10 Y0 Z0.7 I5 J0 E1.5", "G3 X0 Y0 Z1.2 I-5 J0 E1.5"])
    assert pairs.lost.size == 0
    wrong = pair(["G3 X0 Y0 Z1.2 I5 J0 E3"], ["G3 X10 Y0 Z0.8 I5 J0 E1.5", "G3 X0 Y0 Z1.2 I-5 J0 E1.5"])[2]
    assert wrong.lost.size == 1


def test_limit_rounding_does_not_add_up(pair):
    # a circle of 20,000 short pieces, the second file rounded to three digits: every vertex within the tolerance
    angle = np.linspace(0, 40 * math.pi, 20_001)[1:]
    first = [f"G1 X{10 * math.cos(a) - 10:.6f} Y{10 * math.sin(a):.6f} E0.01" for a in angle]
    second = [f"G1 X{10 * math.cos(a) - 10:.3f} Y{10 * math.sin(a):.3f} E0.01" for a in angle]
    _, _, pairs = pair(first, second)
    assert pairs.a.size >= 20_001
    assert pairs.lost.size == pairs.extra.size == 0


def test_limit_back_and_forth(pair):
    way = ["G1 X10 E1", "G1 X0 E1", "G1 X10 E1", "G1 X0 E1"]
    cut = ["G1 X6 E0.6", "G1 X10 E0.4", *way[1:]]
    assert pair(way, cut)[2].lost.size == 0
    assert pair(way, [*way[:1], "G1 X4 E0.6", "G1 X6 E0.2", "G1 X0 E0.6", *way[2:]])[2].extra.size > 0


def test_limit_moved_beads_are_found(pair):
    beads = [f"G1 X{k} Y{k % 7} E0.1" for k in range(1, 9)]
    ways = [f"G0 X{10 * k} Y20\nG1 X{10 * k} Y{29 + k} E1" for k in range(5)]
    _, _, pairs = pair([*beads, *ways], [*beads, *ways[::-1]], free=2)
    assert pairs.moved_a.size == pairs.moved_b.size >= 3
    assert pairs.lost.size == pairs.extra.size == pairs.moved_a.size


def test_limit_runs_of_a_layer_sorted(pair):
    def run(x, z):
        return [f"G0 X{x} Y0 Z{z}", f"G1 X{x} Y10 E1", f"G1 X{x + 5} Y10 E0.5"]

    first = run(0, 0.2) + run(20, 0.2) + run(40, 0.2) + run(0, 0.4) + run(20, 0.4)
    second = run(40, 0.2) + run(0, 0.2) + run(20, 0.2) + run(20, 0.4) + run(0, 0.4)
    _, _, pairs = pair(first, second, free=2, reorder=True)
    assert pairs.lost.size == pairs.extra.size == 0
    assert pairs.permuted.tolist() == [True, True]
    assert np.argsort(np.argsort(pairs.rank)).tolist() == [1, 2, 0, 4, 3]
    across = run(0, 0.2) + run(20, 0.2) + run(0, 0.4) + run(40, 0.2) + run(20, 0.4)
    assert pair(first, across, free=2, reorder=True)[2].lost.size > 0


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(st.integers(-40, 40), st.integers(-40, 40)), min_size=2, max_size=12),
    st.lists(st.floats(0.05, 0.95), max_size=12),
)
def test_roundtrip_any_path_cut_anywhere(pair, corners, shares):
    path = [(0, 0)]
    path += [c for k, c in enumerate(corners) if c != ([(0, 0), *corners])[k]]
    if len(path) < 2:
        return
    first = [f"G1 X{x} Y{y} E1" for x, y in path[1:]]
    second = []
    for k, (a, b) in enumerate(pairwise(path)):
        for t in shares[k : k + 1]:
            second.append(f"G1 X{a[0] + t * (b[0] - a[0]):.4f} Y{a[1] + t * (b[1] - a[1]):.4f} E{t:.5f}")
        second.append(f"G1 X{b[0]} Y{b[1]} E{1 - sum(shares[k : k + 1]):.5f}")
    p, q, pairs = pair(first, second)
    assert pairs.lost.size == pairs.extra.size == 0
    for moves, share, program in ((pairs.a, pairs.share_a, p), (pairs.b, pairs.share_b, q)):
        walked = np.bincount(moves, share, program.kind.size)
        assert walked[np.unique(moves)] == pytest.approx(1.0)
