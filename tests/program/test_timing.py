"""Timing against closed-form trapezoids; values computed from the formulas, a = 1000 mm/s2, d = 0.02 mm."""

import math

import numpy as np
import pytest

from pliant.program.read import read_program
from pliant.program.timing import Motion, square_corner_deviation_mm, time_program


def _moves(tmp_path, text, **motion):
    path = tmp_path / "p.gcode"
    path.write_text(text)
    limits = {"max_speed_mm_per_s": (1e4, 1e4, 1e4, 1e4), **motion}
    return time_program(read_program(path), Motion(**limits)).move_s


@pytest.mark.parametrize(
    ("text", "motion", "seconds"),
    [
        ("G1 X100 F6000\n", {}, 1.1),
        ("G1 X4 F6000\n", {}, 0.126491106),
        ("G1 X50 F6000\nG1 Y50\n", {}, 1.186585466),
        ("G1 X50 F6000\nG1 X100\n", {}, 1.1),
        ("G1 X10 F6000\nG1 Y0.4\nG1 X0\n", {}, 0.415033538),
        ("G1 X30 F3600\nG1 X60 F7200\n", {}, 0.855),
        ("M83\nG1 E-0.8 F1200\n", {"retract_acceleration_mm_per_s2": 500.0}, 0.080),
        (
            "G1 X20 F4800\nG1 X34.14213562373095 Y14.14213562373095\n",
            {"acceleration_mm_per_s2": 2000.0, "corner_deviation_mm": 0.013},
            0.564208157,
        ),
    ],
)
def test_published_look_ahead_values(tmp_path, text, motion, seconds):
    assert _moves(tmp_path, text, **motion).sum() == pytest.approx(seconds, rel=2e-8)


def test_limit_split_of_a_straight_move_keeps_time(tmp_path):
    whole = _moves(tmp_path, "G1 X90 F6000\n").sum()
    parts = _moves(tmp_path, "G1 X13 F6000\nG1 X40\nG1 X90\n").sum()
    assert parts == pytest.approx(whole, rel=1e-12)


def test_limit_a_move_the_machine_cannot_make_is_named(tmp_path):
    path = tmp_path / "p.gcode"
    path.write_text("G1 X10 F600\nG1 X100 F60000\n")
    assert list(time_program(read_program(path)).too_fast_line) == [2]


@pytest.mark.parametrize(
    ("turn_deg", "corner"),
    # Jeon's law, a = 1000 mm/s2, d = 0.02 mm; computed from the formula
    [(10, 72.358999), (30, 23.810813), (60, 11.370226), (90, 6.948689), (135, 3.521120), (170, 1.381862)],
)
def test_published_corner_speed_by_turn(tmp_path, turn_deg, corner):
    x, y = 50 + 50 * math.cos(math.radians(turn_deg)), 50 * math.sin(math.radians(turn_deg))
    path = tmp_path / "p.gcode"
    path.write_text(f"G1 X50 F30000\nG1 X{x:.12f} Y{y:.12f}\n")
    timing = time_program(read_program(path), Motion(max_speed_mm_per_s=(1e4, 1e4, 1e4, 1e4)))
    assert timing.in_mm_per_s[1] == pytest.approx(corner, rel=1e-6)


@pytest.mark.parametrize(("turn_deg", "corner"), [(30, 17.133314), (90, 5.0), (150, 1.901596)])
def test_published_square_corner_is_the_same_law(tmp_path, turn_deg, corner):
    # square corner 5 mm/s, a = 3000 mm/s2; computed from the formula
    x, y = 50 + 50 * math.cos(math.radians(turn_deg)), 50 * math.sin(math.radians(turn_deg))
    path = tmp_path / "p.gcode"
    path.write_text(f"G1 X50 F30000\nG1 X{x:.12f} Y{y:.12f}\n")
    motion = Motion(3000.0, 3000.0, square_corner_deviation_mm(5.0, 3000.0), (1e4, 1e4, 1e4, 1e4))
    assert time_program(read_program(path), motion).in_mm_per_s[1] == pytest.approx(corner, rel=1e-6)


def test_limit_phases_add_up_to_the_move(tmp_path):
    path = tmp_path / "p.gcode"
    path.write_text("G1 X10 F6000\nG1 X12 Y1\nG2 X20 Y9 I8 J0\nM83\nG1 E-1 F1800\nG4 S2\n")
    timing = time_program(read_program(path))
    a, peak = timing.acceleration_mm_per_s2, timing.peak_mm_per_s
    up, down = ((peak**2 - v**2) / (2 * a) for v in (timing.in_mm_per_s, timing.out_mm_per_s))
    hold = timing.length_mm - up - down
    assert hold.min() > -1e-9
    cruise_s = np.divide(hold, peak, out=np.zeros_like(hold), where=peak > 0)
    ramps_s = (2 * peak - timing.in_mm_per_s - timing.out_mm_per_s) / a
    assert cruise_s + ramps_s + timing.dwell_s == pytest.approx(timing.move_s)
