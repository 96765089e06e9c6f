"""Route: less air, over bead, within the time allowed, and only where a lead-in is understood."""

import numpy as np
import pytest

from mend_workshop import PROGRAMS, judged, program_of
from pliant.mending.route import layer_region, mend_routes
from pliant.program.coverage import find_coverage
from pliant.program.layers import find_layers
from pliant.program.read import read_program
from pliant.program.sections import bead_sections
from pliant.program.write import Edits, rewrite
from pliant.proving.certificate import certify
from pliant.records.mending import Intent
from pliant.records.program import BEAD


def _routed(case, seconds=1e9, seen_mm=None):
    edits = Edits.none(case.program)
    region = layer_region(case.program, case.layering, case.sections)
    changes, left = mend_routes(
        case.program, edits, case.leads, case.coverage.open_mm, region, seen_mm=seen_mm, seconds=seconds
    )
    return edits, changes, left


def _open_mm(program):
    layering = find_layers(program)
    return find_coverage(program, layering, bead_sections(program, layering, 1.75).width_mm).open_mm


def test_limit_what_leaves_less_in_sight_comes_first(tmp_path):
    case = judged(program_of(tmp_path, PROGRAMS["gasket"]()))
    seconds = 0.5  # for a few detours
    first = set(_routed(case, seconds)[2])
    assert 0 < len(first) < len(_routed(case)[2])
    seen = case.coverage.open_mm.copy()
    seen[sorted(first)] = 0.0
    assert set(_routed(case, seconds, seen)[2]).isdisjoint(first)


@pytest.mark.parametrize("name", ["feet", "gasket", "strain-relief"])
def test_roundtrip_less_air_than_promised_or_equal(tmp_path, name):
    case = judged(program_of(tmp_path, PROGRAMS[name]()))
    edits, changes, left = _routed(case)
    assert changes
    rewrite(case.program, edits, tmp_path / "out.gcode")
    read = read_program(tmp_path / "out.gcode")
    before, after = _open_mm(case.program), _open_mm(read)
    assert after.sum() < before.sum()
    promised = before.sum() - sum(before[travel] - open_mm for travel, open_mm in left.items())
    assert after.sum() <= promised + 0.2 * len(left)  # gaps of a hair between beads are passed over
    laid = [p.filament_mm[p.kind == BEAD] for p in (read, case.program)]
    np.testing.assert_array_equal(*laid)
    np.testing.assert_allclose(read.point_mm[-1], case.program.point_mm[-1])


def _u_shape():
    """A wall in the shape of a U, three beads wide; the travel goes from the end of one arm to the other."""
    lines = ["G90", "M83", "G1 Z0.2 F600"]
    for k, inset in enumerate((0.0, 0.4, 0.8)):
        points = [(10 + inset, 60), (10 + inset, 10 + inset), (40 - inset, 10 + inset), (40 - inset, 60)]
        if k % 2:
            points.reverse()
        lines.append(f"G0 X{points[0][0]} Y{points[0][1]} F6000")
        lines += [f"G1 X{x} Y{y} E1.5 F900" for x, y in points[1:]]
    return [*lines, "G0 X10.4 Y59 F6000", "G1 X10.4 Y58 E0.03 F900"]


def test_limit_round_the_u_instead_of_across(tmp_path):
    case = judged(program_of(tmp_path, _u_shape()))
    edits, changes, left = _routed(case)
    assert len(changes) == 1 and list(left.values()) == [pytest.approx(0.0, abs=0.05)]
    corners = np.array([m.xy_mm for m in next(iter(edits.inserts.values()))])
    assert corners[:, 1].min() < 12  # down one arm, along the bottom, up the other
    rewrite(case.program, edits, tmp_path / "out.gcode")
    assert _open_mm(read_program(tmp_path / "out.gcode")).sum() < 0.1 < 25 < _open_mm(case.program).sum()


def test_limit_no_time_no_route(tmp_path):
    case = judged(program_of(tmp_path, _u_shape()))
    edits, changes, _ = _routed(case, seconds=0.0)
    assert changes == [] and edits.inserts == {}
    spent = _routed(case, seconds=2.0)[1]
    assert len(spent) == 1


def test_limit_a_lift_or_a_word_on_the_way_changes_nothing(tmp_path):
    for odd in (["G1 Z0.4 F600", "{}", "G1 Z0.2 F600"], ["{}", "M106 S100"], ["M117 far", "{}"]):
        lines = _u_shape()
        at = len(lines) - 2
        lines[at : at + 1] = [o.format(lines[at]) for o in odd]
        case = judged(program_of(tmp_path, lines))
        edits, changes, _ = _routed(case)
        assert len(changes) == 1
        rewrite(case.program, edits, tmp_path / "out.gcode")
        proof = certify(tmp_path / "in.gcode", tmp_path / "out.gcode", Intent(may_reroute=True))
        assert proof.certified and _open_mm(read_program(tmp_path / "out.gcode")).sum() < 0.1


def test_limit_a_change_of_layer_goes_over_the_layer_below(tmp_path):
    lines = _u_shape()
    lines[-2:] = ["G1 Z0.4 F600", "G0 X39 Y59 F6000", "G1 X39 Y30 E0.8 F900"]
    lines[-3:-3] = ["G0 X10.4 Y59 F6000", "G1 X10.4 Y58 E0.03 F900"]
    case = judged(program_of(tmp_path, lines))
    edits, changes, _ = _routed(case)
    assert len(changes) == 2
    rewrite(case.program, edits, tmp_path / "out.gcode")
    assert _open_mm(read_program(tmp_path / "out.gcode")).sum() < 0.2


def test_limit_a_way_without_a_place_is_left_alone(tmp_path):
    """A relative move, or an arc: where it leads hangs on where it begins."""
    for odd in (["G91", "G0 X-29.2 Y-1 F6000", "G90"], ["G2 X10.4 Y59 R40 F6000"]):
        lines = _u_shape()
        at = len(lines) - 2
        lines[at : at + 1] = odd
        case = judged(program_of(tmp_path, lines))
        edits, changes, _ = _routed(case)
        assert changes == [] and edits.inserts == {}
