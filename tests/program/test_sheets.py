"""The contact sheet: which layers, where, and how much of each travel is open."""

import numpy as np
import pytest

from pliant.program.coverage import find_coverage
from pliant.program.layers import find_layers
from pliant.program.read import read_program
from pliant.program.sheets import choose_layers, draw_sheets
from pliant.program.sight import find_sight

_JOB = """G90
M83
G28
G1 Z0.2 F600
G1 X0 Y0 F6000
G1 X10 E1 F1200
G1 X20 F6000
G1 X30 E1 F1200
G1 X5 Y0 F6000
G1 X5 Y5 E1 F1200
G1 Z0.4 F600
G1 X0 Y0 F6000
G3 X0 Y0 I5 J0 E2 F1200
G1 Z0.6 F600
G1 X40 F6000
G1 X50 E1 F1200
"""


def _read(tmp_path, text=_JOB):
    path = tmp_path / "p.gcode"
    path.write_text(text)
    program = read_program(path)
    layering = find_layers(program)
    return program, layering, find_coverage(program, layering, 0.4)


def _draw(program, layering, coverage, margin, **more):
    sight = find_sight(program, layering, np.full(program.kind.size, 0.4), coverage)
    return draw_sheets(program, layering, coverage, sight, margin, **more)


def _margin(program, worst=None):
    margin = np.full(program.kind.size, 8.0)
    if worst is not None:
        margin[program.line == worst] = 0.5
    return margin


def test_limit_open_and_covered_share_a_travel(tmp_path):
    program, layering, coverage = _read(tmp_path)
    sheet = _draw(program, layering, coverage, _margin(program))[0]
    # 20 -> 5 along the beads: covered but for 10.2..19.8; 10 -> 20 open between the ends of the beads
    length = np.hypot(*(sheet.open[:, 2:] - sheet.open[:, :2]).T)
    covered = np.hypot(*(sheet.covered[:, 2:] - sheet.covered[:, :2]).T)
    assert length.sum() == pytest.approx(coverage.open_mm[layering.layer == 0].sum(), abs=1e-4)
    assert covered.sum() == pytest.approx(coverage.covered_mm[layering.layer == 0].sum(), abs=1e-4)
    assert sheet.open[0] == pytest.approx([10.2, 0, 19.8, 0], abs=1e-5)
    assert sheet.open_mm == pytest.approx(length.sum(), abs=1e-4)
    assert sheet.strings == 3
    assert np.hypot(*(sheet.beads[:, 2:] - sheet.beads[:, :2]).T).sum() == pytest.approx(25)


def test_limit_openings_too_narrow_for_a_string_are_drawn_covered(tmp_path):
    program, layering, coverage = _read(tmp_path)
    sheet = _draw(program, layering, coverage, _margin(program), string_mm=9.7)[0]
    longest = _draw(program, layering, coverage, _margin(program))[0]
    assert len(sheet.open) < len(longest.open)
    assert sheet.open_mm == longest.open_mm  # the figure keeps them
    whole = [
        np.hypot(*(s[:, 2:] - s[:, :2]).T).sum() for s in (sheet.covered, sheet.open, longest.covered, longest.open)
    ]
    assert whole[0] + whole[1] == pytest.approx(whole[2] + whole[3], abs=1e-4)


def test_limit_arcs_become_chords_that_close(tmp_path):
    beads = _draw(*_read(tmp_path), _margin(_read(tmp_path)[0]))[1].beads
    assert len(beads) > 40
    assert np.hypot(beads[:, 0] - 5, beads[:, 1]) == pytest.approx(5.0, abs=1e-5)
    assert beads[1:, :2] == pytest.approx(beads[:-1, 2:], abs=1e-5)
    assert beads[0, :2] == pytest.approx(beads[-1, 2:], abs=1e-5)


def test_limit_worst_point_is_where_the_move_ends(tmp_path):
    program, layering, coverage = _read(tmp_path)
    sheets = _draw(program, layering, coverage, _margin(program, 16))
    assert [s.layer for s in sheets] == [0, 1, 2]
    assert [s.top_mm for s in sheets] == pytest.approx([0.2, 0.4, 0.6])
    assert sheets[2].worst_mm == pytest.approx((50, 0))
    assert (sheets[2].worst_line, sheets[2].least_margin) == (16, 0.5)
    assert sheets[2].why[0] == "the worst push of the job"
    assert len({s.bounds_mm for s in sheets}) == 1
    assert sheets[0].bounds_mm == pytest.approx((0, -5, 50, 5), abs=0.02)


def test_limit_a_loop_round_the_part_does_not_shrink_the_others(tmp_path):
    loop = "G1 X-60 Y-60 F6000\nG1 X80 E3 F1200\nG1 Y80 E3\n"
    layers = "".join(f"G1 Z{0.2 * k:.1f} F600\nG1 X0 Y0 F6000\nG1 X{20 + 5 * k} E1 F1200\n" for k in range(1, 4))
    program, layering, coverage = _read(tmp_path, "G90\nM83\nG28\nG1 Z0.2 F600\n" + loop + layers)
    sheets = _draw(program, layering, coverage, _margin(program))
    assert len(sheets) == 3
    assert sheets[0].bounds_mm == pytest.approx((-60, -60, 80, 80), abs=0.01)
    assert sheets[1].bounds_mm == sheets[2].bounds_mm
    assert sheets[1].bounds_mm[2] - sheets[1].bounds_mm[0] < 40


def test_limit_layers_that_look_alike_are_drawn_once(tmp_path):
    text = "G90\nM83\nG28\n" + "".join(
        f"G1 Z{0.2 * k:.1f} F600\nG1 X0 Y0 F6000\nG1 X{20 if k != 4 else 60} E1 F1200\nG1 Y20 E1\n" for k in range(1, 9)
    )
    program, layering, coverage = _read(tmp_path, text)
    margin = _margin(program)
    margin[(layering.layer == 5) & (program.filament_mm > 0)] = 0.7
    sheets = _draw(program, layering, coverage, margin)
    assert [(s.layer, s.alike) for s in sheets] == [(0, (1, 2, 4, 6)), (3, ()), (5, ()), (7, ())]
    # the last one differs: nothing hangs after the last bead
    every = sorted(k for s in sheets for k in (s.layer, *s.alike))
    assert every == list(range(8))


def test_limit_no_more_layers_than_asked_and_both_reasons_present():
    rng = np.random.default_rng(5)
    margin, travel = rng.uniform(0.5, 9, 400), rng.uniform(0, 100, 400)
    for count in (1, 2, 5, 6):
        chosen = choose_layers(margin, travel, count)
        layers = [k for k, _, _ in chosen]
        assert layers == sorted(layers)
        assert len(layers) == count
        assert int(np.argmin(margin)) in layers
        assert count == 1 or int(np.argmax(travel)) in layers
        assert all(push or much for _, push, much in chosen)
    assert choose_layers(np.full(3, np.inf), np.zeros(3)) == []


def test_limit_no_bead_no_sheet(tmp_path):
    program, layering, coverage = _read(tmp_path, "G28\nG1 X10 Y5 F6000\nG1 X20\n")
    assert _draw(program, layering, coverage, _margin(program)) == ()
