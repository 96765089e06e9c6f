"""Extent and beads as lines."""

import math

import numpy as np
import pytest
import shapely

from pliant.program.outline import bead_lines, extent_mm
from pliant.program.read import read_program


@pytest.fixture
def program(tmp_path):
    path = tmp_path / "p.gcode"
    path.write_text("M83\nG1 X10 Y10 Z0.2 F900\nG1 X20 E1\nG3 X20 Y30 I0 J10 E3\nG2 X20 Y30 I-5 J0 E3\n")
    return read_program(path)


def test_limit_an_arc_bulges(program):
    box = extent_mm(program, np.array([False, True, True, True]))
    # the half turn about (20, 20) reaches x = 30, the full turn about (15, 30) reaches 10 and y 25 to 35
    assert box == pytest.approx(np.array([[10, 10, 0.2], [30, 35, 0.2]]))


def test_limit_lines_have_the_length_of_the_path(program):
    lines = bead_lines(program, np.array([1, 2, 3]))
    assert shapely.length(lines) == pytest.approx([10, 10 * math.pi, 10 * math.pi], rel=2e-3)
