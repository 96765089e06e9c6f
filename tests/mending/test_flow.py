"""Flow: slower where it must be, never faster, and the target met or said to be out of reach."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mend_workshop import PROGRAMS, judged, program_of
from pliant.feed.envelope import operating_groups
from pliant.feed.risk import USEFUL_MM_PER_S, jam_risk
from pliant.mending.flow import capped_speed, plan_flow, slowed_changes
from pliant.records.program import BEAD, PRIME


def _plan(case, target, **more):
    return plan_flow(case.job, target, **more)


def _risk(case, speed):
    return jam_risk(case.course_at(speed), case.machine, case.filament, shares=False).probability


@pytest.mark.parametrize("name", sorted(PROGRAMS))
def test_limit_target_met_and_nothing_faster(tmp_path, name):
    case = judged(program_of(tmp_path, PROGRAMS[name]()))
    plan = _plan(case, 0.02)
    assert plan.meets
    assert plan.jam_probability <= 0.02
    # how the margin runs along the job is taken once, before the last few percent of the caps are found
    assert _risk(case, plan.speed_mm_per_s) == pytest.approx(plan.jam_probability, rel=0.05)
    assert (plan.speed_mm_per_s <= case.program.speed_mm_per_s).all()
    laid = (case.program.kind == BEAD) | (case.program.kind == PRIME)
    np.testing.assert_array_equal(plan.speed_mm_per_s[~laid], case.program.speed_mm_per_s[~laid])


@pytest.mark.parametrize("name", ["feet", "bellows"])
def test_limit_margin_is_used(tmp_path, name):
    """Plans for a softer target are faster, and all planned speeds five per cent up would miss the target."""
    case = judged(program_of(tmp_path, PROGRAMS[name]()))
    tight, loose = _plan(case, 0.02), _plan(case, 0.1)
    assert case.seconds(loose.speed_mm_per_s) < case.seconds(tight.speed_mm_per_s)
    asked, planned = case.program.speed_mm_per_s, tight.speed_mm_per_s
    faster = np.where(planned < asked, np.minimum(1.08 * planned, asked), planned)
    assert _risk(case, faster) > 0.02


def test_limit_out_of_reach_is_said(tmp_path):
    case = judged(program_of(tmp_path, PROGRAMS["gasket"]()), "75A", "long-tube")
    plan = _plan(case, 0.02)
    assert not plan.meets
    assert plan.jam_probability > 0.02
    laid = case.program.kind == BEAD
    assert (plan.speed_mm_per_s[laid] == np.minimum(case.program.speed_mm_per_s[laid], USEFUL_MM_PER_S)).all()


def test_limit_a_program_that_feeds_is_left_alone(tmp_path):
    case = judged(program_of(tmp_path, PROGRAMS["feet"]()))
    slow = 0.2 * case.program.speed_mm_per_s
    case.program.speed_mm_per_s[:] = slow
    plan = _plan(case, 0.02)
    assert plan.meets
    np.testing.assert_array_equal(plan.speed_mm_per_s, slow)
    assert slowed_changes(case.program, plan.speed_mm_per_s, case.layering.layer, "why") == []


def test_limit_what_is_known_need_not_be_found_again(tmp_path):
    case = judged(program_of(tmp_path, PROGRAMS["feet"]()))
    chance = jam_risk(case.job.course, case.machine, case.filament, shares=False).probability
    np.testing.assert_array_equal(_plan(case, 0.02).speed_mm_per_s, _plan(case, 0.02, chance=chance).speed_mm_per_s)


@settings(max_examples=30, deadline=None)
@given(caps=st.lists(st.floats(0.01, 20.0), min_size=8, max_size=8))
def test_limit_caps_hold_flow_and_never_raise_speed(tmp_path_factory, caps):
    case = judged(program_of(tmp_path_factory.mktemp("caps"), PROGRAMS["strain-relief"]()))
    p, groups = case.program, operating_groups(case.course_at(case.program.speed_mm_per_s))
    limits = np.resize(np.array(caps), groups.gap_mm.size)
    speed = capped_speed(p, groups, limits, 1.75)
    assert (speed <= p.speed_mm_per_s).all()
    laid = np.flatnonzero((p.kind == BEAD) & (p.length_mm > 0))
    flow = p.filament_mm[laid] / p.length_mm[laid] * np.pi * 1.75**2 / 4 * speed[laid]
    floor = speed[laid] <= USEFUL_MM_PER_S * (1 + 1e-9)
    assert (floor | (flow <= limits[groups.index[laid]] * (1 + 1e-9))).all()


def test_limit_changes_tell_every_stretch_once(tmp_path):
    case = judged(program_of(tmp_path, PROGRAMS["feet"]()))
    plan = _plan(case, 0.02)
    changes = slowed_changes(case.program, plan.speed_mm_per_s, case.layering.layer, "because")
    assert [c.pass_name for c in changes][:2] == ["first layer", "flow"]
    assert len({c.line for c in changes}) == len(changes)
    assert all(c.why == "because" and c.before != c.after for c in changes)
