"""Prime: beside the part, inside the space in use, once, and only where the program does not prime itself."""

import numpy as np
import pytest
import shapely

from mend_workshop import PROGRAMS, program_of
from pliant.mending.prime import CLEAR_MM, mend_prime, primes_itself
from pliant.program.outline import bead_lines, extent_mm
from pliant.program.read import read_program
from pliant.program.write import Edits, rewrite
from pliant.proving.certificate import certify
from pliant.records.mending import Intent
from pliant.records.program import BEAD

_HEAD = ["G21", "G90", "M83", "G28", "M109 S220"]


def _square(x, y, side, z, *, skirt=False):
    lines = [f"G1 Z{z:.2f} F600", f"G0 X{x} Y{y} F7200"]
    for k, (dx, dy) in enumerate(((side, 0), (side, side), (0, side), (0, 0))):
        lines.append(f"G1 X{x + dx} Y{y + dy} E{0.034 * side:.4f}" + (" F1800" if k == 0 else ""))
    return lines


@pytest.mark.parametrize("wanted", [0.5, 1.5, 3.0])
def test_roundtrip_bellows_is_primed_and_certified(tmp_path, wanted):
    program = program_of(tmp_path, PROGRAMS["bellows"]())
    edits = Edits.none(program)
    changes, laid, why = mend_prime(program, edits, wanted)
    assert not why and len(changes) == 1
    assert 0.5 * wanted <= laid <= wanted + 1.0
    rewrite(program, edits, tmp_path / "out.gcode")
    read = read_program(tmp_path / "out.gcode")
    added = np.flatnonzero(read.kind == BEAD)[: int((read.kind == BEAD).sum() - (program.kind == BEAD).sum())]
    assert read.filament_mm[added].sum() == pytest.approx(laid, abs=2e-3)
    part = shapely.multilinestrings(bead_lines(program, np.flatnonzero(program.kind == BEAD)).tolist())
    assert shapely.distance(bead_lines(read, added), part).min() >= CLEAR_MM - 1e-3
    everything = np.ones(program.kind.size, bool), np.ones(read.kind.size, bool)
    low, high = extent_mm(program, everything[0])
    new_low, new_high = extent_mm(read, everything[1])
    assert (new_low >= np.maximum(low - 1, np.minimum(low, 0))).all() and (new_high <= high + 1).all()
    assert certify(tmp_path / "in.gcode", tmp_path / "out.gcode", Intent(prime_mm=laid)).certified
    assert not certify(tmp_path / "in.gcode", tmp_path / "out.gcode", Intent(prime_mm=0.8 * laid)).certified
    assert primes_itself(read, wanted)
    assert mend_prime(read, Edits.none(read), wanted)[0] == []


@pytest.mark.parametrize("name", ["feet", "gasket", "strain-relief"])
def test_limit_a_skirt_is_seen(tmp_path, name):
    program = program_of(tmp_path, PROGRAMS[name]())
    edits = Edits.none(program)
    changes, laid, why = mend_prime(program, edits, 1.5)
    assert (changes, laid, edits.inserts) == ([], 0.0, {})
    assert "feeds beside the part" in why


def test_limit_filament_alone_and_two_loops_are_seen(tmp_path):
    part = [*_square(30, 30, 20, 0.2), *_square(30, 30, 20, 0.4)]
    fed = program_of(tmp_path, [*_HEAD, "G1 E2 F300", *part], "fed.gcode")
    assert primes_itself(fed, 1.5)
    pulled = program_of(tmp_path, [*_HEAD, "G1 E-1 F300", "G1 E1", *part], "pulled.gcode")
    assert not primes_itself(pulled, 1.5)
    loops = [*_square(10, 10, 60, 0.2), *_square(10.4, 10.4, 59.2, 0.2)]
    assert primes_itself(program_of(tmp_path, [*_HEAD, *loops, *part], "loops.gcode"), 1.5)
    assert not primes_itself(program_of(tmp_path, [*_HEAD, *part], "none.gcode"), 1.5)
    # a single layer: what ends on the first piece is the part
    assert primes_itself(program_of(tmp_path, [*_HEAD, *loops, *_square(30, 30, 20, 0.2)], "flat.gcode"), 1.5)
    assert not primes_itself(program_of(tmp_path, [*_HEAD, *_square(30, 30, 20, 0.2)], "one.gcode"), 1.5)


def test_limit_no_room_is_said(tmp_path):
    program = program_of(tmp_path, [*_HEAD, *_square(0, 0, 20, 0.2), *_square(0, 0, 20, 0.4)])
    edits = Edits.none(program)
    changes, _, why = mend_prime(program, edits, 1.5)
    assert changes == [] and not edits.inserts
    assert "no free corner" in why


def test_limit_never_below_zero(tmp_path):
    """The travel makes room to the left, but the bed ends there."""
    lines = [*_HEAD, "G1 Z0.2 F600", "G0 X0.5 Y0.5 F7200", "G0 X90 Y90 F7200", *_square(4, 4, 40, 0.2)]
    program = program_of(tmp_path, [*lines, *_square(4, 4, 40, 0.4)])
    edits = Edits.none(program)
    changes, _, why = mend_prime(program, edits, 1.0)
    assert changes, why
    places = np.array([m.xy_mm for m in edits.inserts[int(np.argmax(program.kind == BEAD))]])
    assert (places >= 0).all()
