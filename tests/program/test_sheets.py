"""The contact sheet: which layers, where, and how much of each travel is open."""

import numpy as np
import pytest

from pliant.program.layers import find_layers
from pliant.program.read import read_program
from pliant.program.sheets import choose_layers, draw_sheets

_JOB = """G90
M83
G28
G1 Z0.2 F600
G1 X0 Y0 F6000
G1 X10 E1 F1200
G1 X20 F6000
G1 X30 E1 F1200
G1 Z0.4 F600
G1 X0 Y0 F6000
G3 X0 Y0 I5 J0 E2 F1200
G1 Z0.6 F600
G1 X40 F6000
G1 X50 E1 F1200
"""


@pytest.fixture
def job(tmp_path):
    path = tmp_path / "p.gcode"
    path.write_text(_JOB)
    program = read_program(path)
    return program, find_layers(program)


def _margin(program, worst=None):
    margin = np.full(program.kind.size, 8.0)
    if worst is not None:
        margin[worst] = 0.5
    return margin


def test_limit_travel_is_open_until_coverage_says_otherwise(job):
    program, layering = job
    sheets = draw_sheets(program, layering, _margin(program))
    assert [s.layer for s in sheets] == [0, 1, 2]
    assert [s.top_mm for s in sheets] == pytest.approx([0.2, 0.4, 0.6])
    assert sheets[0].open_mm == pytest.approx(10 + 30)  # to the second bead, and back to the start of the next layer
    assert all(s.covered.size == 0 for s in sheets)
    assert sheets[0].bounds_mm == pytest.approx((0, -5, 50, 5), abs=0.02)
    assert len({s.bounds_mm for s in sheets}) == 1


def test_limit_covered_and_open_share_a_travel(job):
    program, layering = job
    travel = int(np.flatnonzero(program.line == 7)[0])
    spans = (np.array([travel, travel]), np.array([0.2, 0.8]), np.array([0.5, 0.9]))
    sheet = draw_sheets(program, layering, _margin(program), open_spans=spans)[0]
    assert sheet.open == pytest.approx(np.array([[12, 0, 15, 0], [18, 0, 19, 0]]), abs=1e-5)
    assert sheet.open_mm == pytest.approx(4.0)
    length = np.abs(sheet.covered[:, 2] - sheet.covered[:, 0])
    assert length.sum() == pytest.approx(2 + 3 + 1 + 30)
    assert np.abs(sheet.beads[:, 2] - sheet.beads[:, 0]).sum() == pytest.approx(20)


def test_limit_arcs_become_chords_that_close(job):
    program, layering = job
    beads = draw_sheets(program, layering, _margin(program))[1].beads
    assert len(beads) == 60
    assert np.hypot(beads[:, 0] - 5, beads[:, 1]) == pytest.approx(5.0, abs=1e-5)
    assert beads[1:, :2] == pytest.approx(beads[:-1, 2:], abs=1e-5)
    assert beads[0, :2] == pytest.approx(beads[-1, 2:], abs=1e-5)


def test_limit_worst_point_is_where_the_move_ends(job):
    program, layering = job
    bead = int(np.flatnonzero(program.line == 14)[0])
    sheets = draw_sheets(program, layering, _margin(program, bead))
    assert sheets[2].worst_mm == pytest.approx((50, 0))
    assert sheets[2].worst_line == 14
    assert sheets[2].least_margin == 0.5
    assert sheets[2].why[0] == "the worst push of the job"


def test_limit_no_more_layers_than_asked_and_both_reasons_present(job):
    _, layering = job
    rng = np.random.default_rng(5)
    many = type(layering)(
        np.arange(400), np.zeros(400, dtype=np.int64), np.arange(1, 401) * 0.2, np.full(400, 0.2)
    )  # one move to a layer
    margin, travel = rng.uniform(0.5, 9, 400), rng.uniform(0, 100, 400)
    chosen = choose_layers(many, margin, travel, count=6)
    layers = [k for k, _, _ in chosen]
    assert layers == sorted(layers)
    assert len(layers) == 6
    assert int(np.argmin(margin)) in layers
    assert int(np.argmax(travel)) in layers
    assert all(push or much for _, push, much in chosen)


def test_limit_no_bead_no_sheet(tmp_path):
    path = tmp_path / "p.gcode"
    path.write_text("G28\nG1 X10 Y5 F6000\nG1 X20\n")
    program = read_program(path)
    assert draw_sheets(program, find_layers(program), _margin(program)) == ()
