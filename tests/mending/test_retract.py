"""Retraction: in pairs, no longer than what is stored, gentle, and out where it is of no use."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mend_workshop import PROGRAMS, judged, program_of
from pliant.constants import GENTLE_MM_PER_S
from pliant.feed.pull import MOST_PASSES, Pull, passes_through_drive, pull_for
from pliant.mending.retract import NO_THREAD_MM, mend_retraction
from pliant.program.write import Edits
from pliant.records.program import RECOVER, RETRACT

_KEEP = pull_for(0.2, 0.5, 0.9)


def _mended(case, air, stored, pull=_KEEP):
    edits = Edits.none(case.program)
    return edits, mend_retraction(case.program, edits, case.leads, air, stored, pull)[0]


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_limit_pairs_stay_pairs_and_nothing_grows(tmp_path_factory, data):
    """Whatever is stored and however much air there is: in pairs, no longer, no faster, no more than is stored."""
    case = judged(program_of(tmp_path_factory.mktemp("r"), PROGRAMS["strain-relief"]()))
    n = len(case.leads)
    air = np.array(data.draw(st.lists(st.sampled_from([0.0, 0.4, 3.0, 40.0]), min_size=n, max_size=n)))
    stored = np.array(data.draw(st.lists(st.sampled_from([0.0, 0.02, 0.3, 0.95, 5.0]), min_size=n, max_size=n)))
    edits, changes = _mended(case, air, stored)
    p = case.program
    given_mm = np.where(edits.drop, 0.0, edits.filament_mm)
    for lead, open_mm, most in zip(case.leads, air, stored, strict=True):
        between = given_mm[lead.first : lead.last]
        assert between.sum() == pytest.approx(p.filament_mm[lead.first : lead.last].sum(), abs=1e-9)
        back = -between[between < 0].sum()
        assert back <= max(most * 1.1, 0.0) + 1e-3 or not lead.simple
        if open_mm < NO_THREAD_MM and lead.simple:
            assert back == 0
    assert (np.abs(given_mm) <= np.abs(p.filament_mm) + 1e-12).all()
    assert (edits.speed_mm_per_s <= p.speed_mm_per_s).all()
    moved = np.isin(p.kind, (RETRACT, RECOVER))
    np.testing.assert_array_equal(edits.filament_mm[~moved], p.filament_mm[~moved])
    assert not edits.drop[~moved].any()
    assert all(c.pass_name == "retract" and c.why for c in changes)


def test_limit_kept_ones_are_gentle(tmp_path):
    case = judged(program_of(tmp_path, PROGRAMS["feet"]()))
    n = len(case.leads)
    edits, changes = _mended(case, np.full(n, 10.0), np.full(n, 0.5))
    kept = np.isin(case.program.kind, (RETRACT, RECOVER)) & ~edits.drop
    assert kept.any()
    assert (edits.speed_mm_per_s[kept] <= GENTLE_MM_PER_S).all()
    assert (np.abs(edits.filament_mm[kept]) == 0.5).all()
    assert "0.50 mm at 15 mm/s" in changes[0].after


def test_limit_the_same_filament_passes_the_drive_so_often(tmp_path):
    """Twenty retractions with next to nothing laid between them."""
    lines = ["G90", "M83", "G1 Z0.2 F600", "G1 X10 Y10 F6000", "G1 X20 Y10 E0.4 F900"]
    for k in range(20):
        lines += ["G1 E-1 F1800", f"G0 X{30 + 10 * k} Y10 F6000", "G1 E1 F1800", f"G1 X{31 + 10 * k} Y10 E0.03 F900"]
    case = judged(program_of(tmp_path, lines))
    assert passes_through_drive(case.program.filament_mm) > MOST_PASSES
    edits, changes = _mended(case, case.air, np.full(len(case.leads), 5.0))
    after = passes_through_drive(np.where(edits.drop, 0.0, edits.filament_mm))
    assert after <= MOST_PASSES
    assert any("pass the drive" in c.why for c in changes)


def test_limit_a_second_time_changes_nothing(tmp_path):
    case = judged(program_of(tmp_path, PROGRAMS["feet"]()))
    n = len(case.leads)
    edits, _ = _mended(case, case.air, np.full(n, 0.6))
    from pliant.program.read import read_program
    from pliant.program.write import rewrite

    rewrite(case.program, edits, tmp_path / "out.gcode")
    again = judged(read_program(tmp_path / "out.gcode"))
    _, changes = _mended(again, again.air, np.full(len(again.leads), 0.58))
    assert changes == []


def test_limit_back_and_forth_on_the_spot_is_needless(tmp_path):
    lines = ["G90", "M83", "G1 Z0.2 F600", "G1 X10 Y10 F6000", "G1 X40 Y10 E1.2 F900", "G1 E-1 F1800", "G1 E1 F1800"]
    case = judged(program_of(tmp_path, [*lines, "G1 X40 Y40 E1.2 F900", "G1 X10 Y40 E1.2"]))
    edits, (change,) = _mended(case, case.air, np.full(1, 5.0))
    assert case.program.kind[edits.drop].tolist() == [RETRACT, RECOVER]
    assert change.after == "none" and "nowhere" in change.why


def _many(wiped):
    """Twenty pulls of the same filament; every second one while the nozzle moves, where `wiped`."""
    lines = ["G90", "M83", "G1 Z0.2 F600", "G1 X10 Y10 F6000", "G1 X20 Y10 E0.4 F900"]
    for k in range(20):
        to = f"X{19 + 10 * k} Y10 " if wiped(k) else ""
        lines += [f"G1 {to}E-1 F1800", f"G0 X{30 + 10 * k} Y10 F6000", "G1 E1 F1800"]
        lines += [f"G1 X{31 + 10 * k} Y10 E0.03 F900"]
    return lines


def test_regression_passes_of_what_has_to_stay_count_with_the_others(tmp_path):
    """Pulls that cannot be taken out use up the passes: the others go, and what is still too much is told."""
    few = judged(program_of(tmp_path, _many(lambda k: k % 8 == 0)))
    edits, changes = _mended(few, few.air, np.full(len(few.leads), 0.95))
    assert passes_through_drive(np.where(edits.drop, 0.0, edits.filament_mm)) <= MOST_PASSES
    assert any("pass the drive" in c.why for c in changes)
    many = judged(program_of(tmp_path, _many(lambda k: True), "many.gcode"))
    edits = Edits.none(many.program)
    changes, notes = mend_retraction(
        many.program, edits, many.leads, many.air, np.full(len(many.leads), 0.95), _KEEP
    )  # fmt: skip
    assert changes == [] and not edits.drop.any()
    assert any("still passes the drive 41 times, more than the 8" in note for note in notes)


def test_regression_what_is_kept_says_why_it_pays(tmp_path):
    case = judged(program_of(tmp_path, PROGRAMS["feet"]()))
    n = len(case.leads)
    edits = Edits.none(case.program)
    changes, notes = mend_retraction(case.program, edits, case.leads, np.full(n, 10.0), np.full(n, 0.5), _KEEP)
    assert all("it pays over 10.0 mm of air" in c.why for c in changes if c.after != "none")
    assert f"of 0.50 mm stay: {_KEEP.why.removesuffix('.')}" in notes[0]


def test_limit_none_takes_every_pair_out_pulls_in_several_moves_too(tmp_path):
    lines = ["G90", "M83", "G1 Z0.2 F600", "G1 X10 Y10 F6000", "G1 X20 Y10 E0.4 F900"]
    for k in range(3):
        lines += ["G1 E-0.5 F1800", "G1 E-0.3 F600", f"G0 X{40 + 20 * k} Y10 F6000", "G1 E0.8 F1800"]
        lines += [f"G1 X{46 + 20 * k} Y10 E0.2 F900"]
    case = judged(program_of(tmp_path, lines))
    none = Pull(0.0, "you asked for none")
    edits, changes = _mended(case, case.air, np.full(len(case.leads), 0.5), none)
    assert passes_through_drive(np.where(edits.drop, 0.0, edits.filament_mm)) == 1
    assert [(c.before, c.after, c.why) for c in changes] == [("0.80 mm in 2 moves", "none", "you asked for none")] * 3
