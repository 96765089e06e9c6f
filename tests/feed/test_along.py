"""The bead along a job: the store is the chain's, a rigid spool lays what was asked, drawn widths hold the volume."""

import numpy as np
import pytest

from mend_workshop import PROGRAMS, program_of
from pliant.feed import chain
from pliant.feed.along import StoreLaw
from pliant.feed.pull import stored_mm
from pliant.job.job import job_of
from pliant.job.widths import widths_of
from recipes import filament, machine

_AREA = np.pi * 1.75**2 / 4


def _job(tmp_path, spool="95A", on="open-gap", name="strain-relief"):
    return job_of(program_of(tmp_path, PROGRAMS[name]()), machine(on), filament(spool))


@pytest.mark.parametrize(("on", "spool"), [("open-gap", "95A"), ("guided", "75A"), ("tube-2.0", "95A")])
def test_limit_the_law_is_the_chains_own_store(tmp_path, on, spool):
    """At the flow it was laid through, it holds what the chain presses together at that pressure."""
    job = _job(tmp_path, spool, on)
    law, theta = job.store, chain.central(job.machine, job.filament)
    bead = np.flatnonzero(job.laying.sections.width_mm > 0)
    volume = job.course.filament_mm[bead] * _AREA
    q = float(np.median(volume / job.course.length_mm[bead] * job.course.peak_mm_per_s[bead]))
    r = float(np.median(job.squeeze[bead]))
    celsius = float(job.course.nozzle_c[0])
    pressure = r * chain.free_pressure_mpa(q, celsius, theta)
    own = float(stored_mm(job.machine, theta, pressure)) * _AREA
    assert float(law.stored_mm3(q, r)) == pytest.approx(own, rel=0.1)
    assert 0.05 <= law.flow_index <= 1.0


def test_limit_a_rigid_spool_lays_what_was_asked(tmp_path):
    soft = _job(tmp_path)
    stiff = filament("95A", changes=(("shore = ", "youngs_modulus_mpa = 3000.0\nshore = "),))
    rigid = job_of(soft.program, soft.machine, stiff)
    assert rigid.bead.rms < 0.7 * soft.bead.rms
    assert soft.bead_with(StoreLaw(1e-9, 0.6)).rms < 0.01  # without a store what is fed is laid
    assert rigid.store.store_at_one_mm3 < 0.1 * soft.store.store_at_one_mm3


def test_limit_volume_of_a_job_balances(tmp_path):
    job = _job(tmp_path)
    b = job.bead
    assert b.fed_mm3 == pytest.approx(b.laid_mm3.sum() + b.ooze_mm3.sum() + b.stored_mm3, rel=1e-9)
    assert b.fed_mm3 == pytest.approx(job.program.filament_mm.sum() * _AREA, rel=1e-9)
    laid = job.program.length_mm[job.program.kind == 0].sum()
    assert b.length_mm.sum(dtype=float) == pytest.approx(laid, rel=1e-5)


def test_limit_what_is_drawn_holds_the_volume(tmp_path):
    """Widths drawn over a layer, times their height, are the volume laid there, to the steps they are drawn in."""
    job = _job(tmp_path)
    layer = 2
    drawn = widths_of(job, layer)
    length = {w: np.hypot(*(p[:, 2:] - p[:, :2]).T).sum() for w, p in drawn}
    here = job.laying.layering.layer[job.bead.move] == layer
    h = float(job.laying.layering.gap_mm[layer])
    volume = sum((w - (1 - np.pi / 4) * h) * h * mm for w, mm in length.items())
    assert sum(length.values()) == pytest.approx(job.bead.length_mm[here].sum(dtype=float), rel=0.01)
    assert volume == pytest.approx(job.bead.laid_mm3[here].sum(), rel=0.03)
    assert len(drawn) > 1


def test_regression_findings_carry_the_bead(tmp_path):
    from pliant.job.verdict import judge

    job = _job(tmp_path)
    found = judge(job, remedies=False).to_json()
    assert found["bead_error_rms"] == job.bead.rms > 0
    assert abs(found["bead_error_worst"]) >= found["bead_error_rms"]
    assert found["ooze_mm3"] == pytest.approx(job.bead.between_mm3)
    assert found["bead_error_line"] in job.program.line
