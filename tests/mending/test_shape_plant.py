"""Shaped feeds against a plant of its own equations, and a store that is learned from what is read off that plant."""

import numpy as np
import pytest

from plant import bead_of_lines, tapers_of, truths_of
from pliant.coupons.stop_start import stop_start_steps
from pliant.feed import chain
from pliant.feed.along import StoreLaw
from pliant.feed.store_known import SteadyBead, laws_of
from pliant.job.job import job_of, motion_of
from pliant.mending.shape import mend_shape
from pliant.program.read import read_program
from pliant.program.write import Edits, rewrite
from pliant.records.coupon import Readings, Result
from pliant.records.starters import starter
from pliant.workflows.learn import learn
from shape_program import PER_MM, lines_of_runs, pair

_FLOW = 0.09 * 15.0


def _measured(truth, ratio):
    """What this plant stores: fed less than given, over a long run at two flows."""
    import plant

    held = []
    for flow in (_FLOW / 1.5, _FLOW * 1.5):
        fed = np.full(int(40 / plant._DT), flow / truth.area_mm2 * plant._DT)
        out, _, _ = plant._steps(truth, fed, np.full(fed.size, ratio))
        held.append(fed.sum() * truth.area_mm2 - out.sum())
    n = float(np.log(held[1] / held[0]) / (2 * np.log(1.5)))
    return StoreLaw(float(np.sqrt(held[0] * held[1])) / _FLOW**n / ratio, min(n, 1.0))


@pytest.mark.parametrize(("speed", "most"), [(15.0, 0.09), (30.0, 0.16)])
def test_limit_a_known_store_is_right_on_another_plant(tmp_path, speed, most):
    """Planned with what is stored, the bead is right though friction, late part and springs are not the planner's."""
    records = pair("open-gap", "95A")
    path, goal = tmp_path / "in.gcode", tmp_path / "out.gcode"
    path.write_text("\n".join(lines_of_runs(speed=speed, runs=4)) + "\n")
    truth = truths_of(*records, 4, flow=_FLOW)[1]
    ratio = float(np.asarray(chain.dam_ratio(0.45, 0.2, truth.theta)).reshape(-1)[0])
    job = job_of(read_program(path), *records)
    job.__dict__["store"] = _measured(truth, ratio)
    job.__dict__["squeeze"] = np.where(job.program.kind == 0, ratio, 1.0)
    edits = Edits.none(job.program)
    mend_shape(job, edits)
    rewrite(job.program, edits, goal)
    plain, shaped = (
        bead_of_lines(read_program(p), truth, motion_of(records[0]), PER_MM, ratio=ratio) for p in (path, goal)
    )
    assert shaped.rms < most and shaped.rms < 0.45 * plain.rms
    assert shaped.ooze_mm3 < 0.2 * plain.ooze_mm3
    assert np.abs(shaped.start).max() < 0.6 and np.abs(plain.start).max() > np.abs(shaped.start).max()


def test_roundtrip_the_store_is_learned_from_one_piece(tmp_path):
    """Readings off the plant, without scatter: what is learned holds what the plant stores, and narrows the belief."""
    (tmp_path / "m.toml").write_text(starter("machine", "open-gap"), encoding="utf-8")
    (tmp_path / "f.toml").write_text(starter("filament", "95A"), encoding="utf-8")
    machine, filament = pair("open-gap", "95A")
    truth = truths_of(machine, filament, 4, flow=_FLOW)[2]
    results, steps = [], stop_start_steps(machine, filament)
    for step in steps:
        ratio = float(np.asarray(chain.dam_ratio(step.width_mm, step.gap_mm, truth.theta)).reshape(-1)[0])
        tail, lead = tapers_of(truth, step, ratio=ratio)
        results.append(Result(tail_mm=float(tail), lead_mm=float(lead)))
    sheet = Readings("stop-start", steps, tuple(results), name="s.toml", machine=machine.name, filament=filament.name)
    told = learn([sheet], tmp_path / "m.toml", tmp_path / "f.toml", write=False)
    before, after = told.store_before, told.store_after
    bead = SteadyBead(after.flow_mm3_per_s, filament.reference_c, 0.46, 0.16)
    s1, n = laws_of(machine, truth.theta, bead)
    true = float(s1[0] * after.flow_mm3_per_s ** n[0])
    assert after.stored_mm3[0] == pytest.approx(true, rel=0.25)
    ranges = [np.log(known.stored_mm3[2] / known.stored_mm3[1]) for known in (before, after)]
    assert ranges[1] < 0.4 * ranges[0]
    assert told.bead_error_after < told.bead_error_before
