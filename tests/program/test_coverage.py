"""Open and covered travel of whole programs, from text to record."""

import numpy as np
import pytest

from pliant.errors import DomainError
from pliant.program import coverage
from pliant.program.coverage import bead_widths_mm, chords_of, find_coverage
from pliant.program.layers import find_layers
from pliant.program.read import read_program
from pliant.records.program import TRAVEL

HEAD = "M83\nG92 E0\nG1 X0 Y0 Z0.2 F600\n"


def _read(tmp_path, text):
    path = tmp_path / "p.gcode"
    path.write_text(HEAD + text)
    program = read_program(path)
    return program, find_layers(program)


TWO = "G1 X10 E0.4\nG0 X10 Y4\nG0 X14\nG1 X20 E0.2\n"


def test_limit_open_travel_between_two_beads(tmp_path):
    program, layering = _read(tmp_path, TWO)
    got = find_coverage(program, layering, 1.0)
    assert got.covered_mm.sum() == pytest.approx(0.5 + 0.5)
    assert got.open_mm.sum() == pytest.approx(3.5 + 3.5)
    assert got.stretch_mm == pytest.approx(np.array([[10, 0.5, 10, 4], [10, 4, 13.5, 4]]))
    assert list(got.thread) == [0, 0]  # one thread round the corner
    assert got.thread_mm() == pytest.approx([7.0])
    assert list(got.strings(6.9)) == [got.move[0]] and got.strings(7.1).size == 0


def test_limit_nothing_hangs_before_the_first_or_after_the_last_bead(tmp_path):
    program, layering = _read(tmp_path, "G0 X50\nG0 X0\n" + TWO + "G0 X90 Y90\n")
    got = find_coverage(program, layering, 1.0)
    assert got.open_mm.sum() == pytest.approx(7.0)


def test_limit_a_lifted_travel_counts_by_its_way_in_x_and_y(tmp_path):
    flat = find_coverage(*_read(tmp_path, TWO), 1.0)
    text = TWO.replace("G0 X10 Y4\n", "G0 Z0.6\nG0 X10 Y4\n").replace("G0 X14\n", "G0 X14\nG0 Z0.2\n")
    lifted = find_coverage(*_read(tmp_path, text), 1.0)
    assert lifted.open_mm.sum() == pytest.approx(flat.open_mm.sum())
    assert lifted.thread_mm() == pytest.approx([7.0])  # the lift itself neither hangs nor ends the thread


def test_limit_a_wipe_counts_and_a_bead_breaks_the_thread(tmp_path):
    text = "G1 X10 E0.4\nG1 Y4 E-0.5\nG1 E0.5\nG1 X12 E0.1\nG0 X12 Y8\nG1 X14 E0.1\n"
    got = find_coverage(*_read(tmp_path, text), 1.0)
    assert got.open_mm.sum() == pytest.approx(3.0 + 3.0)
    assert list(got.thread) == [0, 1]


def test_limit_beads_of_another_layer_do_not_cover(tmp_path):
    text = "G1 X20 E0.4\nG0 Y1\nG0 Z0.4\nG1 X18 E0.1\nG0 X2\nG1 X0 E0.1\nG0 X1 Z0.6\nG1 X3 E0.1\n"
    program, layering = _read(tmp_path, text)
    got = find_coverage(program, layering, 1.0)
    assert list(layering.top_mm) == pytest.approx([0.2, 0.4, 0.6])
    # off the first layer's bead, over the second layer's two beads (the first would cover all), over the third's
    assert got.open_mm[program.kind == TRAVEL][1:] == pytest.approx([0.5, 0.0, 15.0, 0.0])
    assert got.covered_mm[program.kind == TRAVEL][1:] == pytest.approx([0.5, 0.0, 1.0, 1.0])


def test_limit_only_what_is_laid_when_asked(tmp_path):
    text = "G1 X4 E0.1\nG0 X10\nG1 X20 E0.2\nG0 Y1\nG1 Y0 X7 E0.1\n"
    program, layering = _read(tmp_path, text)
    late = find_coverage(program, layering, 1.0)
    early = find_coverage(program, layering, 1.0, laid_before_only=True)
    assert early.open_mm.sum() == pytest.approx(5.5 + 0.5)
    assert late.open_mm.sum() < early.open_mm.sum()


def test_limit_arcs_run_along_their_circle(tmp_path):
    # a bead of a full circle covers a travel along the same circle, but not one along its diameter
    text = "G1 X0.001 E0.01\nG0 X10 Y0\nG3 X10 Y0 I-5 J0 E2\nG2 X10 Y0 I-5 J0\nG0 X0\nG1 X0.5 E0.1\n"
    program, layering = _read(tmp_path, text)
    got = find_coverage(program, layering, 0.5)
    arc = np.flatnonzero(program.sweep_rad < 0)[0]
    assert got.covered_mm[arc] == pytest.approx(2 * np.pi * 5, rel=1e-3)
    assert got.open_mm[arc] == 0
    assert got.open_mm[arc + 1] == pytest.approx(10 - 0.25 - 0.75, abs=0.01)


def test_limit_chords_stay_within_the_sagitta_and_join(tmp_path):
    program, _ = _read(tmp_path, "G0 X10 Y0\nG3 X-10 Y0 I-10 J0 E1\n")
    arc = np.flatnonzero(program.sweep_rad)
    chord, move = chords_of(program, arc)
    middle = (chord[:, :2] + chord[:, 2:]) / 2
    assert np.all(np.hypot(*middle.T) > 10 - 0.005 - 1e-12)
    assert np.all(chord[1:, :2] == chord[:-1, 2:]) and set(move) == {arc[0]}
    assert np.all(chord[0, :2] == [10, 0]) and np.all(chord[-1, 2:] == [-10, 0])


def test_limit_batches_change_nothing(tmp_path, monkeypatch):
    text = "".join(f"G1 Z{0.2 * k:.1f}\nG0 X{k} Y0\nG1 X20 E1\nG0 X{k} Y9\nG1 X{k + 5} E0.5\n" for k in range(1, 9))
    program, layering = _read(tmp_path, text)
    whole = find_coverage(program, layering, 0.6)
    monkeypatch.setattr(coverage, "_BATCH_CHORDS", 5)
    parts = find_coverage(program, layering, 0.6)
    assert np.array_equal(whole.open_mm, parts.open_mm) and np.array_equal(whole.thread, parts.thread)
    assert whole.open_mm.sum() > 0


def test_limit_width_from_volume(tmp_path):
    # 0.45 x 0.2 mm: 0.033849 mm of 1.75 mm filament per mm of bead (reference/toolpath.md 1.9)
    program, layering = _read(tmp_path, "G1 X100 E3.3849\nG0 X200\nG1 X200.01 E3\n")
    width = bead_widths_mm(program, layering)
    assert width[width > 0] == pytest.approx([0.45, 5 * 0.45], rel=1e-4)


def test_limit_a_program_without_beads_has_no_coverage(tmp_path):
    program, layering = _read(tmp_path, "G0 X10\nG0 Y10\n")
    got = find_coverage(program, layering, bead_widths_mm(program, layering))
    assert got.open_mm.sum() == 0 and got.thread_mm().size == 0 and got.strings().size == 0


def test_limit_a_bad_width_is_refused(tmp_path):
    program, layering = _read(tmp_path, TWO)
    with pytest.raises(DomainError, match="width_mm of a bead must be finite"):
        find_coverage(program, layering, np.nan)
