"""A wall that is colder than what softens the spool lays nothing: certain, named, and answered with heat."""

import warnings
from dataclasses import replace

import numpy as np
import pytest

from pliant.errors import ValidityWarning
from pliant.feed import chain
from pliant.feed.envelope import Envelope
from pliant.feed.load import Course
from pliant.feed.remedies import remedies_for
from pliant.feed.risk import jam_risk, speed_that_meets
from pliant.feed.warmth import cold_words, unsoftened_share, warm_enough_c
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.materials import modulus_by_hardness
from pliant.records.starters import MACHINES, SPOOLS, starter
from recipes import filament, machine


def _records(tmp_path, like="open-gap", spool="95A", **changes):
    (tmp_path / "m.toml").write_text(starter("machine", like))
    text = starter("filament", spool) + "".join(f"{k} = {v}\n" for k, v in changes.items())
    (tmp_path / "f.toml").write_text(text)
    return read_machine(tmp_path / "m.toml"), read_filament(tmp_path / "f.toml")


def _steady(speed, nozzle_c):
    return Envelope.steady([speed * 0.0814], nozzle_c, [0.45], [0.2], [False])


@pytest.mark.parametrize("speed", [0.01, 1.0, 40.0])
def test_limit_a_wall_colder_than_the_softening_point_is_certain_at_every_speed(tmp_path, speed):
    records = _records(tmp_path, soften_c=250)
    risk = jam_risk(_steady(speed, 200.0), *records)
    assert risk.probability > 0.99
    assert risk.by_mechanism["starve"] > 0.99
    assert speed_that_meets(_steady(speed, 200.0), *records, 0.02) is None


def test_limit_the_chance_holds_at_least_what_does_not_soften(tmp_path):
    machine, filament = _records(tmp_path)
    shares = [unsoftened_share(filament, c) for c in (165.0, 180.0, 195.0)]
    assert shares == pytest.approx([0.95, 0.475, 0.05], abs=0.01)  # the range of the record is 165 to 195, 90 % of it
    for c, share in zip((165.0, 180.0, 195.0), shares, strict=True):
        assert jam_risk(_steady(0.01, c), machine, filament).probability >= share - 0.01
    assert unsoftened_share(replace(filament, soften_c=replace(filament.soften_c, spread=1.0)), 170.0) == 1.0
    assert unsoftened_share(filament, 0.0) == 1.0
    assert cold_words(machine, filament, warm_enough_c(filament)) == ()
    said = cold_words(machine, filament, 180.0)[0]
    assert "47 %" in said and "From 208 °C" in said and "its data sheet allows 215 to 235" in said
    lined, hot = replace(machine, liner="ptfe"), replace(filament, nozzle_c=(215.0, 260.0))
    assert "its data sheet and the liner allow 215 to 240" in cold_words(lined, hot, 180.0)[0]  # no 260 through a liner


def test_limit_heat_is_what_helps_a_cold_nozzle_and_no_change_that_buys_nothing_is_offered(tmp_path):
    machine, filament = _records(tmp_path)
    job = _steady(3.0, 180.0)
    before, speed = jam_risk(job, machine, filament).probability, speed_that_meets(job, machine, filament, 0.02)
    told = remedies_for(job, machine, filament, before, speed, 0.02)
    assert told[0].change == "the nozzle at 215 °C"
    for like in MACHINES:
        for spool in SPOOLS:
            machine, filament = _records(tmp_path, like, spool)
            job = _steady(40.0, 225.0)
            before, speed = jam_risk(job, machine, filament).probability, speed_that_meets(job, machine, filament, 0.02)
            for r in remedies_for(job, machine, filament, before, speed, 0.02):
                if speed is not None:
                    assert r.speed_share is not None and r.speed_share > 1.1 * speed, (like, spool, r)
                else:
                    assert r.speed_share is not None or r.jam_probability < 0.8 * before


@pytest.mark.parametrize("like", MACHINES)
def test_limit_a_harder_grade_is_no_more_likely_to_jam(tmp_path, like):
    """Common draws, one temperature: the softening point alone rises with hardness, as melting peaks on sheets do."""
    chances = []
    for shore in (30, 50, 60, 70, 75, 80, 82, 85, 90, 95, 97):
        (tmp_path / "m.toml").write_text(starter("machine", like))
        text = starter("filament", "85A").replace("shore = 85", f"shore = {shore}")
        (tmp_path / "f.toml").write_text(text)
        records = read_machine(tmp_path / "m.toml"), read_filament(tmp_path / "f.toml")
        chances.append([jam_risk(_steady(v, 220.0), *records, shares=False).probability for v in (1.0, 5.0, 20.0)])
    assert (np.diff(np.array(chances), axis=0) <= 1e-3).all(), np.round(chances, 4)
    assert chances[0][1] > 2 * chances[4][1] or chances[4][1] > 0.45  # 30A is not taken as 75A


def test_published_the_modulus_of_soft_grades_holds_what_the_rubber_formulas_say():
    # Gent 1958 and Qi, Joyce, Boyce 2003, both good for 20 to 80 Shore A (reference: solid, section 1.2)
    for shore, gent, qi in ((30, 1.14, 1.16), (50, 2.46, 3.43), (60, 3.61, 5.88), (70, 5.52, 10.1)):
        middle, spread, source = modulus_by_hardness(shore)
        assert middle / spread**1.6449 < min(gent, qi) < max(gent, qi) < middle * spread**1.6449
        assert "extrapolated" in source
    assert "extrapolated" not in modulus_by_hardness(85)[2]


def test_limit_a_harder_reading_is_nowhere_softer_in_the_same_draw():
    for scale, top in (("A", 99), ("D", 99)):
        for z in (-3.5, -1.6, 0.0, 1.6, 3.5):
            logs = [np.log(m) + z * np.log(s) for m, s, _ in (modulus_by_hardness(x, scale) for x in range(20, top))]
            assert (np.diff(logs) > 0).all()


def test_limit_melt_that_softens_in_the_room_is_no_error(tmp_path):
    machine, filament = _records(tmp_path, soften_c=30)
    assert 0 <= jam_risk(_steady(5.0, 220.0), machine, filament).probability < 1
    theta = chain.central(machine, filament)
    assert np.isfinite(chain.free_pressure_mpa(1.0, 220.0, theta))


def _chance_after(seconds, machine, filament, speed=20.0):
    fed = speed * 0.0814 / (np.pi * filament.diameter_mm.value**2 / 4)
    return jam_risk(Course.steady([seconds], [fed * seconds], 220.0, 0.45, 0.2), machine, filament, shares=False)


def test_limit_a_drive_that_warms_makes_a_long_job_riskier_up_to_a_bound(tmp_path):
    records = _records(tmp_path, spool="85A")
    chance = [_chance_after(t, *records).probability for t in (60.0, 600.0, 2400.0, 36_000.0, 360_000.0)]
    assert chance[0] < chance[1] < chance[2] < chance[3]
    assert chance[4] == pytest.approx(chance[3], rel=1e-3)
    cold = replace(records[0], warming_k=replace(records[0].warming_k, value=1e-6, spread=1.0))
    assert _chance_after(36_000.0, cold, records[1]).probability < chance[0] * 1.05


def test_limit_filament_of_forty_degrees_carries_three_quarters_of_the_load_in_the_first_gap(tmp_path):
    machine, filament = _records(tmp_path, spool="85A")
    theta = chain.central(machine, filament) | {"warming_k": 17.0, "warming_min": 10.0}
    cold, _, _ = chain.push_margins(machine, theta, 0.5)
    warm, _, _ = chain.push_margins(machine, chain.after(theta, np.inf), 0.5)
    for name in ("bow", "swell"):
        assert warm[name] / cold[name] == pytest.approx(np.exp(-0.018 * 17), rel=0.02)  # 0.74, models.stiffness
    assert warm["stall"] == cold["stall"]
    two_thirds, _, _ = chain.push_margins(machine, chain.after(theta, 600.0), 0.5)
    assert two_thirds["bow"] / cold["bow"] == pytest.approx(np.exp(-0.018 * 17 * (1 - np.exp(-1))), rel=0.02)


def test_limit_slower_is_not_riskier_though_it_takes_longer(tmp_path):
    records = _records(tmp_path, spool="85A")
    fed = 400.0  # of one and the same job, at falling speeds
    chance = []
    for speed in (60.0, 30.0, 15.0, 7.0, 3.0, 1.0):
        seconds = fed * np.pi * records[1].diameter_mm.value ** 2 / 4 / (speed * 0.0814)
        job = Course.steady([seconds], [fed], 220.0, 0.45, 0.2)
        chance.append(jam_risk(job, *records, shares=False).probability)
    assert (np.diff(chance) <= 0).all()


def test_limit_a_measured_grip_stands_for_friction_and_teeth(tmp_path):
    machine, filament = _records(tmp_path, spool="95A")
    theta = chain.central(machine, filament)
    assert chain.grip_n(machine, theta) > 1.3 * 24.5 * 0.49, "the teeth hold more in a hard spool than friction"
    text = (tmp_path / "m.toml").read_text().replace("# grip_n = 15  ", "grip_n = 7.5  ")
    (tmp_path / "m.toml").write_text(text)
    measured = read_machine(tmp_path / "m.toml")
    assert chain.grip_n(measured, chain.central(measured, filament)) == 7.5
    assert not {"grip_friction", "bite_mm2"} & set(chain.unknowns(measured, filament))
    assert any("bite_mm2" in line for line in machine.assumed)
    assert not any("bite_mm2" in line for line in measured.assumed)


def test_limit_more_pull_of_the_spool_is_never_safer():

    m, f = machine("guided"), filament("95A")
    theta = chain.central(m, f)
    slip = []
    for pull in (0.0, 0.5, 1.0, 2.0, 5.0):
        found, _, push = chain.push_margins(m, theta | {"spool_pull_n": pull}, 1.0)
        slip.append(float(found["slip"]))
        assert slip[-1] == pytest.approx(float(chain.grip_n(m, theta)) / (float(push) + pull))
    assert slip == sorted(slip, reverse=True)


def test_limit_in_a_short_gap_nothing_bows_and_the_load_is_the_same():
    """Below two diameters it squashes: named `swell`, at the load at which the law bends it; a long gap bows."""

    m, f = machine("open-gap"), filament("85A")
    theta = chain.central(m, f)
    for length, names in ((2.0, "swell"), (12.0, "bow")):
        found, carries, _ = chain.push_margins(m, theta | {"path0.length_mm": length}, 3.0)
        one, other = (float(found[k]) for k in ("bow", "swell"))
        assert (one > 1e6 and names == "swell") or (one < other and names == "bow")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ValidityWarning)
            bends = chain._gap_capacity_n(theta | {"path0.length_mm": length}, 0, m.path[0].ends)
        assert float(carries[names]) <= float(bends) + 1e-9
