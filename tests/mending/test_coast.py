"""Coast: no more than the lag fills, no more than a share of the run, and given back before the next one."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mend_workshop import PROGRAMS, judged, program_of
from pliant.feed import chain
from pliant.feed.load import follow
from pliant.mending.coast import LEAST_FILL, MOST_OF_RUN, Melt, coast_mm, mend_coast
from pliant.models.lag import ooze_mm3
from pliant.program.read import read_program
from pliant.program.write import Edits, rewrite
from pliant.records.program import BEAD

_AREA = np.pi * 1.75**2 / 4
_ONE = st.floats(0.01, 20.0)


def _melt(index=0.56, compliance=0.4):
    return Melt(np.zeros(0), np.zeros(0), compliance, index, _AREA)


@given(asked=st.floats(0.05, 2.0), run=st.floats(0.01, 50.0), pressure=_ONE, flow=st.floats(0.05, 8.0),
       index=st.floats(0.3, 1.0))  # fmt: skip
def test_limit_no_seam_starves(asked, run, pressure, flow, index):
    """What is left to the lag is filled to the stated share, and bounded by the run and by what is stored."""
    melt = _melt(index)
    held = coast_mm(asked, run, pressure, flow, melt)
    assert 0 <= held <= MOST_OF_RUN * run * (1 + 1e-9)
    assert held * _AREA <= melt.compliance_mm3_per_mpa * pressure * (1 + 1e-9)
    if held > 0:
        delivered = ooze_mm3(held / asked, pressure, flow, melt.compliance_mm3_per_mpa, index)
        assert delivered >= LEAST_FILL * held * _AREA * (1 - 1e-6)


def test_limit_linear_lag():
    """Index 1: the mean of an exponential over a stretch x time constants long is (1 - exp(-x)) / x."""
    melt = _melt(1.0)
    pressure, asked = 5.0, 0.5
    flow = asked * _AREA  # steady
    tau = melt.compliance_mm3_per_mpa * pressure / flow
    held = coast_mm(asked, 1e6, pressure, flow, melt)
    x = held / asked / tau
    assert (1 - np.exp(-x)) / x == pytest.approx(LEAST_FILL, rel=1e-6)


@pytest.mark.parametrize("none", [(0.0, 1, 1, 1), (1, 0.0, 1, 1), (1, 1, 0.0, 1), (1, 1, 1, 0.0), (1.0, 10, 5, 0.5)])
def test_limit_nothing_without_pressure(none):
    assert coast_mm(*none, _melt()) == 0.0


def _coasted(case, fed=15.0):
    load = follow(case.course_at(case.program.speed_mm_per_s), case.machine, case.filament)
    theta = chain.central(case.machine, case.filament)
    ends = np.array([lead.first - 1 for lead in case.leads])
    melt = Melt(
        load.end_mpa[ends].astype(float), load.flow_mm3_per_s[ends].astype(float),
        float(chain.compliance(case.machine, theta)), theta["flow_index"], _AREA,
    )  # fmt: skip
    edits = Edits.none(case.program)
    return edits, *mend_coast(case.program, edits, case.leads, case.air, melt, fed)


@pytest.mark.parametrize("name", ["feet", "gasket", "strain-relief"])
def test_roundtrip_volume_is_held_back_and_given_back(tmp_path, name):
    """Straight runs, arcs, absolute and relative filament: written, read again, and every gap balances."""
    case = judged(program_of(tmp_path, PROGRAMS[name]()))
    edits, changes, most, why = _coasted(case)
    assert changes and not why and most > 0
    rewrite(case.program, edits, tmp_path / "out.gcode")
    read = read_program(tmp_path / "out.gcode")
    before, after = case.program, read
    assert after.filament_mm.sum() == pytest.approx(before.filament_mm.sum(), abs=1e-3)
    laid = [p.filament_mm[p.kind == BEAD].sum() for p in (before, after)]
    assert 0 < laid[0] - laid[1] <= most * len(changes)
    fed = [p.length_mm[p.filament_mm > 0].sum() for p in (before, after)]
    assert fed[1] < fed[0]
    np.testing.assert_allclose(after.point_mm[-1], before.point_mm[-1])
    # leads that give back more than they took are left alone; what no longer covers travel may open a few others
    for k in range(4):
        edits, more, _, _ = _coasted(judged(read))
        assert len(more) < len(changes)
        if not more:
            break
        rewrite(read, edits, tmp_path / f"again-{k}.gcode")
        read = read_program(tmp_path / f"again-{k}.gcode")
    assert more == []


def test_limit_only_before_air_and_where_filament_moves_alone(tmp_path):
    case = judged(program_of(tmp_path, PROGRAMS["bellows"]()))
    _, changes, most, why = _coasted(case)
    assert (changes, most) == ([], 0.0) and "no run ends before open travel" in why
    plain = ["G90", "M83", "G1 Z0.2 F600", "G1 X10 Y10 F6000", "G1 X160 Y10 E5.1 F900", "G0 X160 Y40 F6000",
             "G1 X10 Y40 E5.1 F900", "G0 X10 Y80 F6000", "G1 X160 Y80 E5.1 F900"]  # fmt: skip
    case = judged(program_of(tmp_path, plain))
    _, changes, _, why = _coasted(case, fed=0.0)
    assert changes == [] and "no speed to give it back at" in why
    edits, changes, _, _ = _coasted(case, fed=20.0)
    assert len(changes) == 2
    given, *piece = edits.inserts[case.leads[0].last]
    assert (given.speed_mm_per_s, given.xy_mm) == (15.0, None) and given.filament_mm > 0
    assert [p.xy_mm is not None for p in piece] == [True]  # the next run ends early too
