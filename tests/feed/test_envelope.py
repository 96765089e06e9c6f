"""The envelope: against the full run, and slower is never riskier, on programs really rewritten at other speeds."""

import re
import warnings

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pliant.feed import chain
from pliant.feed.envelope import envelope
from pliant.feed.load import Course, follow
from pliant.feed.risk import jam_risk, log_margins
from pliant.files import Text
from pliant.job.job import job_of
from pliant.kernels.load import settled_peak
from pliant.program.read import read_program
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import MACHINES, SPOOLS, starter
from recipes import filament, machine

PAIRS = [(m, f) for m in MACHINES for f in SPOOLS]


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    place, found = tmp_path_factory.mktemp("records"), {}
    for like in MACHINES:
        (place / "m.toml").write_text(starter("machine", like))
        found[like] = read_machine(place / "m.toml")
    for like in SPOOLS:
        (place / "f.toml").write_text(starter("filament", like))
        found[like] = read_filament(place / "f.toml")
    return found


def _program(rng, beads=60, retract=0.0, lift=0.0, size=12.0, speed=40.0, advance=0.0):
    """A layer or two of short and long beads in some habit: with or without retraction, lift, compensation."""
    lines = ["G28", "G90", "M83", "M104 S220", "M109 S220", "G1 Z0.2 F600"]
    if advance:
        lines.append(f"M900 K{advance}")
    for k in range(beads):
        if k == beads // 2:
            lines.append("G1 Z0.4 F600")
        if rng.random() < 0.3:
            if retract:
                lines.append(f"G1 E-{retract} F1800")
            if lift:
                lines.append(f"G91\nG1 Z{lift} F600\nG90")
            lines.append(f"G1 X{rng.uniform(0, size):.3f} Y{rng.uniform(0, size):.3f} F6000")
            if lift:
                lines.append(f"G91\nG1 Z-{lift} F600\nG90")
            if retract:
                lines.append(f"G1 E{retract} F1800")
        length = rng.choice([0.02, 0.3, 3.0, size])
        x, y = rng.uniform(0, size, 2)
        angle = rng.uniform(0, 2 * np.pi)
        lines.append(f"G1 X{x:.3f} Y{y:.3f} F6000")
        x, y = x + length * np.cos(angle), y + length * np.sin(angle)
        e = length * 0.045 * rng.choice([0.6, 1.0]) * 1.0
        lines.append(f"G1 X{x:.3f} Y{y:.3f} E{max(e, 1e-4):.5f} F{60 * speed * rng.choice([0.4, 1.0]):.1f}")
    return "\n".join(lines) + "\n"


def _job(path, text, machine, filament):
    path.write_text(text)
    return job_of(read_program(path, "auto"), machine, filament).course


def _slower(text, share):
    """The same program with every bead at a share of its speed; travel, lifts and retractions as they were."""
    return re.sub(
        r"^(G1 X\S+ Y\S+ E\S+ F)(\S+)$", lambda m: f"{m[1]}{float(m[2]) * share:.4f}", text, flags=re.MULTILINE
    )


HABITS = st.fixed_dictionaries(
    {
        "retract": st.sampled_from([0.0, 0.8, 5.0]),
        "lift": st.sampled_from([0.0, 0.4]),
        "size": st.sampled_from([3.0, 12.0, 60.0]),
        "beads": st.sampled_from([6, 60]),
        "speed": st.sampled_from([15.0, 60.0]),
    }
)


@settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10**6), habits=HABITS, pair=st.sampled_from(PAIRS))
def test_limit_slowing_every_bead_never_raises_the_chance_of_a_jam(records, tmp_path, seed, habits, pair):
    machine, filament = records[pair[0]], records[pair[1]]
    text = _program(np.random.default_rng(seed), **habits)
    last, push = None, np.inf
    for share in (1.0, 0.7, 0.4, 0.2, 0.1):
        job = _job(tmp_path / "p.gcode", _slower(text, share), machine, filament)
        chance = jam_risk(job, machine, filament, shares=False, n=300).probability
        full = float(follow(job, machine, filament).pressure_mpa.max())
        # what is left of rounding: table steps of the envelope, sub-steps of the full run
        assert last is None or chance <= last + 0.004, (share, last, chance)
        assert full <= push * 1.01
        last, push = chance, full


def test_limit_the_envelope_agrees_with_the_full_run(records, tmp_path):
    """At central values, on programs that change squeeze from bead to bead and draw back more than is stored."""
    rng, ratio = np.random.default_rng(1), []
    for _ in range(60):
        machine, filament = (records[k] for k in PAIRS[rng.integers(len(PAIRS))])
        habits = {
            "retract": float(rng.choice([0, 0.8, 5.0])), "lift": float(rng.choice([0, 0.4])),
            "size": float(rng.choice([3.0, 12.0, 60.0])), "beads": int(rng.choice([6, 60])),
            "speed": float(rng.choice([15.0, 60.0])),
        }  # fmt: skip
        job = _job(tmp_path / "p.gcode", _program(rng, **habits), machine, filament)
        theta = {k: np.array([[v]]) for k, v in chain.central(machine, filament).items()}
        found, _ = log_margins(envelope(job, machine, filament), machine, theta, 0.0, 1.0)
        ratio.append(min(float(v.min()) for v in found.values()) / float(follow(job, machine, filament).margin.min()))
    assert np.median(ratio) == pytest.approx(1.0, abs=0.03)
    assert min(ratio) > 0.8
    assert max(ratio) < 1.2


def test_regression_a_short_job_on_a_long_tube_fills_its_tube_and_no_more(records, tmp_path):
    """The whole job feeds less than the tube would store: the envelope used to say three times the push there is."""
    machine, filament = records["tube-2.0"], records["85A"]
    text = _program(np.random.default_rng(3), beads=3, speed=60.0, size=3.0)
    job = _job(tmp_path / "p.gcode", text, machine, filament)
    theta = {k: np.array([[v]]) for k, v in chain.central(machine, filament).items()}
    _, push = log_margins(envelope(job, machine, filament), machine, theta, 0.0, 1.0)
    fed = job.filament_mm.sum() * np.pi * 1.75**2 / 4
    pressure = fed / float(chain.compliance(machine, chain.central(machine, filament)))
    full = follow(job, machine, filament)
    assert float(full.pressure_mpa.max()) <= pressure * (1 + 1e-6)
    assert push[0] == pytest.approx(float(full.push_n.max()), rel=0.06)


@pytest.mark.parametrize("speed", [60.0, 15.0, 3.0])
def test_limit_a_store_beyond_the_table_that_the_job_never_fills_holds_what_was_fed(speed):
    """A long tube of the softest spool would store 2000 mm3 per MPa: the envelope used to say five times the push."""
    m = machine("tube-2.0", (("length_mm = 420", "length_mm = 1500"),))
    f = filament("75A", changes=(("shore = 75", "shore = 25"),))
    job = job_of(read_program(Text("p.gcode", _program(np.random.default_rng(3), beads=6, speed=speed))), m, f).course
    theta = {k: np.array([[v]]) for k, v in chain.central(m, f).items()}
    _, push = log_margins(envelope(job, m, f), m, theta, 0.0, 1.0)
    assert push[0] == pytest.approx(float(follow(job, m, f).push_n.max()), rel=0.06)


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10**6), advance=st.sampled_from([0.0, 0.05]), pair=st.sampled_from(PAIRS))
def test_limit_no_flow_beyond_what_is_fed_and_stored(records, tmp_path, seed, advance, pair):
    """Moves too short to cruise left phases of 1e-17 s, over which rounding made 19,467 mm3/s."""
    machine, filament = records[pair[0]], records[pair[1]]
    text = _program(np.random.default_rng(seed), beads=80, retract=0.8, size=3.0, speed=60.0, advance=advance)
    job = _job(tmp_path / "p.gcode", text, machine, filament)
    run = follow(job, machine, filament)
    area = np.pi * filament.diameter_mm.value**2 / 4
    store = float(chain.compliance(machine, chain.central(machine, filament)))
    fed = job.filament_mm * area
    assert run.delivered_mm3.sum() + run.stored_mm3 == pytest.approx(fed.sum(), rel=1e-9)
    before = np.concatenate([[0.0], run.end_mpa[:-1].astype(float)]) * store
    ahead = 60.0 * job.advance_s.max(initial=0.0) * np.abs(fed / np.maximum(job.length_mm, 1e-3)).max()
    assert (run.delivered_mm3 <= np.maximum(fed, 0) + before * (1 + 1e-5) + ahead + 1e-9).all()
    # the nozzle's law at the largest pressure bounds the flow
    theta = chain.central(machine, filament)
    grid = np.geomspace(1e-4, 1e3, 2000)
    flows = np.interp(run.pressure_mpa.max(), chain.free_pressure_mpa(grid, 220.0, theta), grid)
    assert run.flow_mm3_per_s.max() <= flows * 1.02


def test_limit_phases_too_short_for_a_clock_carry_their_volume_on(records):
    """A move whose cruise lasts 1e-17 s by rounding is a triangle, and feeds what a triangle feeds."""
    machine, filament = records["open-gap"], records["85A"]
    a, v = 1000.0, 20.0
    length = np.full(200, v * v / a * (1 + 2e-16))
    zero, one = np.zeros(200), np.ones(200)
    job = Course(
        length, a * one, zero, v * one, zero, zero, 0.02 * length, 0.04 * one, zero.astype(np.int32),
        np.array([220.0]), one.astype(np.float32), np.full(200, np.inf, np.float32), zero.astype(bool),
    )  # fmt: skip
    run = follow(job, machine, filament)
    assert run.flow_mm3_per_s.max() < 0.02 * v * 2.41
    assert run.delivered_mm3.sum() + run.stored_mm3 == pytest.approx(job.filament_mm.sum() * 2.405282, rel=1e-6)


@pytest.mark.parametrize("kernel", [settled_peak, settled_peak.py_func])
def test_limit_settled_flow_of_an_impulse_and_of_a_steady_feed(kernel):
    # an impulse of W leaves the store W: flow (W / S)^(1/n); a long feed ends at its own flow; linear law: exponential
    index = np.array([1.0, 0.5])
    store = np.array([2.0, 2.0])[None, :, None] * np.ones((1, 2, 1))
    at = (np.zeros(1, np.int64), np.ones(1), np.ones(1), store, index)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        one = np.ones((1, 1))
        impulse = kernel(1e-6 * one, 0.5 * one, one, np.ones(1, np.int64), *at)
        assert impulse[0, :, 0] == pytest.approx([0.25, 0.0625], rel=1e-3)
        many = np.full((1, 400), 0.05)
        steady = kernel(many, many * 3.0, np.ones_like(many), np.array([400]), *at)
        assert steady[0, :, 0] == pytest.approx([3.0, 3.0], rel=1e-3)
        linear = kernel(many, many * 3.0, np.ones_like(many), np.array([40]), *at)[0, 0, 0]
    assert linear == pytest.approx(3.0 * (1 - np.exp(-2.0 / 2.0)), rel=1e-6)
