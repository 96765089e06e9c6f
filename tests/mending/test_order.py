"""Order: never worse, islands whole, layer by layer, and what primes the nozzle stays first."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from habits import ENDS, posts
from mend_workshop import PROGRAMS, judged, program_of
from pliant.mending.order import mend_order
from pliant.program.coverage import find_coverage
from pliant.program.layers import find_layers
from pliant.program.read import read_program
from pliant.program.sections import bead_sections
from pliant.program.write import Edits, rewrite
from pliant.proving.certificate import REST, certify
from pliant.records.mending import Intent
from pliant.records.program import BEAD


def _ordered(case):
    edits = Edits.none(case.program)
    return edits, mend_order(case.program, edits, case.layering, case.sections)[0]


def _refuted(first, second):
    """Obligations that fail, rest apart: with less travel the layers of these small posts take less than 10 s."""
    proof = certify(first, second, Intent(may_reorder_islands=True))
    return [o for o in proof.obligations if not o.holds and o.obligation != REST]


def _open_mm(program):
    layering = find_layers(program)
    return find_coverage(program, layering, bead_sections(program, layering, 1.75).width_mm).open_mm.sum()


def _posts(places, layers=3, *, absolute=False):
    """A square post at each place, layer by layer in the order given."""
    lines, e = ["G21", "G90", "M82" if absolute else "M83", "G28", "M109 S220"], 0.0

    def fed(mm):
        nonlocal e
        e = e + mm if absolute else mm
        return f"E{e:.5f}"

    for k in range(layers):
        lines.append(f"G1 Z{0.2 * (k + 1):.1f} F600")
        for x, y in places:
            lines += [f"G1 {fed(-0.8)} F1800", f"G0 X{x} Y{y} F7200", f"G1 {fed(0.8)} F1800"]
            for dx, dy in ((3, 0), (3, 3), (0, 3), (0, 0)):
                lines.append(f"G1 X{x + dx} Y{y + dy} {fed(0.1)} F1200")
    return lines


@settings(max_examples=25, deadline=None)
@given(
    grid=st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=3, max_size=9, unique=True),
    absolute=st.booleans(),
)
def test_limit_never_worse_and_certified(tmp_path_factory, grid, absolute):
    folder = tmp_path_factory.mktemp("order")
    program = program_of(folder, _posts([(10 + 8 * x, 10 + 8 * y) for x, y in grid], absolute=absolute))
    case = judged(program)
    edits, changes = _ordered(case)
    rewrite(program, edits, folder / "out.gcode")
    read = read_program(folder / "out.gcode")
    assert _open_mm(read) <= _open_mm(program) + 1e-6
    assert _refuted(folder / "in.gcode", folder / "out.gcode") == []
    if not changes:
        assert (folder / "in.gcode").read_bytes() == (folder / "out.gcode").read_bytes()
    first = int(np.argmax(program.kind == BEAD))
    np.testing.assert_allclose(read.point_mm[int(np.argmax(read.kind == BEAD))], program.point_mm[first])
    assert _ordered(judged(read))[1] == []  # a second time nothing changes


def test_limit_a_zigzag_over_a_row_is_put_straight(tmp_path):
    row = [(10 + 12 * k, 10) for k in (0, 5, 1, 4, 2, 3)]
    case = judged(program_of(tmp_path, _posts(row)))
    edits, changes = _ordered(case)
    assert [c.what for c in changes] == [f"order of 6 runs in layer {k}" for k in (1, 2, 3)]
    rewrite(case.program, edits, tmp_path / "out.gcode")
    assert _open_mm(read_program(tmp_path / "out.gcode")) < 0.7 * _open_mm(case.program)


def test_limit_the_skirt_stays_first(tmp_path):
    case = judged(program_of(tmp_path, PROGRAMS["feet"]()))
    edits, _ = _ordered(case)
    rewrite(case.program, edits, tmp_path / "out.gcode")
    read = read_program(tmp_path / "out.gcode")
    beads = [np.flatnonzero(p.kind == BEAD)[:4] for p in (case.program, read)]
    np.testing.assert_array_equal(read.point_mm[beads[1] + 1], case.program.point_mm[beads[0] + 1])


@pytest.mark.parametrize(
    "between",
    [["M106 S99"], ["G4 P100"], ["M117 half"], ["M204 P500"], ["M220 S90"], ["M400"], ["M106 P1 S99"]],
)
def test_limit_no_run_crosses_what_may_act(tmp_path, between):
    """A wait, a message, a word that is not known, the first word of its kind: what lies beyond stays beyond."""
    lines = _posts([(10 + 12 * k, 10) for k in (0, 5, 1, 4, 2, 3)], layers=1)
    at = [k for k, line in enumerate(lines) if line.startswith("G0")][3]
    lines[at - 1 : at - 1] = between
    case = judged(program_of(tmp_path, lines))
    edits, _ = _ordered(case)
    rewrite(case.program, edits, tmp_path / "out.gcode")
    text = (tmp_path / "out.gcode").read_text().splitlines()
    there = text.index(between[0])
    assert [line for line in lines[: at - 1] if line.startswith("G0")] == [t for t in text[:there] if t[:2] == "G0"]
    assert _refuted(tmp_path / "in.gcode", tmp_path / "out.gcode") == []


def test_limit_an_island_visited_twice_is_no_obstacle(tmp_path):
    row = [(10 + 12 * k, 10) for k in (0, 5, 1, 4, 2, 3)]
    case = judged(program_of(tmp_path, _posts([*row, (13.2, 10)], layers=1)))
    edits, changes = _ordered(case)
    rewrite(case.program, edits, tmp_path / "out.gcode")
    assert len(changes) == 1 and _open_mm(read_program(tmp_path / "out.gcode")) < 0.7 * _open_mm(case.program)


HABITS = {
    "relative": {},
    "absolute": {"absolute": True},
    "resets": {"absolute": True, "resets": True, "comments": True},
    "short": {"short": True},
    "arcs, short": {"arcs": True, "absolute": True, "short": True},
    "firmware": {"firmware": True},
    "firmware, modal": {"firmware": True, "modal": True},
    "modal": {"modal": True, "absolute": True},
    "hop": {"hop": True},
    "walls first": {"walls_first": True},
}


@pytest.mark.parametrize("habit", HABITS)
@pytest.mark.parametrize("end", ENDS)
def test_limit_ends_where_the_input_ends_whatever_comes_last(tmp_path, end, habit):
    """The last run may move only where the way from it is told; a line that leaves out an axis gets it."""
    program = program_of(tmp_path, posts(end, **HABITS[habit]))
    case = judged(program)
    edits, changes = _ordered(case)
    rewrite(program, edits, tmp_path / "out.gcode")
    read = read_program(tmp_path / "out.gcode")
    np.testing.assert_allclose(read.point_mm[-1], program.point_mm[-1], atol=1e-6)
    assert _refuted(tmp_path / "in.gcode", tmp_path / "out.gcode") == []
    assert changes


def test_limit_an_end_elsewhere_is_no_certificate(tmp_path):
    """Two posts that change places and nothing after them: the same part, but not the same place at the end."""
    first = program_of(tmp_path, posts(places=((20, 10), (60, 10), (40, 10)), layers=1))
    text = (tmp_path / "in.gcode").read_text().splitlines()
    at = [k for k, line in enumerate(text) if line.startswith("G1 E-")]
    last = text[: at[1]] + text[at[2] :] + text[at[1] : at[2]]
    program_of(tmp_path, last, "out.gcode")
    proof = certify(first.path, tmp_path / "out.gcode", Intent(may_reorder_islands=True))
    assert [o.obligation for o in proof.obligations if not o.holds] == ["the same place and modes at the end"]
