"""Starts and ends of unknown content: what is taken, what is said of it, and what stays a refusal."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mend_workshop import filament, machine
from pliant.errors import ProgramError
from pliant.files import Text
from pliant.program.read import read_program
from pliant.proving.certificate import LINES, certify
from pliant.records.mending import Intent
from pliant.workflows.check import check
from pliant.workflows.mend import mend
from pliant.workflows.workshop import feet_program

_BEADS = "G0 X0 Y0 F6000\nG1 X10 Y0 E0.4 F600\nG1 X20 Y0 E0.4\nG1 X20 Y20 E0.8\n"
_TAKEN = (
    "START_PRINT EXTRUDER=220 BED=50", "M104 S{temperature[0]}", "{if is_soft}", "M190 S[bed]", "G10", "G11",
    'M98 P"start.g"', "G65 P1", "O100 sub", "N7 HEAT_SOAK T=5", "set_velocity_limit accel=500", "#1=5",
)  # fmt: skip


def _read(text):
    return read_program(Text("in.gcode", text))


@pytest.mark.parametrize("line", _TAKEN)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_line_before_the_first_bead_is_a_start_of_unknown_content(line, end):
    head, tail = "M83\n", _BEADS
    with_line = _read((head + line + "\n" + tail).replace("\n", end))
    without = _read((head + "; " + line + "\n" + tail).replace("\n", end))
    assert with_line.unknown_lines == (2,) and without.unknown_lines == ()
    (said,) = [w for w in with_line.warnings if w.startswith("a start of unknown content")]
    assert line[:20] in said and said.endswith("(line 2)")
    assert with_line.n_lines == without.n_lines
    for name in ("line", "kind", "length_mm", "filament_mm", "speed_mm_per_s"):
        np.testing.assert_array_equal(getattr(with_line, name)[-3:], getattr(without, name)[-3:])
    np.testing.assert_array_equal(with_line.point_mm[-4:], without.point_mm[-4:])


@pytest.mark.parametrize("line", _TAKEN)
def test_a_line_after_the_last_bead_is_an_end_and_between_beads_it_is_refused(line):
    end = _read("M83\n" + _BEADS + line + "\nM84\nG0 X0 Y90\n")
    assert end.unknown_lines == (6,) and any(w.startswith("an end of unknown content") for w in end.warnings)
    with pytest.raises(ProgramError, match=r"in\.gcode line 6: "):
        _read("M83\n" + _BEADS + line + "\nG0 X0 Y0\n" + _BEADS)
    many = "G0 X1 Y1\n" * 20_000  # the bead comes long after, in another block
    with pytest.raises(ProgramError, match=r"in\.gcode line 6: "):
        _read("M83\n" + _BEADS + line + "\n" + many + _BEADS)


@pytest.mark.parametrize(
    "line",
    ["G1 X[1+2] E1 F600", "G1 Z{height}", "M32 file.g", "M99", "M808 L5", "{unclosed", "T1", "G1 X1..2 E1", "G66 P1"],
)
def test_what_moves_repeats_or_never_comes_back_stays_a_refusal(line):
    with pytest.raises(ProgramError, match="line 2: "):
        _read("M83\n" + line + "\n" + _BEADS)


def test_a_file_of_nothing_but_such_lines_is_refused_and_quickly():
    with pytest.raises(ProgramError, match="line 1: "):
        _read("START_PRINT\n" * 3)
    with pytest.raises(ProgramError, match="line 501: "):
        _read("vertex_normal 1 2 3\n" * 50_000 + _BEADS)


def test_what_follows_a_start_is_not_known_until_it_is_told():
    program = _read("M83\nG0 X50 Y50 Z5 F3000\nSTART_PRINT\nG1 X10 Y0 E1\nG1 X20 Y0 E1\n")
    assert any("unknown" in w and "bead is not counted" in w for w in program.warnings)
    assert any("before any F" in w for w in program.warnings)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.sampled_from([*_TAKEN, "G28", "M83", "G0 X5 Y5 F3000", "; words", ""]), max_size=8))
def test_limit_the_beads_after_a_start_are_the_beads_without_it(lines):
    start = "".join(line + "\n" for line in lines)
    bare = "".join(("; " + line if line in _TAKEN else line) + "\n" for line in lines)
    one, two = _read(start + "M83\n" + _BEADS), _read(bare + "M83\n" + _BEADS)
    np.testing.assert_array_equal(one.point_mm[-3:], two.point_mm[-3:])
    np.testing.assert_array_equal(one.filament_mm[-3:], two.filament_mm[-3:])
    assert len(one.unknown_lines) == sum(line in _TAKEN for line in lines)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A program as a workshop has it: a start macro in place of heat and homing, an end macro."""
    folder = tmp_path_factory.mktemp("whole")
    body = feet_program(layers=2).split("M109 S220\n")[1]
    text = "G21\nG90\nM83\nSTART_PRINT EXTRUDER=220 BED=50\n" + body + "END_PRINT\n"
    (folder / "in.gcode").write_text(text)
    return folder


def test_check_says_what_it_assumed_and_mend_certifies(whole):
    plain = check(Text("p.gcode", feet_program(layers=2)), machine("bench-2"), filament("85A"))
    found = check(whole / "in.gcode", machine("bench-2"), filament("85A"))
    assert found.jam_probability == pytest.approx(plain.jam_probability, abs=1e-9)  # its sheet's middle is 220 as well
    assert any("where the program sets no temperature" in text for text in found.facts.assumed)
    assert [w for w in found.facts.warnings if "START_PRINT EXTRUDER=220" in w]
    mended = mend(whole / "in.gcode", machine("bench-2"), filament("85A"), output=whole / "out.gcode")
    assert mended.certificate.certified and mended.changes
    (lines,) = [o.figure for o in mended.certificate.obligations if o.obligation == LINES]
    assert lines.endswith("2 of them of unknown content, as they were and where they were")
    out = (whole / "out.gcode").read_text()
    assert out.startswith("G21\nG90\nM83\nSTART_PRINT EXTRUDER=220 BED=50\n") and out.endswith("END_PRINT\n")


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ("EXTRUDER=220", "EXTRUDER=230"), ("END_PRINT\n", ""), ("START_PRINT", "; START_PRINT"),
        ("G21\nG90\nM83\nSTART_PRINT EXTRUDER=220 BED=50\n", "START_PRINT EXTRUDER=220 BED=50\nG21\nG90\nM83\n"),
        ("BED=50\n", "BED=50\nG1 X50 Y50 F600\n"),
    ],
)  # fmt: skip
def test_the_certificate_refutes_a_start_that_is_not_as_or_where_it_was(whole, tmp_path, was, now):
    text = (whole / "in.gcode").read_text()
    assert was in text
    (tmp_path / "out.gcode").write_text(text.replace(was, now, 1))
    assert not certify(whole / "in.gcode", tmp_path / "out.gcode", Intent()).certified
