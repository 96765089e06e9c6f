"""Factor: from its causes, in the right direction, on the certificate, and never over the program's own."""

from dataclasses import replace

import numpy as np
import pytest

from mend_workshop import PROGRAMS, filament, machine, program_of
from pliant.feed.metered import RIGID_MPA, Losses
from pliant.mending.factor import MOST, mend_factor, metering_losses
from pliant.program.read import read_program
from pliant.program.write import Edits, rewrite
from pliant.proving.certificate import certify
from pliant.records.mending import Intent


def _with(record, **values):
    return replace(record, **{k: replace(getattr(record, k), value=v) for k, v in values.items()})


def test_limit_each_cause_in_its_direction():
    m, f = machine(), filament()
    base = metering_losses(m, f, 4.0)
    assert metering_losses(m, f, 8.0).slip == pytest.approx(2 * base.slip)
    pulled = metering_losses(_with(m, spool_pull_n=2 * m.spool_pull_n.value), f, 4.0)
    assert (pulled.stretch, pulled.bite) == (pytest.approx(2 * base.stretch), base.bite)
    assert metering_losses(_with(m, wheel_radius_mm=11.0), f, 4.0).bite < base.bite
    soft = metering_losses(m, filament("75A"), 4.0)
    assert soft.bite > base.bite and soft.stretch > base.stretch
    rigid = metering_losses(m, _with(f, youngs_modulus_mpa=RIGID_MPA), 4.0)
    assert rigid.bite == 0 and rigid.stretch < 0.001
    assert metering_losses(m, f, 1e6).slip < 1  # past the grip the drive slips for good: bounded


def test_limit_rough_size_of_practice():
    """Common practice, no source: soft filament needs about 1.1. Ours comes from its causes and is of that size."""
    m = machine()
    for spool in ("95A", "85A"):
        losses = metering_losses(m, filament(spool), 4.0)
        factor = 1 / ((1 - losses.stretch) * (1 - losses.slip) * (1 - losses.bite))
        assert 1.03 < factor < 1.25
        assert losses.dominant == "bite"


@pytest.mark.parametrize("name", sorted(PROGRAMS))
def test_roundtrip_stated_and_taken_back(tmp_path, name):
    program = program_of(tmp_path, PROGRAMS[name]())
    edits = Edits.none(program)
    changes, factor, why = mend_factor(program, edits, Losses(0.01, 0.02, 0.055))
    assert not why and factor == 1.09
    assert "stretch 1.0 %, slip 2.0 %, bite 5.5 %; most of it to teeth that sink in" in changes[0].why
    rewrite(program, edits, tmp_path / "out.gcode")
    read = read_program(tmp_path / "out.gcode")
    np.testing.assert_allclose(read.filament_mm, 1.09 * program.filament_mm, atol=1e-9)
    assert read.states["flow_factor"][read.state[-1]] in (1.0, 1.09)
    text = (tmp_path / "out.gcode").read_text()
    assert text.index("M221 S109") < text.index("\nG1 X") and text.rindex("M221 S100") > text.rindex(" E")
    files = tmp_path / "in.gcode", tmp_path / "out.gcode"
    assert certify(*files, Intent(flow_factor=1.09)).certified
    assert not certify(*files, Intent(flow_factor=1.08)).certified
    assert not certify(*files, Intent()).certified
    assert mend_factor(read, Edits.none(read), Losses(0.01, 0.02, 0.055))[0] == []


def test_limit_left_alone_with_a_reason(tmp_path):
    own = program_of(tmp_path, "G90\nM83\nM221 S95\nG1 X1 E1 F600\n")
    edits = Edits.none(own)
    assert mend_factor(own, edits, Losses(0.0, 0.0, 0.1)) == ([], 1.0, "the program sets its own flow factor (M221)")
    plain = program_of(tmp_path, "G90\nM83\nG1 X1 E1 F600\n")
    changes, factor, why = mend_factor(plain, Edits.none(plain), Losses(0.001, 0.001, 0.001))
    assert (changes, factor) == ([], 1.0) and "not worth a word" in why
    assert edits.before_line == {}


def test_limit_bounded_and_said(tmp_path):
    program = program_of(tmp_path, "G90\nM83\nG1 X1 E1 F600\n")
    changes, factor, _ = mend_factor(program, Edits.none(program), Losses(0.02, 0.05, 0.4))
    assert factor == MOST and "bounded, the losses call for 1.79" in changes[0].why
