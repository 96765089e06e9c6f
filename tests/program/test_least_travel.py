"""The least travel of any order: against small cases that can be argued, and bounded for many pieces."""

import pytest

from pliant.job.job import motion_of
from pliant.job.laying import Laying
from pliant.program.least_travel import MOST_PIECES
from pliant.program.read import read_program
from recipes import machine


def _least(tmp_path, layers):
    lines = ["G21", "G90", "M83", "G28"]
    for k, places in enumerate(layers):
        lines.append(f"G0 Z{0.2 * (k + 1):.1f} F3000")
        for x, y in places:
            lines += [f"G0 X{x:.3f} Y{y:.3f}", f"G1 X{x + 1:.3f} E0.04 F900"]
    path = tmp_path / "p.gcode"
    path.write_text("\n".join(lines) + "\n")
    return Laying(read_program(path), 1.75, motion_of(machine("open-gap"))).least_travel


def test_limit_three_dots_in_a_row_need_both_gaps(tmp_path):
    found = _least(tmp_path, [[(10, 10), (20, 10), (50, 10)]])
    assert found.tree_layers == 0
    assert found.bound_mm == pytest.approx(9 + 29 - 2 * 0.5, abs=0.5)
    # the next layer begins where one ended
    there_and_back = _least(tmp_path, [[(10, 10), (20, 10), (50, 10)]] * 2)
    assert there_and_back.bound_mm == pytest.approx(2 * found.bound_mm, rel=1e-6), (
        "the next layer begins where one ended"
    )


def test_limit_one_piece_needs_no_travel(tmp_path):
    assert _least(tmp_path, [[(10, 10)], [(10, 10)]]).bound_mm == 0


def test_limit_more_pieces_than_a_table_holds_add_nothing(tmp_path):
    many = [(3.0 * x, 3.0 * y) for x in range(40) for y in range(26)]
    assert len(many) > MOST_PIECES
    few = [(10, 10), (40, 10)]
    bound = _least(tmp_path, [few]).bound_mm
    found = _least(tmp_path, [few, many, few])
    assert found.tree_layers == 1
    assert found.bound_mm == pytest.approx(2 * bound)
