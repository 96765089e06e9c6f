"""First layer: raised by the stated tolerance or not at all, and as full as before."""

import numpy as np
import pytest

from mend_workshop import PROGRAMS, program_of
from pliant.mending.first_layer import mend_first_layer
from pliant.program.layers import find_layers
from pliant.program.read import read_program
from pliant.program.write import Edits, rewrite
from pliant.proving.certificate import certify
from pliant.records.mending import Intent
from pliant.records.program import BEAD


def _raised(program, height_mm):
    edits = Edits.none(program)
    return edits, *mend_first_layer(program, edits, find_layers(program), height_mm, "because")


@pytest.mark.parametrize("name", ["feet", "gasket", "strain-relief"])
@pytest.mark.parametrize("height", [0.05, 0.2])
def test_roundtrip_raised_and_certified(tmp_path, name, height):
    program = program_of(tmp_path, PROGRAMS[name]())
    edits, changes, factor, why = _raised(program, height)
    assert not why and len(changes) == 1
    assert factor == pytest.approx(1 + height / 0.2)
    rewrite(program, edits, tmp_path / "out.gcode")
    read = read_program(tmp_path / "out.gcode")
    before, after = find_layers(program), find_layers(read)
    np.testing.assert_allclose(after.top_mm, before.top_mm + height, atol=1e-6)
    np.testing.assert_allclose(after.gap_mm[1:], before.gap_mm[1:], atol=1e-6)
    first = [p.filament_mm[(p.kind == BEAD) & (lay.layer == 0)].sum() for p, lay in ((program, before), (read, after))]
    rest = [p.filament_mm[(p.kind == BEAD) & (lay.layer > 0)].sum() for p, lay in ((program, before), (read, after))]
    # as full as before: filament over thickness stays
    assert first[1] / (0.2 + height) == pytest.approx(first[0] / 0.2, rel=1e-5)
    assert rest[1] == pytest.approx(rest[0], rel=1e-6)
    files = tmp_path / "in.gcode", tmp_path / "out.gcode"
    allowed = Intent(first_layer_may_widen=True, height_mm=height, first_layer_factor=factor)
    assert certify(*files, allowed).certified
    for wrong in (
        Intent(first_layer_may_widen=True, height_mm=height - 0.01, first_layer_factor=factor),
        Intent(first_layer_may_widen=True, height_mm=height),
        Intent(first_layer_may_widen=True, height_mm=height, first_layer_factor=1.01 * factor),
    ):
        assert not certify(*files, wrong).certified
    assert _raised(read, height)[1] == []  # it is open already


def _layers(first, heights, *, absolute=True):
    lines = ["G21", "G90", "M83", "G28"]
    z = 0.0
    for k, height in enumerate([first, *heights]):
        z += height
        lines += [f"G1 Z{z:.3f} F600"] if absolute else ["G91", f"G1 Z{height:.3f} F600", "G90"]
        lines += ["G0 X10 Y10 F6000", "G1 X40 Y10 E1 F900", f"G1 X40 Y{12 + k} E0.1"]
    return lines


@pytest.mark.parametrize(
    ("first", "heights", "height", "why"),
    [
        (0.2, [], 0.05, "a single layer"),
        (0.3, [0.2, 0.2], 0.05, "it is open already"),
        (0.2, [0.2, 0.2], 0.01, "too small to tell; allow 0.015"),
        (0.15, [0.2, 0.2], 0.05, "too small to tell; allow 0.065"),
        (0.2, [2.0, 2.0], 0.05, "climbs in one layer"),
    ],
)
def test_limit_left_alone_with_a_reason(tmp_path, first, heights, height, why):
    program = program_of(tmp_path, _layers(first, heights))
    edits, changes, factor, said = _raised(program, height)
    assert (changes, factor, edits.words) == ([], 1.0, {})
    assert why in said


def test_limit_thin_first_layer_is_raised_where_allowed(tmp_path):
    program = program_of(tmp_path, _layers(0.15, [0.2, 0.2]))
    edits, changes, factor, _ = _raised(program, 0.1)
    assert changes and factor == pytest.approx(1 + 0.1 / 0.15)
    rewrite(program, edits, tmp_path / "out.gcode")
    read = read_program(tmp_path / "out.gcode")
    np.testing.assert_allclose(find_layers(read).gap_mm, [0.25, 0.2, 0.2])
    assert _raised(read, 0.1)[1] == []


def test_limit_relative_heights(tmp_path):
    """A first height written relative to homing is not raised; the text of a park far above is kept."""
    program = program_of(tmp_path, _layers(0.2, [0.2], absolute=False))
    edits, changes, _, why = _raised(program, 0.05)
    assert changes == [] and edits.words == {}
    assert why
    park = program_of(tmp_path, [*_layers(0.2, [0.2]), "G1 Z0.6 F600", "G1 Z150 F600"], "park.gcode")
    edits, _, _, _ = _raised(park, 0.05)
    assert b"Z0.65" in b" ".join(edits.words.values()) and b"Z150" not in b" ".join(edits.words.values())
