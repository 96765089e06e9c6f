"""The chain along a job: conservation, envelope against the full run, and the directions physics dictates."""

from dataclasses import replace

import numpy as np
import pytest

from pliant.feed import chain, load
from pliant.feed.load import Job, follow, jam_risk
from pliant.kernels.load import pressure_along
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import starter


@pytest.fixture
def records(tmp_path):
    (tmp_path / "m.toml").write_text(starter("machine", "open-gap"))
    (tmp_path / "f.toml").write_text(starter("filament", "85A"))
    return read_machine(tmp_path / "m.toml"), read_filament(tmp_path / "f.toml")


def _job(flow_mm3_per_s, rng, n=3000):
    seconds = rng.uniform(0.005, 0.2, n)
    on = rng.random(n) < 0.8
    filament = np.where(on, flow_mm3_per_s * seconds / 2.405282, 0.0)
    filament[rng.random(n) < 0.02] = -0.5
    return Job(seconds, filament, np.zeros(n, dtype=np.int64), np.array([220.0]), np.array([0.45]),
               np.array([0.2]), np.array([False]))  # fmt: skip


def test_limit_volume_is_conserved_through_the_lag(records):
    job = _job(3.0, np.random.default_rng(1), 100_000)
    run = follow(job, *records)
    fed = job.filament_mm.sum() * np.pi * records[1].diameter_mm.value ** 2 / 4
    assert run.delivered_mm3.sum() + run.stored_mm3 == pytest.approx(fed, rel=1e-9)


def test_limit_linear_law_is_an_exact_exponential():
    # P = R Q with R = 2 MPa s/mm3, C = 0.5 mm3/MPa: time constant 1 s
    flow = np.geomspace(1e-6, 1e3, 50)
    table = np.log(2.0 * flow)[None, :]
    pressure, _, _ = pressure_along(np.full(40, 0.1), np.full(40, 0.3), np.zeros(40, dtype=np.int64),
                                    np.log(flow), table, 0.5)  # fmt: skip
    assert pressure == pytest.approx(6.0 * (1 - np.exp(-0.1 * np.arange(1, 41))), rel=1e-6)


def test_limit_envelope_agrees_with_the_full_run(records):
    machine, filament = records
    job = _job(3.0, np.random.default_rng(2))
    run = follow(job, machine, filament)
    theta = {k: np.array([[v]]) for k, v in chain.central(machine, filament).items()}
    flows = load.envelope(job, filament.diameter_mm.value)
    _, push = load.log_margins(job, flows, machine, theta, 0.0, 1.0)
    # the envelope's lag is linear, the full run's is not: a tenth is what that costs here
    assert push[0] == pytest.approx(run.push_n.max(), rel=0.10)


def test_limit_directions(records):
    machine, filament = records
    job = _job(3.0, np.random.default_rng(3))
    base = jam_risk(job, machine, filament).probability
    slower = jam_risk(job, machine, filament, scale=0.3).probability
    gap = replace(machine.path[0], length_mm=replace(machine.path[0].length_mm, value=12.0))
    longer = jam_risk(job, replace(machine, path=(gap, *machine.path[1:])), filament).probability
    nozzle = replace(machine, nozzle_mm=replace(machine.nozzle_mm, value=0.8))
    softer = replace(filament, youngs_modulus_mpa=replace(filament.youngs_modulus_mpa, value=8.0))
    assert slower < base < longer
    assert jam_risk(job, nozzle, filament).probability < base
    assert jam_risk(job, machine, softer).probability > base


def test_limit_a_recover_only_refills_what_the_retraction_emptied():
    # E -1 mm3 then +1 mm3 from rest: no melt moves, no pressure rises
    flow = np.geomspace(1e-6, 1e3, 50)
    dt, volume = np.array([0.05, 1.0, 0.05]), np.array([-1.0, 0.0, 1.0])
    pressure, delivered, stored = pressure_along(
        dt, volume, np.zeros(3, dtype=np.int64), np.log(flow), np.log(2.0 * flow)[None, :], 0.5
    )
    assert pressure.max() == pytest.approx(0.0, abs=1e-9)
    assert delivered == pytest.approx(np.zeros(3), abs=1e-9)
    assert stored == pytest.approx(0.0, abs=1e-9)
